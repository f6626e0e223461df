"""A logbook with the small bench, a room to record in, and ways to wait for what a session does."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from dashboard.live.acts import act
from dashboard.live.room import LiveRoom
from dashboard.live.session import Cursor
from dashboard.service import Service
from dashboard.sources import logbook_source
from rig.logbook.store import open_logbook
from tests.cli.small_bench import small_book
from tests.shared_fits import keep_fit

PATIENCE_S = 120.0
"""An upper bound for a busy machine, never a measure of speed."""
ASKED = {"bench": "corner", "target": "coupe", "seed": "3", "speed": "15", "devices": "simulated"}


def small_logbook(home: Path) -> Path:
    """A logbook with the small bench; its fit is made once and kept in every one of them."""
    file = home / "bar.sqlite"
    with open_logbook(file) as logbook:
        logbook.add(small_book(), "corner", "made for a test")
        keep_fit(logbook, "corner")
    return file


def room_at(file: Path) -> tuple[LiveRoom, Service]:
    service = Service(logbook_source(str(file)))
    return LiveRoom(service), service


def told(room: LiveRoom) -> dict[str, Any]:
    """What a screen that has just been opened is told."""
    return room.told(None, Cursor())[0]


def until(room: LiveRoom, true_of: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
    """What is told as soon as it is so."""
    ends_s = time.monotonic() + PATIENCE_S
    while not true_of(state := told(room)):
        assert time.monotonic() < ends_s, state
        room.news.wait(room.news.count, 0.05)
    return state


def until_phase(room: LiveRoom, *phases: str) -> dict[str, Any]:
    return until(room, lambda state: state["phase"] in phases)


def go(room: LiveRoom, phase: str) -> None:
    until_phase(room, phase)
    assert act(room, {"act": "go", "phase": phase}) == ""


def made_drink(room: LiveRoom, moved_s: float = 8.0, **asked: str) -> dict[str, Any]:
    """A simulated drink up to the question whether to keep it."""
    room.begin(ASKED | asked)
    go(room, "ready")
    until(room, lambda state: state["moved_s"] >= moved_s)
    go(room, "moving")
    return until_phase(room, "done")
