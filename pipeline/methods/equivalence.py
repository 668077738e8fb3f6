"""Two one-sided t tests: whether a mean change is too small to matter.

A test of difference that does not reject shows nothing about equivalence. Here the null hypothesis is that the mean
change lies at or beyond the margin, in either direction; the change is equivalent to none only if both are rejected.

Source: Schuirmann 1987, doi 10.1007/BF01068419 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.methods.paired_change import NO_SCATTER
from pipeline.methods.shared_error import with_shared_error


@dataclass(frozen=True)
class Equivalence:
    """Result of both tests.

    Attributes:
        mean: mean change, in the unit of the changes.
        low: lower end of the interval that the tests amount to, of 90 %.
        p_value: the larger of the two one-sided p-values.
        is_equivalent: whether the interval, ends included, lies within ± the margin, ends included.
    """

    mean: float
    low: float
    high: float
    p_value: float
    is_equivalent: bool


def equivalence(changes: npt.ArrayLike, margin: float, *, shared_se: float = 0.0) -> Equivalence:
    """Test whether the mean of independent changes lies within ± the margin, each side at a level of 0.95.

    Args:
        changes: one change per athlete, n; normally distributed, or many.
        margin: above 0, fixed before the changes were seen, in their unit.
        shared_se: standard error of the mean by something that moves all changes the same way.

    Raises:
        ValueError: fewer than two changes, missing values, changes that are all equal, or an impossible margin.
    """
    values = np.asarray(changes, dtype=np.float64)
    if values.ndim != 1 or not np.isfinite(values).all():
        raise ValueError("Changes must be one list without missing values.")
    if not (np.isfinite(margin) and margin > 0):
        raise ValueError(f"The margin must be above 0, not {margin}.")
    if len(values) < 2:
        raise ValueError(f"A test of equivalence needs at least two changes, not {len(values)}.")
    mean, scatter = float(values.mean()), float(values.std())
    if scatter <= NO_SCATTER * float(np.abs(values).max()):
        raise ValueError("All changes are equal: a test of equivalence needs scatter.")
    df = len(values) - 1
    interval = with_shared_error(mean, scatter / df**0.5, df, shared_se, level=0.90)
    low, high = interval.low, interval.high
    beyond = (abs(mean) - margin) / interval.se
    return Equivalence(
        mean=mean,
        low=low,
        high=high,
        p_value=float(special.stdtr(interval.df, beyond)),
        # From the interval rather than from p: a margin exactly at one of the ends that are shown counts.
        is_equivalent=low >= -margin and high <= margin,
    )
