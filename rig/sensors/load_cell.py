"""Counts of a 24-bit load-cell converter (HX711 type): signed, saturated where the bridge is open or shorted.

Datasheet: HX711 (Avia Semiconductor): two's complement, most significant bit first, 800000h at the lower and
7FFFFFh at the upper end of the input. Counts become grams by a `Calibration` with check weights.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rig.sensors.health import Sensed, SensorHealth, sensed
from rig.sensors.integers import from_twos_complement

LOWEST, HIGHEST = -(1 << 23), (1 << 23) - 1


def decode_counts(words: npt.ArrayLike) -> Sensed:
    """Counts of raw 24-bit words, any shape.

    A count at either end says that the input is beyond full scale: with a load the scale can bear, a wire of
    the bridge is open. Words of all zeros or all ones are what a data line that is stuck gives: 0 happens at
    an exact balance too, so that only a row of them is a fault, which is for whoever sees the row to say.
    """
    word = np.asarray(words, np.int64)
    counts = from_twos_complement(word, 24)
    return sensed(
        counts.astype(float),
        ((word < 0) | (word > 0xFFFFFF), SensorHealth.DAMAGED),
        ((counts == LOWEST) | (counts == HIGHEST), SensorHealth.OPEN),
    )


def stuck(counts: npt.ArrayLike, samples: int = 10) -> bool:
    """Whether the last `samples` counts, shape (n,), are all the same: a live 24-bit converter is never so quiet."""
    last = np.asarray(counts)[-samples:]
    return bool(last.size == samples and np.all(last == last[0]))
