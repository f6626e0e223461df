"""Raw words against the tables of the datasheets, frames seen in the wild, and the CRC catalogue."""

from __future__ import annotations

import numpy as np
import pytest

from rig.sensors.health import SensorHealth
from rig.sensors.raw_words import crc8, decode_32_bit, decode_scratchpad, grams

# DS18B20 datasheet, table 1
REGISTER = [
    (0x07D0, 125.0), (0x0550, 85.0), (0x0191, 25.0625), (0x00A2, 10.125), (0x0008, 0.5), (0x0000, 0.0),
    (0xFFF8, -0.5), (0xFF5E, -10.125), (0xFE6F, -25.0625), (0xFC90, -55.0),
]  # fmt: skip

# MAX31855 datasheet, tables 4 and 5: 14-bit thermocouple and 12-bit cold junction
PROBE_BITS = [
    ("01100100000000", 1600.0), ("00111110100000", 1000.0), ("00000110010011", 100.75),
    ("00000001100100", 25.0), ("00000000000000", 0.0), ("11111111111111", -0.25), ("11111111111100", -1.0),
    ("11110000011000", -250.0),
]  # fmt: skip
JUNCTION_BITS = [
    ("011111110000", 127.0), ("011001001001", 100.5625), ("000110010000", 25.0), ("000000000000", 0.0),
    ("111111111111", -0.0625), ("111011000000", -20.0), ("110010010000", -55.0),
]  # fmt: skip


def bytes_of(text: str) -> np.ndarray:
    return np.frombuffer(bytes.fromhex(text), np.uint8)


@pytest.mark.parametrize(("word", "temp_c"), REGISTER)
def test_the_register_reads_as_the_datasheet_says(word, temp_c):
    pad = np.array([word & 0xFF, word >> 8, 0x4B, 0x46, 0x7F, 0xFF, 0x02, 0x10])
    assert decode_scratchpad(np.append(pad, crc8(pad))).value == temp_c


def test_crc8_gives_the_catalogues_check_value():
    # Catalogue of parametrised CRC algorithms, CRC-8/MAXIM-DOW: "123456789" gives A1h
    assert crc8(np.frombuffer(b"123456789", np.uint8)) == 0xA1


@pytest.mark.parametrize(
    ("data", "check"),
    [
        ("02 1C B8 01 00 00 00", 0xA2),  # Maxim Application Note 27, the worked example
        ("98 01 4B 46 7F FF 08 10", 0x22),
        ("50 05 4B 46 7F FF 0C 10", 0x1C),
        ("72 01 4B 46 7F FF 0E 10", 0x57),
    ],
)
def test_crc8_agrees_with_frames_of_real_probes(data, check):
    assert crc8(bytes_of(data)) == check


@pytest.mark.parametrize(
    ("pad", "temp_c"),
    [
        ("98 01 4B 46 7F FF 08 10 22", 25.5),
        ("72 01 4B 46 7F FF 0E 10 57", 23.125),
        ("5E FF 4B 46 7F FF 02 10 B6", -10.125),
    ],
)
def test_real_scratchpads_are_read(pad, temp_c):
    assert decode_scratchpad(bytes_of(pad)).value == temp_c


def test_the_power_up_value_is_no_measurement():
    found = decode_scratchpad(bytes_of("50 05 4B 46 7F FF 0C 10 1C"))
    assert found.health == SensorHealth.NO_CONVERSION and np.isnan(found.value)


@pytest.mark.parametrize(("bits", "temp_c"), PROBE_BITS)
def test_the_amplifiers_probe_reads_as_the_datasheet_says(bits, temp_c):
    assert decode_32_bit(int(bits, 2) << 18).probe.value == temp_c


@pytest.mark.parametrize(("bits", "temp_c"), JUNCTION_BITS)
def test_the_amplifiers_own_temperature_reads_as_the_datasheet_says(bits, temp_c):
    assert decode_32_bit(int(bits, 2) << 4).cold_junction.value == temp_c


def test_a_frame_of_a_real_amplifier_is_read():
    found = decode_32_bit(0x01501790)
    assert (found.probe.value, found.cold_junction.value) == (21.0, 23.5625)


def test_a_load_cells_counts_become_grams():
    assert grams(127_688, 84_210, 0.0023).value == pytest.approx(100.0, abs=0.001)


@pytest.mark.parametrize("count", [-(1 << 23), (1 << 23) - 1])
def test_a_load_cell_at_either_end_is_called_open(count):
    # HX711 datasheet: 800000h and 7FFFFFh beyond the ends of the input
    assert grams(count, 0, 1.0).health == SensorHealth.OPEN
