"""What is written as a bench folder reads back the same, whatever the trade writes into it."""

from __future__ import annotations

import json
import tempfile
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from made_books import benches, books

from rig.bench import Bench, Ice, Ingredient, Recipe, Vessel, parse_bench
from rig.bench_toml import bench_toml
from rig.errors import BenchError
from rig.importing.bench_folder import open_bench
from rig.importing.write_bench import book_json, write_bench
from rig.runs import Run, RunBook, Trace


def written(book: RunBook) -> RunBook:
    with tempfile.TemporaryDirectory() as home:
        return open_bench(write_bench(book, Path(home) / "bench"))


@given(books())
@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
def test_any_book_reads_back_as_it_was_written(book: RunBook) -> None:
    again = written(book)
    assert again.bench == book.bench
    assert again.runs == book.runs
    assert written(again) == again


@given(benches())
@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
def test_any_bench_reads_back_from_its_text(bench: Bench) -> None:
    assert parse_bench(bench_toml(bench))[0] == bench


BENCH = Bench(
    vessels={"tin": Vessel("tin")},
    ice={"cube": Ice("cube")},
    recipes={"black": Recipe("black", (Ingredient("coffee", volume_ml=50),))},
)
TRACE_A = Trace(np.array([0.0, 1.0]), {"": np.array([20.0, 10.0])})
TRACE_B = Trace(np.array([0.0, 1.0]), {"": np.array([20.0, np.nan])})


def run(name: str, **given: Any) -> Run:
    return Run(name, "shake", "tin", "cube", "black", **given)


@pytest.mark.parametrize(
    "runs",
    [
        (run("../../x", trace=TRACE_A), run(".._.._x", trace=TRACE_B)),
        (run("a", trace=TRACE_A, trace_file="../../a.csv"), run("b", trace=TRACE_B, trace_file="/tmp/b.csv")),
        (run("a", trace=TRACE_A, trace_file="t.csv"), run("b", trace=TRACE_B, trace_file="T.csv")),
        (run("a.", trace=TRACE_A), run("A/", trace=TRACE_B), run("b", trace_file="a.csv")),
        (run("a" * 300, trace=TRACE_A), run("a" * 299, trace=TRACE_B)),
        (run("...", trace=TRACE_A), run("??", trace=TRACE_B)),
    ],
)
def test_every_trace_keeps_to_its_run_and_in_the_folder(runs: tuple[Run, ...], tmp_path: Path) -> None:
    home = write_bench(RunBook(BENCH, runs), tmp_path / "bench")
    again = {r.run: r.trace for r in open_bench(home).runs}
    assert again == {r.run: r.trace for r in runs}
    assert [p.name for p in tmp_path.iterdir()] == ["bench"]


def test_a_bench_is_not_overwritten_unasked(tmp_path: Path) -> None:
    home = write_bench(RunBook(BENCH, (run("a"),)), tmp_path)
    with pytest.raises(BenchError, match="a bench is there already"):
        write_bench(RunBook(BENCH, ()), home)
    assert len(open_bench(home).runs) == 1
    write_bench(RunBook(BENCH, ()), home, overwrite=True)
    assert open_bench(home).runs == ()


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(BenchError, match="the bench cannot be written"):
        write_bench(RunBook(BENCH, ()), tmp_path / "file" / "bench")


def test_notes_return_to_the_entry_they_were_found_in() -> None:
    text = bench_toml(
        replace(BENCH, notes={"vessels.tin.colour": "red", "owner": "bar", "opened": date(2026, 3, 9)})
    )
    assert '[vessels.tin]\nmaterial = "stainless steel"\ncolour = "red"\n' in text
    assert 'owner = "bar"\nopened = 2026-03-09\n' in text


def test_json_holds_all_that_was_measured_and_null_where_nothing_was() -> None:
    started = datetime(2026, 3, 9, 18, 30, tzinfo=UTC)
    book = RunBook(replace(BENCH, notes={"x": float("inf")}), (run("a", trace=TRACE_B, started_at=started),))
    read = json.loads(book_json(book))
    assert read["runs"][0]["run"] == "a" and read["runs"][0]["ice_mass_g"] is None
    assert read["runs"][0]["started_at"] == "2026-03-09T18:30:00+00:00"
    assert read["runs"][0]["trace"] == {"time_s": [0.0, 1.0], "probe_c": [20.0, None]}
    assert read["bench"]["recipes"]["black"]["ingredients"][0]["volume_ml"] == 50
    assert read["bench"]["ice"]["cube"]["shape"] == "cube" and read["bench"]["notes"] == {"x": None}
