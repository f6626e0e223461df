"""Calibrating on the page Rig: believed in nothing, told by field, shown before it is kept, refused where need be."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboard.app import make_app
from dashboard.headers import GUEST
from dashboard.page import Here
from dashboard.pages import rig, rig_calibrate
from dashboard.pages.rig_calibrate import filled_in, headline, result_block
from dashboard.pages.rig_calibrate_forms import form, id_of
from dashboard.questions.calibrate import (
    FIELDS,
    MOST_SAMPLES,
    TOLD_AT,
    Procedure,
    WorkedOut,
    made_at_of,
    numbers,
    trace_of,
    work_out,
)
from dashboard.questions.calibrate_reading import Taken, chosen, row_to_fill
from dashboard.service import Service
from dashboard.sources import logbook_source
from rig.capture.decoding.readings import Identity, Quantity, Reading, Sample
from rig.capture.devices.health import PortState
from rig.capture.devices.ports import Device
from rig.capture.devices.ports_listen import Listened
from rig.capture.devices.ports_read import PortRead
from rig.errors import ModelRangeError, NotEnoughData, NotFound, RigError
from rig.logbook.calibrations import calibrations
from rig.logbook.store import Logbook, open_logbook
from rig.sensors.calibrating import Made
from rig.session.cautions import AT_BOILING, AT_ICE
from tests.cli.conftest import Chillrig, chillrig
from tests.dashboard.live_drinks import small_logbook
from tests.dashboard.reading import controls_and_labelled, ids, text

NOW = datetime(2031, 4, 6, 12, tzinfo=UTC)
ON = {"device": "tin probe", "channel": "", "days": ""}
ICE = {"readings": "0,3 0.2; 0.3 °C", "step": "0.1"} | ON
BOILING = {
    "knowing": "weather",
    "altitude": "240",
    "sea-level": "1009",
    "readings": "98.9",
    "step": "0.1",
} | ON
WEIGHTS = {
    "true-0": "0", "shows-0": "0", "true-1": "100", "shows-1": "100,2", "true-2": "500", "shows-2": "500.9",
    "true-3": "1000", "step": "0.1", "tolerance": "0.1", "device": "scale", "channel": "", "days": "",
}  # fmt: skip
POINTS = {
    "true-0": "0.0", "shows-0": "0.3", "true-1": "20.0", "shows-1": "20.4", "true-2": "59.8", "shows-2": "60.1",
} | ON  # fmt: skip
MEASURE = {
    "readings": "29.6 29.8 29.5 29.9", "water": "21", "made-of": "steel", "step": "0.1", "air": "",
    "device": "30 ml jigger", "days": "",
}  # fmt: skip
T = np.arange(-3.0, 20.0, 0.1)
PLUNGE = {
    "trace": {"time_s": (T + 3.0).tolist(), "temp_c": (22.0 * np.exp(-np.maximum(T, 0.0) / 3.0)).tolist()}
} | ON
SENT: Mapping[Procedure, dict[str, Any]] = {
    Procedure.ICE: ICE,
    Procedure.BOILING: BOILING,
    Procedure.POINTS: POINTS,
    Procedure.WEIGHTS: WEIGHTS,
    Procedure.MEASURE: MEASURE,
    Procedure.PLUNGE: PLUNGE,
}

__all__ = ["chillrig"]


def asked(procedure: Procedure, **changed: Any) -> WorkedOut:
    return work_out(procedure, SENT[procedure] | changed, NOW, lambda device, channel: None)


def made(procedure: Procedure, **changed: Any) -> Made:
    found = asked(procedure, **changed)
    assert found.made is not None, found.wrong
    return found.made


@pytest.mark.parametrize("procedure", Procedure)
def test_every_form_has_all_its_fields_labelled_and_a_place_for_what_is_wrong(procedure: Procedure) -> None:
    shown = form(procedure)
    have = set(ids(shown))
    assert {id_of(procedure, f) for f in FIELDS[procedure]} <= have
    assert {id_of(procedure, f"{f}-wrong") for f in TOLD_AT[procedure]} <= have
    controls, labelled = controls_and_labelled(shown)
    assert controls <= labelled


def test_cautions_stand_where_they_arise() -> None:
    said = text(form(Procedure.BOILING))
    assert all(c in said for c in AT_BOILING)
    assert said.index(AT_BOILING[0]) < said.index("rolling boil")
    assert all(c in text(form(Procedure.ICE)) for c in AT_ICE)


COMMANDS = {
    Procedure.ICE: ("ice-point", "0.3", "0.2", "0.3", "--device", "tin probe"),
    Procedure.BOILING: (
        *("boiling-point", "98.9", "--altitude-m", "240", "--sea-level-pressure-hpa", "1009"),
        *("--device", "tin probe"),
    ),
    Procedure.POINTS: ("points", "0.3=0.0", "20.4=20.0", "60.1=59.8", "--device", "tin probe"),
    Procedure.WEIGHTS: ("weights", "0=0", "100.2=100", "500.9=500", "--resolution-g", "0.1"),
    Procedure.MEASURE: (
        *("measure", "29.6", "29.8", "29.5", "29.9", "--device", "30 ml jigger", "--water-temp-c", "21"),
    ),
}


@pytest.mark.parametrize("procedure", COMMANDS)
def test_the_page_and_the_command_line_come_to_the_same(
    procedure: Procedure, chillrig: Chillrig, tmp_path: Path
) -> None:
    said = chillrig("calibrate", *COMMANDS[procedure], "--logbook", tmp_path / "bar.sqlite", "--json")
    told, c = json.loads(said.out), made(procedure).calibration
    assert told["coefficients"] == pytest.approx(c.coefficients)
    assert told["covariance"] == [pytest.approx(row) for row in c.covariance]
    assert (told["device"], told["kind"], told["method"]) == (c.device, c.kind.value, c.method)


@pytest.mark.parametrize(
    ("procedure", "says"),
    [
        (Procedure.ICE, "Shows 0.27 °C too much at the ice point: ± 0.07 °C"),
        (Procedure.BOILING, "Shows 0.16 °C too little at the boiling point"),
        (Procedure.WEIGHTS, "Shows 0.38 g too much at 200.4 g"),
        (Procedure.MEASURE, "Holds 29.79 ml"),
        (Procedure.PLUNGE, "Shows what was 3.0 s ago"),
    ],
)
def test_the_result_says_first_how_far_off_it_is_then_what_it_rests_on_and_until_when(
    procedure: Procedure, says: str
) -> None:
    found = made(procedure)
    assert headline(found).startswith(says)
    said = text(result_block(found, NOW.date()))
    assert f"Holds until {found.calibration.expires.isoformat()}" in said
    assert ("The uncertainty comes from:" in said) == bool(found.parts)
    assert "one standard uncertainty" in said


def test_an_offset_within_its_uncertainty_is_as_good_as_right() -> None:
    assert headline(made(Procedure.ICE, readings="0.02")).endswith("as good as right")
    assert headline(made(Procedure.ICE, readings="0.00")).startswith("Shows neither too much nor too little")


@pytest.mark.parametrize(
    ("procedure", "changed", "at", "says"),
    [
        (Procedure.ICE, {"readings": ""}, "readings", "Type what it shows"),
        (Procedure.ICE, {"readings": "0.3 cold"}, "readings", "'cold' is not a number"),
        (Procedure.ICE, {"readings": "0,3,0,2"}, "readings", "Write a space between"),
        (Procedure.ICE, {"readings": "nan"}, "readings", "'nan' is not a number"),
        (Procedure.ICE, {"readings": " ".join(["0.3"] * 61)}, "readings", "60 readings are enough"),
        (Procedure.ICE, {"readings": "1" * 501}, "readings", "below 500"),
        (Procedure.ICE, {"readings": ["0.3"]}, "readings", "Type what it shows"),
        (Procedure.ICE, {"step": "0"}, "step", "above 0"),
        (Procedure.ICE, {"step": ""}, "step", "Give a number"),
        (Procedure.ICE, {"device": "  "}, "device", "name"),
        (Procedure.ICE, {"device": "x" * 201}, "device", "below 200"),
        (Procedure.ICE, {"days": "soon"}, "days", "whole days"),
        (Procedure.ICE, {"days": "0"}, "days", "whole days"),
        (Procedure.ICE, {"days": "٣"}, "days", "whole days"),
        (Procedure.BOILING, {"knowing": "guess"}, "knowing", "Say how"),
        (Procedure.BOILING, {"altitude": "8848"}, "altitude", "none to work at"),
        (Procedure.BOILING, {"sea-level": "101"}, "sea-level", "never 101 hPa"),
        (Procedure.BOILING, {"knowing": "place", "pressure": "101"}, "pressure", "check the unit"),
        (Procedure.BOILING, {"knowing": "altitude", "altitude": ""}, "altitude", "Give a number"),
        (Procedure.POINTS, {"shows-2": ""}, "pairs", "3 points"),
        (Procedure.POINTS, {"true-2": ""}, "pairs", "Row 3"),
        (Procedure.POINTS, {"std": "-1"}, "std", "0 or more"),
        (Procedure.WEIGHTS, {"shows-1": "heavy"}, "pairs", "row 2"),
        (Procedure.WEIGHTS, {"shows-1": "", "shows-2": ""}, "pairs", "2 points"),
        (Procedure.WEIGHTS, {"tolerance": "-1"}, "tolerance", "0 or more"),
        (Procedure.WEIGHTS, {"step": "-1"}, "step", "above 0"),
        (Procedure.MEASURE, {"readings": "29 30"}, "readings", "at least three"),
        (Procedure.MEASURE, {"water": "60"}, "water", "between 0 and 40"),
        (Procedure.MEASURE, {"air": "101"}, "air", "500 to 1100"),
        (Procedure.MEASURE, {"made-of": "gold"}, "made-of", "made of"),
        (Procedure.PLUNGE, {"trace": None}, "trace", "Nothing has been listened to"),
        (Procedure.PLUNGE, {"trace": {"time_s": [1.0], "temp_c": ["x"]}}, "trace", "no trace"),
        (Procedure.PLUNGE, {"trace": {"time_s": [0.0, 1.0], "temp_c": [20.0, 20.0]}}, "trace", "readings"),
    ],
)
def test_what_is_wrong_is_told_in_words_at_its_field(
    procedure: Procedure, changed: dict[str, Any], at: str, says: str
) -> None:
    found = asked(procedure, **changed)
    assert found.made is None
    assert list(found.wrong) == [at]
    assert says in found.wrong[at]
    assert at in TOLD_AT[procedure]


def test_all_that_is_wrong_is_told_at_once() -> None:
    found = asked(Procedure.BOILING, altitude="high", readings="", days="x", device="")
    assert set(found.wrong) == {"altitude", "readings", "days", "device"}


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("0.3 0.2 0.3", [0.3, 0.2, 0.3]),
        ("0,3 0,2", [0.3, 0.2]),
        ("0.3, 0.2,0.3", [0.3, 0.2, 0.3]),
        ("−0.3°C / -0.2 °C", [-0.3, -0.2]),
        ("0.3;0.2", [0.3, 0.2]),
        ("", []),
    ],
)
def test_readings_are_understood_as_people_write_them(typed: str, meant: list[float]) -> None:
    assert numbers(typed, "°C") == meant


def test_a_trace_longer_than_can_be_is_no_trace() -> None:
    long = [float(n) for n in range(MOST_SAMPLES + 1)]
    with pytest.raises(ModelRangeError):
        trace_of({"time_s": long, "temp_c": long})


@pytest.mark.parametrize(
    "sent", [None, 5, "soon", "2031-04-06T12:00:00", "2031-04-06T13:00:00+00:00", "2031-04-04T12:00:00+00:00"]
)
def test_a_moment_that_cannot_be_is_not_believed(sent: Any) -> None:
    with pytest.raises(ModelRangeError, match="Work it out again"):
        made_at_of(sent, NOW)
    assert made_at_of((NOW - timedelta(minutes=5)).isoformat(), NOW)


def port_read(*channels: tuple[str, Quantity, list[float]], board: str | None = "bar-1") -> PortRead:
    readings = tuple(
        Reading(tuple(Sample(name, quantity, values[n]) for name, quantity, values in channels))
        for n in range(len(channels[0][2]))
    )
    identity = None if board is None else Identity(board, "1", ())
    heard = Listened(Device("/dev/ttyACM0", "board"), PortState.OK, "", 115_200, "wire", identity)
    return PortRead(heard, 0.1 * np.arange(len(readings)), readings)


TIP = ("tip", Quantity.TEMPERATURE, [0.3, 0.32, 0.28] * 10)
ROOM = ("room", Quantity.TEMPERATURE, [21.0] * 30)
PAN = ("pan", Quantity.MASS, [100.2] * 30)


def test_a_reading_fills_in_the_readings_and_the_name_that_recordings_know() -> None:
    said, new = filled_in(Procedure.ICE, port_read(ROOM, TIP, PAN), ICE | {"device": "probe", "channel": ""})
    assert new["device"] == "bar-1" and new["channel"] == "tip"
    assert len(new["readings"].split()) == 20
    assert "30 readings, 0.30 °C in the mean, spread ± 0.02 °C" in said and "room" in said
    assert asked(Procedure.ICE, **new).wrong == {}


def test_a_name_of_ones_own_stays_and_its_price_is_told() -> None:
    said, new = filled_in(Procedure.ICE, port_read(TIP), ICE)
    assert new["device"] == "tin probe" and new["channel"] == ""
    assert "Recordings call it bar-1" in said


def test_a_board_that_does_not_name_itself_is_known_by_its_port() -> None:
    assert filled_in(Procedure.ICE, port_read(TIP, board=None), {})[1]["device"] == "/dev/ttyACM0"


def test_another_channel_is_read_where_it_is_written() -> None:
    _, new = filled_in(Procedure.ICE, port_read(ROOM, TIP), {"channel": "room"})
    assert set(new["readings"].split()) == {"21.00"}
    with pytest.raises(NotFound, match="rooom"):
        filled_in(Procedure.ICE, port_read(ROOM, TIP), {"channel": "rooom"})


def test_a_scale_fills_the_row_whose_weight_is_typed() -> None:
    values = {"true-0": "0", "shows-0": "0", "true-1": "100"}
    assert filled_in(Procedure.WEIGHTS, port_read(PAN), values)[1]["shows-1"] == "100.20"
    with pytest.raises(RigError, match="Type what is true"):
        row_to_fill(values | {"shows-1": "1"})


def test_each_filling_is_added_to_those_before() -> None:
    _, new = filled_in(Procedure.MEASURE, port_read(PAN), {"readings": "99.8 ", "device": "cup"})
    assert new == {"readings": "99.8 100.20"}


def test_a_plunge_that_was_listened_to_gives_the_lag() -> None:
    tip = ("tip", Quantity.TEMPERATURE, PLUNGE["trace"]["temp_c"])  # type: ignore[index]
    _, new = filled_in(Procedure.PLUNGE, port_read(tip), ON)
    found = asked(Procedure.PLUNGE, **json.loads(json.dumps(new)))
    assert found.made is not None
    assert float(found.made.calibration.apply(0.0)[0]) == pytest.approx(3.0, rel=0.01)


def test_a_probe_that_still_moves_is_told_to() -> None:
    falling = ("tip", Quantity.TEMPERATURE, np.linspace(3.0, 1.0, 30).tolist())
    assert "still drifted by −2.0 °C" in Taken.of(port_read(falling), Quantity.TEMPERATURE).words


def test_a_port_without_what_is_calibrated_says_so() -> None:
    with pytest.raises(NotEnoughData, match="no mass"):
        filled_in(Procedure.WEIGHTS, port_read(TIP), {"true-0": "0"})


def test_only_a_port_that_is_listed_is_opened() -> None:
    with pytest.raises(NotFound):
        chosen([Device("/dev/ttyACM0", "")], "socket://elsewhere:1")
    with pytest.raises(RigError, match="Choose a port"):
        chosen([Device("/dev/ttyACM0", "")], "")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return small_logbook(tmp_path)


class Pressed:
    """An app whose callbacks are asked as the browser asks them."""

    def __init__(self, file: Path) -> None:
        self.app = make_app(logbook_source(str(file)))
        self.client = self.app.server.test_client()

    def __call__(self, output: str, *given: Any, guest: bool = False) -> dict[str, Any] | None:
        """Ask the callback that answers `output` with its inputs and states in order; the props it sets."""
        key = next(k for k in self.app.callback_map if k.strip(".").split("...")[0].startswith(output))
        spec = self.app.callback_map[key]
        wanted = [*spec["inputs"], *spec["state"]]
        filled = [w | {"value": v} for w, v in zip(wanted, given, strict=True)]
        outs = [
            dict(zip(("id", "property"), o.rsplit(".", 1), strict=True))
            for o in (key[2:-2].split("...") if key.startswith("..") else [key])
        ]
        body = {
            "output": key,
            "outputs": outs,
            "inputs": filled[: len(spec["inputs"])],
            "state": filled[len(spec["inputs"]) :],
            "changedPropIds": [f"{filled[0]['id']}.{filled[0]['property']}"],
        }
        got = self.client.post(
            "/_dash-update-component",
            json=body,
            headers={"Origin": "http://localhost"},
            environ_overrides={GUEST: "1"} if guest else {},
        )
        assert got.status_code in (200, 204), got.data
        return dict(got.get_json()["response"]) if got.status_code == 200 else None


@pytest.fixture
def press(file: Path) -> Pressed:
    return Pressed(file)


def in_order(values: Mapping[str, Any], procedure: Procedure) -> list[Any]:
    return [values.get(f) for f in FIELDS[procedure]]


def kept_in(file: Path) -> int:
    with open_logbook(file) as logbook:
        return len(calibrations(logbook))


def test_a_result_is_shown_then_kept_once_and_listed(press: Pressed, file: Path) -> None:
    sent = in_order(ICE, Procedure.ICE)
    shown = press("calibrate-ice-result.children", 1, *sent)
    assert shown is not None and "too much" in json.dumps(shown) and kept_in(file) == 0
    store = shown["calibrate-ice-shown"]["data"]
    for _ in range(2):
        kept = press("calibrate-ice-kept.children", 1, store, *sent)
        assert kept is not None and "tin probe" in json.dumps(kept["rig-calibrations"])
    assert kept_in(file) == 1


def test_what_was_changed_after_it_was_shown_is_not_kept(press: Pressed, file: Path) -> None:
    shown = press("calibrate-ice-result.children", 1, *in_order(ICE, Procedure.ICE))
    assert shown is not None
    changed = in_order(ICE | {"readings": "0.1"}, Procedure.ICE)
    kept = press("calibrate-ice-kept.children", 1, shown["calibrate-ice-shown"]["data"], *changed)
    assert kept is not None and "has changed since" in json.dumps(kept)
    nothing = press("calibrate-ice-kept.children", 1, {"values": 3}, *changed)
    assert nothing is not None and "nothing is worked out yet" in json.dumps(nothing)
    assert kept_in(file) == 0


def test_a_guest_neither_reads_nor_keeps(press: Pressed, file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rig_calibrate, "read_port", lambda *_: pytest.fail("a port was opened"))
    sent = in_order(ICE, Procedure.ICE)
    store = {"values": ICE, "made_at": datetime.now(UTC).isoformat()}
    for told in (
        press("calibrate-ice-read-said.children", 1, "/dev/ttyACM0", *sent, guest=True),
        press("calibrate-ice-kept.children", 1, store, *sent, guest=True),
        press("calibrate-ice-result.children", 1, *sent, guest=True),
    ):
        assert told is not None and "on the computer that the devices are plugged into" in json.dumps(told)
    assert kept_in(file) == 0
    service = Service(logbook_source(str(file)))
    assert "calibrate-ice-read" not in ids(rig.layout(Here(service, "corner", None, "", {}, guest=True)))


def test_no_port_is_opened_while_a_drink_is_recorded(press: Pressed, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rig_calibrate, "is_recording", lambda _: True)
    monkeypatch.setattr(rig_calibrate, "read_port", lambda *_: pytest.fail("a port was opened"))
    told = press("calibrate-ice-read-said.children", 1, "/dev/ttyACM0", *in_order(ICE, Procedure.ICE))
    assert told is not None and "A drink is being recorded" in json.dumps(told)


def test_a_port_that_is_read_fills_in_the_form(press: Pressed, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rig_calibrate, "every_device", lambda _: (Device("/dev/ttyACM0", "board"),))
    monkeypatch.setattr(rig_calibrate, "read_port", lambda *_, **__: port_read(TIP))
    usual = in_order(ICE | {"device": "probe", "readings": ""}, Procedure.ICE)
    told = press("calibrate-ice-read-said.children", 1, "/dev/ttyACM0", *usual)
    assert told is not None and told["calibrate-ice-device"]["value"] == "bar-1"
    assert len(told["calibrate-ice-readings"]["value"].split()) == 20


def test_an_ice_point_that_holds_is_taken_along_to_boiling(file: Path) -> None:
    with open_logbook(file) as logbook:
        _keep(logbook, made(Procedure.ICE))
        held = rig_calibrate._held(logbook)
        found = work_out(Procedure.BOILING, BOILING, datetime.now(UTC), held)
    assert found.made is not None
    assert [p.name for p in found.made.calibration.points] == ["ice point", "boiling point"]


def _keep(logbook: Logbook, found: Made) -> None:
    from dataclasses import replace

    from rig.logbook.calibrations import keep_calibration

    now = datetime.now(UTC)
    c = replace(found.calibration, when=now, expires=(now + timedelta(days=9)).date())
    keep_calibration(logbook, c)
