"""The array types that numbers travel in."""

from dataclasses import fields, is_dataclass
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
Floats = float | npt.ArrayLike | npt.NDArray[Any]

Batch = TypeVar("Batch")


def take_rows(batch: Batch, rows: IntArray) -> Batch:
    """Some rows of a dataclass whose fields are arrays over runs, or such dataclasses themselves."""
    if isinstance(batch, np.ndarray):
        return batch[rows]  # type: ignore[return-value]
    assert is_dataclass(batch) and not isinstance(batch, type)
    return type(batch)(*(take_rows(getattr(batch, f.name), rows) for f in fields(batch)))
