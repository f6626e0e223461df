"""The array types that numbers travel in."""

from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
Floats = float | npt.ArrayLike | npt.NDArray[Any]
