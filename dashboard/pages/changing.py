"""A button that changes something on a bench: who may, what is said of it, and what is then shown anew."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from dash import no_update
from flask import request

from dashboard.controls import notice
from dashboard.headers import GUEST
from dashboard.service import Service
from rig.errors import RigError
from rig.logbook.editing import undo_step
from rig.logbook.store import Logbook

NO_LOGBOOK = (
    "This bench is a folder: change its bench.toml, or bring the folder into the logbook (chillrig import DIR) and "
    "change it here."
)
ONLY_HERE = "A bench is changed on the computer that shares this."


def open_logbook_of(service: Service) -> Logbook:
    """The logbook, where somebody may write to it from here.

    Raises
    ------
    RigError
        Where nobody may.
    """
    logbook = service.logbook
    if logbook is None or request.environ.get(GUEST):
        raise RigError((NO_LOGBOOK if logbook is None else ONLY_HERE).rstrip("."))
    return logbook


def pressed(
    clicks: Any,
    service: Service,
    kept: Any,
    make: Callable[[Logbook, str], Any],
    shown: Callable[[Logbook, str], tuple[Any, ...]],
    outputs: int,
) -> tuple[Any, ...]:
    """What such a button gives to the outputs of its callback: what is said first, then what is shown anew.

    `make` changes the bench of that name and says so, in words or as a block; `shown` makes the other outputs after
    that. Where it cannot be, that is said and all else stays.
    """
    if not clicks:
        return (no_update,) * outputs
    try:
        logbook = open_logbook_of(service)
        bench = service.chosen(None if kept is None else str(kept))
        said = make(logbook, bench)
    except RigError as error:
        return notice(f"Nothing was changed: {str(error).rstrip('.')}."), *(no_update,) * (outputs - 1)
    return (notice(said, "know") if isinstance(said, str) else said), *shown(logbook, bench)


def taken_back(logbook: Logbook, bench: str) -> str:
    """Undo: take back the last step on a bench; what to say of it."""
    taken = undo_step(logbook, bench)
    return f"Taken back: {taken.words} ({taken.why})."
