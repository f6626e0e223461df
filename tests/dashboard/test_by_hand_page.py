"""By hand as it is served: what a phone is told, what it may store and take back, and nothing else."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from dashboard.app import make_app
from dashboard.by_hand import CALL, KEEP, READ, UNDO
from dashboard.headers import GUEST
from dashboard.page import Here
from dashboard.pages import by_hand
from dashboard.service import BenchView, Service
from dashboard.sources import logbook_source
from rig.bench import parse_bench
from rig.bench_toml import bench_toml
from rig.logbook.store import open_logbook
from rig.runs import BLIND, THERMOMETER
from tests.cli.small_bench import small_book
from tests.dashboard.benches import close, source_of_view
from tests.dashboard.live_drinks import small_logbook
from tests.dashboard.reading import by_id, controls_and_labelled, ids, text

ASKED = {
    "technique": "shake",
    "vessel": "steel tin",
    "ice": "freezer cube",
    "recipe": "night shift",
    "target": "coupe",
    "session": "rehearsal",
}
TYPED = {
    "pour 0": "50",
    "pour 1": "33",
    "pour 2": "15",
    "drink_temp_c": "22",
    "ice_mass_g": "200",
    "end_temp_c": "-3",
    "strained_mass_g": "131",
}


def _told(number: str = "ab" * 16, **more: Any) -> dict[str, Any]:
    return {"bench": "corner", "asked": ASKED, "typed": TYPED, "number": number, **more}


@pytest.fixture
def book(tmp_path: Path) -> Path:
    return small_logbook(tmp_path)


@pytest.fixture
def client(book: Path) -> Iterator[FlaskClient]:
    source = logbook_source(str(book))
    yield make_app(source).server.test_client()
    close(source)


def test_the_page_holds_all_that_a_phone_needs_to_go_on_without_an_answer(book: Path) -> None:
    here = Here(Service(logbook_source(str(book))), "corner", None, "", {"recipe": ("night shift",)})
    layout = by_hand.layout(here)
    root = by_id(layout, "hand")
    facts = json.loads(root["data-facts"])
    asked = facts["recipes"]["night shift"]
    assert [a["unit"] for a in asked["before"]] == ["g", "g", "g", "°C", "g"]
    assert asked["whole"]["expected"] == pytest.approx(98.0, abs=2.0)
    assert facts["targets"]["coupe"]["words"].startswith("coupe: ")
    assert "vent it before you shake" in text(layout)
    assert len(ids(layout)) == len(set(ids(layout)))
    controls, labelled = controls_and_labelled(layout)
    assert controls <= labelled


def test_numbers_are_read_as_people_type_them_and_what_is_wrong_is_said(client: FlaskClient) -> None:
    typed = {"pour 0": "50,5", "drink_temp_c": "72°F", "ice_mass_g": "lots"}
    got = client.post(READ, json=_told(typed=typed)).get_json()
    assert got["values"] == {"pour 0": 50.5, "drink_temp_c": pytest.approx(22.2, abs=0.05)}
    assert set(got["wrong"]) == {"ice_mass_g"}


def test_the_call_is_told_with_the_moment_at_which_to_say_stop(client: FlaskClient) -> None:
    while (got := client.post(CALL, json=_told()).get_json()).get("working"):
        pass
    call = got["call"]
    assert call["window_s"][0] <= call["duration_s"] <= call["window_s"][1]
    assert call["cue_s"] < call["duration_s"]
    assert "will do" in call["headline"] or "to the second" in call["headline"]


def test_a_drink_is_kept_as_any_run_told_at_once_and_stored_once(client: FlaskClient, book: Path) -> None:
    sent = _told(moved_s=12.34, age_s=60.0)
    got = client.post(KEEP, json=sent).get_json()
    assert got["landing"]["headline"].startswith(("Landed", "Missed"))
    assert got["landing"]["temp_c"]["p50"] == pytest.approx(-3.0, abs=0.01)
    assert got["landing"]["dilution_by_volume"]["p50"] == pytest.approx(0.36, abs=0.05)
    assert "1 landed" in got["tally"]
    again = client.post(KEEP, json=sent | {"age_s": 75.0}).get_json()
    assert again["run"] == got["run"]
    with open_logbook(book) as logbook:
        run = logbook.run("corner", got["run"])
        assert len(logbook.list_runs("corner", session="rehearsal")) == 1
    assert (run.duration_s, run.strained_mass_g, run.session, run.target) == (
        12.34,
        131.0,
        "rehearsal",
        "coupe",
    )
    assert run.trace is not None and THERMOMETER in run.trace.probes_c


def test_what_cannot_be_is_set_aside_and_said(client: FlaskClient, book: Path) -> None:
    got = client.post(
        KEEP, json=_told(typed=TYPED | {"strained_mass_g": "1310"}, moved_s=12.0, age_s=1.0)
    ).get_json()
    assert any("131 g would fit" in words for words in got["odd"])
    with open_logbook(book) as logbook:
        assert logbook.run("corner", got["run"]).strained_mass_g is None
        assert any(f.place.run == got["run"] for f in logbook.book("corner").findings)


def test_a_drink_is_taken_back_and_can_still_be_brought_back(client: FlaskClient, book: Path) -> None:
    run = client.post(KEEP, json=_told(moved_s=12.0, age_s=1.0)).get_json()["run"]
    assert client.post(UNDO, json=_told()).get_json() == {"undone": run}
    assert client.post(UNDO, json=_told()).status_code == 409
    with open_logbook(book) as logbook:
        assert [d.run for d in logbook.deleted_runs("corner")] == [run]
        logbook.restore_run("corner", run, "it was right")
        assert logbook.run("corner", run).duration_s == 12.0


def test_a_screen_with_the_code_makes_its_own_drink_and_touches_no_other(
    client: FlaskClient, book: Path
) -> None:
    other = {"environ_overrides": {GUEST: True}}
    got = client.post(KEEP, json=_told(moved_s=12.0, age_s=1.0), **other)
    assert got.status_code == 200
    wrong = client.post(UNDO, json=_told(number="cd" * 16), **other)
    assert wrong.status_code == 409
    assert client.post(UNDO, json=_told(), **other).status_code == 200
    with open_logbook(book) as logbook:
        assert len(logbook.list_runs("corner")) == 15


def test_a_blind_drink_is_kept_as_such_and_its_session_is_scored(client: FlaskClient, book: Path) -> None:
    blind = {"asked": ASKED | {"blind": "yes"}}
    got = {}
    for k, moved_s in enumerate((30.0, 32.0, 31.0)):
        got = client.post(KEEP, json=_told(f"{k}b" * 16, moved_s=moved_s, age_s=1.0, **blind)).get_json()
    score = got["by_feel"]
    assert score["last"].endswith(("late", "in the window"))
    assert score["rate"].startswith("Blind ")
    assert score["practise"].endswith(".")
    with open_logbook(book) as logbook:
        assert logbook.run("corner", got["run"]).extra[BLIND] == "yes"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"number": "no"}, "load it again"),
        ({"typed": []}, "load it again"),
        ({"asked": ASKED | {"vessel": "bucket"}}, "there is no vessel 'bucket'"),
        ({"moved_s": None}, "start and stop the timer"),
        ({"moved_s": True}, "start and stop the timer"),
        ({"moved_s": float("nan")}, "start and stop the timer"),
        ({"moved_s": 0.1}, "the time of motion"),
        ({"typed": TYPED | {"ice_mass_g": "lots"}}, "give a number in g"),
    ],
)
def test_what_cannot_be_kept_is_refused_in_words(
    client: FlaskClient, book: Path, change: dict[str, Any], says: str
) -> None:
    got = client.post(KEEP, json=_told(**({"moved_s": 12.0, "age_s": 1.0} | change)))
    assert got.status_code == 409
    assert says in got.get_json()["said"]
    with open_logbook(book) as logbook:
        assert len(logbook.list_runs("corner")) == 15


def test_a_bench_folder_is_not_written_to(view: BenchView) -> None:
    client = make_app(source_of_view(replace(view, name="corner"))).server.test_client()
    got = client.post(KEEP, json=_told(moved_s=12.0, age_s=1.0))
    assert got.status_code == 409
    assert "chillrig import" in got.get_json()["said"]


def test_a_page_from_elsewhere_stores_nothing(client: FlaskClient) -> None:
    got = client.post(
        KEEP, json=_told(moved_s=12.0, age_s=1.0), headers={"Origin": "http://elsewhere.example"}
    )
    assert got.status_code == 403


def test_when_half_of_the_foam_should_be_gone_is_told_where_such_drinks_were_timed(tmp_path: Path) -> None:
    book = small_book()
    bench = parse_bench(
        f"{bench_toml(book.bench)}\n[targets.airy]\nserve_temp_c_max = 5\noverrun_pct_min = 10\n"
    )[0]
    runs = [
        replace(r, foam_ml=1.3 * (r.strained_mass_g or 0.0), foam_half_life_s=80.0 + k)
        if r.run in ("a1", "a2", "a4")
        else r
        for k, r in enumerate(book.runs)
    ]
    with open_logbook(tmp_path / "bar.sqlite") as logbook:
        logbook.add(replace(book, bench=bench, runs=tuple(runs)), "corner", "test")
    source = logbook_source(str(tmp_path / "bar.sqlite"))
    client = make_app(source).server.test_client()
    asked = ASKED | {"target": "airy"}
    got = client.post(
        KEEP, json=_told(asked=asked, typed=TYPED | {"foam_ml": "160"}, moved_s=12.0, age_s=1.0)
    ).get_json()
    assert got["foam_half_life_s"][1] == pytest.approx(81.0, abs=2.0)
    assert got["landing"]["overrun_pct"] == pytest.approx(100.0 * (160.0 / 131.0 - 1.0), abs=4.0)
    plain = client.post(KEEP, json=_told("ef" * 16, moved_s=12.0, age_s=1.0)).get_json()
    assert plain["foam_half_life_s"] is None
    close(source)
