"""Declared dialects: the shapes they read, what they refuse, and how a port's dialect is recognised."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.capture.decoding import dialects, wire
from rig.capture.decoding.readings import Identity, Quality, Quantity, Reading, Reject
from rig.errors import BenchError

KNOWN = dialects.load()
GRAMS_PER_OUNCE = 28.349523125


def only(name: str, line: str):
    said = KNOWN[name].decode(line.encode())
    assert isinstance(said, Reading), said
    (sample,) = said.samples
    return sample


@pytest.mark.parametrize(
    ("dialect", "line", "value", "quality"),
    [
        ("scale-status", "ST,GS,+  123.45 g", 123.45, Quality.GOOD),
        ("scale-status", "US,GS,-    0.05 g", -0.05, Quality.UNSETTLED),
        ("scale-status", "ST,NT,+   2.0 oz", 2 * GRAMS_PER_OUNCE, Quality.GOOD),
        ("scale-status", "ST,+0001.250 kg", 1250.0, Quality.GOOD),
        ("scale-plain", "+00123.4 g", 123.4, Quality.GOOD),
        ("scale-plain", "  123.4 g ?", 123.4, Quality.UNSETTLED),
        ("scale-plain", "  123.4", 123.4, Quality.UNSETTLED),
        ("scale-plain", "-12 G", -12.0, Quality.GOOD),
        ("scale-plain", "0.5 lb", 226.796185, Quality.GOOD),
        ("scale-plain", "G -  0.5 lbs", -226.796185, Quality.GOOD),
        ("scale-plain", "\x02  17.0 g\x03", 17.0, Quality.GOOD),
        ("scale-reply", "S S 12.3 g", 12.3, Quality.GOOD),
        ("scale-reply", "S D   -0.04 g", -0.04, Quality.UNSETTLED),
        ("scale-number", "123.4", 123.4, Quality.GOOD),
    ],
)
def test_shapes_of_scale_lines_are_read_in_grams(dialect, line, value, quality):
    sample = only(dialect, line)
    assert sample.quantity is Quantity.MASS
    assert sample.value == pytest.approx(value, abs=1e-9)
    assert sample.quality is quality


@pytest.mark.parametrize(
    ("dialect", "line"), [("scale-status", "OL,GS,+99999E+19 g"), ("scale-reply", "S +")]
)
def test_an_overloaded_scale_gives_no_number(dialect, line):
    sample = only(dialect, line)
    assert sample.quality is Quality.OVERLOAD and math.isnan(sample.value)


@pytest.mark.parametrize(
    ("dialect", "line", "values"),
    [
        ("probes-named", "T=23.4C", {"T": 23.4}),
        ("probes-named", "CH1: 74.1 F", {"CH1": 23.388888888888889}),
        ("probes-named", "CH1: 14 °F ; CH2: -4°F", {"CH1": -10.0, "CH2": -20.0}),
        ("probes-named", "T1=4.5C T2=-1.5C", {"T1": 4.5, "T2": -1.5}),
        ("probes-numbers", "23.4,22.9", {"probe1": 23.4, "probe2": 22.9}),
        ("probes-numbers", "23.4\t-0.5\t4", {"probe1": 23.4, "probe2": -0.5, "probe3": 4.0}),
        ("probes-numbers-f", "212", {"probe1": 100.0}),
        ("ticked-numbers-c", "48210,23.4", {"probe1": 23.4}),
    ],
)
def test_shapes_of_probe_lines_are_read_in_celsius(dialect, line, values):
    said = KNOWN[dialect].decode(line.encode())
    assert isinstance(said, Reading)
    assert {s.channel: s.value for s in said.samples} == pytest.approx(values, abs=1e-9)
    assert {s.quantity for s in said.samples} == {Quantity.TEMPERATURE}


def test_latin_1_and_utf_8_degree_signs_are_the_same():
    decoder = KNOWN["probes-named"]
    assert decoder.decode("T=14°F".encode("latin-1")) == decoder.decode("T=14°F".encode())


def test_an_open_probe_is_a_sensor_fault_beside_a_good_one():
    said = KNOWN["probes-numbers"].decode(b"21.5,OPEN")
    assert [(s.quality, math.isnan(s.value)) for s in said.samples] == [
        (Quality.GOOD, False),
        (Quality.SENSOR_FAULT, True),
    ]


def test_the_boards_milliseconds_are_its_tick():
    assert KNOWN["ticked-numbers-c"].decode(b"48210,23.4").tick_ms == 48210
    assert isinstance(KNOWN["ticked-numbers-c"].decode(b"48210.5,23.4"), Reject)
    assert isinstance(KNOWN["ticked-numbers-c"].decode(b"48210"), Reject)


@pytest.mark.parametrize(
    ("dialect", "line", "reason"),
    [
        ("scale-plain", "23.4 C", "no unit of mass"),
        ("probes-named", "T=23.4g", "no unit of temperature"),
        ("probes-named", "T=23.4", "no unit in"),
        ("probes-named", "T=1C,T=2C", "channel 'T' twice"),
        ("scale-status", "ST,GS,+ g", "not of the form"),
        ("scale-number", "1.2.3", "not of the form"),
    ],
)
def test_other_lines_are_rejected_with_a_reason(dialect, line, reason):
    said = KNOWN[dialect].decode(line.encode())
    assert isinstance(said, Reject)
    assert reason in said.reason


@given(line=st.binary(max_size=260))
def test_garbage_never_raises(line):
    for decoder in KNOWN.values():
        assert isinstance(decoder.decode(line), Reading | Identity | Reject)


@given(line=st.text(alphabet="ST,GSUOL+-0123456789. gkoz?=:CF\t;", max_size=40))
def test_almost_lines_never_raise(line):
    for decoder in KNOWN.values():
        decoder.decode(line.encode())


def test_only_our_own_format_carries_a_checksum():
    assert {name for name, decoder in KNOWN.items() if decoder.checked} == {"wire"}


class TestRecognising:
    @pytest.mark.parametrize(
        ("name", "lines"),
        [
            ("scale-status", ["GS,+ 1 g", "ST,GS,+  123.45 g", "US,GS,+  124.5 g", "OL,GS,+ 9 g"]),
            ("scale-plain", ["0 g", "  123.4 g", "  123.9", "  124.4 g ?"]),
            ("scale-reply", ["S S 1 g", "S S 12.3 g", "S D 12.9 g"]),
            ("probes-named", ["4C", "T=23.4C", "T=23.3C"]),
            ("probes-numbers", ["4,22.9", "23.4,22.9", "23.3,22.9"]),
        ],
    )
    def test_a_shape_is_recognised_whatever_the_first_line_was(self, name, lines):
        heard = dialects.heard([line.encode() for line in lines])
        assert heard.decoder is not None and heard.decoder.name == name, heard.why
        assert name in heard.why
        assert dialects.recognise([b"\xff\xfe", *(line.encode() for line in lines[1:])]) is not None

    def test_our_own_format_is_recognised_by_a_single_line(self):
        line = wire.encode(1, 2, [("probe", 3.5, "C")]).strip()
        heard = dialects.heard([b"oot 1.0", line])
        assert heard.decoder is not None and heard.decoder.name == "wire" and "probe" in heard.why

    @pytest.mark.parametrize(
        ("lines", "received", "why"),
        [
            ([], 0, "silent"),
            ([], 2157, "2157 bytes but no line end: wrong speed"),
            ([bytes(range(128, 200))] * 3, None, "mostly unprintable bytes .* wrong speed"),
            ([b"hello", b"nothing measured here"], None, "no valid line among 2, such as 'nothing"),
            ([b"$R,1,2,a=3C*0000"] * 2, None, "checksum 0000 where the line gives"),
            ([b"123.4"] * 5, None, "ambiguous: '123.4' may be .*; name the dialect"),
        ],
    )
    def test_what_is_not_recognised_is_explained(self, lines, received, why):
        heard = dialects.heard(lines, received=received)
        assert heard.decoder is None
        with pytest.raises(AssertionError, match=why):
            raise AssertionError(heard.why)

    def test_seven_bits_with_even_parity_are_told_from_a_wrong_speed(self):
        line = bytes(b | (0x80 if b.bit_count() % 2 else 0) for b in b"ST,GS,+  123.45 g")
        assert "7 data bits with parity" in dialects.heard([line] * 4).why

    def test_a_dialect_for_use_by_name_is_never_guessed(self):
        known = {"f": KNOWN["probes-numbers-f"]}
        assert dialects.recognise([b"70,71"] * 4, known) is None


DECLARED = """
[dialects.tin-cup]
about = "letter W, number with comma, unit"
pattern = 'W(?P<value>[0-9]+(?:,[0-9]*)?)(?P<unit>[a-z]+)(?P<mark>u)?'
decimal = ","
channels = [{ name = "cup", unit = "g" }]
marks = { u = "unsettled" }
examples = [{ line = "W12,5g", reads = { cup = 12.5 } }]
"""


class TestDeclaring:
    def test_a_users_file_adds_a_dialect(self, tmp_path):
        (tmp_path / "mine.toml").write_text(DECLARED, encoding="utf-8")
        for path in (tmp_path, tmp_path / "mine.toml"):
            decoder = dialects.load([path])["tin-cup"]
            (sample,) = decoder.decode(b"W7,25oz").samples
            assert (sample.channel, sample.value) == ("cup", pytest.approx(7.25 * GRAMS_PER_OUNCE))

    @pytest.mark.parametrize(
        ("old", "new", "told"),
        [
            ('decimal = ","', 'decimal = ";"', r"dialects\.tin-cup\.decimal: must be"),
            ('about = "letter W, number with comma, unit"', "", r"tin-cup\.about: is missing"),
            ("(?P<value>", "(", r"tin-cup\.pattern: needs a group value"),
            ("(?P<mark>u)", "(?P<state>u)", r"tin-cup\.pattern: needs a group value, and may have"),
            ("(?P<mark>u)?", "(?P<mark>u", r"tin-cup\.pattern: no regular expression"),
            ('decimal = ","', 'decimel = ","', r"tin-cup\.decimel: unknown key. Known: "),
            ('unit = "g"', 'unit = "stone"', r"tin-cup\.channels\[0\]\.unit: 'stone' is none of"),
            ('name = "cup"', 'name = "the cup"', r"tin-cup\.channels\[0\]\.name: 'the cup'"),
            ('u = "unsettled"', 'u = "wobbly"', r"tin-cup\.marks\.u: 'wobbly' is none of good"),
            ("cup = 12.5", "cup = 125", r"tin-cup\.examples\[0\]\.reads: 'W12,5g' gives"),
            ('line = "W12,5g"', 'line = "12,5g"', r"examples\[0\]\.line: '12,5g' is not read"),
            ('examples = [{ line = "W12,5g", reads = { cup = 12.5 } }]', "", r"examples: is missing"),
            ('channels = [{ name = "cup", unit = "g" }]', "channels = 3", r"channels: must be of type list"),
            (
                'channels = [{ name = "cup", unit = "g" }]',
                "channels = [3]",
                r"channels\[0\]: must be a table",
            ),
            ("[dialects.tin-cup]", "[dialect.tin-cup]", r"dialect: unknown key"),
            ("[dialects.tin-cup]", "[dialects.wire]", r"dialects\.wire: there already is"),
            ("[dialects.tin-cup]", "[dialects.tin-cup", r"not valid TOML"),
        ],
    )
    def test_a_declaration_that_cannot_be_used_names_file_and_key(self, tmp_path, old, new, told):
        assert old in DECLARED
        file = tmp_path / "mine.toml"
        file.write_text(DECLARED.replace(old, new), encoding="utf-8")
        with pytest.raises(BenchError, match=told) as refused:
            dialects.load([file])
        assert "mine.toml" in str(refused.value)

    def test_a_file_that_is_not_there_is_named(self, tmp_path):
        with pytest.raises(BenchError, match=r"absent\.toml: cannot be read"):
            dialects.load([tmp_path / "absent.toml"])
