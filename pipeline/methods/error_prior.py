"""What is known of the error of speed, and of a metric's response to speed, before the athlete's own runs say anything.

The error's size has a half-normal distribution, by the source of speed, over the sizes of `ERROR_SD`; the response has
a mean and a variance, published or the club's. What is made of both, `pipeline/methods/measurement_error.py` says.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.core.arrays import Array, Mask
from pipeline.core.metrics import Metric
from pipeline.core.speed_sources import SpeedErrorPct, speed_error_of
from pipeline.methods.mixed_model import Design
from pipeline.methods.speed_equations import ERROR_SD

#: How far each of `ERROR_SD` speaks for its neighbourhood, in a distribution over them.
WIDTH = np.gradient(ERROR_SD)
#: Where runs have speed from several sources, the error of the others is taken at the middles of so many parts of its
#: distribution, equally probable.
PARTS_OF_OTHERS = 5


@dataclass(frozen=True)
class ErrorPrior:
    """What is known before of the error of speed and of the response of a metric, for each of `ERROR_SD`.

    Attributes:
        log_weight: of each standard deviation.
        mean: of the response.
        variance: of the response, about that mean.
        typical: response at which errors of speed are thought to show in the metric.
        reach: how far about it responses are plausible.
        is_of_club: whether the weights hold what this athlete's own runs say of the error already.
        other_sources: log weights of each standard deviation for the other sources that the athlete's runs have.
        mean_variance: how unsure the mean itself is, part of `variance`, shared by all athletes of a club.
    """

    log_weight: Array
    mean: Array
    variance: Array
    typical: float
    reach: float
    is_of_club: bool = False
    other_sources: Mapping[str | None, Array] = field(default_factory=dict)
    mean_variance: Array = field(default_factory=lambda: np.zeros(len(ERROR_SD)))


@dataclass(frozen=True)
class ErrorPriors:
    """Those of several metrics, each attribute an array of them."""

    log_weight: Array
    mean: Array
    variance: Array
    typical: Array
    reach: Array
    is_of_club: Mask

    @classmethod
    def of(cls, priors: Sequence[ErrorPrior]) -> ErrorPriors:
        """One metric after the other."""
        return cls(*(np.array([getattr(prior, part.name) for prior in priors]) for part in fields(cls)))


def half_normal(median: float) -> Array:
    """Log weights of `ERROR_SD` under a half-normal prior with this median; all none for 0, which is exact."""
    if median == 0:
        return np.full(len(ERROR_SD), -np.inf)
    return np.asarray(np.log(WIDTH) - 0.5 * (ERROR_SD / median * special.ndtri(0.75)) ** 2)


def wide_prior(mean: float, sd: float, error_median: float) -> ErrorPrior:
    """The published range of a response, and an error of speed of this median."""
    unit = np.ones(len(ERROR_SD))
    return ErrorPrior(half_normal(error_median), mean * unit, sd**2 * unit, mean, 2 * sd)


def plausible(of: Metric) -> tuple[float, float]:
    """The published response to speed of a metric, and how far about it responses are plausible."""
    return of.speed_response, 2 * of.speed_response_sd


def published(of: Metric, speed_error_pct: float) -> ErrorPrior:
    """What is known of the response of a metric, and of the error of speed, before there are runs."""
    return wide_prior(of.speed_response, of.speed_response_sd, speed_error_pct / 100)


def main_source(design: Design, speed_error_pct: SpeedErrorPct) -> str | None:
    """The source that most splits of a design have speed from; one that is not exact, if there is one."""
    n_splits: Counter[str | None] = Counter()
    for source, count in zip(design.speed_sources, design.counts.tolist(), strict=False):
        n_splits[source] += count

    def rank(source: str | None) -> tuple[bool, int, str]:
        return speed_error_of(speed_error_pct, source) == 0, -n_splits[source], source or ""

    return min(n_splits, key=rank, default=None)


def _quantiles(log_weight: Array) -> Array:
    """Middles of `PARTS_OF_OTHERS` equally probable parts of a distribution over `ERROR_SD`; 0 where speed is exact."""
    if not np.isfinite(log_weight).any():
        return np.zeros(PARTS_OF_OTHERS)
    weight = np.exp(log_weight - log_weight.max())
    below = (np.cumsum(weight) - weight / 2) / weight.sum()
    return np.asarray(np.interp((np.arange(PARTS_OF_OTHERS) + 0.5) / PARTS_OF_OTHERS, below, ERROR_SD))


def sizes_of_errors(priors: Sequence[ErrorPrior], sources: Sequence[str | None]) -> tuple[Array, npt.NDArray[np.int64]]:
    """Sizes of the errors to look at, metrics x sizes x groups of runs, and the group of each run.

    The first group has the source that the priors are of. The errors of the others go up and down together; so do the
    sizes: all of theirs for the first of `ERROR_SD`, and so on. What is exact has an error of 0.
    """
    group_of = {name: place for place, name in enumerate(priors[0].other_sources, start=1)}
    groups = np.array([group_of.get(source, 0) for source in sources], dtype=np.int64)
    if not len(groups) or groups.max() == 0:
        return np.broadcast_to(ERROR_SD[:, None], (len(priors), len(ERROR_SD), 1)), np.zeros(len(groups), np.int64)
    of_main = np.repeat(ERROR_SD, PARTS_OF_OTHERS)
    sizes = [
        [of_main, *(np.tile(_quantiles(weight), len(ERROR_SD)) for weight in prior.other_sources.values())]
        for prior in priors
    ]
    return np.moveaxis(np.array(sizes), 1, 2).copy(), groups
