"""Drinks that were discarded: set aside with a mark, so that they can be brought back for a day."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from rig.capture.recording.journal import JournalTail
from rig.capture.recording.recorder_files import DONE, Files
from rig.errors import LogbookError

MARK = ".discarded"
KEPT_S = 24 * 3600.0
"""So long a discarded drink is offered again [s]; its journal stays in `done/` for good."""


@dataclass(frozen=True)
class Discarded:
    """A discarded recording, and in words which."""

    files: Files
    words: str


def discard(files: Files) -> None:
    """Leave a recording out of the logbook; its journal is set aside, not deleted."""
    files.set_done()
    _mark(files).touch()


def discarded(folder: Path, now_s: float | None = None) -> tuple[Discarded, ...]:
    """What was discarded below a folder within the last day, the latest first; `now_s` as `time.time` has it."""
    now = time.time() if now_s is None else now_s
    marks = sorted((folder / DONE).glob(f"*{MARK}"), key=lambda m: m.stat().st_mtime, reverse=True)
    found = []
    for mark in marks:
        files = Files(folder, mark.name.removesuffix(MARK))
        if now - mark.stat().st_mtime < KEPT_S and files.done.exists():
            found.append(Discarded(files, _words(files)))
    return tuple(found)


def take_back(files: Files) -> None:
    """Make a discarded recording one that can be taken in again.

    Raises
    ------
    LogbookError
        Where its journal is gone, or cannot be moved.
    """
    try:
        files.done.rename(files.journal)
        _mark(files).unlink(missing_ok=True)
    except OSError as error:
        raise LogbookError(
            f"{files.done}: it cannot be brought back: {error.strerror}. See whether the file is there"
        ) from error


def _mark(files: Files) -> Path:
    return files.done.with_name(f"{files.run}{MARK}")


def _words(files: Files) -> str:
    tail = JournalTail(files.done)
    tail.poll()
    header = tail.header
    if header is None:
        return files.run
    run = header.meta.get("run", {})
    named = [str(run[k]) for k in ("recipe", "technique") if run.get(k)]
    return f"{', '.join(named) or files.run}, {header.utc.astimezone():%H:%M}"
