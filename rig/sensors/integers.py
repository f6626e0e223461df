"""Signed integers out of raw words."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rig.arrays import FloatArray, IntArray


def from_twos_complement(words: npt.ArrayLike, bits: int) -> IntArray:
    """The signed value of the lowest `bits` bits of each word, of any shape, in two's complement."""
    word = np.asarray(words, np.int64) & ((1 << bits) - 1)
    return np.asarray(word - ((word >> (bits - 1)) << bits))


def scaled(counts: IntArray, step: float) -> FloatArray:
    """Counts of any shape times the size of one."""
    return np.asarray(counts * step, np.float64)
