"""Types of NumPy arrays."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

#: Numbers, of any shape; docstrings give the shape.
Array = npt.NDArray[np.float64]
#: Which of them, likewise.
Mask = npt.NDArray[np.bool_]
