"""Copies of a logbook's file: made while it is in use, checked, and listed."""

from __future__ import annotations

import hashlib
import os
import sqlite3
from contextlib import closing, suppress
from datetime import datetime
from pathlib import Path

from rig.errors import LogbookError

BACKUPS = "backups"
POSTGRES_WORDS = (
    "This logbook lives in PostgreSQL, which is copied by its own tool on the computer that runs it: "
    "pg_dump --format=custom --file=chillrig.dump followed by the name of the database; "
    "pg_restore brings it back. Ask for it every night, and keep one copy elsewhere."
)
_STAMP = "%Y%m%d-%H%M%S"
_PART = ".part"


def backups_of(file: Path) -> list[tuple[datetime, Path]]:
    """The copies made of a logbook's file, the oldest first."""
    found = []
    folder = file.parent / BACKUPS
    for copy in folder.iterdir() if folder.is_dir() else ():
        try:
            form = f"{_literal(file.stem)}-{_STAMP}{_literal(file.suffix)}"
            made = datetime.strptime(copy.name, form).astimezone()
        except ValueError:
            continue  # somebody's own file
        if copy.is_file():
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
            found += [
                f"a row of {row[0]} points to a row of {row[2]} that is not there"
                for row in connection.execute("pragma foreign_key_check")
            ]
    except sqlite3.Error as error:
        raise LogbookError(
            f"{file}: it cannot be checked: {error}. Restore a copy: chillrig restore"
        ) from error
    return tuple(f for f in found if f != "ok")


def back_up(file: Path, now: datetime) -> Path:
    """Copy a logbook that is in use, and check the copy; it counts only once it is whole.

    By SQLite's online backup, which waits for no writer (sqlite.org/backup.html). What a copy that was cut short
    left behind is cleared away first.

    Raises
    ------
    LogbookError
        Where the copy cannot be made, or is not whole.
    """
    folder = file.parent / BACKUPS
    copy = folder / f"{file.stem}-{now.strftime(_STAMP)}{file.suffix}"
    try:
        folder.mkdir(exist_ok=True)
        _clear_parts(folder, file)
    except OSError as error:
        raise LogbookError(
            f"{folder}: no copy can be made there: {error.strerror}. See its rights"
        ) from error
    whole_copy(file, copy)
    try:
        _digest_file(copy).write_text(f"{_digest(copy)}  {copy.name}\n", encoding="utf-8")
    except OSError as error:
        raise LogbookError(
            f"{folder}: the copy's digest cannot be kept: {error.strerror}. Free some space"
        ) from error
    return copy


def has_changed(copy: Path) -> bool:
    """Whether a copy is no longer what it was when it was made; False where nobody kept its digest.

    SQLite's own check sees only the structure: a bit that turned inside a text or a reading passes it.
    """
    kept = _digest_file(copy)
    return kept.is_file() and kept.read_text(encoding="utf-8", errors="replace").split(" ")[0] != _digest(
        copy
    )


def _digest_file(copy: Path) -> Path:
    return copy.with_name(f"{copy.name}.sha256")


def _digest(path: Path) -> str:
    with path.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()


def whole_copy(source: Path, copy: Path) -> None:
    """Put a checked copy of a SQLite file, and of what was written ahead of it, at `copy`, as one file on disk.

    Raises
    ------
    LogbookError
        Where it cannot be made, or is not whole; nothing is at `copy` then.
    """
    part = copy.with_name(copy.name + _PART)
    try:
        with (
            closing(sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True)) as old,
            closing(sqlite3.connect(part)) as new,
        ):
            old.backup(new)
            new.execute("pragma journal_mode=delete")
        faults = faults_of(part)
        if faults:
            raise LogbookError(f"{source}: the copy is not whole: {faults[0]}. Try another one")
        sync(part)
        part.replace(copy)
        sync(copy.parent)
    except (sqlite3.Error, OSError) as error:
        raise LogbookError(
            f"{copy.parent}: no copy of {source.name} can be made there: {error}. Free some space, or see its rights"
        ) from error
    finally:
        for left in _with_sides(part):
            with suppress(OSError):
                left.unlink()


def sync(path: Path) -> None:
    """Have the disk itself take a file or a folder's list of files; where a system cannot, it need not."""
    with suppress(OSError):
        fd = os.open(path, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)


def sides_of(file: Path) -> tuple[Path, ...]:
    """What SQLite keeps beside a file: what was written ahead, its index, and what would undo a change."""
    return tuple(file.with_name(file.name + end) for end in ("-wal", "-shm", "-journal"))


def _with_sides(file: Path) -> tuple[Path, ...]:
    return file, *sides_of(file)


def _clear_parts(folder: Path, file: Path) -> None:
    for left in folder.iterdir():
        if left.name.startswith(f"{file.stem}-") and _PART in left.name:
            with suppress(OSError):
                left.unlink()


def _literal(text: str) -> str:
    return text.replace("%", "%%")
