"""A program killed in the middle of an import costs no run that was acknowledged."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.bench import Bench, Ice, Ingredient, Recipe, Vessel
from rig.errors import LogbookError
from rig.logbook.store import open_logbook
from rig.runs import Run, RunBook, Trace

RUNS = 120


def big_book() -> RunBook:
    """A book whose import takes several commits."""
    bench = Bench(
        vessels={"tin": Vessel("tin")},
        ice={"cube": Ice("cube")},
        recipes={"black": Recipe("black", (Ingredient("coffee", volume_ml=50),))},
    )
    rng = np.random.default_rng(1)
    time_s = np.arange(600) / 10

    def run(number: int) -> Run:
        trace = Trace(time_s, {"": rng.normal(0, 5, 600).round(2)}, scale_g=rng.normal(500, 1, 600).round(1))
        return Run(f"r{number}", "shake", "tin", "cube", "black", trace=trace)

    return RunBook(bench, tuple(run(n) for n in range(RUNS)))


def import_and_acknowledge(file: str) -> None:
    """What the child process does: import the book, and say after each commit how far it is."""
    with open_logbook(file) as logbook:
        logbook.add(big_book(), "bar", "folder", progress=acknowledge)


def acknowledge(done: int, _total: int) -> None:
    sys.stdout.write(f"{done}\n")
    sys.stdout.flush()


@pytest.mark.parametrize("acknowledged", [20, 40, 60, 80, 100, 120])
def test_a_kill_during_import_leaves_every_acknowledged_run_whole(tmp_path: Path, acknowledged: int) -> None:
    file, book = tmp_path / "log.sqlite", big_book()
    code = f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r}); "
    code += f"import {Path(__file__).stem} as child; child.import_and_acknowledge({str(file)!r})"
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        for line in child.stdout:
            if int(line) >= acknowledged:
                break
        child.kill()
    with sqlite3.connect(file) as connection:
        assert connection.execute("pragma integrity_check").fetchall() == [("ok",)]
        assert connection.execute("pragma foreign_key_check").fetchall() == []
    connection.close()
    with open_logbook(file) as logbook:
        found = logbook.book("bar")
        assert len(found.runs) >= acknowledged and len(found.runs) % 20 == 0
        assert found == replace(book, runs=book.runs[: len(found.runs)])
        added = logbook.add(book, "bar", "folder")
        assert (added.new, added.unchanged, added.changed) == (RUNS - len(found.runs), len(found.runs), 0)
        assert logbook.book("bar") == book


@pytest.mark.parametrize(
    "damage",
    [
        "update run set extra = '{\"a\"'",
        "update run set started_at = 'last summer'",
        "update channel set name = 'tjme_s' where name = 'time_s'",
        "update channel set data = substr(data, 3)",
    ],
)
def test_what_a_disk_gave_back_otherwise_is_told_as_damage_with_the_cure(damage: str, tmp_path: Path) -> None:
    file = tmp_path / "log.sqlite"
    with open_logbook(file) as logbook:
        logbook.add(RunBook(big_book().bench, big_book().runs[:2]), "bar", "folder")
    with closing(sqlite3.connect(file)) as connection:
        assert connection.execute(damage).rowcount > 0
        connection.commit()
    with open_logbook(file) as logbook, pytest.raises(LogbookError, match=r"log\.sqlite.*Restore a copy"):
        logbook.book("bar")


def test_a_damaged_schema_that_is_no_text_is_told_in_words(tmp_path: Path) -> None:
    file = tmp_path / "log.sqlite"
    open_logbook(file).close()
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("pragma writable_schema = on")
        connection.execute("update sqlite_master set sql = cast(sql || x'20df' as text) where name = 'run'")
        connection.commit()
    with pytest.raises(LogbookError, match=r"log\.sqlite.*Restore a copy"):
        open_logbook(file).close()
