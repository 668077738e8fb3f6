"""Pairs of measurements, checked before they are compared."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.core.arrays import Array


def pairs_of(first: npt.ArrayLike, second: npt.ArrayLike, *, level: float) -> tuple[Array, Array]:
    """Both sides of pairs as columns of numbers.

    Args:
        first: n values.
        second: their partners in the same order, n.
        level: of the intervals to be computed from them, between 0 and 1.

    Raises:
        ValueError: fewer than two pairs, different lengths, missing values, or an impossible level.
    """
    x, y = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError("Values must come in pairs: two lists of the same length.")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("A pair has a missing value: leave it out first.")
    if len(x) < 2:
        raise ValueError(f"A comparison needs at least two pairs, not {len(x)}.")
    if not 0 < level < 1:
        raise ValueError(f"The level of an interval must lie between 0 and 1, not at {level}.")
    return x, y
