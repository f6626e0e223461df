"""What a page's microphone hears of a shake is told in words, and goes with the drink under way."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboard.app import make_app
from dashboard.headers import GUEST
from dashboard.live.acts import act
from dashboard.live.hearing import BAND, HEAR, MOST_ROWS, WORKLET, Hearing
from dashboard.live.room import LiveRoom
from dashboard.sources import logbook_source
from rig.fitting.cadence import mean_cadence_hz
from rig.logbook.store import open_logbook
from rig.runs import HEARD
from rig.session import ear
from rig.signals.sound import FRAME_S, HeardShake, band_power, hear_shake
from tests.dashboard.live_drinks import ASKED, go, small_logbook, told, until, until_phase
from tests.signals.bar_sounds import RATE_HZ, shake
from tests.signals.test_strapped import RATE_HZ as RATE_SWUNG_HZ
from tests.signals.test_strapped import REST_S, swung


@pytest.fixture(scope="module")
def samples() -> np.ndarray:
    return shake(np.random.default_rng(4), "metal", 3.8, 6.0, quiet_s=2.0).samples


@pytest.fixture(scope="module")
def heard(samples: np.ndarray) -> HeardShake:
    return hear_shake(samples, RATE_HZ)


@pytest.fixture(scope="module")
def power(samples: np.ndarray) -> list[float]:
    return [float(f"{x:.5g}") for x in band_power(samples, RATE_HZ)]


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_logbook(tmp_path_factory.mktemp("hearing"))


@pytest.fixture
def no_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    """A take is looked at whenever something of it comes: a test sends in moments what came in seconds."""
    monkeypatch.setattr(ear, "LEAST_WAIT_S", 0.0)
    monkeypatch.setattr(ear, "WAITS", 0.0)


@pytest.fixture(scope="module")
def client(at: Path) -> Any:
    return make_app(logbook_source(str(at))).server.test_client()


def test_features_sent_by_a_page_are_heard_as_the_file_is(
    client: Any, power: list[float], heard: HeardShake
) -> None:
    answer = client.post(HEAR, json={"power": power, "age_s": 1.0}).get_json()
    assert answer["start_s"] == pytest.approx(heard.start.time_s, abs=0.005)
    assert answer["duration_s"] == pytest.approx(heard.duration_s, abs=0.005)
    assert answer["cadence_hz"] == pytest.approx(heard.cadence_hz, rel=0.002)
    assert answer["said"].startswith(f"Shaken for {heard.duration_s:.1f} s")
    assert answer["may_note"] is True and "No drink is under way" in answer["said"]


def test_what_was_heard_is_noted_on_a_run_by_name_and_says_where_it_is_from(
    client: Any, power: list[float], heard: HeardShake, at: Path
) -> None:
    client.post(HEAR, json={"power": power, "age_s": 1.0})
    said = client.post(HEAR, json={"run": "a2", "bench": "corner"}).get_json()["said"]
    assert said.startswith(f"Noted: run a2 lasted {heard.duration_s:.1f} s, at 3.8 strokes a second")
    with open_logbook(at) as logbook:
        run = logbook.run("corner", "a2")
    assert run.duration_s == round(heard.duration_s, 1)
    assert mean_cadence_hz(replace(run, trace=None)) == pytest.approx(heard.cadence_hz, abs=0.01)
    assert (
        "there is no run 'zz'" in client.post(HEAR, json={"run": "zz", "bench": "corner"}).get_json()["said"]
    )


@pytest.mark.parametrize(
    ("sent", "told_of"),
    [
        ([0.0] * 5000, "the microphone is mute"),
        ([1.0] * 100, "too short"),
        ([1.0, "loud"], "nothing that can be heard"),
        ([-1.0] * 5000, "nothing that can be heard"),
        ([1.0] * (MOST_ROWS + 1), "nothing that can be heard"),
        ("much", "nothing that can be heard"),
        (
            list(np.random.default_rng(2).exponential(1.0, 5000).round(4)),
            "no strokes can be told from the room",
        ),
    ],
)
def test_what_cannot_be_told_is_said_in_words(client: Any, sent: Any, told_of: str) -> None:
    answer = client.post(HEAR, json={"power": sent})
    assert answer.status_code == 200
    assert answer.get_json()["said"].startswith("Cannot tell: ")
    assert told_of in answer.get_json()["said"]


def test_another_screen_may_hear_and_note_nothing(client: Any, power: list[float]) -> None:
    guest = {GUEST: True}
    assert "only watches" in client.post(HEAR, json={"power": power}, environ_base=guest).get_json()["said"]
    assert client.post(HEAR, json={"run": "a1"}, environ_base=guest).status_code == 403


def test_the_page_may_have_the_microphone_and_its_audio_thread_is_from_here(client: Any) -> None:
    assert "microphone=(self)" in client.get(WORKLET).headers["Permissions-Policy"]
    assert b"registerProcessor" in client.get(WORKLET).data
    told = client.get(f"{BAND}?rate=48000").get_json()
    assert told["frame_s"] == FRAME_S and np.shape(told["sections"]) == (8, 6)
    for wrong in ("", "?rate=fast", "?rate=nan", "?rate=100"):
        assert client.get(BAND + wrong).get_json()["said"]


def test_a_drink_under_way_takes_the_start_stop_and_cadence_that_were_heard(
    room: LiveRoom, book: Path, power: list[float], heard: HeardShake
) -> None:
    """At the speed of the clock, with nothing weighed: the first knock came 0.4 s after the press."""
    hearing = Hearing(room)
    room.begin(ASKED | {"speed": "1"})
    while (state := until_phase(room, "weighing", "ready"))["phase"] == "weighing":
        act(room, {"act": "skip", "step": state["step"]})
    go(room, "ready")
    pressed_s = time.monotonic()
    until(room, lambda state: (state["moved_s"] or 0.0) > heard.duration_s + 1.5)
    age_s = time.monotonic() - pressed_s + heard.start.time_s - 0.4
    answer = hearing.hear({"power": power, "age_s": age_s}, guest=False)
    assert answer["may_note"] is False and "The drink under way takes it" in answer["said"]
    until_phase(room, "after", "done")
    act(room, {"act": "end"})
    act(room, {"act": "keep", "text": ""})
    with open_logbook(book) as logbook:
        run = logbook.run("corner", told(room)["kept"]["run"])
    assert run.duration_s == pytest.approx(heard.duration_s, abs=0.02)
    assert HEARD in run.extra and "strokes a second" in run.extra[HEARD]
    assert run.extra[HEARD].startswith("start heard; stop heard; ")
    # the simulated rig has a sensor of its own for that, which is not written over
    assert run.trace is not None and run.trace.cadence_hz is not None


def test_a_shake_far_from_the_press_is_another_ones(room: LiveRoom, power: list[float]) -> None:
    hearing = Hearing(room)
    assert hearing.hear({"power": power, "age_s": 1.0}, guest=False)["may_note"] is True
    room.begin(ASKED | {"speed": "1"})
    while (state := until_phase(room, "weighing", "ready"))["phase"] == "weighing":
        act(room, {"act": "skip", "step": state["step"]})
    go(room, "ready")
    until_phase(room, "moving")
    assert hearing.hear({"power": power, "age_s": 600.0}, guest=False)["may_note"] is True


def _streamed(hearing: Hearing, kind: str, rows: list[Any], began_s: float, chunk: int) -> dict[str, Any]:
    """A take as a page sends it while it goes on, its clock begun at a moment of this test's; the last answer."""
    answer: dict[str, Any] = {}
    for first in range(0, len(rows), chunk):
        sent = {
            kind: rows[first : first + chunk],
            "take": kind,
            "age_s": time.monotonic() - began_s,
            "goes_on": True,
        }
        answer = hearing.hear(sent, guest=False)
    return answer


@pytest.mark.parametrize("sense", ["power", "motion"])
def test_what_is_heard_or_felt_starts_the_clock_and_stops_it_without_a_press(
    room: LiveRoom, book: Path, power: list[float], heard: HeardShake, sense: str, no_waits: None
) -> None:
    """The clock begins where the shake did, before it was told, and the run carries its cadence."""
    hearing = Hearing(room)
    room.begin(ASKED | {"speed": "1"})
    while (state := until_phase(room, "weighing", "ready"))["phase"] == "weighing":
        act(room, {"act": "skip", "step": state["step"]})
    if sense == "power":
        rows: list[Any] = power
        start_s, stop_s, per_s = heard.start.time_s, heard.stop.time_s, 1.0 / FRAME_S
    else:
        time_s, swing = swung(np.random.default_rng(3), 3.8, 6.0)
        rows = np.column_stack([time_s, swing]).round(4).tolist()
        start_s, stop_s, per_s = REST_S, REST_S + 6.0, RATE_SWUNG_HZ
    # as if the take had begun so long ago that its shake is over by now, and began after the drink was ready
    assert room._live is not None and room._live.session is not None
    ready_s = room._live.session.ready_s
    assert ready_s is not None
    while room._live.session.now_s < ready_s + stop_s - start_s + 2.5:
        room.news.wait(room.news.count, 0.05)
    began_s = time.monotonic() - stop_s - 2.0
    shaken = round((stop_s - 0.5) * per_s)
    assert _streamed(hearing, sense, rows[:shaken], began_s, 100)["given"] is True
    rhythm = room._live.session.heard_rhythm
    assert rhythm is not None and rhythm.cadence_hz == pytest.approx(3.8, rel=0.03)
    state = told(room)
    assert state["phase"] == "moving"
    assert state["moved_s"] == pytest.approx(time.monotonic() - began_s - start_s, abs=0.7)
    assert _streamed(hearing, sense, rows[shaken:], began_s, 100)["heard"] in (True, False)
    until_phase(room, "after", "done")
    act(room, {"act": "end"})
    act(room, {"act": "keep", "text": ""})
    with open_logbook(book) as logbook:
        run = logbook.run("corner", told(room)["kept"]["run"])
    assert run.duration_s == pytest.approx(stop_s - start_s, abs=0.3)
    by = "heard" if sense == "power" else "felt by a motion sensor"
    assert run.extra[HEARD].startswith(f"start {by}; stop {by}; ")
    assert f"{heard.cadence_hz:.1f} strokes a second" in run.extra[HEARD]


def test_a_guests_shake_counts_only_while_it_is_let(room: LiveRoom, power: list[float]) -> None:
    hearing = Hearing(room)
    assert "only watches" in hearing.hear({"power": power, "age_s": 1.0}, guest=True)["said"]
    act(room, {"act": "remotes", "allowed": True})
    assert "only watches" not in hearing.hear({"power": power, "age_s": 1.0}, guest=True)["said"]


@pytest.mark.parametrize(
    "sent",
    [[[0.0, 1.0, 2.0]], [[1.0, 0, 0, 0], [0.5, 0, 0, 0]], [[0.0, 1e9, 0, 0]], [1.0, 2.0], [["a", 0, 0, 0]]],
)
def test_motion_that_can_be_none_is_refused(client: Any, sent: Any) -> None:
    answer = client.post(HEAR, json={"motion": sent, "age_s": 1.0}).get_json()
    assert "nothing that can be heard" in answer["said"]
