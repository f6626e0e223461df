"""Words of thermocouple amplifiers that send the temperature in digital form, fault bits included.

The 32-bit word is that of the MAX31855 datasheet (Maxim 19-5793), the 16-bit word that of the MAX6675
datasheet (Maxim 19-2235; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rig.arrays import FloatArray
from rig.sensors.health import Sensed, SensorHealth, sensed
from rig.sensors.integers import from_twos_complement, scaled
from rig.sensors.thermocouple import Thermocouple, range_c, temp_c_from_emf

_PROBE_STEP_K, _JUNCTION_STEP_K = 0.25, 0.0625
_FAULT, _TO_SUPPLY, _TO_GROUND, _OPEN = 1 << 16, 1 << 2, 1 << 1, 1 << 0
_RESERVED = 1 << 17 | 1 << 3
_LINEAR_MV_PER_K = {Thermocouple.K: 0.041276, Thermocouple.T: 0.05218}
_OPEN_16 = 1 << 2
_ZERO_16 = 1 << 15 | 1 << 1


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
    probe = scaled(from_twos_complement(word >> 18, 14), _PROBE_STEP_K)
    junction = scaled(from_twos_complement(word >> 4, 12), _JUNCTION_STEP_K)
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


def decode_16_bit(words: npt.ArrayLike) -> Sensed:
    """Probe temperature [°C] from 16-bit words; such an amplifier cannot read below 0 °C.

    It is therefore of no use in a shaken drink: a reading of 0 is called out of range, as it may be any
    temperature below.
    """
    word = np.asarray(words, np.int64)
    counts = (word >> 3) & 0xFFF
    return sensed(
        scaled(counts, _PROBE_STEP_K),
        ((word & _ZERO_16 != 0) | (word < 0) | (word > 0xFFFF), SensorHealth.DAMAGED),
        (word & _OPEN_16 != 0, SensorHealth.OPEN),
        (counts == 0, SensorHealth.OUT_OF_RANGE),
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
