"""Put a copy in the place of a logbook: the copy is checked first, what was there is kept, and nobody is inside.

A copy simply laid over the file would be ruined by what a crash left written ahead beside it: SQLite plays that back
into whatever file has the name. So the old file and all beside it are kept first, then cleared away, then the checked
copy takes the name. From the moment at which all is ready, `FILE.restoring` is there; cut short after that, the
next one to open the logbook finishes it.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from rig.errors import LogbookError, NotFound
from rig.logbook.copies import BACKUPS, backups_of, faults_of, has_changed, sides_of, sync, whole_copy
from rig.logbook.holding import held_alone


@dataclass(frozen=True)
class Restored:
    """What was done: the copy that is the logbook now, and the folder that holds what was there before, if any."""

    copy: Path
    kept: Path | None


def restore(file: Path, copy: Path, now: datetime) -> Restored:
    """Make a copy the logbook at `file`; the copy stays where it is.

    Raises
    ------
    LogbookError
        The copy is damaged or no logbook; the logbook is in use; there is no room. Nothing is changed then.
    """
    _check(copy)
    with held_alone(file):
        return _exchange(file, copy, now)


def newest_whole(file: Path) -> Path:
    """The newest copy of a logbook that is whole.

    Raises
    ------
    NotFound, LogbookError
        There is no copy; none is whole.
    """
    copies = [copy for _, copy in reversed(backups_of(file))]
    if not copies:
        raise NotFound("copy of the logbook in", str(file.parent / BACKUPS), ())
    for copy in copies:
        with suppress(LogbookError):
            _check(copy)
            return copy
    raise LogbookError(
        f"{file.parent / BACKUPS}: none of the {len(copies)} copies is whole. Name one from elsewhere"
    )


def finish_restoring(file: Path) -> None:
    """Finish a restore that was cut short after all was ready; nothing where there was none.

    Raises
    ------
    LogbookError
        Where another program is restoring right now.
    """
    if ready_at(file).exists():
        with held_alone(file):
            _take_place(file)


def ready_at(file: Path) -> Path:
    """Where a checked copy stands that is about to take a logbook's place."""
    return file.with_name(f"{file.name}.restoring")


def _check(copy: Path) -> None:
    if not copy.is_file():
        raise LogbookError(
            f"{copy}: there is no such file. chillrig restore --list shows the copies there are"
        )
    if has_changed(copy):
        raise LogbookError(f"{copy}: this copy is no longer what it was when it was made. Choose another one")
    faults = faults_of(copy)
    if faults:
        raise LogbookError(f"{copy}: this copy is damaged: {faults[0]}. Choose another one")
    try:
        with closing(sqlite3.connect(f"{copy.absolute().as_uri()}?mode=ro", uri=True)) as connection:
            connection.execute("select max(version) from schema_version").fetchone()
            connection.execute("select count(*) from run").fetchone()
    except sqlite3.Error as error:
        raise LogbookError(f"{copy}: this is no logbook. Choose another one") from error


def _exchange(file: Path, copy: Path, now: datetime) -> Restored:
    fresh = file.with_name(f"{file.name}.fresh")
    whole_copy(copy, fresh)
    kept = _keep(file, now)
    try:
        fresh.replace(ready_at(file))
        sync(file.parent)
        _take_place(file)
    except OSError as error:
        raise LogbookError(
            f"{file}: it cannot be replaced: {error.strerror}. See the rights of its folder"
        ) from error
    return Restored(copy, kept)


def _keep(file: Path, now: datetime) -> Path | None:
    """Keep a logbook's file and all beside it, as they are, in a folder of their own."""
    there = [part for part in (file, *sides_of(file)) if part.exists()]
    if not there:
        return None
    kept = file.parent / BACKUPS / f"replaced-{now:%Y%m%d-%H%M%S-%f}"
    try:
        kept.mkdir(parents=True)
        for part in there:
            try:
                os.link(part, kept / part.name)  # needs no room, and no more than a moment
            except OSError:
                shutil.copy2(part, kept / part.name)
                sync(kept / part.name)
        sync(kept)
    except OSError as error:
        shutil.rmtree(kept, ignore_errors=True)
        raise LogbookError(
            f"{kept}: the old logbook cannot be kept there: {error.strerror}. Free some space"
        ) from error
    return kept


def _take_place(file: Path) -> None:
    for side in sides_of(file):
        with suppress(FileNotFoundError):
            side.unlink()
    sync(file.parent)
    with suppress(FileNotFoundError):  # another one finished it
        ready_at(file).replace(file)
    sync(file.parent)
