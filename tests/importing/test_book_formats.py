"""Runs exported to any format come back the same; the CSV's W3C metadata says what the files hold."""

from __future__ import annotations

import csv
import json
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from made_books import books

from rig.bench import Bench, Ice, Ingredient, Recipe, Vessel
from rig.errors import BenchError
from rig.importing.bench_folder import open_bench
from rig.importing.book_file import open_book
from rig.importing.book_workbook import book_xlsx
from rig.importing.cells_out import trace_names
from rig.importing.csvw import folder_metadata, sheet_metadata
from rig.importing.write_bench import book_json, run_sheet_csv, write_bench
from rig.runs import Finding, Gravity, Run, RunBook, Trace

WRITERS: dict[str, Callable[[RunBook], bytes]] = {
    "json": lambda book: book_json(book).encode(),
    "xlsx": book_xlsx,
}
BENCH = Bench(
    vessels={"tin": Vessel("tin")},
    ice={"cube": Ice("cube")},
    recipes={"black": Recipe("black", (Ingredient("coffee", volume_ml=50),))},
)
TRACE = Trace(
    np.array([-0.5, 0.0, 0.1]), {"tip": np.array([20.0, np.nan, 19.1]), "a": np.array([1.0, 2.0, 3.0])}
)


def run(name: str, **given: Any) -> Run:
    return Run(name, "shake", "tin", "cube", "black", **given)


def again(book: RunBook, kind: str) -> RunBook:
    with tempfile.TemporaryDirectory() as home:
        path = Path(home) / f"book.{kind}"
        path.write_bytes(WRITERS[kind](book))
        read = open_book(path)
    assert read is not None
    return read


@pytest.mark.parametrize("kind", WRITERS)
@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(book=books())
def test_any_book_comes_back_as_it_was_exported(kind: str, book: RunBook) -> None:
    read = again(book, kind)
    assert read.bench == book.bench
    assert read.runs == book.runs
    for mine, theirs in zip(read.runs, book.runs, strict=True):
        if mine.trace is not None and theirs.trace is not None:
            assert list(mine.trace.channels()) == list(theirs.trace.channels())


@pytest.mark.parametrize("kind", WRITERS)
@pytest.mark.parametrize(
    "text",
    [
        "=1+1",
        "#N/A",
        "_x0041_",
        " blanks ",
        "line\nline\r\nend\ttab",
        "\x01bell",
        "1e5",
        "true",
        "'quoted",
        "–°C",
    ],
)
def test_text_that_a_spreadsheet_would_change_comes_back_as_it_is(kind: str, text: str) -> None:
    book = RunBook(BENCH, (run(f"r{text}", notes=text, extra={text: text}, trace=TRACE),))
    assert again(book, kind).runs == book.runs


def test_json_brings_its_findings_back() -> None:
    book = RunBook(BENCH, (run("a"),), (Finding(Gravity.DOUBT, "odd", cure="look"),))
    assert again(book, "json").findings == book.findings


@pytest.mark.parametrize("kind", WRITERS)
def test_numpy_numbers_are_written_as_numbers(kind: str, tmp_path: Path) -> None:
    book = RunBook(
        Bench(vessels={"tin": Vessel("tin", mass_g=np.float64(235.5))}, ice=BENCH.ice, recipes=BENCH.recipes),
        (run("a", ice_mass_g=np.float64(200.25), drink_mass_g=np.float32(95.5), duration_s=np.int64(12)),),  # type: ignore[arg-type]
    )
    for read in (again(book, kind), open_bench(write_bench(book, tmp_path / "bench"))):
        assert read.runs[0].ice_mass_g == 200.25
        assert (read.runs[0].drink_mass_g, read.runs[0].duration_s) == (95.5, 12.0)
        assert read.bench.vessels["tin"].mass_g == 235.5


@pytest.mark.parametrize("kind", WRITERS)
@pytest.mark.parametrize("at", [0.2, 0.5, 0.9])
def test_a_damaged_export_is_refused_and_never_half_read(kind: str, at: float, tmp_path: Path) -> None:
    raw = WRITERS[kind](RunBook(BENCH, tuple(run(f"r{i}", trace=TRACE) for i in range(20))))
    path = tmp_path / f"cut.{kind}"
    path.write_bytes(raw[: int(len(raw) * at)])
    try:
        assert open_book(path) is None
    except BenchError as error:
        assert "damaged" in str(error)


def test_a_trace_whose_channels_differ_in_length_is_refused(tmp_path: Path) -> None:
    run = Run("r1", "shake", "tin", "cube", "black", trace=Trace(np.arange(4.0), {"": np.ones(4)}))
    told = json.loads(book_json(RunBook(BENCH, (run,))))
    told["runs"][0]["trace"]["probe_c"].pop()
    file = tmp_path / "book.json"
    file.write_text(json.dumps(told), encoding="utf-8")
    with pytest.raises(BenchError, match="probe_c has not as many samples"):
        open_book(file)


def test_a_logger_s_table_is_no_export(tmp_path: Path) -> None:
    path = tmp_path / "probe.csv"
    path.write_text("time_s,probe_c\n0,20\n1,19\n")
    assert open_book(path) is None


def test_a_text_too_long_for_a_cell_is_refused_by_name() -> None:
    with pytest.raises(BenchError, match="does not fit a cell"):
        book_xlsx(RunBook(BENCH, (run("a", notes="x" * 40_000),)))


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(book=books())
def test_the_metadata_names_every_file_and_column_in_order_and_every_cell_has_its_type(book: RunBook) -> None:
    """By 'Metadata Vocabulary for Tabular Data' and 'Model for Tabular Data', W3C 2015."""
    said = json.loads(folder_metadata(book))
    assert said["@context"][0] == "http://www.w3.org/ns/csvw"
    with tempfile.TemporaryDirectory() as home:
        folder = write_bench(book, Path(home) / "bench")
        files = {p.relative_to(folder).as_posix() for p in folder.rglob("*.csv")}
        assert {unquote(t["url"]) for t in said["tables"]} == files
        for table in said["tables"]:
            with (folder / unquote(table["url"])).open(encoding="utf-8", newline="") as file:
                header, *rows = list(csv.reader(file))
            columns = table["tableSchema"]["columns"]
            assert [c["titles"] for c in columns] == header
            assert len({c["name"] for c in columns}) == len(columns)
            for column, cells in zip(columns, zip(*rows, strict=True), strict=False):
                assert not column.get("required") or all(cells)
                if column["datatype"] == "double":
                    assert all(np.isfinite(float(c)) for c in cells if c)


def test_the_metadata_of_a_sheet_alone_names_units_and_the_key() -> None:
    book = RunBook(BENCH, (run("a", ice_mass_g=200.0, extra={"mood": "fine"}),))
    said = json.loads(sheet_metadata(book, "my runs.csv"))
    assert said["url"] == "my%20runs.csv" and said["tableSchema"]["primaryKey"] == "run"
    ice = next(c for c in said["tableSchema"]["columns"] if c["titles"] == "ice_mass_g")
    assert ice == {"name": "ice_mass_g", "titles": "ice_mass_g", "datatype": "double", "schema:unitText": "g"}
    assert run_sheet_csv(book).splitlines()[0].split(",") == [
        c["titles"] for c in said["tableSchema"]["columns"]
    ]
    assert trace_names(book.runs) == {}
