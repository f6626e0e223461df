"""Raw words of sensors: thermocouple amplifiers, one-wire digital probes, load-cell converters; arrays in and out.

The 32-bit amplifier word is that of the MAX31855 datasheet (Maxim 19-5793), its fault bits included. One-wire probes:
DS18B20 datasheet (Maxim 19-7487; temperature table from memory, arithmetic checked), Maxim Application Note 27 for
the 8-bit check; the older 0.5 °C family (DS18S20) packs its bytes otherwise and is not read here. 24-bit converter:
HX711 datasheet (Avia Semiconductor).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rig.arrays import FloatArray, Floats, IntArray
from rig.sensors.health import Sensed, SensorHealth, outside, sensed
from rig.sensors.thermocouple import Thermocouple, range_c, temp_c_from_emf

_PROBE_STEP_K, _JUNCTION_STEP_K = 0.25, 0.0625
_FAULT, _TO_SUPPLY, _TO_GROUND, _OPEN = 1 << 16, 1 << 2, 1 << 1, 1 << 0
_RESERVED = 1 << 17 | 1 << 3
_LINEAR_MV_PER_K = {Thermocouple.K: 0.041276, Thermocouple.T: 0.05218}
DIGITAL_RANGE_C = (-55.0, 125.0)
SCRATCHPAD_BYTES = 9
_DIGITAL_STEP_K = 1 / 16
_POWER_UP = 0x0550
_POWER_UP_BYTE_6 = 0x0C
_REFLECTED_POLYNOMIAL = 0x8C  # x⁸ + x⁵ + x⁴ + 1
LOWEST_COUNT, HIGHEST_COUNT = -(1 << 23), (1 << 23) - 1


def from_twos_complement(words: npt.ArrayLike, bits: int) -> IntArray:
    """The signed value of the lowest `bits` bits of each word, of any shape, in two's complement."""
    word = np.asarray(words, np.int64) & ((1 << bits) - 1)
    return np.asarray(word - ((word >> (bits - 1)) << bits))


@dataclass(frozen=True, eq=False)
class AmplifierReading:
    """What 32-bit words say: the probe and the amplifier's own temperature [°C], in the words' shape.

    The amplifier's own temperature stays valid where the probe is at fault.
    """

    probe: Sensed
    cold_junction: Sensed


def decode_32_bit(words: npt.ArrayLike) -> AmplifierReading:
    """Probe and cold junction from 32-bit words, most significant bit first, as sent.

    A word whose reserved bits are set is damaged: a line stuck high reads FFFFFFFFh, and would else pass for
    a temperature.
    """
    word = np.asarray(words, np.int64)
    damaged = (word & _RESERVED != 0) | (word < 0) | (word > 0xFFFFFFFF)
    probe = np.asarray(from_twos_complement(word >> 18, 14) * _PROBE_STEP_K, float)
    junction = np.asarray(from_twos_complement(word >> 4, 12) * _JUNCTION_STEP_K, float)
    return AmplifierReading(
        sensed(
            probe,
            (damaged, SensorHealth.DAMAGED),
            (word & _OPEN != 0, SensorHealth.OPEN),
            (word & (_TO_SUPPLY | _TO_GROUND) != 0, SensorHealth.SHORT),
            (word & _FAULT != 0, SensorHealth.DAMAGED),
        ),
        sensed(junction, (damaged, SensorHealth.DAMAGED)),
    )


def relinearised(reading: AmplifierReading, kind: Thermocouple = Thermocouple.K) -> Sensed:
    """Probe temperature [°C] with the amplifier's straight line replaced by ITS-90.

    The amplifier turns voltage into temperature by a fixed 41.276 µV/°C (K; T: 52.18 µV/°C, from memory), in
    error by up to 2 °C (K) or 12 °C (T) between −20 and 100 °C when it is at 25 °C itself. The voltage it saw
    is found again and turned into a temperature by the reference function.
    """
    probe, junction = reading.probe, reading.cold_junction
    low, high = range_c(kind)
    junction_c: FloatArray = np.where(junction.is_good, np.clip(junction.value, low, high), 0.0)
    measured_mv = _LINEAR_MV_PER_K[kind] * (probe.value - junction.value)
    found = temp_c_from_emf(kind, measured_mv, junction_c)
    health = np.where(probe.is_good, found.health, probe.health)
    return Sensed(np.where(health == SensorHealth.GOOD, found.value, np.nan), health.astype(np.uint8))


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
    value = np.asarray(from_twos_complement(kept, 16) * _DIGITAL_STEP_K, float)
    no_byte = np.any((pads < 0) | (pads > 0xFF), axis=-1)
    return sensed(
        value,
        (no_byte, SensorHealth.DAMAGED),
        (np.all(pads == 0xFF, axis=-1), SensorHealth.OPEN),
        (np.all(pads == 0, axis=-1), SensorHealth.SHORT),
        (crc8(pads & 0xFF) != 0, SensorHealth.DAMAGED),
        ((word == _POWER_UP) & (pads[..., 6] == _POWER_UP_BYTE_6), SensorHealth.NO_CONVERSION),
        outside(value, DIGITAL_RANGE_C),
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


def grams(counts: Floats, zero_count: float, g_per_count: float) -> Sensed:
    """Mass [g] of signed counts of a 24-bit load-cell converter, any shape.

    A count at either end says that the input is beyond full scale: with a load the scale can bear, a wire of the
    bridge is open.
    """
    count = np.asarray(counts, float)
    return sensed(
        (count - zero_count) * g_per_count,
        ((count < LOWEST_COUNT) | (count > HIGHEST_COUNT), SensorHealth.DAMAGED),
        ((count == LOWEST_COUNT) | (count == HIGHEST_COUNT), SensorHealth.OPEN),
    )
