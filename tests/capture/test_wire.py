"""Our wire format: what is written is read back, garbage is told as such, damage is found."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.capture.decoding import wire
from rig.capture.decoding.lines import LineSplitter
from rig.capture.decoding.readings import UNITS, Identity, Quality, Quantity, Reading, Reject

DECODER = wire.WireDecoder()
LINE = b"$R,17,48210,probe=-0.25C,scale=412.3g*85F0"

NAMES = st.from_regex(r"[A-Za-z][A-Za-z0-9_]{0,10}", fullmatch=True)
VALUES = st.integers(-(10**9), 10**9).map(lambda n: n / 1000.0)
CHANNELS = st.lists(
    st.tuples(NAMES, VALUES, st.sampled_from(sorted(UNITS))), min_size=1, max_size=6, unique_by=lambda c: c[0]
)
COUNTS = st.integers(0, 2**32 - 1)


def checked(body: str, check: str = "crc") -> bytes:
    data = body.encode("latin-1")
    digits = f"{wire.crc16(data):04X}" if check == "crc" else f"{wire.xor8(data):02X}"
    return b"$" + data + b"*" + digits.encode()


def test_the_checksum_is_crc_16_ccitt_false():
    """Check value 0x29B1: G. Cook, Catalogue of parametrised CRC algorithms, CRC-16/IBM-3740."""
    assert wire.crc16(b"123456789") == 0x29B1


def test_the_short_check_is_that_of_nmea_0183():
    """The exclusive-or of all between $ and *; 0x31 ^ ... ^ 0x39 by hand is 0x31."""
    assert wire.xor8(b"123456789") == 0x31


@given(sequence=COUNTS, tick=COUNTS, channels=CHANNELS)
def test_what_is_written_is_read_back(sequence, tick, channels):
    line = wire.encode(sequence, tick, channels)
    assert line.endswith(b"\r\n") and len(line) <= 256
    said = DECODER.decode(line[:-2])
    assert isinstance(said, Reading)
    assert (said.sequence, said.tick_ms) == (sequence, tick)
    for sample, (name, value, symbol) in zip(said.samples, channels, strict=True):
        assert (sample.channel, sample.quantity) == (name, UNITS[symbol].quantity)
        assert sample.value == pytest.approx(UNITS[symbol].inside(value), abs=1e-9, rel=1e-12)
        assert sample.quality is Quality.GOOD


@pytest.mark.parametrize(
    ("text", "quantity", "value"),
    [
        ("t=-0.05C", Quantity.TEMPERATURE, -0.05),
        ("t=14F", Quantity.TEMPERATURE, -10.0),
        ("t=273.15K", Quantity.TEMPERATURE, 0.0),
        ("m=1.5kg", Quantity.MASS, 1500.0),
        ("m=2oz", Quantity.MASS, 56.69904625),
        ("m=.5lb", Quantity.MASS, 226.796185),
        ("m=+12.g", Quantity.MASS, 12.0),
        ("c=240rpm", Quantity.CADENCE, 4.0),
        ("c=4Hz", Quantity.CADENCE, 4.0),
        ("a=-9.81m/s2", Quantity.ACCELERATION, -9.81),
        ("adc=-8388608", Quantity.RAW, -8388608.0),
    ],
)
def test_units_are_converted_at_the_edge(text, quantity, value):
    (sample,) = DECODER.decode(checked(f"R,1,2,{text}")).samples
    assert (sample.quantity, sample.value) == (quantity, pytest.approx(value, abs=1e-12))


def test_a_channel_without_a_value_says_why():
    reading = DECODER.decode(checked("R,1,2,probe=?C,scale=^g,cup=81.2g~"))
    assert [s.quality for s in reading.samples] == [
        Quality.SENSOR_FAULT,
        Quality.OVERLOAD,
        Quality.UNSETTLED,
    ]
    assert [math.isnan(s.value) for s in reading.samples] == [True, True, False]
    assert b"probe=?C,scale=^g" in wire.encode(1, 2, [("probe", math.nan, "C"), ("scale", math.inf, "g")])


def test_a_board_names_itself():
    line = wire.encode_identity("shaker-1", "0.3", ["probe", "scale"])
    assert DECODER.decode(line.strip()) == Identity("shaker-1", "0.3", ("probe", "scale"))


def test_the_short_check_is_read_too():
    assert DECODER.decode(checked("R,1,2,probe=4.5C", "xor")) == DECODER.decode(checked("R,1,2,probe=4.5C"))


def test_counts_wrap_when_written():
    assert DECODER.decode(wire.encode(2**32 + 3, 2**32 + 9, [("a", 1, "C")]).strip()).sequence == 3


def test_noise_before_the_line_is_shed():
    assert isinstance(DECODER.decode(b"\xff\x00R,16,$$R,3,4,pr" + LINE), Reading)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"", r"no \$"),
        (b"R,1,2,a=3C*0000", r"no \$"),
        (b"$R,1,2,a=3C", "does not end in"),
        (LINE[:-1], "does not end in"),
        (LINE + b"0", "does not end in"),
        (LINE[:-4] + b"+1A2", "does not end in"),
        (LINE[:-4] + b"1_A2", "does not end in"),
        (b"$" + b"a" * 300 + b"*0000", "longer than 256"),
        (LINE[:-4] + b"0000", "checksum 0000 where the line gives"),
        (checked("R,1,2"), "at least one channel"),
        (checked("R,-1,2,a=3C"), "sequence '-1'"),
        (checked("R,1,4294967296,a=3C"), "milliseconds '4294967296'"),
        (checked("R,1,2,a=3Q"), "unknown unit 'Q'"),
        (checked("R,1,2,a=3e5C"), "unknown unit 'e5C'"),
        (checked("R,1,2,a=nanC"), "'a=nanC' is no name=number"),
        (checked("R,1,2,a=C"), "is no name=number"),
        (checked("R,1,2,=3C"), "is no name=number"),
        (checked("R,1,2,a=3C,a=4C"), "channel 'a' twice"),
        (checked("R,1,2,a=3C,"), "'' is no name=number"),
        (checked("GPGGA,1,2,3"), "'GPGGA' is neither R nor ID"),
        (checked("ID,board"), "needs board and firmware"),
        (checked("ID,board,1.0,a b"), "no channel name"),
        (checked("ID,,1.0,a"), "no name of a board"),
    ],
)
def test_a_line_that_is_no_reading_says_why(line, reason):
    said = DECODER.decode(line)
    assert isinstance(said, Reject) and said.line == line
    with pytest.raises(AssertionError, match=reason):
        raise AssertionError(said.reason)


@pytest.mark.parametrize(
    "channels",
    [[("a b", 1, "C")], [("a", 1, "Q")], [("a", 1e15, "g")], [("a", 1, "C")] * 2, [], [("a" * 30, 1, "C")]],
)
def test_what_could_not_be_read_back_is_not_written(channels):
    with pytest.raises(ValueError, match="no line of the wire format"):
        wire.encode(1, 2, channels)


@given(line=st.binary(max_size=300))
def test_garbage_never_raises(line):
    said = DECODER.decode(line)
    assert isinstance(said, Reject)


@given(body=st.text(st.characters(max_codepoint=255), max_size=60), check=st.sampled_from(["crc", "xor"]))
def test_garbage_with_a_right_checksum_never_raises(body, check):
    DECODER.decode(checked(body, check))
    DECODER.decode(checked("R," + body, check))
    DECODER.decode(checked("R,1,2,a=" + body, check))


@given(before=st.binary(max_size=40), cut=st.integers(0, 400))
def test_a_line_survives_garbage_before_it_and_cuts_within(before, cut):
    stream = before.replace(b"$", b"") + LINE + b"\r\n" + LINE + b"\r\n"
    splitter = LineSplitter()
    lines = splitter.feed(stream[:cut]) + splitter.feed(stream[cut:])
    readings = [said for said in map(DECODER.decode, lines) if isinstance(said, Reading)]
    assert len(readings) == 2


def readings_of_a_probe(rng, count):
    value = 60.0
    for k in range(count):
        value += rng.normal(-0.02, 0.05)
        yield wire.encode(k, 4000 + 100 * k, [("probe", round(value, 2), "C"), ("scale", 412.3, "g")])[:-2]


def flip_bits(rng, line, other, bits):
    out = bytearray(line)
    for where in rng.choice(8 * len(line), bits, replace=False):
        out[where // 8] ^= 1 << (where % 8)
    return bytes(out)


def burst(rng, line, other):
    size = int(rng.integers(2, 7))
    at = int(rng.integers(0, len(line) - size))
    return line[:at] + rng.bytes(size) + line[at + size :]


def lose_bytes(rng, line, other):
    at = int(rng.integers(1, len(line)))
    return line[:at] + line[at + int(rng.integers(1, 4)) :]


def double_a_byte(rng, line, other):
    at = int(rng.integers(1, len(line)))
    return line[:at] + line[at - 1 :]


def swap_neighbours(rng, line, other):
    at = int(rng.integers(1, len(line) - 1))
    return line[:at] + line[at + 1 : at + 2] + line[at : at + 1] + line[at + 2 :]


def splice(rng, line, other):
    return line[: int(rng.integers(5, len(line)))] + other[int(rng.integers(5, len(other))) :]


DAMAGES = {
    "one bit": lambda r, a, b: flip_bits(r, a, b, 1),
    "two bits": lambda r, a, b: flip_bits(r, a, b, 2),
    "three bits": lambda r, a, b: flip_bits(r, a, b, 3),
    "four bits": lambda r, a, b: flip_bits(r, a, b, 4),
    "burst": burst,
    "bytes lost": lose_bytes,
    "byte doubled": double_a_byte,
    "neighbours swapped": swap_neighbours,
    "overrun splice": splice,
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_damaged_lines_are_not_taken_for_readings(damage):
    """A CRC-16 lets 2⁻¹⁶ = 15 in a million pass, none of one to three bits or a burst within 16 bits.

    Of 5,000 lines 0.08 are expected to pass; three or more would have a chance below 1 in 10,000.
    """
    rng = np.random.default_rng(20)
    lines = list(readings_of_a_probe(rng, 5001))
    wrong = 0
    for line, other in itertools.pairwise(lines):
        hurt = DAMAGES[damage](rng, line, other)
        said = DECODER.decode(hurt)
        if not isinstance(said, Reject) and said not in (DECODER.decode(line), DECODER.decode(other)):
            wrong += 1
    assert wrong <= (0 if damage in ("one bit", "two bits", "three bits") else 2)
