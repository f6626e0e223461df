"""Sensors declared in a dialect: what they print becomes °C or g, and a broken one is never a temperature."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

from rig.capture.decoding import dialects
from rig.capture.decoding.declared import parse
from rig.capture.decoding.readings import Quality, Quantity, Reading
from rig.errors import BenchError

NOTES = Path(__file__).parents[2] / "firmware_notes" / "dialects.md"


def declared(sensor: str, example: str, pattern: str = "(?P<value>[-+0-9A-Fa-f.]+)") -> str:
    return f"""
[dialects.declared-here]
about = "one raw value"
pattern = '{pattern}'
channels = [{{ name = "probe", sensor = {{ {sensor} }} }}]
by_name_only = true
examples = [{example}]
"""


def reads(text: str, line: str) -> tuple[float, Quality, Quantity]:
    (dialect,) = parse(text)
    said = dialect.decode(line.encode())
    assert isinstance(said, Reading), said
    (sample,) = said.samples
    return sample.value, sample.quality, sample.quantity


NTC = 'kind = "thermistor", points = [[0, 32650], [25, 10000], [60, 2488]]'
DIVIDER = 'kind = "thermistor", beta_k = 3950, nominal_ohm = 10000, full_scale = 4095, fixed_ohm = 10000'
PT100 = 'kind = "platinum", at_zero_ohm = 100'
PT100_COUNTS = 'kind = "platinum", at_zero_ohm = 100, full_scale = 32768, reference_ohm = 430'
AMPLIFIER = 'kind = "thermocouple amplifier", type = "K"'
ONE_WIRE = 'kind = "digital probe"'
CELL = 'kind = "load cell", zero_count = 84210, g_per_count = 0.0023'


@pytest.mark.parametrize(
    ("sensor", "line", "value"),
    [
        # the three points of the declaration itself
        (NTC, "10000", 25.0),
        (NTC, "32650", 0.0),
        # half of the scale is the fixed resistor's own resistance, which the thermistor has at 25 °C
        (DIVIDER, "2047.5", 25.0),
        # IEC 60751:2022, table 1
        (PT100, "100.00", 0.0),
        (PT100, "96.09", -10.0),
        (PT100, "123.24", 60.0),
        # 8192 counts of 32768 over 430 Ω are 107.5 Ω; IEC 60751:2022, interpolated between 19 and 20 °C
        (PT100_COUNTS, "8192", 19.25),
        # DS18B20 datasheet, table 1; the scratchpad of a probe at 25.5 °C
        (ONE_WIRE, "98014B467FFF081022", 25.5),
        (CELL, "84210", 0.0),
        (CELL, "127688", 100.0),
    ],
)
def test_what_a_sensor_prints_becomes_degrees_or_grams(sensor: str, line: str, value: float) -> None:
    text = declared(sensor, f'{{ line = "{line}", reads = {{ probe = {value} }} }}')
    found, quality, quantity = reads(text, line)
    assert found == pytest.approx(value, abs=0.02) and quality is Quality.GOOD
    assert quantity is (Quantity.MASS if sensor == CELL else Quantity.TEMPERATURE)


def test_an_amplifiers_word_is_read_by_the_standard_not_by_its_straight_line() -> None:
    """MAX31855 datasheet: 00000001100100b is 25 °C, 000110010000b the amplifier's own 25 °C."""
    word = f"{0b00000001100100 << 18 | 0b000110010000 << 4:08X}"
    text = declared(AMPLIFIER, f'{{ line = "{word}", reads = {{ probe = 25.0 }} }}')
    assert reads(text, word)[0] == pytest.approx(25.0, abs=0.01)
    cold = f"{((-20 * 4) & 0x3FFF) << 18 | 0b000110010000 << 4:08X}"
    # at 25 °C itself it saw 41.276 µV/°C · (−20 − 25) °C = −1.857 mV, with 1.000 mV of its own −0.857 mV;
    # IEC 60584-1:2013, type K: −0.854 mV at −22 °C, −0.892 mV at −23 °C
    assert reads(text, cold)[0] == pytest.approx(-22.08, abs=0.03)


@pytest.mark.parametrize(
    ("sensor", "example", "broken"),
    [
        (NTC, '{ line = "10000", reads = { probe = 25 } }', ["9e9", "1"]),
        (DIVIDER, '{ line = "2047.5", reads = { probe = 25 } }', ["4095", "0"]),
        (PT100, '{ line = "100", reads = { probe = 0 } }', ["900", "2"]),
        (ONE_WIRE, '{ line = "98014B467FFF081022", reads = { probe = 25.5 } }',
         ["98014B467FFF081023", "00" * 9, "FF" * 9, "50054B467FFF0C101C"]),
        (AMPLIFIER, '{ line = "01901900", reads = { probe = 25 } }', ["00011901", "00011902", "FFFFFFFF"]),
        (CELL, '{ line = "84210", reads = { probe = 0 } }', ["8388607", "-8388608"]),
    ],
)  # fmt: skip
def test_a_broken_sensor_gives_no_number(sensor: str, example: str, broken: list[str]) -> None:
    for line in broken:
        value, quality, _ = reads(declared(sensor, example), line)
        assert math.isnan(value) and quality is Quality.SENSOR_FAULT, line


@pytest.mark.parametrize(
    ("sensor", "why"),
    [
        ('kind = "wet finger"', r"sensor\.kind: 'wet finger' is none of 'thermistor'"),
        ('kind = "thermistor", beta_k = 3950', r"sensor\.nominal_ohm: is missing"),
        (
            'kind = "thermistor", points = [[0, 10], [25, 20], [60, 30]]',
            "an NTC's resistance falls as it warms",
        ),
        ('kind = "platinum", at_zero_ohm = -100', r"at_zero_ohm: must be above 0, found -100"),
        ('kind = "load cell", zero_count = 0, g_per_count = 0', r"g_per_count: must not be 0"),
        ('kind = "thermocouple amplifier", type = "Q"', r"sensor\.type: 'Q' is none of K, T"),
        ('kind = "digital probe", bits = 9', r"sensor\.bits: unknown key"),
    ],
)
def test_a_sensor_that_cannot_be_is_refused_by_its_key(sensor: str, why: str) -> None:
    with pytest.raises(BenchError, match=why):
        parse(declared(sensor, '{ line = "1", reads = { probe = 1 } }'))


def test_an_example_that_a_sensor_does_not_read_so_is_refused() -> None:
    with pytest.raises(BenchError, match=r"examples\[0\]\.reads: '10000' gives"):
        parse(declared(NTC, '{ line = "10000", reads = { probe = 26 } }'))


def test_every_declaration_in_the_notes_proves_itself_and_collides_with_nothing(tmp_path: Path) -> None:
    blocks = re.findall(r"```toml\n(.*?)```", NOTES.read_text(encoding="utf-8"), re.DOTALL)
    assert len(blocks) >= 3
    for number, block in enumerate(blocks):
        (tmp_path / f"{number}.toml").write_text(block, encoding="utf-8")
    known = dialects.load([tmp_path])
    assert {"my-logger", "ohms-and-counts"} <= known.keys()
