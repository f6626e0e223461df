"""A drink recorded through the session that all pages share: real pseudo-terminals, the real recorder process."""

from __future__ import annotations

import json
import os
import signal
from pathlib import Path
from typing import Any

import pytest

from dashboard.live.acts import act
from dashboard.live.room import LiveRoom, is_recording
from dashboard.live.session import Cursor
from dashboard.live.stream import Teller, heard
from rig.capture.recording.process import interrupted_runs
from rig.errors import NotFound, RigError
from rig.logbook.store import open_logbook
from rig.session.places import recordings_beside
from rig.session.simulated_drink import SIMULATED_BECAUSE
from tests.dashboard.live_drinks import (
    ASKED,
    go,
    made_drink,
    room_at,
    told,
    until,
    until_phase,
)


def test_a_drink_goes_from_weigh_in_to_a_run_in_the_logbook(room: LiveRoom, book: Path) -> None:
    state = made_drink(room)
    assert [s["state"] for s in state["steps"]] == ["weighed"] * len(state["steps"])
    assert act(room, {"act": "keep", "text": "rather short"}) == ""
    kept = told(room)
    assert kept["phase"] == "idle"
    with open_logbook(book) as logbook:
        run = logbook.run("corner", kept["kept"]["run"])
    assert run.notes == "rather short"
    assert run.duration_s == pytest.approx(state["moved_s"], abs=0.2)
    masses = {s["name"]: s["mass_g"] for s in state["steps"]}
    assert run.ice_mass_g == masses["ice"]
    assert run.strained_mass_g == masses["strained"]
    assert run.trace is not None
    assert run.trace.probe_c is not None
    assert run.target == "coupe"


def test_a_simulated_drink_is_seen_among_the_runs_and_never_fitted(room: LiveRoom, book: Path) -> None:
    made_drink(room, 2.0)
    act(room, {"act": "keep", "text": ""})
    with open_logbook(book) as logbook:
        run = logbook.run("corner", told(room)["kept"]["run"])
        assert run.excluded_because == SIMULATED_BECAUSE
        assert run not in logbook.book("corner").used_runs()


def test_the_call_counts_down_and_its_window_is_told(room: LiveRoom) -> None:
    room.begin(ASKED | {"speed": "2"})
    go(room, "ready")
    first = until(room, lambda state: bool(state.get("call", {}).get("word")))
    assert first["target"] == {
        "name": "coupe",
        "temp_c_max": -1.0,
        "temp_c_min": None,
        "dilution_pct": [25.0, 45.0],
    }
    later = until(room, lambda state: state["call"]["word"] == "stop")
    assert later["call"]["left_s"] <= 0.0
    # on a busy computer the first estimate may come when the moment has
    assert later["moved_s"] >= first["moved_s"]
    low, middle, high = later["call"]["temp_c"]
    assert low <= middle <= high <= 2.0


def test_a_page_opened_later_is_told_all_and_then_only_what_is_new(room: LiveRoom) -> None:
    room.begin(ASKED)
    go(room, "ready")
    until(room, lambda state: state["moved_s"] > 1.0)
    state, live, cursor = room.told(None, Cursor())
    assert state["begin"] is True
    assert len(state["probe"]) > 10
    more, same, after = room.told(live, cursor)
    assert more["begin"] is False
    assert same is live
    assert len(more["probe"]) == after.probe - cursor.probe < len(state["probe"])
    times = [t for t, _ in state["probe"] + more["probe"]]
    assert times == sorted(set(times))


def test_two_screens_that_press_at_once_do_one_thing(room: LiveRoom) -> None:
    room.begin(ASKED)
    go(room, "ready")
    assert "gone on" in act(room, {"act": "go", "phase": "ready"})
    assert told(room)["phase"] == "moving"


def test_the_motion_sensor_starts_what_nobody_started(room: LiveRoom) -> None:
    room.begin(ASKED)
    until_phase(room, "ready")
    session = room.live().session
    assert session is not None
    assert session.hands is not None
    session.hands.start()
    assert until_phase(room, "moving")["said"] == "started by the motion sensor"


def test_a_step_can_be_left_out_once(room: LiveRoom) -> None:
    room.begin(ASKED | {"speed": "1"})
    step = until_phase(room, "weighing")["step"]
    assert act(room, {"act": "skip", "step": step}) == ""
    assert "gone on" in act(room, {"act": "skip", "step": step})
    assert told(room)["steps"][0]["state"] == "left out"


def test_a_discarded_drink_is_in_no_logbook_and_not_lost(room: LiveRoom, book: Path) -> None:
    made_drink(room, 1.0)
    assert act(room, {"act": "discard"}) == ""
    with open_logbook(book) as logbook:
        runs = len(logbook.list_runs("corner"))
        folder = recordings_beside(logbook.where)
    assert runs == 15
    assert len(list((folder / "done").glob("*.ndjson"))) == 1
    assert interrupted_runs(folder) == ()


def test_a_recorder_that_dies_loses_nothing_and_can_still_be_kept(room: LiveRoom, book: Path) -> None:
    room.begin(ASKED)
    go(room, "ready")
    until(room, lambda state: state["moved_s"] > 4.0)
    recording = room.live().recording
    assert recording is not None
    os.kill(recording.pid, signal.SIGKILL)
    state = until_phase(room, "done")
    assert "stopped by itself" in state["trouble"]
    assert act(room, {"act": "keep"}) == ""
    with open_logbook(book) as logbook:
        run = logbook.run("corner", told(room)["kept"]["run"])
    assert run.trace is not None
    assert run.trace.time_s[-1] > 1.0  # how far a busy machine had read by then is not what is tested


def test_what_an_interruption_left_is_offered_at_the_next_start(book: Path) -> None:
    first, _ = room_at(book)
    made_drink(first, 2.0)
    first.live().end()  # and the program is gone before anybody could keep it
    second, _ = room_at(book)
    left = told(second)["interrupted"]
    assert len(left) == 1
    with pytest.raises(NotFound, match="interrupted recording"):
        act(second, {"act": "recover", "run": "../elsewhere"})
    assert act(second, {"act": "recover", "run": left[0]["run"]}) == ""
    state = told(second)
    assert state["interrupted"] == []
    with open_logbook(book) as logbook:
        assert logbook.run("corner", state["kept"]["run"]).trace is not None


def test_without_a_run_to_fit_the_call_says_that_it_rests_on_what_is_usual(tmp_path: Path) -> None:
    from rig.runs import RunBook
    from tests.cli.small_bench import small_book

    file = tmp_path / "new.sqlite"
    with open_logbook(file) as logbook:
        logbook.add(RunBook(small_book().bench, ()), "corner", "made for a test")
    room, _ = room_at(file)
    room.begin(ASKED | {"speed": "4"})
    ready = until(room, lambda state: "rests on" in state.get("call", {}).get("waiting", ""))
    assert "no run of this set-up" in ready["call"]["waiting"]
    go(room, "ready")
    moving = until(room, lambda state: bool(state["call"]["word"]))
    assert "wide bands" in moving["call"]["note"] or "does not look like" in moving["call"]["note"]
    room.discard()


def test_a_second_drink_waits_for_the_first(room: LiveRoom, book: Path) -> None:
    room.begin(ASKED)
    until_phase(room, "weighing")
    with pytest.raises(RigError, match="already"):
        room.begin(ASKED)
    with open_logbook(book) as logbook:
        assert is_recording(recordings_beside(logbook.where))


@pytest.mark.parametrize(
    ("wrong", "said"),
    [({"ice": "gravel"}, "gravel"), ({"bench": "cellar"}, "cellar"), ({"speed": "1000"}, "speed")],
)
def test_what_is_not_on_the_bench_is_not_begun(room: LiveRoom, wrong: dict[str, str], said: str) -> None:
    with pytest.raises(RigError, match=said):
        room.begin(ASKED | wrong)
    assert told(room)["phase"] == "idle"


def test_devices_that_are_not_there_are_told_and_one_can_choose_again(room: LiveRoom) -> None:
    room.begin(ASKED | {"devices": "heard"})
    state = until_phase(room, "trouble")
    assert "nothing to record from" in state["trouble"]
    assert act(room, {"act": "clear"}) == ""
    assert told(room)["phase"] == "idle"


def test_events_are_those_of_the_standard_and_each_says_only_what_is_new(room: LiveRoom) -> None:
    room.begin(ASKED)
    events = heard(Teller(room), watching=True)
    first, *others = (next(events) for _ in range(4))
    for event in (first, *others):
        assert event.endswith("\n\n")
        assert event.startswith((":", "data: "))
    values: dict[str, Any] = json.loads(first.removeprefix("data: "))
    assert values["begin"] is True
    assert values["watching"] is True
