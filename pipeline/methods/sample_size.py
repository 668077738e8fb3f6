"""How many athletes a comparison of two looks at the same athletes needs, and how many runs of each.

An athlete's mean change over R runs scatters about the group's by √(between² + within² / R): athletes' true changes
differ, and each run's change is off the athlete's own. More runs lower the second part only.

Sources: power of the t test by the noncentral t distribution (Johnson and Welch 1940, doi 10.1093/biomet/31.3-4.362,
from memory; the case of 0.5 standard deviations at a power of 0.8 read in manuals of R packages).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.methods.noncentral_t import noncentral_t_below
from pipeline.methods.reliability import reliability

#: Numbers of runs and powers that are tabled if nothing else is asked for: common practice, no source.
RUNS = (1, 2, 3, 4, 6, 8, 12)
POWERS = (0.8, 0.9)
#: No study of runners is larger; a search beyond it is a mistake in the units.
MOST_ATHLETES = 1_000_000


@dataclass(frozen=True)
class ChangeComponents:
    """Where changes of single runs scatter.

    Attributes:
        between: standard deviation of athletes' true changes, 0 where it comes out negative.
        within: standard deviation of single runs' changes about their athlete's.
        n_athletes: athletes that this rests on.
        n_runs: their runs.
        note: what a reader must know; empty where all is usual.
    """

    between: float
    within: float
    n_athletes: int
    n_runs: int
    note: str


@dataclass(frozen=True)
class SampleSize:
    """Athletes needed with so many runs each.

    Attributes:
        runs: of each athlete at each look.
        sd: standard deviation of athletes' mean changes over that many runs.
        power: asked for.
        n: fewest athletes.
        reached: power with that many.
    """

    runs: int
    sd: float
    power: float
    n: int
    reached: float


def change_components(athlete: Sequence[str] | npt.ArrayLike, change: npt.ArrayLike) -> ChangeComponents:
    """Estimate both standard deviations from single runs' changes, by moments (`reliability`).

    Args:
        athlete: whose run it is, n.
        change: of each run, n, in any unit.

    Raises:
        ValueError: fewer than two athletes, none with two runs, all changes equal, or missing values.
    """
    parts = reliability(athlete, change)
    note = (
        ""
        if parts.variance_between > 0
        else "Athletes differ by no more than their runs let expect: their true changes are taken to be the same."
    )
    between = float(np.sqrt(max(parts.variance_between, 0.0)))
    return ChangeComponents(between, parts.typical_error, parts.n_subjects, parts.n_values, note)


def paired_power(n: int, delta: float, sd: float, *, level: float = 0.95) -> float:
    """Probability that a two-sided paired t test finds a mean change.

    Args:
        n: athletes, at least 2.
        delta: the true mean change.
        sd: standard deviation of the changes that are compared, in the same unit.
        level: one less the error of the test.

    Raises:
        ValueError: fewer than two athletes, or a standard deviation that is not above 0.
    """
    if n < 2:
        raise ValueError(f"A paired comparison needs at least two athletes, not {n}.")
    if not sd > 0:
        raise ValueError(f"A standard deviation lies above 0, not at {sd}.")
    shift, t = float(abs(delta) / sd * np.sqrt(n)), float(special.stdtrit(n - 1, 0.5 + level / 2))
    return 1 - noncentral_t_below(t, n - 1, shift) + noncentral_t_below(-t, n - 1, shift)


def fewest_athletes(delta: float, sd: float, *, power: float, level: float = 0.95) -> int:
    """Smallest number of athletes with which a mean change is found with the power asked for.

    Args:
        delta: the smallest true mean change that must not be missed; not 0.
        sd: standard deviation of the changes that are compared, in the same unit.
        power: above one less `level`, below 1.
        level: one less the error of the test.

    Raises:
        ValueError: an impossible number, or a change too small for a million athletes.
    """
    if delta == 0 or not np.isfinite(delta):
        raise ValueError("A change to be found is not 0.")
    if not 1 - level < power < 1:
        raise ValueError(f"A power lies between {1 - level:.3g} and 1, not at {power}.")
    enough = 2
    while paired_power(enough, delta, sd, level=level) < power:
        enough *= 2
        if enough > MOST_ATHLETES:
            raise ValueError("A change so small in standard deviations needs more than a million athletes.")
    too_few = max(enough // 2, 1)
    while enough - too_few > 1:
        middle = (enough + too_few) // 2
        if paired_power(middle, delta, sd, level=level) < power:
            too_few = middle
        else:
            enough = middle
    return enough


def sample_sizes(
    delta: float,
    *,
    between: float,
    within: float,
    runs: Sequence[int] = RUNS,
    powers: Sequence[float] = POWERS,
    level: float = 0.95,
) -> tuple[SampleSize, ...]:
    """Table of athletes needed, for each number of runs and each power.

    Args:
        delta: the smallest true mean change that must not be missed; not 0.
        between: standard deviation of athletes' true changes, in the same unit.
        within: standard deviation of single runs' changes about their athlete's.
        runs: numbers of runs an athlete, each at least 1.
        powers: to reach.
        level: one less the error of the test.

    Raises:
        ValueError: an impossible number.
    """
    if between < 0 or within < 0 or between + within == 0:
        raise ValueError("Standard deviations are not below 0, and not both 0.")
    if min(runs) < 1:
        raise ValueError("An athlete has at least one run.")
    rows = []
    for n_runs in runs:
        sd = float(np.sqrt(between**2 + within**2 / n_runs))
        for power in powers:
            n = fewest_athletes(delta, sd, power=power, level=level)
            rows.append(SampleSize(n_runs, sd, power, n, paired_power(n, delta, sd, level=level)))
    return tuple(rows)
