"""What a page asks of the drink under way, and the room does."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboard.live.room import LiveRoom
from rig.errors import RigError
from rig.physics.foam import straight_glass_ml

FOAM = ("foam_ml", "foam_mm", "glass_mm")
REMOTE = ("go", "skip")
"""What a remote asks for: the one thing the moment is there for, or to leave a weighing out."""


def foam_ml_of(volume_ml: float | None, height_mm: float | None, width_mm: float | None) -> float | None:
    """The whole drink's volume, foam and all [ml]: as read, or from its height in a straight glass; None where unread.

    Raises
    ------
    RigError
        A height without the glass's width.
    """
    if volume_ml is not None or height_mm is None:
        return volume_ml
    if width_mm is None:
        raise RigError(
            "a height says nothing without the glass: write how wide it is inside, or leave both empty"
        )
    return straight_glass_ml(height_mm, width_mm)


Acted = Mapping[str, Any]


def act(room: LiveRoom, told: Acted) -> str:
    """Do what a page asks for; words for who asked, empty where it was done.

    Raises
    ------
    RigError
        It cannot be done.
    """
    text = {k: str(told.get(k, ""))[:500] for k in ("act", "phase", "step", "text", "run", *FOAM)}
    late = "the drink has gone on meanwhile: look again"
    match text["act"]:
        case "begin":
            room.begin(told.get("asked") or {})
        case "go":
            return "" if room.live().act(text["phase"]) else late
        case "skip":
            return "" if room.live().skip(text["step"]) else late
        case "mark":
            return "" if room.live().mark(text["text"]) else "nothing was written"
        case "end":
            room.live().finish()
        case "keep":
            room.keep(text["text"], foam_ml_of(*(_number(text[k]) for k in FOAM)))
        case "again":
            room.again()
        case "believe":
            return "" if room.live().believe() else late
        case "bring back":
            room.bring_back(text["run"])
        case "discard":
            room.discard()
        case "recover":
            room.recover(text["run"])
        case "set aside":
            room.set_aside(text["run"])
        case "clear":
            room.clear()
        case "remotes":
            room.let_remotes(told.get("allowed") is True)
        case _:
            raise RigError("the page asked for something that is not known here. Load it again")
    return ""


def _number(text: str) -> float | None:
    """A number as it was typed, with a point or a comma; None where nothing was."""
    if not text.strip():
        return None
    try:
        return float(text.strip().replace(",", "."))
    except ValueError as error:
        raise RigError(
            f"{text.strip()[:40]!r} is no number. Write the volume in ml, or leave it empty"
        ) from error
