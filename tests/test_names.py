"""Names that nobody tells apart, at each door: bench folder, run sheet, logbook, recording."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from rig.bench import parse_bench
from rig.capture.decoding.dialects import load
from rig.capture.to_run.intake import take_in
from rig.errors import BenchError, LogbookError
from rig.importing.bench_folder import open_bench
from rig.importing.bench_rows import add_row
from rig.logbook.store import open_logbook
from rig.names import NameUnclear, unclear_among
from rig.runs import RunBook
from tests.capture.test_bad_journals import good
from tests.capture.test_record_cli import chillrig
from tests.cli.small_bench import BENCH, small_bench, small_book

UNCLEAR = {
    "case": "B3",
    "width": "\uff423",
    "zero width": "b\u200b3",
    "direction": "\u202eb3",
    "mark": "b3\ufeff",
    "joiners alone": "\u200d\u200c",
    "empty": "",
}


@pytest.mark.parametrize("name", UNCLEAR.values(), ids=UNCLEAR.keys())
def test_a_run_that_nobody_tells_from_one_that_is_there_is_not_stored_beside_it(name: str) -> None:
    book = small_book()
    with open_logbook(None) as logbook:
        logbook.add(book, "bar", "one")
        with pytest.raises(NameUnclear, match=r"look alike|nobody sees|no name"):
            logbook.add(replace(book, runs=(replace(book.runs[0], run=name),)), "bar", "other")
        assert len(logbook.list_runs("bar")) == len(book.runs)
        assert logbook.add(book, "bar", "one").unchanged == len(book.runs)


def test_composed_and_decomposed_are_one_name() -> None:
    assert unclear_among("run", "cafe\u0301", ["caf\u00e9"]) is not None
    assert unclear_among("run", "caf\u00e9", ["caf\u00e9", "cafe"]) is None


def test_in_a_bench_folder_the_second_of_two_is_left_out_and_said(tmp_path: Path) -> None:
    bench, notes = parse_bench(
        BENCH + '[vessels."Steel Tin"]\nmass_g = 9\n[ice."\u200bwet cube"]\nedge_mm = 9\n'
    )
    assert list(bench.vessels) == ["steel tin", "mixing glass"]
    assert [n.left_out for n in notes] == [("vessels", "Steel Tin"), ("ice", "\u200bwet cube")]
    assert "look alike" in notes[0].text and "nobody sees (U+200B)" in notes[1].text
    folder = small_bench(tmp_path / "bar")
    sheet = folder / "run_sheet.csv"
    lines = sheet.read_text(encoding="utf-8").splitlines()
    first = next(n for n, line in enumerate(lines) if line.startswith("a1,"))
    copies = [lines[first].replace("a1,", f"{name},", 1) for name in ("A1", "a\u200b1", "a1")]
    sheet.write_text("\n".join([*lines, *copies]) + "\n", encoding="utf-8")
    book = open_bench(folder)
    assert [r.run for r in book.runs] == [r.run for r in small_book().runs]
    said = [f.what for f in book.findings if f.gravity.value == "left out"]
    assert len(said) == 3
    assert "'a1' and 'A1' look alike; 'a1' is on line 2" in said[0]
    assert "nobody sees (U+200B)" in said[1] and "already on line 2" in said[2]


def test_a_row_is_not_added_beside_one_that_looks_the_same(tmp_path: Path) -> None:
    folder = small_bench(tmp_path / "bar")
    before = (folder / "run_sheet.csv").read_bytes()
    for name in ("A1", "a1\u200b", " "):
        with pytest.raises(BenchError, match=r"look alike|nobody sees|no name"):
            add_row(folder, replace(small_book().runs[0], run=name))
    assert (folder / "run_sheet.csv").read_bytes() == before


@pytest.mark.parametrize("name", ["b3", "B3", "b\u200b3", "\u200d", ""])
def test_a_recording_is_kept_under_a_name_that_people_can_tell_apart(tmp_path: Path, name: str) -> None:
    files = good(tmp_path, "a")
    header, _, rest = files.journal.read_bytes().partition(b"\n")
    told = json.loads(header)
    told["meta"] = {"bench_name": "bar", "bench": BENCH, "run": told["meta"].get("run", {}) | {"run": name}}
    files.journal.write_bytes(json.dumps(told).encode() + b"\n" + rest)
    with open_logbook(None) as logbook:
        logbook.add(small_book(), "bar", "one")
        recorded = take_in(files, logbook, load(()))
        kept = [r.run.run for r in logbook.list_runs("bar")]
        assert kept.count(recorded.run.run) == 1 and len(kept) == len(small_book().runs) + 1
        assert unclear_among("run", recorded.run.run, [k for k in kept if k != recorded.run.run]) is None


def test_a_recording_for_a_bench_that_nobody_tells_apart_stays_and_names_its_journal(tmp_path: Path) -> None:
    files = good(tmp_path, "a")
    header, _, rest = files.journal.read_bytes().partition(b"\n")
    told = json.loads(header)
    told["meta"] = {**told["meta"], "bench_name": "BAR"}
    files.journal.write_bytes(json.dumps(told).encode() + b"\n" + rest)
    with open_logbook(None) as logbook:
        logbook.add(RunBook(parse_bench(BENCH)[0], ()), "bar", "one")
        with pytest.raises(LogbookError, match=files.journal.name):
            take_in(files, logbook, load(()))
    assert files.journal.exists()


@pytest.mark.parametrize("name", ["x\u200b", "\u202ex", "  "])
def test_such_a_name_is_not_recorded_under(tmp_path: Path, name: str) -> None:
    told = ("record", "--simulated", "--yes", "--run", name, "--logbook", tmp_path / "bar.sqlite")
    code, _, err = chillrig(*told)
    assert code == 1 and ("nobody sees" in err or "no name" in err)
    assert not (tmp_path / "recordings").exists()
