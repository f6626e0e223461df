"""The logbook's own health: how large, whether whole, when last copied; and a copy made while it is in use."""

from __future__ import annotations

import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from rig.errors import LogbookError
from rig.logbook.store import Logbook

BACKUPS = "backups"
_STAMP = "%Y%m%d-%H%M%S"
POSTGRES_WORDS = (
    "This logbook lives in PostgreSQL, which is copied by its own tool on the computer that runs it: "
    "pg_dump --format=custom --file=chillrig.dump followed by the name of the database; "
    "pg_restore brings it back. Ask for it every night, and keep one copy elsewhere."
)


@dataclass(frozen=True)
class Health:
    """What is known of a logbook without reading all of it; `size_bytes` is None where it is no file."""

    where: str
    size_bytes: int | None
    benches: int
    runs: int
    last_backup: datetime | None


def file_of(logbook: Logbook) -> Path | None:
    """The logbook's file; None where it lives in a database server."""
    return None if "://" in logbook.where else Path(logbook.where)


def health_of(logbook: Logbook) -> Health:
    """Look at a logbook."""
    file, benches = file_of(logbook), logbook.benches()
    copies = [] if file is None else backups_of(file)
    # what was written ahead and is not in the file yet takes room too
    parts = [] if file is None else [p for p in (file, file.with_name(f"{file.name}-wal")) if p.exists()]
    return Health(
        logbook.where,
        None if file is None else sum(p.stat().st_size for p in parts),
        len(benches),
        sum(b.runs for b in benches),
        copies[-1][0] if copies else None,
    )


def backups_of(file: Path) -> list[tuple[datetime, Path]]:
    """The copies made of a logbook's file, the oldest first."""
    found = []
    for copy in (file.parent / BACKUPS).glob(f"{file.stem}-*{file.suffix}"):
        try:
            made = datetime.strptime(copy.stem.removeprefix(f"{file.stem}-"), _STAMP).astimezone()
        except ValueError:
            continue  # somebody's own file
        found.append((made, copy))
    return sorted(found)


def faults_of(file: Path) -> tuple[str, ...]:
    """What SQLite's own check finds wrong in a file; nothing where all is well.

    Raises
    ------
    LogbookError
        Where it cannot be read at all.
    """
    try:
        with closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True)) as connection:
            found = [str(row[0]) for row in connection.execute("pragma integrity_check(20)")]
    except sqlite3.Error as error:
        raise LogbookError(f"{file}: it cannot be checked: {error}. Restore a copy") from error
    return tuple(f for f in found if f != "ok")


def back_up(file: Path, now: datetime) -> Path:
    """Copy a logbook that is in use, and check the copy; it counts only once it is whole.

    By SQLite's online backup, which waits for no writer (sqlite.org/backup.html).

    Raises
    ------
    LogbookError
        Where the copy cannot be made, or is not whole.
    """
    folder = file.parent / BACKUPS
    copy = folder / f"{file.stem}-{now.strftime(_STAMP)}{file.suffix}"
    fresh = copy.with_suffix(".part")
    try:
        folder.mkdir(exist_ok=True)
        with closing(sqlite3.connect(file)) as source, closing(sqlite3.connect(fresh)) as target:
            source.backup(target)
        faults = faults_of(fresh)
        if faults:
            raise LogbookError(f"{file}: the copy is not whole: {faults[0]}. Try again, or on another disk")
        fresh.replace(copy)
    except (sqlite3.Error, OSError) as error:
        raise LogbookError(
            f"{folder}: no copy can be made there: {error}. Free some space, or see its rights"
        ) from error
    finally:
        with suppress(OSError):
            fresh.unlink()
    return copy
