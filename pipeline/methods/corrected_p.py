"""p-values corrected for their number."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.core.arrays import Array


def holm(p_values: npt.ArrayLike) -> Array:
    """Corrected so that the chance of any false rejection is kept, in the order given (Holm 1979, from memory)."""
    p = np.asarray(p_values, dtype=np.float64)
    order = np.argsort(p, kind="stable")
    corrected = np.empty_like(p)
    corrected[order] = np.minimum(np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1)), 1.0)
    return corrected


def benjamini_hochberg(p_values: npt.ArrayLike) -> Array:
    """Corrected so that the share of false rejections is kept (1995, doi 10.1111/j.2517-6161.1995.tb02031.x)."""
    p = np.asarray(p_values, dtype=np.float64)
    return adjusted(p, steps_of(p))


# --- Benjamini and Hochberg in two passes -----------------------------------------------------------------------------
# A corrected p-value is the least, over all p-values from its own upwards, of p times their number over the rank of p.
# So it follows from the p-value alone once the steps of that least value are known: these are few, and what is
# corrected by them may be divided in any way.


def steps_of(p_values: Array) -> tuple[Array, Array]:
    """Where the corrected value steps up, and the values there.

    Args:
        p_values: n p-values, in any order.

    Returns:
        p-values in ascending order, each with the corrected value of all p-values up to it and beyond the one before.
    """
    ascending = np.sort(p_values)
    stepped = ascending * len(ascending) / np.arange(1, len(ascending) + 1)
    least_beyond = np.append(np.minimum.accumulate(stepped[::-1])[::-1][1:], np.inf)
    is_step = stepped < least_beyond
    return ascending[is_step], np.minimum(stepped[is_step], 1.0)


def adjusted(p_values: Array, steps: tuple[Array, Array]) -> Array:
    """The corrected p-values, by the steps of all p-values that these are among."""
    at, values = steps
    return np.asarray(values[np.searchsorted(at, p_values)])
