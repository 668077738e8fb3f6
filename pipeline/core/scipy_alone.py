"""Loads the functions of SciPy without what neither they nor anything here uses.

SciPy copies the names of NumPy into a module of its own, and so loads what NumPy loads only on demand: a translator of
Fortran, masked arrays, tools for tests. That takes longer than SciPy's own functions. Here it is shown only the names
that are loaded already. What writes into the documentation of each special function which other kinds of arrays it
takes, and leaves the functions as they are, is loaded with the first name that nothing else defines.

Workers import this before anything else that imports SciPy; no result depends on it.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import Any

import numpy as np
import numpy.typing

_OTHER_ARRAYS = "scipy.special._support_alternative_backends"


def _of_other_arrays(name: str) -> Any:
    """What `scipy.special` has from the module that was not loaded with it."""
    return getattr(import_module(_OTHER_ARRAYS), name)


_NAMES, _LISTED = np.__all__, np.__dir__
np.__all__ = [name for name in _NAMES if name in vars(np)]
np.__dir__ = lambda: np.__all__  # type: ignore[method-assign]
sys.modules[_OTHER_ARRAYS] = ModuleType(_OTHER_ARRAYS)
try:
    import scipy.special

    scipy.special.__getattr__ = _of_other_arrays
finally:
    del sys.modules[_OTHER_ARRAYS]
    np.__all__, np.__dir__ = _NAMES, _LISTED  # type: ignore[method-assign]
