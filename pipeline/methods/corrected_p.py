"""p-values corrected for their number."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.core.arrays import Array


def holm(p_values: npt.ArrayLike) -> Array:
    """Corrected so that the chance of any false rejection is kept, in the order given (Holm 1979, from memory)."""
    p, order = _sorted(p_values)
    return _back(np.maximum.accumulate(p * np.arange(len(p), 0, -1)), order)


def benjamini_hochberg(p_values: npt.ArrayLike) -> Array:
    """Corrected so that the share of false rejections is kept (1995, doi 10.1111/j.2517-6161.1995.tb02031.x)."""
    p, order = _sorted(p_values)
    n = len(p)
    return _back(np.minimum.accumulate((p * n / np.arange(1, n + 1))[::-1])[::-1], order)


def _sorted(p_values: npt.ArrayLike) -> tuple[Array, npt.NDArray[np.intp]]:
    p = np.asarray(p_values, dtype=np.float64)
    order = np.argsort(p, kind="stable")
    return p[order], order


def _back(corrected: Array, order: npt.NDArray[np.intp]) -> Array:
    result = np.empty_like(corrected)
    result[order] = np.minimum(corrected, 1.0)
    return result
