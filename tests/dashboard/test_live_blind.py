"""A blind drink on Live: no screen is told the call or a number before the stop, and the run says that it was blind."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.live.acts import act
from dashboard.live.room import LiveRoom
from dashboard.live.session import Cursor
from rig.logbook.store import open_logbook
from tests.dashboard.live_drinks import ASKED, go, room_at, small_logbook, told, until, until_phase

NUMBERS = ("temp_c", "moved_s")


@pytest.fixture
def book(tmp_path: Path) -> Path:
    return small_logbook(tmp_path)


@pytest.fixture
def room(book: Path) -> Iterator[LiveRoom]:
    room, service = room_at(book)
    yield room
    if told(room)["phase"] != "idle":
        act(room, {"act": "discard"})
    assert service.logbook is not None
    service.logbook.close()


def test_the_call_and_the_numbers_come_after_the_stop_and_the_run_is_marked(
    room: LiveRoom, book: Path
) -> None:
    room.begin(ASKED | {"blind": "yes", "session": "by feel"})
    before = until_phase(room, "ready")
    assert before["hidden"] and before["temp_c"] is None and before["probe"] == []
    go(room, "ready")
    live = room.live()
    until(room, lambda _: len(live.caller.estimates) >= 3)
    state, _, cursor = room.told(None, Cursor())
    assert state["phase"] == "moving"
    assert [state[name] for name in NUMBERS] == [None, None]
    assert state["call"] == {"word": "", "note": "", "waiting": ""}
    assert state["probe"] == [] and state["estimates"] == [] and state["others"] == {}
    go(room, "moving")
    seen, _, _ = room.told(live, cursor)
    until_phase(room, "after", "done")
    seen, _, _ = room.told(live, cursor)
    assert not seen["hidden"] and len(seen["probe"]) > 10 and len(seen["estimates"]) >= 3
    assert seen["moved_s"] > 0.0
    done = until(room, lambda s: s["phase"] == "done" and s["landing"] is not None and s["landing"]["big"])
    assert done["said"].startswith("stopped by feel after ") or done["said"]
    act(room, {"act": "keep"})
    kept = told(room)["kept"]
    assert kept["by_feel"]["practise"].startswith("2 more blind stops")
    with open_logbook(book) as logbook:
        assert logbook.run("corner", kept["run"]).is_blind


def test_a_guided_drink_is_not_marked(room: LiveRoom, book: Path) -> None:
    room.begin(ASKED)
    go(room, "ready")
    until(room, lambda state: (state["moved_s"] or 0.0) >= 3.0)
    go(room, "moving")
    until_phase(room, "done")
    act(room, {"act": "keep"})
    kept = told(room)["kept"]
    assert kept["by_feel"] is None
    with open_logbook(book) as logbook:
        assert not logbook.run("corner", kept["run"]).is_blind
