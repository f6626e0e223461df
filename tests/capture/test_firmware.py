"""The firmware notes hold what they say: vectors, line builder and sketches, compiled and run on this host."""

from __future__ import annotations

import csv
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

from rig.capture.decoding.readings import Identity, Quality, Reading
from rig.capture.decoding.wire import WireDecoder, crc16

NOTES = Path(__file__).parents[2] / "firmware_notes"
BENCH = Path(__file__).parent / "firmware_bench"
COMPILER = shutil.which("c++") or shutil.which("g++") or shutil.which("clang++") or "c++"
STRICT = ["-std=c++11", "-Wall", "-Wextra", "-Werror", "-fsanitize=undefined", "-fno-sanitize-recover"]

with (NOTES / "wire_vectors.csv").open(encoding="utf-8", newline="") as _file:
    VECTORS = list(csv.DictReader(_file))


def build(source: Path, to: Path, *options: str) -> Path:
    command = [COMPILER, *STRICT, f"-I{NOTES / 'libraries/wire_line'}", f"-I{BENCH}", *options]
    done = subprocess.run([*command, str(source), "-o", str(to)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return to


def run(program: Path, text: str) -> bytes:
    done = subprocess.run([str(program)], input=text.encode(), capture_output=True, timeout=60)
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout


@pytest.fixture(scope="module")
def printer(tmp_path_factory) -> Path:
    return build(BENCH / "print_vectors.cpp", tmp_path_factory.mktemp("printer") / "print_vectors")


def printed(printer: Path, records: list[str]) -> list[bytes]:
    """Lines as printed, each checked for its CR LF."""
    lines = run(printer, "\n".join(records)).split(b"\r\n")
    assert lines.pop() == b""
    return [line.partition(b" ")[2] for line in lines]


def record(sequence, tick_ms, channels) -> str:
    parts = [f"{n} {s} {d} {u or '-'} {m or '-'}" for n, s, d, u, m in channels]
    return f"R {sequence} {tick_ms} {len(parts)} {' '.join(parts)}"


def channels_of(vector) -> list[tuple[str, int, int, str, str]]:
    parts = (text.split(":") for text in vector["channels"].split(";"))
    return [(name, int(scaled), int(decimals), unit, mark) for name, scaled, decimals, unit, mark in parts]


READINGS = [v for v in VECTORS if v["note"] != "identity"]
IDENTITIES = [v for v in VECTORS if v["note"] == "identity"]


@pytest.mark.parametrize("vector", READINGS, ids=lambda v: v["note"])
def test_the_decoder_reads_every_vector(vector):
    said = WireDecoder().decode(vector["line"].encode())
    assert isinstance(said, Reading)
    assert (said.sequence, said.tick_ms) == (int(vector["sequence"]), int(vector["tick_ms"]))
    from_unit = {"C": (1, 0), "F": (5 / 9, -160 / 9), "oz": (28.349523125, 0)}
    for sample, (name, scaled, decimals, unit, mark) in zip(said.samples, channels_of(vector), strict=True):
        factor, offset = from_unit.get(unit, (1, 0))
        assert sample.channel == name
        if mark in ("?", "^"):
            assert sample.quality is {"?": Quality.SENSOR_FAULT, "^": Quality.OVERLOAD}[mark]
        else:
            assert sample.value == pytest.approx(scaled / 10**decimals * factor + offset, abs=1e-9)
            assert sample.quality is (Quality.UNSETTLED if mark else Quality.GOOD)


@pytest.mark.parametrize("vector", IDENTITIES, ids=lambda v: v["line"])
def test_the_decoder_reads_the_identity_vector(vector):
    board, firmware, *names = vector["channels"].split(";")
    assert WireDecoder().decode(vector["line"].encode()) == Identity(board, firmware, tuple(names))


def test_the_line_builder_prints_every_vector(printer):
    records = [record(v["sequence"], v["tick_ms"], channels_of(v)) for v in READINGS]
    for vector in IDENTITIES:
        board, firmware, *names = vector["channels"].split(";")
        records.append(f"I {board} {firmware} {len(names)} {' '.join(names)}")
    assert printed(printer, records) == [v["line"].encode() for v in [*READINGS, *IDENTITIES]]


def test_the_sign_survives_between_0_and_minus_1(printer):
    scaled = list(range(-120, 121))
    lines = printed(printer, [record(1, 2, [("t", s, 2, "C", "")]) for s in scaled])
    values = [WireDecoder().decode(line).samples[0].value for line in lines]
    assert values == pytest.approx([s / 100 for s in scaled], abs=1e-12)


def test_any_number_is_printed_as_it_is(printer):
    rng = np.random.default_rng(8)
    cases = [
        (int(rng.integers(-(2**31), 2**31)) >> int(rng.integers(0, 31)), int(rng.integers(0, 7)))
        for _ in range(400)
    ]
    lines = printed(printer, [record(7, 9, [("t", s, d, "g", "")]) for s, d in cases])
    for line, (scaled, decimals) in zip(lines, cases, strict=True):
        (sample,) = WireDecoder().decode(line).samples
        assert sample.value == pytest.approx(scaled / 10**decimals, rel=1e-12, abs=1e-12)


def test_a_line_too_long_for_its_room_is_empty_not_cut(printer):
    fits = [(f"channel{k}", k, 0, "g", "") for k in range(9)]
    too_many = [(f"channel{k}", k, 0, "g", "") for k in range(20)]
    first, second = printed(printer, [record(1, 2, fits), record(1, 2, too_many)])
    assert len(WireDecoder().decode(first).samples) == 9
    assert second == b""


@pytest.fixture(scope="module")
def sketch(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sketches")

    def built(name: str) -> Path:
        option = f'-DSKETCH="{NOTES / name / (name + ".ino")}"'
        return build(BENCH / "run_sketch.cpp", folder / name, option)

    return built


def said_by(program: Path, hexadecimal: str) -> list:
    lines = run(program, hexadecimal).split(b"\r\n")
    assert lines.pop() == b""
    return [WireDecoder().decode(line) for line in lines]


SKETCHES = sorted(p.parent.name for p in NOTES.glob("*/*.ino"))


@pytest.mark.parametrize("name", SKETCHES)
def test_every_sketch_compiles_without_a_warning_and_names_itself(name, sketch):
    first, *readings = said_by(sketch(name), "01900190 " * 6)
    assert isinstance(first, Identity)
    for reading in readings:
        assert isinstance(reading, Reading)
        assert {s.channel for s in reading.samples} <= set(first.channels)


def test_the_thermocouple_sketch_reads_the_datasheets_words(sketch):
    """MAX31855 datasheet (Maxim 19-5793), tables of probe and chip temperatures (from memory); and a fault."""
    words = {
        0x06400000: (100.0, 0.0),
        0x01900000: (25.0, 0.0),
        0x00010000 | 0x1: (None, 0.0),
        0xFFFCFFF0: (-0.25, -0.0625),
        0xFFF0EC90: (-1.0, -19.4375),
        0xF0600000: (-250.0, 0.0),
        0x64001900: (1600.0, 25.0),
    }
    _, *readings = said_by(sketch("thermocouple_probe"), " ".join(f"{w:08X}" for w in words))
    for reading, (probe_c, chip_c) in zip(readings, words.values(), strict=False):
        probe, room = reading.samples
        if probe_c is None:
            assert probe.quality is Quality.SENSOR_FAULT
        else:
            assert probe.value == probe_c
        assert room.value == chip_c


def test_the_scale_sketch_reads_counts_in_twos_complement(sketch):
    counts = [0, 42000, 4200, -42000, 0x7FFFFF, -0x800000, 21]
    words = " ".join(f"{c & 0xFFFFFF:06X}" for c in counts)
    _, *readings = said_by(sketch("load_cell_scale"), words)
    grams = [r.samples[0].value for r in readings[: len(counts)]]
    assert grams[:4] == [0.0, 100.0, 10.0, -100.0]
    assert [r.samples[0].quality for r in readings[4:6]] == [Quality.OVERLOAD] * 2
    assert [int(r.samples[1].value) for r in readings[: len(counts)]] == counts


def test_the_cadence_sketch_sends_metres_per_second_squared(sketch):
    """3.9 mg a count: 256 counts are 0.9984 g, 9.79 m/s²; low byte first."""
    _, first, *_ = said_by(sketch("shake_cadence"), "0001 00FF 0000 " * 3)
    assert [s.value for s in first.samples] == pytest.approx([9.79, -9.79, 0.0])


def test_the_specification_shows_lines_that_are_valid():
    text = (NOTES / "wire_format.md").read_text(encoding="utf-8")
    lines = re.findall(r"^\s*(\$(?:R|ID),.*\*[0-9A-F]{4})$", text, flags=re.MULTILINE)
    assert len(lines) >= 6
    for line in lines:
        assert isinstance(WireDecoder().decode(line.encode()), Reading | Identity), line
    assert f"{crc16(b'123456789'):04X}" in text


def test_the_short_sketch_in_the_specification_prints_a_valid_line(tmp_path):
    text = (NOTES / "wire_format.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```c\n(.*?)```", text, flags=re.DOTALL)
    assert len(code.strip().splitlines()) <= 14
    source = tmp_path / "short.cpp"
    source.write_text(
        "#include <Arduino.h>\n#include <string.h>\nuint32_t bench_ms = 4000;\nBenchSerial Serial;\n"
        + code
        + "\nint main() { send(-5); send(2341); send(-100); return 0; }\n",
        encoding="utf-8",
    )
    lines = run(build(source, tmp_path / "short"), "").split(b"\r\n")[:-1]
    said = [WireDecoder().decode(line) for line in lines]
    assert [s.samples[0].value for s in said] == [-0.05, 23.41, -1.0]
    assert [s.sequence for s in said] == [0, 1, 2]


def test_the_dialect_notes_example_can_be_declared():
    from rig.capture.decoding.declared import parse

    text = (NOTES / "dialects.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```toml\n(.*?)```", text, flags=re.DOTALL)
    assert blocks
    for block in blocks:
        assert parse(block)


def test_the_notes_point_only_to_files_that_exist():
    for page in NOTES.glob("*.md"):
        for target in re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8")):
            assert (NOTES / target).exists(), f"{page.name} points to {target}"


@pytest.mark.parametrize("drawing", ["wiring.svg", "lid_probe.svg"])
def test_a_drawing_is_a_whole_svg_with_a_title_and_a_description(drawing):
    root = ET.parse(NOTES / drawing).getroot()
    assert root.tag.endswith("svg")
    for part in ("title", "desc"):
        assert root.find(f"{{http://www.w3.org/2000/svg}}{part}") is not None


SHAKER_PROBE = (NOTES / "shaker_probe.md").read_text(encoding="utf-8")


def test_what_a_slow_probe_shows_is_worked_out_and_not_guessed():
    """Two lags in a row answer a step as the difference of their exponentials; 20 towards -6 °C, 10 s."""
    rows = re.findall(r"^\| [^|]+ \| [^|]+ \| ([\d.]+) \| ([−\d.]+) \|$", SHAKER_PROBE, flags=re.MULTILINE)
    assert len(rows) == 5
    drink_s = 4.0
    for tau, shown in ((float(a), float(b.replace("−", "-"))) for a, b in rows):
        left = (drink_s * np.exp(-10 / drink_s) - tau * np.exp(-10 / tau)) / (drink_s - tau)
        assert shown == pytest.approx(-6.0 + 26.0 * left, abs=0.051)
    assert float(rows[-1][1]) > 3.0  # the capsule shows a drink that is frozen as if it were not yet cold


def test_the_pressure_that_a_stopper_has_to_hold_is_worked_out():
    from rig.physics.sealed import gauge_pressure_kpa, lid_force_n

    hot_kpa = float(gauge_pressure_kpa(67.0))
    told = (f"{hot_kpa:.0f} kPa", f"{float(lid_force_n(hot_kpa, 30.0)):.0f} N push a 30 mm stopper out and")
    assert all(words in SHAKER_PROBE for words in told)
    assert float(lid_force_n(hot_kpa)) == pytest.approx(270.0, abs=5.0)
    assert float(gauge_pressure_kpa(0.0)) == pytest.approx(-7.0, abs=0.6)


def test_the_first_build_takes_as_long_as_it_says_and_names_commands_that_there_are():
    from typer.testing import CliRunner

    from rig.cli.app import app

    minutes = [int(m) for m in re.findall(r"^\| (\d+) \| ", SHAKER_PROBE, flags=re.MULTILINE)]
    assert len(minutes) == 9 and sum(minutes) == 150
    for words in sorted(set(re.findall(r"`chillrig ([a-z]+(?: (?:ice-point|plunge))?)", SHAKER_PROBE))):
        assert CliRunner().invoke(app, [*words.split(), "--help"]).exit_code == 0, words
