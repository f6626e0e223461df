"""Whatever happens to a file of a bench, opening it gives a book or a BenchError, and good runs stay."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.bench import Bench, Ice, Ingredient, Recipe, Vessel
from rig.errors import BenchError
from rig.importing import trace_file
from rig.importing.bench_folder import open_bench
from rig.importing.trace_file import read_trace
from rig.importing.write_bench import write_bench
from rig.runs import Run, RunBook, Trace

BENCH = Bench(
    vessels={"tin": Vessel("tin", mass_g=235)},
    ice={"cube": Ice("cube", edge_mm=25)},
    recipes={"black": Recipe("black", (Ingredient("coffee", volume_ml=50),))},
)
TRACE = Trace(
    np.array([-1.0, 0.0, 1.5]), {"": np.array([24.0, np.nan, 10.0])}, scale_g=np.array([1.0, 2.0, 3.0])
)
RUNS = tuple(
    Run(
        n,
        "shake",
        "tin",
        "cube",
        "black",
        drink_temp_c=24,
        notes='brisk, "cold"',
        trace=TRACE,
        trace_file=f"{n}.csv",
    )
    for n in ("r1", "r2", "r3")
)
plain_lines = st.lists(
    st.text("0123456789.,-e\r ", max_size=12) | st.sampled_from(["0,1,2", "1,,3", "2,3", "-1,5,"]), max_size=5
)
FILES = ("bench.toml", "run_sheet.csv", "traces/r2.csv")


def opened(damaged: str, raw: bytes) -> RunBook:
    with tempfile.TemporaryDirectory() as home:
        folder = write_bench(RunBook(BENCH, RUNS), Path(home) / "bench")
        (folder / damaged).write_bytes(raw)
        return open_bench(folder)


def original(file: str) -> bytes:
    with tempfile.TemporaryDirectory() as home:
        return (write_bench(RunBook(BENCH, RUNS), Path(home) / "bench") / file).read_bytes()


def assert_a_book_or_a_bench_error(file: str, raw: bytes) -> None:
    try:
        book = opened(file, raw)
    except BenchError as error:
        assert file != "traces/r2.csv" and file.rpartition("/")[2] in str(error)
        return
    assert all(str(f).encode() and f.what for f in book.findings)
    if file == "traces/r2.csv":
        assert (book.runs[0], book.runs[2]) == (RUNS[0], RUNS[2])
        assert book.runs[1].drink_temp_c == 24


@pytest.mark.parametrize("file", FILES)
@given(raw=st.binary(max_size=200))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_any_bytes_give_a_book_or_a_bench_error(file: str, raw: bytes) -> None:
    assert_a_book_or_a_bench_error(file, raw)


@pytest.mark.parametrize("file", FILES)
@given(
    at=st.integers(0, 10_000),
    cut=st.integers(0, 5),
    put=st.binary(max_size=3) | st.sampled_from([b'"', b",", b"\n"]),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_any_small_damage_gives_a_book_or_a_bench_error(file: str, at: int, cut: int, put: bytes) -> None:
    raw = original(file)
    at %= len(raw) + 1
    assert_a_book_or_a_bench_error(file, raw[:at] + put + raw[at + cut :])


def test_damage_in_one_row_never_costs_another_row() -> None:
    raw = original("run_sheet.csv")
    lines = raw.splitlines(keepends=True)
    start, stop = len(lines[0]) + len(lines[1]), len(raw) - len(lines[3])
    for at in range(start, stop - 2):
        for put in (b'"', b",", b";", b"\xff"):
            book = opened("run_sheet.csv", raw[:at] + put + raw[at + 1 :])
            kept = {r.run: r for r in book.runs}
            assert kept.get("r1") == RUNS[0] and kept.get("r3") == RUNS[2], (at, put)


@pytest.mark.parametrize(
    "header", ["time_s,probe_c,scale_g", "probe_c,time_s,cadence_hz", "time_s,probe_c", "time_s"]
)
@given(lines=plain_lines)
@settings(max_examples=150, deadline=None, derandomize=True)
def test_reading_a_trace_in_one_go_finds_what_reading_cell_by_cell_finds(
    header: str, lines: list[str]
) -> None:
    text = "\n".join((header, *lines))
    # A quoted name means the same, and is read cell by cell.
    assert read_trace(text, "t.csv") == read_trace(text.replace("time_s", '"time_s"'), "t.csv")


def test_a_flawless_trace_is_read_in_one_go(monkeypatch: pytest.MonkeyPatch) -> None:
    text = original("traces/r2.csv").decode()
    expected = read_trace(text, "t.csv")
    monkeypatch.setattr(trace_file, "rows", None)
    assert read_trace(text, "t.csv") == expected == (TRACE, ())
