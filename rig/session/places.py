"""Where a user's own data are: the logbook's file, and the recordings beside it."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from rig.errors import RigError

LOGBOOK_FILE, RECORDINGS, UPLOADS = "logbook.sqlite", "recordings", "uploads"


def data_folder() -> Path:
    """The folder for a user's own data, by the XDG Base Directory Specification; not created here."""
    told = os.environ.get("XDG_DATA_HOME") or (
        os.environ.get("LOCALAPPDATA") if sys.platform == "win32" else None
    )
    return (Path(told) if told else Path.home() / ".local" / "share") / "chillrig"


def logbook_at(told: str | None) -> str:
    """The logbook asked for, or the user's own file."""
    return told or str(data_folder() / LOGBOOK_FILE)


def new_logbook_at(told: str | None) -> str:
    """The logbook asked for, or the user's own file, whose folder is made where it is missing.

    Raises
    ------
    RigError
        Where that folder cannot be made.
    """
    if told is None:
        make_folder(data_folder())
    return logbook_at(told)


def make_folder(folder: Path) -> None:
    """Make the folder that a logbook or page goes into, with those above it.

    Raises
    ------
    RigError
        Where it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RigError(f"the folder {folder} cannot be made: {error.strerror}") from error


def recordings_beside(logbook: str) -> Path:
    """Where journals are kept: beside a logbook that is a file, else in the user's own folder."""
    return _beside(logbook) / RECORDINGS


def uploads_beside(logbook: str) -> Path:
    """Where files that a browser sends arrive, likewise."""
    return _beside(logbook) / UPLOADS


def _beside(logbook: str) -> Path:
    return data_folder() if "://" in logbook else Path(logbook).parent
