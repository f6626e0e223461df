"""Which devices a drink is recorded from, and what of them a screen is told: real pseudo-terminals, a real recorder."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import ExitStack, closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboard.live.acts import act
from dashboard.live.question import LiveQuestion
from dashboard.live.room import LiveRoom
from dashboard.live.session import Cursor
from dashboard.live.stream import Teller, heard
from dashboard.page import Here
from dashboard.pages import live
from dashboard.params import params_of_query
from dashboard.service import Service
from dashboard.sources import logbook_source
from rig.capture.decoding.dialects import load
from rig.capture.devices.ports import every_device
from rig.capture.devices.ports_listen import listen_to_all
from rig.capture.devices.simulated.device import Pacer, SimulatedDevice, simulated_clock
from rig.errors import NotFound
from rig.logbook.calibrations import keep_calibration
from rig.sensors.calibration import Calibration, CalibrationKind
from tests.dashboard.live_drinks import ASKED, go, small_logbook, told, until, until_phase
from tests.dashboard.reading import parts

RATE_HZ = 50.0
HEARD = {k: v for k, v in ASKED.items() if k != "speed"} | {"devices": "heard"}


@pytest.fixture
def plugged(tmp_path: Path) -> Iterator[dict[str, str]]:
    """Two probes that send, and one that is silent: their addresses by name."""
    with ExitStack() as stack:
        addresses = {}
        now_s = simulated_clock(1.0)
        for name in ("tin", "lid", "mute"):
            device = SimulatedDevice(
                tmp_path / name, lambda s, name=name: [(name, 20.0 - s % 9, "C")], RATE_HZ, board=name
            )
            stack.callback(device.close)
            if name != "mute":
                pacer = Pacer(device, now_s)
                pacer.start()
                stack.callback(pacer.stop)
            addresses[name] = device.address
        yield addresses


@pytest.fixture
def service(tmp_path: Path, plugged: dict[str, str]) -> Service:
    return Service(logbook_source(str(small_logbook(tmp_path))), tuple(plugged.values()))


@pytest.fixture
def room(service: Service) -> Iterator[LiveRoom]:
    made = LiveRoom(service)
    yield made
    if told(made)["phase"] != "idle":
        made.discard()


def _moving(room: LiveRoom, asked: dict[str, Any]) -> None:
    room.begin(asked)
    while (state := until_phase(room, "weighing", "ready", "trouble"))["phase"] == "weighing":
        act(room, {"act": "skip", "step": state["step"]})
    go(room, "ready")


def test_the_page_offers_every_device_that_is_known_of(service: Service, plugged: dict[str, str]) -> None:
    asked = params_of_query(f"?devices=heard&port={plugged['lid']}")
    shown = {
        p["props"]["id"]: p["props"]
        for p in parts(live.layout(Here(service, "corner", None, "", asked)))
        if "options" in p["props"]
    }
    offered = [o["value"] for o in shown["live-port"]["options"]]
    assert offered[-3:] == list(plugged.values())
    assert shown["live-port"]["value"] == [plugged["lid"]]


def test_only_what_was_chosen_is_recorded(room: LiveRoom, plugged: dict[str, str]) -> None:
    _moving(room, HEARD | {"port": [plugged["lid"]]})
    recording = room.live().recording
    assert recording is not None
    assert [p.address for p in recording.plan.ports] == [plugged["lid"]]
    assert until(room, lambda state: bool(state["probe"]))["others"] == {}


def test_the_first_device_is_the_drinks_probe_and_the_others_are_drawn_beside_it(
    room: LiveRoom, plugged: dict[str, str]
) -> None:
    _moving(room, HEARD | {"port": [plugged["lid"], plugged["tin"]]})
    state = until(room, lambda state: bool(state["probe"] and state.get("others")))
    follower = room.live().follower
    assert follower is not None
    recording = room.live().recording
    assert recording is not None
    assert [p.address for p in recording.plan.ports] == [plugged["lid"], plugged["tin"]]
    assert follower.main == (0, "lid")
    assert list(state["others"]) == ["tin"]


def test_a_probes_calibration_holds_for_the_live_call_too(
    room: LiveRoom, service: Service, plugged: dict[str, str]
) -> None:
    assert service.logbook is not None
    made = datetime.now(UTC)
    known = Calibration(
        plugged["tin"], "", CalibrationKind.TEMPERATURE, made, made.date() + timedelta(days=90), (-0.4, 1.0),
        ((0.0025, 0.0), (0.0, 0.0)), 0.05, 4.0, (), "ice point",
    )  # fmt: skip
    keep_calibration(service.logbook, known)
    _moving(room, HEARD | {"port": [plugged["tin"]]})
    until(room, lambda state: len(state["probe"]) > 5)
    live = room.live()
    with live.lock:
        heard, raw_c = live.heard(), [v for _, v in live.follower.probe]  # type: ignore[union-attr]
        situation = live.known()
    assert heard is not None
    assert heard.temp_c == pytest.approx(np.asarray(raw_c[-len(heard.temp_c) :]) - 0.4)
    assert situation is not None
    assert situation.probe_std_k == pytest.approx(0.05, rel=0.5)


def test_a_chosen_device_that_says_nothing_is_named(room: LiveRoom, plugged: dict[str, str]) -> None:
    room.begin(HEARD | {"port": [plugged["tin"], plugged["mute"]]})
    trouble = until_phase(room, "trouble")["trouble"]
    assert "not all that was chosen is heard" in trouble
    assert plugged["mute"] in trouble
    assert plugged["tin"] not in trouble


def test_a_device_that_nobody_knows_of_is_not_opened(room: LiveRoom) -> None:
    with pytest.raises(NotFound, match="there is no device '/etc/hostname'"):
        room.begin(HEARD | {"port": ["/etc/hostname"]})
    assert told(room)["phase"] == "idle"


def test_simulated_devices_need_no_choice(service: Service, plugged: dict[str, str]) -> None:
    params = params_of_query(f"?devices=simulated&port={plugged['tin']}")
    assert LiveQuestion.of("corner", service.bench("corner"), params).ports == ()


def test_what_has_not_changed_is_not_said_again_and_the_whole_can_be_put_together(
    room: LiveRoom, plugged: dict[str, str]
) -> None:
    events = heard(Teller(room))
    said = _next(events)
    assert said["phase"] == "idle"
    _moving(room, HEARD | {"port": [plugged["tin"], plugged["lid"]]})
    probe: list[Any] = []
    state: dict[str, Any] = {}
    while len(probe) < 3 * RATE_HZ:
        said = _next(events)
        if said.get("begin"):
            state, probe = {}, []
        state |= said
        probe += said.get("probe", [])
        if "drink" in said:
            first = said
    assert "drink" not in said  # told once, with the first
    assert len(said) < len(first) / 2
    whole = room.told(None, Cursor())[0]
    assert state.keys() == whole.keys() | {"watching"}
    assert whole["probe"][: len(probe)] == probe
    assert {k: state[k] for k in ("drink", "target", "phase", "steps")} == {
        k: whole[k] for k in ("drink", "target", "phase", "steps")
    }


def _next(events: Iterator[str]) -> dict[str, Any]:
    while True:
        event = next(events)
        if event.startswith("data: "):
            return dict(json.loads(event.removeprefix("data: ")))


NOTES = Path(__file__).parents[2] / "firmware_notes" / "dialects.md"


class Amplifier(Pacer):
    """A bare board: a thermistor's ohms and a load cell's counts, as the notes declare them."""

    def run(self) -> None:
        while not self._stop_asked.wait(0.05):
            self.device.write(b"N10000,W127688\r\n")


def test_a_bare_boards_ohms_and_counts_reach_the_screen_and_the_logbook(tmp_path: Path) -> None:
    """Over a real pseudo-terminal, by a dialect of one's own that declares the sensors."""
    declared = re.findall(r"```toml\n(.*?)```", NOTES.read_text(encoding="utf-8"), re.DOTALL)
    (tmp_path / "own.toml").write_text(next(d for d in declared if "ohms-and-counts" in d), encoding="utf-8")
    with ExitStack() as stack:
        device = stack.enter_context(closing(SimulatedDevice(tmp_path / "bare", lambda s: [], RATE_HZ)))
        pacer = Amplifier(device, simulated_clock(1.0))
        pacer.start()
        stack.callback(pacer.stop)
        source = logbook_source(str(small_logbook(tmp_path)))
        deaf = listen_to_all(every_device((device.address,)), load())
        assert [h.dialect for h in deaf if h.device.address == device.address] == [None]
        service = Service(source, (device.address,), (str(tmp_path / "own.toml"),))
        room = LiveRoom(service)
        _moving(room, HEARD | {"port": [device.address]})
        state = until(room, lambda state: len(state["probe"]) > 5)
        assert state["temp_c"] == pytest.approx(25.0, abs=0.02)
        assert state["scale_g"] == pytest.approx(100.0, abs=0.02)
        room.keep("")
        assert service.logbook is not None
        newest = max(service.logbook.list_runs("corner"), key=lambda r: str(r.run.started_at or ""))
        trace = service.logbook.run("corner", newest.run.run).trace
    assert trace is not None and trace.probe_c is not None and trace.scale_g is not None
    assert np.nanmedian(trace.probe_c) == pytest.approx(25.0, abs=0.02)
    assert np.nanmedian(trace.scale_g) == pytest.approx(100.0, abs=0.02)
