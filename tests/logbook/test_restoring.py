"""A copy takes a logbook's place whole, whatever a crash left there; what was there is kept; nobody is inside."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from rig.errors import LogbookError, NotFound
from rig.logbook.connect import engine_for, url_from
from rig.logbook.copies import back_up, backups_of, faults_of
from rig.logbook.restoring import newest_whole, ready_at, restore
from rig.logbook.store import open_logbook
from rig.runs import RunBook
from tests.logbook.conftest import BENCH, RUNS

NOW = datetime(2031, 4, 6, 15, tzinfo=UTC)


def filled(file: Path, count: int) -> None:
    with open_logbook(file) as logbook:
        logbook.add(
            RunBook(BENCH, tuple(replace(RUNS[0], run=f"r{n}") for n in range(count))), "bar", "folder"
        )


def names(file: Path) -> list[str]:
    with open_logbook(file) as logbook:
        return [r.run.run for r in logbook.list_runs("bar")]


def crashed_after(file: Path, count: int) -> None:
    """Leave the file as a crash does: committed runs stand only in what was written ahead."""
    code = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "from tests.logbook.test_restoring import RUNS, BENCH, RunBook, open_logbook, replace\n"
        f"logbook = open_logbook({str(file)!r})\n"
        f"logbook.add(RunBook(BENCH, tuple(replace(RUNS[0], run=f'r{{n}}') for n in range({count}))), 'bar', 'x')\n"
        "os._exit(9)\n"
    )
    root = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", code], cwd=root, check=False)
    assert done.returncode == 9
    assert file.with_name(f"{file.name}-wal").stat().st_size > 0


def test_a_copy_restored_over_a_crashed_logbook_is_the_copy_and_the_crashed_one_is_kept(
    tmp_path: Path,
) -> None:
    file = tmp_path / "log.sqlite"
    filled(file, 2)
    copy = back_up(file, NOW)
    crashed_after(file, 40)
    done = restore(file, copy, NOW)
    assert names(file) == ["r0", "r1"]
    assert faults_of(file) == ()
    assert done.kept is not None
    assert len(names(done.kept / file.name)) == 40
    assert copy.exists()


def test_a_logbook_that_somebody_has_open_is_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "log.sqlite"
    filled(file, 1)
    copy = back_up(file, NOW)
    filled(file, 3)
    with open_logbook(file) as logbook, pytest.raises(LogbookError, match="in use"):
        logbook.benches()  # its connection is back in the pool, and open
        restore(file, copy, NOW)
    assert names(file) == ["r0", "r1", "r2"]
    assert [p.name for p in file.parent.glob("log.sqlite.*")] == []


def test_no_program_opens_a_logbook_while_it_is_exchanged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "log.sqlite"
    filled(file, 1)
    copy = back_up(file, NOW)
    refused = []

    def try_to_read(*_: object) -> None:
        with closing(sqlite3.connect(file, timeout=0)) as connection:
            try:
                connection.execute("select count(*) from run")
            except sqlite3.OperationalError as error:
                refused.append(str(error))

    real = os.link
    monkeypatch.setattr(os, "link", lambda a, b: (try_to_read(), real(a, b)))
    restore(file, copy, NOW)
    assert refused and all("locked" in r for r in refused)


@pytest.mark.parametrize("damage", ["half", "noise", "no logbook", "gone"])
def test_a_copy_that_is_not_whole_is_refused_and_nothing_is_changed(tmp_path: Path, damage: str) -> None:
    file = tmp_path / "log.sqlite"
    filled(file, 3)
    copy = back_up(file, NOW)
    content = copy.read_bytes()
    match damage:
        case "half":
            copy.write_bytes(content[: len(content) // 2])
        case "noise":
            copy.write_bytes(content[:4096] + bytes(b ^ 0x5A for b in content[4096:]))
        case "no logbook":
            copy.unlink()
            with closing(sqlite3.connect(copy)) as other:
                other.execute("create table recipe (name)")
        case _:
            copy.unlink()
    with pytest.raises(LogbookError):
        restore(file, copy, NOW)
    assert names(file) == ["r0", "r1", "r2"]
    left = sorted(p.name for p in (tmp_path / "backups").iterdir() if p.suffix != ".sha256")
    assert left == ([copy.name] if copy.exists() else [])


def test_a_bit_that_turned_inside_a_copys_data_is_found_although_sqlite_sees_nothing(tmp_path: Path) -> None:
    file = tmp_path / "log.sqlite"
    filled(file, 3)
    copy = back_up(file, NOW)
    content = copy.read_bytes()
    at = content.rindex(b"tin")
    copy.write_bytes(content[:at] + b"tim" + content[at + 3 :])
    assert faults_of(copy) == ()
    with pytest.raises(LogbookError, match="no longer what it was"):
        restore(file, copy, NOW)
    moved = tmp_path / "moved.sqlite"
    moved.write_bytes(content)
    assert restore(file, moved, NOW).kept is not None


def test_the_newest_copy_that_is_whole_is_taken(tmp_path: Path) -> None:
    file = tmp_path / "log.sqlite"
    filled(file, 1)
    first, second = back_up(file, NOW), back_up(file, NOW + timedelta(hours=1))
    assert newest_whole(file) == second
    second.write_bytes(second.read_bytes()[:5000])
    assert newest_whole(file) == first
    first.unlink()
    with pytest.raises(LogbookError, match="none of the 1 copies is whole"):
        newest_whole(file)
    second.unlink()
    with pytest.raises(NotFound):
        newest_whole(file)


def test_a_restore_killed_at_any_step_leaves_the_old_logbook_or_the_copy_and_never_a_mixture(
    tmp_path: Path,
) -> None:
    """Killed before or after every change that it makes to the disk."""
    made = tmp_path / "made" / "log.sqlite"
    made.parent.mkdir()
    filled(made, 2)
    back_up(made, NOW)
    crashed_after(made, 40)
    code = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "from tests.logbook.test_restoring import NOW, restore, newest_whole\n"
        "left = int(sys.argv[2])\n"
        "def watch(event, args):\n"
        "    global left\n"
        "    if event in ('os.rename', 'os.remove', 'os.link', 'os.mkdir'):\n"
        "        left -= 1\n"
        "        if left < 0: os._exit(9)\n"
        "file = Path(sys.argv[1])\n"
        "copy = newest_whole(file)\n"
        "sys.addaudithook(watch)\n"
        "restore(file, copy, NOW)\n"
    )
    root, steps, outcomes = Path(__file__).parents[2], 0, set()
    while True:
        at = tmp_path / f"step{steps}"
        shutil.copytree(made.parent, at)
        told = [sys.executable, "-c", code, str(at / made.name), str(steps)]
        done = subprocess.run(told, cwd=root, check=False)
        found = len(names(at / made.name))
        assert found in (2, 40), steps
        assert faults_of(at / made.name) == ()
        assert not ready_at(at / made.name).exists()
        outcomes.add(found)
        if done.returncode == 0:
            break
        steps += 1
    assert steps > 6 and outcomes == {2, 40}


def test_what_killed_copies_left_is_cleared_away_by_the_next(tmp_path: Path) -> None:
    file = tmp_path / "log.sqlite"
    filled(file, 1)
    back_up(file, NOW)
    for left in ("log-20310101-000000.sqlite.part", "log-20310101-000000.sqlite.part-journal"):
        (tmp_path / "backups" / left).write_bytes(b"half")
    copy = back_up(file, NOW + timedelta(hours=1))
    assert len(backups_of(file)) == 2
    assert copy in [c for _, c in backups_of(file)]
    assert [p.name for p in (tmp_path / "backups").glob("*part*")] == []


def test_a_new_file_can_be_made_of_a_copy(tmp_path: Path) -> None:
    file = tmp_path / "log.sqlite"
    filled(file, 2)
    copy = back_up(file, NOW)
    other = tmp_path / "other.sqlite"
    assert restore(other, copy, NOW).kept is None
    assert names(other) == ["r0", "r1"]


def test_a_logbook_in_a_folder_with_signs_of_a_pattern_finds_its_copies(tmp_path: Path) -> None:
    file = tmp_path / "bar[1]*.sqlite"
    filled(file, 1)
    copy = back_up(file, NOW)
    assert [c for _, c in backups_of(file)] == [copy]
    engine_for(url_from(file)).dispose()
