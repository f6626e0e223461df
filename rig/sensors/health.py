"""Whether a sensor's value may be believed, one word per sample."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from rig.arrays import BoolArray, FloatArray

HealthArray = npt.NDArray[np.uint8]


class SensorHealth(IntEnum):
    """What is known of one sample; the numbers are those in a health array."""

    GOOD = 0
    OPEN = 1
    SHORT = 2
    OUT_OF_RANGE = 3
    DAMAGED = 4
    NO_CONVERSION = 5


@dataclass(frozen=True, eq=False)
class Sensed:
    """Values of any shape, NaN where there is none, and the `SensorHealth` of each, of the same shape."""

    value: FloatArray
    health: HealthArray

    @property
    def is_good(self) -> BoolArray:
        """Where the value may be believed."""
        return np.asarray(self.health == SensorHealth.GOOD)


def sensed(value: FloatArray, *faults: tuple[BoolArray, SensorHealth]) -> Sensed:
    """Values with their faults, the first that applies to each; what is not finite is out of range."""
    conditions = [*(where for where, _ in faults), ~np.isfinite(value)]
    words = [*(np.uint8(fault) for _, fault in faults), np.uint8(SensorHealth.OUT_OF_RANGE)]
    health = np.select(conditions, words, default=np.uint8(SensorHealth.GOOD)).astype(np.uint8)
    return Sensed(np.where(health == SensorHealth.GOOD, value, np.nan), health)


def outside(value: FloatArray, limits: tuple[float, float]) -> tuple[BoolArray, SensorHealth]:
    """The fault of lying outside limits, which themselves are inside."""
    low, high = limits
    return (value < low) | (value > high), SensorHealth.OUT_OF_RANGE
