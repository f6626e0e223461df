"""A class guesses once each, is judged by what it guessed, and leads nothing."""

from __future__ import annotations

from typing import Any

import pytest
import segno

from dashboard.app import make_app
from dashboard.classroom.served import CLASSROOM, Classroom
from dashboard.classroom.state_json import phone_of, wall_of
from dashboard.classroom.votes import Asked, Votes
from dashboard.headers import GUEST
from rig.errors import RigError
from tests.dashboard.benches import HeldSource

IDLE: dict[str, Any] = {"phase": "idle"}
READY: dict[str, Any] = {"phase": "ready", "drink": "night shift · shake"}
MOVING: dict[str, Any] = READY | {"phase": "moving"}
STOPPED: dict[str, Any] = READY | {
    "phase": "after",
    "moved_s": 12.4,
    "call": {"temp_c": [1.0, 1.7, 2.4], "dilution_pct": [28.0, 31.2, 34.0]},
    "estimates": [[2.0, 14.0, 15.0, 16.0, 8.0, 9.0, 10.0], [12.0, 1.0, 1.7, 2.4, 28.0, 31.2, 34.0]],
}


def test_a_guess_is_judged_as_it_was_made() -> None:
    votes = Votes()
    votes.hear(READY)
    votes.guess("a", "Ada", 1.7)
    votes.guess("b", "Ben", 2.0)
    votes.guess("c", "", 1.3)
    votes.hear(MOVING)
    votes.hear(STOPPED)
    ended = votes.ended
    assert ended is not None
    assert [(g.name, pytest.approx(off)) for g, off in ended.nearest] == [
        ("Ada", 0.0),
        ("Ben", 0.3),
        ("", 0.4),
    ]
    assert [phone_of(votes, v)["ended"]["place"] for v in "abc"] == [1, 2, 3]
    assert phone_of(votes, "late")["ended"] == {"truth": 1.7, "count": 3}


def test_each_guesses_once_and_only_while_the_drink_is_still() -> None:
    votes = Votes()
    votes.hear(IDLE)
    votes.guess("a", "Ada", 1.7)
    with pytest.raises(RigError, match="already"):
        votes.guess("a", "Ada", 2.0)
    votes.hear(MOVING)
    with pytest.raises(RigError, match="closed"):
        votes.guess("b", "Ben", 2.0)


@pytest.mark.parametrize("value", [None, "cold", True, 99.0, -11.0, float("nan"), float("inf"), [1.0]])
def test_what_is_no_guess_is_refused_with_what_would_be(value: Any) -> None:
    with pytest.raises(RigError, match=r"a number from -10 to 25 °C"):
        Votes().guess("a", "", value)


def test_a_name_is_short_and_printable() -> None:
    votes = Votes()
    votes.guess("a", " A\x00d\na " + "x" * 99, 1.0)
    assert votes.guesses[0].name == "Ada " + "x" * 20


@pytest.mark.parametrize(
    ("asked", "truth"), [(Asked.TEMP_C, 1.7), (Asked.DILUTION_PCT, 31.2), (Asked.DURATION_S, 12.4)]
)
def test_each_question_has_its_own_truth(asked: Asked, truth: float) -> None:
    votes = Votes()
    votes.ask(asked)
    votes.hear(STOPPED)
    assert wall_of(votes)["ended"]["truth"][asked.value] == truth


def test_another_question_begins_anew_and_none_is_asked_of_a_drink_on_its_way() -> None:
    votes = Votes()
    votes.guess("a", "", 1.0)
    votes.ask(Asked.DURATION_S)
    assert votes.guesses == ()
    votes.hear(MOVING)
    with pytest.raises(RigError, match="the next one"):
        votes.ask(Asked.TEMP_C)


def test_results_stay_while_the_next_drink_is_guessed() -> None:
    votes = Votes()
    votes.guess("a", "Ada", 1.0)
    votes.hear(STOPPED)
    votes.hear(STOPPED)
    votes.hear(IDLE)
    assert votes.ended is not None
    votes.hear(READY | {"phase": "opening"})
    assert votes.open
    assert votes.guesses == ()
    told = wall_of(votes)
    assert [f["path"] for f in told["finished"]] == [[[9.0, 15.0], [31.2, 1.7]]]
    assert told["ended"] is None


def test_the_wall_shows_no_name_before_the_end() -> None:
    votes = Votes()
    votes.guess("a", "Ada", 1.0)
    assert "Ada" not in str(wall_of(votes))


@pytest.fixture
def app() -> Any:
    return make_app(HeldSource({}))


def test_a_guest_guesses_and_cannot_lead(app: Any) -> None:
    phone = app.server.test_client()
    guest = {"environ_overrides": {GUEST: True}}
    assert phone.get("/class", **guest).status_code == 200
    assert (
        phone.post("/class/guess", json={"name": "Ada", "value": 1.5}, **guest).json["mine"]["value"] == 1.5
    )
    assert phone.post("/class/guess", json={"name": "Ada", "value": 1.0}, **guest).status_code == 409
    assert phone.post("/live/class/act", json={"act": "show"}, **guest).status_code == 403
    assert phone.get("/live/class", **guest).json["leads"] is False
    other = app.server.test_client()
    assert other.post("/class/guess", json={"value": 1.0}, **guest).status_code == 400
    assert app.server.test_client().get("/live/class").json["guesses"] == [1.5]


def test_the_code_on_the_wall_holds_the_link_and_its_code(app: Any) -> None:
    wall = app.server.test_client()
    assert wall.get("/live/class").json["join"] is None
    assert wall.get("/live/class/qr.svg").status_code == 404
    classroom: Classroom = app.server.extensions[CLASSROOM]
    classroom.where, classroom.code = "192.168.0.7:8050", "ABCD-2345"
    assert wall.get("/live/class").json["join"]["link"] == "http://192.168.0.7:8050/class?code=ABCD-2345"
    got = wall.get("/live/class/qr.svg")
    size = segno.make(classroom.link, error="m").symbol_size(border=4)
    assert got.mimetype == "image/svg+xml"
    assert f'viewBox="0 0 {size[0]} {size[1]}"' in got.text


def test_the_leader_asks_shows_and_goes_on(app: Any) -> None:
    wall = app.server.test_client()
    wall.post("/live/class/act", json={"act": "ask", "asked": "duration_s"})
    assert wall.get("/live/class").json["asked"]["unit"] == "s"
    wall.post("/live/class/act", json={"act": "show"})
    assert wall.get("/live/class").json["open"] is False
    wall.post("/live/class/act", json={"act": "next"})
    assert wall.get("/live/class").json["open"] is True
    assert wall.post("/live/class/act", json={"act": "fly"}).status_code == 409
