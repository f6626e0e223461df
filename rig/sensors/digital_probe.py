"""One-wire digital probes: the scratchpad's nine bytes, their check, and the temperature in them.

Datasheets: DS18B20 (Maxim 19-7487; temperature table from memory, arithmetic checked), Maxim Application
Note 27 for the 8-bit check. The older 0.5 °C family (DS18S20) packs its bytes otherwise and is not read here.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rig.sensors.health import Sensed, SensorHealth, outside, sensed
from rig.sensors.integers import from_twos_complement, scaled

RANGE_C = (-55.0, 125.0)
SCRATCHPAD_BYTES = 9
_STEP_K = 1 / 16
_POWER_UP = 0x0550
_POWER_UP_BYTE_6 = 0x0C
_REFLECTED_POLYNOMIAL = 0x8C  # x⁸ + x⁵ + x⁴ + 1


def temp_c_from_words(words: npt.ArrayLike, resolution_bits: int = 12) -> Sensed:
    """Temperature [°C] of 16-bit temperature registers, any shape; the unused lowest bits are dropped.

    A word alone does not tell 85 °C from the value at power-up, which is the same: see `decode_scratchpad`.
    """
    word = np.asarray(words, np.int64)
    kept = word & ~((1 << (12 - resolution_bits)) - 1)
    value = scaled(from_twos_complement(kept, 16), _STEP_K)
    damaged = (word < 0) | (word > 0xFFFF)
    return sensed(value, (damaged, SensorHealth.DAMAGED), outside(value, RANGE_C))


def decode_scratchpad(scratchpads: npt.ArrayLike) -> Sensed:
    """Temperature [°C] of scratchpads, shape (..., 9) in, (...) out.

    All zeros is a data line shorted to ground (its check matches, so that it must be told apart), all ones a
    line nobody pulls down: no probe. 85 °C as it stands at power-up (byte 6 still 0Ch) is no measurement.

    Raises
    ------
    ValueError
        Where the last axis is not nine bytes.
    """
    pads = np.asarray(scratchpads, np.int64)
    if pads.ndim == 0 or pads.shape[-1] != SCRATCHPAD_BYTES:
        raise ValueError(f"a scratchpad has {SCRATCHPAD_BYTES} bytes, found shape {pads.shape}")
    word = pads[..., 1] << 8 | pads[..., 0]
    bits = 9 + ((pads[..., 4] >> 5) & 3)
    kept = word & ~((1 << (12 - bits)) - 1)
    value = scaled(from_twos_complement(kept, 16), _STEP_K)
    no_byte = np.any((pads < 0) | (pads > 0xFF), axis=-1)
    return sensed(
        value,
        (no_byte, SensorHealth.DAMAGED),
        (np.all(pads == 0xFF, axis=-1), SensorHealth.OPEN),
        (np.all(pads == 0, axis=-1), SensorHealth.SHORT),
        (crc8(pads & 0xFF) != 0, SensorHealth.DAMAGED),
        ((word == _POWER_UP) & (pads[..., 6] == _POWER_UP_BYTE_6), SensorHealth.NO_CONVERSION),
        outside(value, RANGE_C),
    )


def crc8(data: npt.ArrayLike) -> npt.NDArray[np.uint8]:
    """The 8-bit check over the last axis: polynomial x⁸+x⁵+x⁴+1, least significant bit first, from 0.

    Over data with its check appended it is 0. In the catalogue of parametrised CRC algorithms: CRC-8/MAXIM-DOW.
    """
    values = np.asarray(data, np.int64)
    check = np.zeros(values.shape[:-1], np.int64)
    for k in range(values.shape[-1]):
        check ^= values[..., k]
        for _ in range(8):
            check = np.where(check & 1, (check >> 1) ^ _REFLECTED_POLYNOMIAL, check >> 1)
    return np.asarray(check, np.uint8)
