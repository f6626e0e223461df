"""A bench folder written out again: byte for byte where nothing changed, and the edits where something did."""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from made_books import books

from rig.importing.bench_folder import open_bench
from rig.importing.rewrite_bench import rewrite_bench
from rig.importing.write_bench import write_bench
from rig.logbook.store import open_logbook
from rig.runs import Run, RunBook, Trace

SAMPLES = Path(__file__).parents[2] / "sample_logs"


def every_byte(home: Path) -> dict[str, bytes]:
    return {p.relative_to(home).as_posix(): p.read_bytes() for p in sorted(home.rglob("*")) if p.is_file()}


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return Path(shutil.copytree(SAMPLES / "harbour", tmp_path / "harbour"))


def with_run(book: RunBook, name: str, **changed: object) -> RunBook:
    return replace(book, runs=tuple(replace(r, **changed) if r.run == name else r for r in book.runs))


def test_a_bench_through_the_logbook_and_back_changes_not_one_byte(home: Path, tmp_path: Path) -> None:
    before = every_byte(home)
    with open_logbook(tmp_path / "bar.sqlite") as logbook:
        logbook.add(open_bench(home), "harbour", "harbour")
        assert rewrite_bench(logbook.book("harbour"), home) == ()
    assert every_byte(home) == before


def test_an_edit_changes_its_cell_and_nothing_else(home: Path) -> None:
    before, book = every_byte(home), open_bench(home)
    changed = with_run(book, "h05", strained_mass_g=101.5, notes="weighed again, twice")
    assert rewrite_bench(changed, home) == ("run_sheet.csv",)
    after = every_byte(home)
    assert {k for k in after if after[k] != before[k]} == {"run_sheet.csv"}
    pairs = list(zip(before["run_sheet.csv"].splitlines(), after["run_sheet.csv"].splitlines(), strict=True))
    (only,) = [(a, b) for a, b in pairs if a != b]
    assert only[1].startswith(b"h05,") and b",101.5," in only[1] and b'"weighed again, twice"' in only[1]
    assert open_bench(home).runs == changed.runs


def test_a_run_gone_a_run_new_and_a_trace_anew(home: Path) -> None:
    book = open_bench(home)
    trace = Trace(np.array([0.0, 1.0, 2.0]), {"": np.array([20.0, 10.0, 5.0])})
    kept = with_run(replace(book, runs=book.runs[1:]), book.runs[1].run, trace=trace)
    new = Run("n1", "shake", "two-piece steel", "cracked", "quayside black", duration_s=8.0, trace=trace)
    rewrite_bench(replace(kept, runs=(*kept.runs, new)), home)
    again = {r.run: r for r in open_bench(home).runs}
    assert book.runs[0].run not in again
    assert again["n1"].trace == again[book.runs[1].run].trace == trace
    assert again[book.runs[2].run] == book.runs[2]


def test_comments_and_what_nobody_knows_stay_while_the_bench_says_the_same(home: Path) -> None:
    file, sheet = home / "bench.toml", home / "run_sheet.csv"
    file.write_text("# our own notes\n" + file.read_text(encoding="utf-8"), encoding="utf-8")
    rows = sheet.read_text(encoding="utf-8").splitlines()
    rows = [rows[0] + ",mood", *(r + ",fine" for r in rows[1:]), "zz,,,,,,,,,,,,,,,,,,no run of its own"]
    sheet.write_text("\r\n".join(rows), encoding="utf-8-sig")
    before, book = every_byte(home), open_bench(home)
    assert rewrite_bench(book, home) == ()
    assert every_byte(home) == before
    rewrite_bench(with_run(book, "h07", ice_mass_g=199.0), home)
    after = every_byte(home)
    assert after["bench.toml"] == before["bench.toml"]
    assert (
        after["run_sheet.csv"].startswith(b"\xef\xbb\xbfrun,")
        and b"no run of its own" in after["run_sheet.csv"]
    )
    assert (
        sum(
            a != b for a, b in zip(*(x["run_sheet.csv"].split(b"\r\n") for x in (before, after)), strict=True)
        )
        == 1
    )


def test_what_the_sheet_has_no_column_for_gets_one_and_all_else_stays(home: Path) -> None:
    before = every_byte(home)["run_sheet.csv"].splitlines()
    changed = with_run(open_bench(home), "h05", excluded_because="spilt, half of it", foam_ml=120.0)
    rewrite_bench(changed, home)
    after = every_byte(home)["run_sheet.csv"].splitlines()
    assert after[0] == before[0] + b",foam_ml,excluded_because"
    for a, b in zip(before[1:], after[1:], strict=True):
        assert b == a + (b',120,"spilt, half of it"' if a.startswith(b"h05,") else b",,")
    assert open_bench(home).runs == changed.runs


@given(books(), books())
@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
def test_any_book_over_any_other_reads_back_as_itself(one: RunBook, other: RunBook) -> None:
    with tempfile.TemporaryDirectory() as folder:
        home = write_bench(one, Path(folder) / "bench")
        before = every_byte(home)
        rewrite_bench(open_bench(home), home)
        assert every_byte(home) == before
        rewrite_bench(other, home)
        again = open_bench(home)
        assert again.bench == other.bench
        assert {r.run: replace(r, trace_file=None) for r in again.runs} == {
            r.run: replace(r, trace_file=None) for r in other.runs
        }
