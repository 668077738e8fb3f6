"""p-values adjusted for their number.

An adjusted p-value is compared with the level that is to hold for all tests together: by Holm the chance of any false
finding, by Benjamini and Hochberg the expected share of false findings among all.

Sources: Holm 1979, Scand J Stat 6:65-70 (from memory); Benjamini and Hochberg 1995, doi
10.1111/j.2517-6161.1995.tb02031.x (their example read in public repositories).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def none(p_values: npt.ArrayLike) -> Array:
    """Leave p-values as they are.

    Raises:
        ValueError: something is no p-value.
    """
    return _checked(p_values)


def holm(p_values: npt.ArrayLike) -> Array:
    """Step down: the smallest times their number m, the next times m - 1, and so on, never below one before, at most 1.

    Args:
        p_values: m p-values in any order; missing ones (NaN) stay missing and do not count.

    Returns:
        Adjusted p-values in the same order.

    Raises:
        ValueError: something is no p-value.
    """
    return _stepwise(p_values, lambda ordered: np.maximum.accumulate(ordered * np.arange(len(ordered), 0, -1)))


def benjamini_hochberg(p_values: npt.ArrayLike) -> Array:
    """Step up: each times m over its rank, never above one that follows, at most 1.

    Args:
        p_values: m p-values in any order; missing ones (NaN) stay missing and do not count.

    Returns:
        Adjusted p-values in the same order.

    Raises:
        ValueError: something is no p-value.
    """

    def adjusted(ordered: Array) -> Array:
        n = len(ordered)
        smallest = np.minimum.accumulate((ordered * n / np.arange(1, n + 1))[::-1])
        return np.asarray(smallest[::-1], dtype=np.float64)

    return _stepwise(p_values, adjusted)


#: The corrections by the name that a study chooses them by.
CORRECTIONS: Mapping[str, Callable[[npt.ArrayLike], Array]] = {
    "none": none,
    "holm": holm,
    "benjamini-hochberg": benjamini_hochberg,
}


def _stepwise(p_values: npt.ArrayLike, adjusted: Callable[[Array], Array]) -> Array:
    given = _checked(p_values)
    found = np.full(len(given), np.nan)
    known = np.flatnonzero(~np.isnan(given))
    order = known[np.argsort(given[known], kind="stable")]
    found[order] = np.minimum(adjusted(given[order]), 1.0)
    return found


def _checked(p_values: npt.ArrayLike) -> Array:
    given = np.array(p_values, dtype=np.float64)
    if given.ndim != 1:
        raise ValueError("p-values to adjust are one list.")
    if ((given < 0) | (given > 1)).any():
        raise ValueError("A p-value lies between 0 and 1.")
    return given
