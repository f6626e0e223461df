"""The units that a user wants answers in, kept in a small file of their own beside the logbook."""

from __future__ import annotations

from pathlib import Path

from rig.answer_units import LAB_UNITS, AnswerUnits, answer_units
from rig.errors import RigError
from rig.session.places import data_folder, make_folder

UNITS_FILE = "units.txt"


def kept_units() -> AnswerUnits:
    """The units kept; the lab's where none are, or where the file cannot be understood."""
    try:
        return answer_units(_file().read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, RigError):
        return LAB_UNITS


def keep_units(units: AnswerUnits) -> Path:
    """Keep these units for the command line and every browser that has chosen none; the file they are in.

    Raises
    ------
    RigError
        Where the file cannot be written.
    """
    file = _file()
    make_folder(file.parent)
    try:
        file.write_text(f"{units}\n", encoding="utf-8")
    except OSError as error:
        raise RigError(f"the units cannot be kept in {file}: {error.strerror}") from error
    return file


def _file() -> Path:
    return data_folder() / UNITS_FILE
