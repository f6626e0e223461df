"""Words decode in arrays, every fault bit is heeded, and a damaged word is never a temperature."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.sensors.health import SensorHealth
from rig.sensors.raw_words import crc8, decode_32_bit, decode_scratchpad, from_twos_complement, relinearised
from rig.sensors.thermocouple import Thermocouple, emf_mv

PAD = np.frombuffer(bytes.fromhex("98014B467FFF081022"), np.uint8)
LINEAR_MV_PER_K = 0.041276


@given(st.integers(-(1 << 23), (1 << 23) - 1))
def test_twos_complement_undoes_itself(value):
    assert from_twos_complement(value & 0xFFFFFF, 24) == value


@given(st.integers(0, 8), st.integers(0, 7))
def test_any_flipped_bit_is_caught(byte, bit):
    pad = PAD.copy()
    pad[byte] ^= 1 << bit
    found = decode_scratchpad(pad)
    assert found.health == SensorHealth.DAMAGED and np.isnan(found.value)


@given(st.binary(min_size=1, max_size=30))
def test_data_with_its_check_appended_checks_to_zero(data):
    values = np.frombuffer(data, np.uint8)
    assert crc8(np.append(values, crc8(values))) == 0


def test_scratchpads_decode_in_arrays_with_each_its_own_health():
    wire_low, wire_high = np.zeros(9, np.uint8), np.full(9, 0xFF, np.uint8)
    found = decode_scratchpad(np.array([[PAD, wire_low], [wire_high, PAD]]))
    good, short, broken = SensorHealth.GOOD, SensorHealth.SHORT, SensorHealth.OPEN
    assert found.health.tolist() == [[good, short], [broken, good]]
    assert found.value[0, 0] == found.value[1, 1] == 25.5


def test_a_hot_drink_at_exactly_85_c_is_believed_when_the_probe_says_it_measured():
    pad = np.array([0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x00, 0x10, 0])
    pad[6] = 0x10 - (0x50 & 0xF)  # count remain of a finished conversion
    pad[8] = crc8(pad[:8])
    assert decode_scratchpad(pad).value == 85.0


@pytest.mark.parametrize(("bits", "expected"), [(9, 25.0), (10, 25.0), (11, 25.125), (12, 25.1875)])
def test_bits_that_a_coarse_resolution_leaves_undefined_are_dropped(bits, expected):
    pad = PAD.copy()
    pad[0], pad[1], pad[4] = 0x93, 0x01, (bits - 9) << 5 | 0x1F
    pad[8] = crc8(pad[:8])
    assert decode_scratchpad(pad).value == expected


def test_a_scratchpad_of_the_wrong_length_is_a_mistake_of_the_caller():
    with pytest.raises(ValueError, match="9 bytes, found shape"):
        decode_scratchpad(PAD[:8])


@pytest.mark.parametrize(
    ("word", "health"),
    [
        (0x01901900, SensorHealth.GOOD),
        (0x00011901, SensorHealth.OPEN),
        (0x00011902, SensorHealth.SHORT),
        (0x00011904, SensorHealth.SHORT),
        (0x00011900, SensorHealth.DAMAGED),  # the fault bit without a reason
        (0x00001908, SensorHealth.DAMAGED),  # a reserved bit
        (0x00021900, SensorHealth.DAMAGED),
        (0xFFFFFFFF, SensorHealth.DAMAGED),  # a line stuck high
        (1 << 32, SensorHealth.DAMAGED),
    ],
)
def test_fault_bits_of_the_32_bit_amplifier(word, health):
    found = decode_32_bit([word, 0x01901900])
    assert found.probe.health.tolist() == [health, SensorHealth.GOOD]
    assert np.isnan(found.probe.value[0]) == (health != SensorHealth.GOOD)


def test_a_faulty_probe_leaves_the_amplifiers_own_temperature():
    assert decode_32_bit(0x00011901).cold_junction.value == 25.0


@pytest.mark.parametrize("temp_c", [-18.0, -5.0, 0.0, 20.0, 90.0])
def test_the_amplifiers_straight_line_is_replaced_by_the_standard(temp_c):
    junction_c = 25.0
    seen_mv = emf_mv(Thermocouple.K, temp_c) - emf_mv(Thermocouple.K, junction_c)
    shown = junction_c + seen_mv / LINEAR_MV_PER_K
    word = int(np.round(shown / 0.25)) % (1 << 14) << 18 | int(junction_c / 0.0625) << 4
    found = relinearised(decode_32_bit(word))
    assert found.value == pytest.approx(temp_c, abs=0.14)  # half of the 0.25 °C step, seen through 39.5 µV/°C


def test_relinearising_passes_faults_on():
    found = relinearised(decode_32_bit([0x00011901, 0x01901900]))
    assert found.health.tolist() == [SensorHealth.OPEN, SensorHealth.GOOD]
