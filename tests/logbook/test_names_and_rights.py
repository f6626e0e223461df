"""Names that look alike are not two; a logbook that may not be written is read."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from rig.bench import Bench, Vessel
from rig.errors import BenchError, LogbookError
from rig.logbook.listing import LogbookListing, RunFilter
from rig.logbook.store import open_logbook
from rig.runs import RunBook
from tests.logbook.conftest import BENCH, RUNS

UNCLEAR = {
    "case": ("tin", "Tin"),
    "composed": ("caf\u00e9", "cafe\u0301"),
    "wide": ("tin", "\uff54in"),
    "blanks": ("big tin", "big  tin"),
    "zero width": ("tin", "t\u200bin"),
    "direction": ("tin", "\u202enit"),
    "mark": ("tin", "tin\ufeff"),
    "line": ("tin", "ti\nn"),
    "empty": ("tin", ""),
    "blank": ("tin", "  "),
}


@pytest.mark.parametrize("pair", UNCLEAR.values(), ids=UNCLEAR.keys())
def test_names_that_nobody_tells_apart_are_refused_and_nothing_is_stored(pair: tuple[str, str]) -> None:
    bench = Bench(vessels={name: Vessel(name) for name in pair})
    with open_logbook(None) as logbook:
        with pytest.raises(BenchError, match=r"look alike|nobody sees|no name"):
            logbook.add(RunBook(bench, ()), "bar", "test")
        with pytest.raises(BenchError):
            for name in pair:
                logbook.add(RunBook(Bench(), ()), name, "test")
        assert len(logbook.benches()) <= 1


def test_a_run_without_a_name_is_refused() -> None:
    with open_logbook(None) as logbook, pytest.raises(BenchError, match="a run has no name"):
        logbook.add(RunBook(BENCH, (replace(RUNS[0], run=" "),)), "bar", "test")


@pytest.mark.parametrize("name", ["Négroni blanc", "می\u200cخواهم", "№ 5", "a–b", "東京 🍸"])
def test_names_of_any_script_pass(name: str) -> None:
    with open_logbook(None) as logbook:
        logbook.add(RunBook(Bench(vessels={name: Vessel(name)}), ()), name, "test")
        assert logbook.benches()[0].name == name


def test_a_logbook_that_may_not_be_written_is_listed_and_says_why_it_keeps_nothing(tmp_path: Path) -> None:
    at = tmp_path / "disk"
    at.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "none", at], capture_output=True, check=False).returncode:
        pytest.skip("no disk can be mounted here")
    try:
        with open_logbook(at / "bar.sqlite") as logbook:
            logbook.add(RunBook(BENCH, RUNS), "bar", "test")
        subprocess.run(["mount", "-o", "remount,ro", at], check=True)
        with open_logbook(at / "bar.sqlite") as logbook:
            assert len(logbook.list_runs("bar")) == len(RUNS)
            assert logbook.book("bar").runs == RUNS
            with pytest.raises(LogbookError, match="may not be written"):
                logbook.exclude("bar", RUNS[0].run, "spilt")
            assert isinstance(logbook.identity, str)
        lists = LogbookListing(str(at / "bar.sqlite"))
        assert lists.page("bar", RunFilter(), 0, 5).total == len(RUNS)
        lists.close()
    finally:
        subprocess.run(["umount", "-l", at], check=True)
