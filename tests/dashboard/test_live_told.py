"""What Live says of a drink: whether its probe is believed, whether it landed, how many did, and what can be undone."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from dashboard.live.acts import act
from dashboard.live.room import LiveRoom
from dashboard.live.state_json import rounded
from dashboard.pages.run import body_block, landed_sentence
from dashboard.service import Service
from dashboard.sources import logbook_source
from rig.capture.devices.simulated.device import Pacer, SimulatedDevice, simulated_clock
from rig.errors import RigError
from rig.logbook.store import open_logbook
from rig.runs import PROBE_DOUBT, Run
from rig.session.discarded import discarded
from rig.session.places import recordings_beside
from tests.dashboard.live_drinks import (
    ASKED,
    go,
    made_drink,
    room_at,
    told,
    until,
    until_phase,
)


def _kept(book: Path, name: str) -> Run:
    with open_logbook(book) as logbook:
        return logbook.run("corner", name)


def _landed(room: LiveRoom) -> dict[str, Any]:
    return until(room, lambda state: bool(state["landing"] and state["landing"]["why"]))["landing"]


def test_it_says_whether_it_landed_and_the_kept_run_says_the_same(room: LiveRoom, book: Path) -> None:
    made_drink(room, 10.0)
    landing = _landed(room)
    assert landing["big"] in ("Landed", "Missed")
    assert "foretold" in landing["why"] and "Weighed" in landing["why"]
    act(room, {"act": "keep"})
    kept = told(room)["kept"]
    run = _kept(book, kept["run"])
    assert landing["why"] in kept["landed"]
    assert run.extra["how it landed"] == kept["landed"]
    view = Service(logbook_source(str(book))).view("corner")
    assert landed_sentence(run, view) == kept["landed"]
    assert kept["landed"] in str(body_block(run, view, "light"))


def test_a_drink_without_a_target_is_not_judged(room: LiveRoom) -> None:
    made_drink(room, 2.0, target="")
    assert told(room)["landing"] is None


def test_again_makes_the_same_drink_by_the_same_hands_and_tells_how_many_landed(
    room: LiveRoom, book: Path
) -> None:
    names = []
    for round_ in range(2):
        if round_ == 0:
            room.begin(ASKED | {"operator": "Ada", "session": "Friday"})
        else:
            assert told(room)["kept"]["again"]
            assert act(room, {"act": "again"}) == ""
        go(room, "ready")
        until(room, lambda state: state["moved_s"] >= 10.0)
        go(room, "moving")
        until_phase(room, "done")
        act(room, {"act": "keep"})
        names.append(told(room)["kept"]["run"])
        assert f"of {round_ + 1} landed · Ada · Friday" in told(room)["kept"]["tally"]
    one, two = (_kept(book, name) for name in names)
    assert (one.operator, one.session) == (two.operator, two.session) == ("Ada", "Friday")
    assert (one.set_up, one.recipe, one.target) == (two.set_up, two.recipe, two.target)
    assert one.drink_mass_g != two.drink_mass_g
    landed = sum(r.extra["landed"] == "yes" for r in (one, two))
    assert told(room)["kept"]["tally"].startswith(f"{landed} of 2")


def test_there_is_no_again_before_anything_was_made(room: LiveRoom) -> None:
    with pytest.raises(RigError, match="no drink has been made"):
        room.again()


def test_a_discarded_drink_can_be_brought_back_even_after_a_restart(room: LiveRoom, book: Path) -> None:
    made_drink(room, 3.0)
    act(room, {"act": "discard"})
    (gone,) = told(room)["discarded"]
    assert "night shift" in gone["words"]
    assert told(room)["kept"]["again"]
    with open_logbook(book) as logbook:
        assert all(r.run.trace is None or r.run.session != "simulated" for r in logbook.list_runs("corner"))
    later, _ = room_at(book)
    assert told(later)["discarded"] == [gone]
    assert act(later, {"act": "bring back", "run": gone["run"]}) == ""
    assert told(later)["discarded"] == []
    assert _kept(book, told(later)["kept"]["run"]).duration_s is not None
    with pytest.raises(RigError, match="there is no discarded drink"):
        later.bring_back(gone["run"])


def test_what_was_discarded_is_offered_for_a_day(room: LiveRoom, book: Path) -> None:
    made_drink(room, 1.0)
    act(room, {"act": "discard"})
    folder = recordings_beside(str(book))
    (gone,) = discarded(folder)
    made_s = gone.files.done.with_suffix(".discarded").stat().st_mtime
    assert discarded(folder, made_s + 23 * 3600) != ()
    assert discarded(folder, made_s + 25 * 3600) == ()


@pytest.mark.parametrize(
    ("foam", "stored"),
    [
        ({"foam_ml": "182,5"}, 182.5),
        ({"foam_mm": "60", "glass_mm": "62"}, 181.1),
        ({}, None),
    ],
)
def test_foam_is_kept_with_the_run_or_left_out(
    room: LiveRoom, book: Path, foam: dict[str, str], stored: float | None
) -> None:
    made_drink(room, 2.0)
    assert act(room, {"act": "keep", **foam}) == ""
    found = _kept(book, told(room)["kept"]["run"]).foam_ml
    assert found == (None if stored is None else pytest.approx(stored, abs=0.1))


@pytest.mark.parametrize(
    ("foam", "said"),
    [({"foam_ml": "lots"}, "no number"), ({"foam_mm": "60"}, "how wide"), ({"foam_ml": "-3"}, "negative")],
)
def test_foam_that_cannot_be_loses_no_drink(room: LiveRoom, foam: dict[str, str], said: str) -> None:
    made_drink(room, 1.0)
    with pytest.raises(RigError, match=said):
        act(room, {"act": "keep", **foam})
    assert told(room)["phase"] == "done"


def test_nothing_is_told_as_minus_zero() -> None:
    assert str(rounded(-0.004, 2)) == "0.0"


class Probe:
    """A real pseudo-terminal that sends what it is told to, and falls silent when it is told to."""

    def __init__(self, stack: ExitStack, home: Path) -> None:
        self.reads = lambda s: 22.0
        device = SimulatedDevice(home / "probe", lambda s: [("probe", self.reads(s), "C")], 20.0, board="tin")
        stack.callback(device.close)
        self.pacer = Pacer(device, simulated_clock(1.0))
        self.pacer.start()
        stack.callback(self.pacer.stop)
        self.address = device.address


@pytest.fixture
def probe(tmp_path: Path) -> Iterator[Probe]:
    with ExitStack() as stack:
        yield Probe(stack, tmp_path)


@pytest.fixture
def watched(book: Path, probe: Probe) -> Iterator[LiveRoom]:
    """A room whose only device is that probe, named when the dashboard was started."""
    made = LiveRoom(Service(logbook_source(str(book)), (probe.address,)))
    yield made
    if told(made)["phase"] != "idle":
        made.discard()


HEARD = {k: v for k, v in ASKED.items() if k != "speed"} | {"devices": "heard"}


def _weighed(room: LiveRoom) -> None:
    room.begin(HEARD)
    while (state := until_phase(room, "weighing", "ready", "trouble"))["phase"] == "weighing":
        act(room, {"act": "skip", "step": state["step"]})
    assert state["phase"] == "ready", state


def test_with_none_marked_the_devices_that_were_named_are_heard(watched: LiveRoom, probe: Probe) -> None:
    _weighed(watched)
    recording = watched.live().recording
    assert recording is not None
    assert probe.address in [p.address for p in recording.plan.ports]


def test_a_probe_that_falls_silent_is_told_at_once_and_the_end_has_no_temperature(
    watched: LiveRoom, probe: Probe, book: Path
) -> None:
    _weighed(watched)
    assert until(watched, lambda s: s["trust"]["state"] == "believed")["temp_c"] == pytest.approx(22.0)
    go(watched, "ready")
    until(watched, lambda s: bool(s["call"]["word"]))
    probe.pacer.stop()
    state = until(watched, lambda s: s["trust"]["state"] == "doubted")
    assert "silent" in state["trust"]["words"]
    assert state["temp_c"] is None
    state = until(watched, lambda s: bool(s["call"].get("by_clock")))
    assert "by the clock" in state["call"]["note"]
    low, _, high = state["call"]["temp_c"]
    assert high - low > 0.5
    go(watched, "moving")
    for step in ("empty glass", "strained"):
        until(watched, lambda s, step=step: s["step"] == step)
        act(watched, {"act": "skip", "step": step})
    until_phase(watched, "done")
    landing = until(watched, lambda s: s["landing"]["big"] == "Not known")["landing"]
    assert landing["landed"] is None and "no temperature at the end" in landing["headline"]
    act(watched, {"act": "keep"})
    run = _kept(book, told(watched)["kept"]["run"])
    assert "silent" in run.extra[PROBE_DOUBT]


def test_a_probe_that_speaks_fahrenheit_is_told_until_a_person_says_that_it_is_right(
    watched: LiveRoom, probe: Probe
) -> None:
    probe.reads = lambda s: 32.0 + 1.8 * 22.0
    _weighed(watched)
    state = until(watched, lambda s: s["trust"]["state"] == "doubted")
    assert "as °F" in state["trust"]["words"] and state["trust"]["ask"]
    situation = watched.live().known()
    assert situation is not None and situation.drink_temp_c is None
    assert act(watched, {"act": "believe"}) == ""
    until(watched, lambda s: s["trust"]["state"] == "believed")
    assert until(watched, lambda s: s["temp_c"] is not None)["temp_c"] == pytest.approx(71.6)
