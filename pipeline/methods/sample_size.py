"""How many athletes a comparison of two measurements of the same athletes needs, and how many runs per athlete.

The standard deviation of athletes' mean changes over R runs is √(between² + within² / R): athletes' true changes
differ, and the change of each run differs from the athlete's own. More runs lower the second part only.

Sources: power of the t test by the noncentral t distribution (Johnson and Welch 1940, doi 10.1093/biomet/31.3-4.362,
from memory).
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.methods.noncentral_t import noncentral_t_below
from pipeline.methods.reliability import reliability

#: No study of runners is larger; a larger number comes from a mistake in the units.
MOST_ATHLETES = 1_000_000


@dataclass(frozen=True)
class SampleSize:
    """Athletes needed with a number of runs each.

    Attributes:
        runs: runs per athlete, in each of the two measurements.
        sd: standard deviation of athletes' mean changes over that many runs.
        power: probability with which the change is to be detected.
        n: the smallest sufficient number of athletes.
    """

    runs: int
    sd: float
    power: float
    n: int


def change_components(
    athlete: Sequence[str] | npt.ArrayLike, change: npt.ArrayLike, *, shared_se: npt.ArrayLike | None = None
) -> tuple[float, float]:
    """Standard deviations of changes, estimated from single runs by moments (`reliability`).

    Args:
        athlete: whose run it is, n.
        change: change within each run, n, in any unit.
        shared_se: standard error that each change has from an error that the athlete's runs share, n; taken off what
            athletes differ by. None where nothing is shared.

    Returns:
        Standard deviation of athletes' true changes, 0 where the estimate of the variance is negative; that of single
        runs' changes within an athlete.

    Raises:
        ValueError: fewer than two athletes, none with two runs, all changes equal, or missing values.
    """
    parts = reliability(athlete, change, shared_se=shared_se)
    return math.sqrt(max(parts.variance_between, 0.0)), parts.typical_error


def fewest_athletes(delta: float, sd: float, *, power: float) -> int:
    """Smallest number of athletes with which a two-sided paired t test detects a mean change.

    Args:
        delta: the smallest true mean change that must be detected; not 0.
        sd: standard deviation of the changes, in the same unit.
        power: probability of detecting it, above the error of the test, 0.05, and below 1.

    Raises:
        ValueError: an impossible number, or a change so small that more than a million athletes would be needed.
    """
    if delta == 0 or not np.isfinite(delta):
        raise ValueError("The change to detect must not be 0.")
    if not sd > 0:
        raise ValueError(f"A standard deviation must be above 0, not {sd}.")
    if not 0.05 < power < 1:
        raise ValueError(f"The power must lie between 0.05 and 1, not at {power}.")
    effect = abs(delta) / sd

    def reached(n: int) -> float:
        limit, shift = float(special.stdtrit(n - 1, 0.975)), effect * math.sqrt(n)
        return 1 - noncentral_t_below(limit, n - 1, shift) + noncentral_t_below(-limit, n - 1, shift)

    n_athletes = range(2, MOST_ATHLETES + 1)
    place = bisect.bisect_left(n_athletes, power, key=reached)
    if place == len(n_athletes):
        raise ValueError("The change is so small that more than a million athletes would be needed.")
    return n_athletes[place]


def sample_sizes(
    delta: float, *, between: float, within: float, runs: Sequence[int], powers: Sequence[float]
) -> tuple[SampleSize, ...]:
    """Athletes needed, for each number of runs and each power.

    Args:
        delta: the smallest true mean change that must be detected; not 0.
        between: standard deviation of athletes' true changes, in the same unit.
        within: standard deviation of single runs' changes within an athlete.
        runs: numbers of runs per athlete, each at least 1.
        powers: probabilities of detecting the change.

    Raises:
        ValueError: an impossible number.
    """
    if between < 0 or within < 0 or between + within == 0:
        raise ValueError("Standard deviations must not be below 0, and not both 0.")
    if min(runs) < 1:
        raise ValueError("At least one run per athlete is needed.")
    sds = ((n_runs, math.hypot(between, within / math.sqrt(n_runs))) for n_runs in runs)
    return tuple(
        SampleSize(n_runs, sd, power, fewest_athletes(delta, sd, power=power)) for n_runs, sd in sds for power in powers
    )
