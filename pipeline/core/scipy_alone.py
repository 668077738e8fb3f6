"""Loads the functions of SciPy without parts of NumPy that neither they nor anything here uses.

SciPy copies the names of NumPy into a module of its own, and so loads what NumPy loads only on demand: a translator of
Fortran, masked arrays, tools for tests. That takes longer than SciPy's own functions. Here it is shown only the names
that are loaded already. Workers import this before anything else that imports SciPy; no result depends on it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing

_NAMES, _LISTED = np.__all__, np.__dir__
np.__all__ = [name for name in _NAMES if name in vars(np)]
np.__dir__ = lambda: np.__all__  # type: ignore[method-assign]
try:
    import scipy.special  # noqa: F401
finally:
    np.__all__, np.__dir__ = _NAMES, _LISTED  # type: ignore[method-assign]
