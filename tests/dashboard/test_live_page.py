"""Live as it is served: its page, its events, and who may press what."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from dashboard.app import make_app
from dashboard.headers import GUEST
from dashboard.live.stream import ACT, EVENTS, ONLY_HERE
from dashboard.page import Here
from dashboard.pages import live, projector_live
from dashboard.params import params_of_query
from dashboard.service import BenchView
from tests.dashboard.benches import source_of_view
from tests.dashboard.live_drinks import room_at, small_logbook
from tests.dashboard.reading import ids, parts


@pytest.fixture
def here(tmp_path: Path) -> Here:
    _, service = room_at(small_logbook(tmp_path))
    return Here(service, "corner", None, "", {})


def _chosen(layout: Any) -> dict[str, Any]:
    shown = [p["props"] for p in parts(layout)]
    return {p["id"]: p["value"] for p in shown if "options" in p}


def test_the_page_offers_what_the_bench_has_and_what_its_address_asks(here: Here) -> None:
    assert _chosen(live.layout(here))["live-ice"] == "freezer cube"
    asked = Here(here.service, "corner", None, "", params_of_query("?ice=wet+cube&target=short&speed=7"))
    chosen = _chosen(live.layout(asked))
    assert (chosen["live-ice"], chosen["live-target"], chosen["live-speed"]) == ("wet cube", "short", "7")


def test_an_address_that_cannot_be_meant_is_answered_in_words(here: Here) -> None:
    wrong = Here(here.service, "corner", None, "", params_of_query("?vessel=bucket"))
    assert "there is no vessel 'bucket'" in str(live.layout(wrong))


def test_no_two_parts_of_a_page_have_the_same_id(here: Here) -> None:
    for layout in (live.layout(here), projector_live.layout(here)):
        found = ids(layout)
        assert len(found) == len(set(found))


def test_a_bench_folder_is_not_written_to_and_the_page_says_what_to_do(view: BenchView) -> None:
    client = make_app(source_of_view(view)).server.test_client()
    got = client.post(ACT, json={"act": "begin", "asked": {}})
    assert got.status_code == 409
    assert "chillrig import" in got.get_json()["said"]


def test_another_screen_only_watches(view: BenchView) -> None:
    client = make_app(source_of_view(view)).server.test_client()
    got = client.post(ACT, json={"act": "discard"}, environ_overrides={GUEST: True})
    assert (got.status_code, got.get_json()["said"]) == (403, ONLY_HERE)


def test_another_screen_starts_and_stops_while_the_computer_lets_it_and_does_nothing_else(
    view: BenchView,
) -> None:
    """Nothing is under way, which is said to who may ask; who may not is refused before anything is looked at."""
    client = make_app(source_of_view(view)).server.test_client()

    def asked(act: str, *, guest: bool = True, **more: Any) -> int:
        environ = {GUEST: True} if guest else {}
        return int(client.post(ACT, json={"act": act, **more}, environ_overrides=environ).status_code)

    assert [asked("go"), asked("remotes", allowed=True)] == [403, 403]
    assert asked("remotes", guest=False, allowed=True) == 200
    assert [asked("go"), asked("skip"), asked("keep"), asked("begin"), asked("remotes")] == [
        409,
        409,
        403,
        403,
        403,
    ]
    assert asked("remotes", guest=False, allowed=False) == 200
    assert asked("go") == 403


@pytest.mark.parametrize(
    "headers", [{"Origin": "http://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}]
)
def test_a_page_from_elsewhere_starts_nothing(view: BenchView, headers: dict[str, str]) -> None:
    client = make_app(source_of_view(view)).server.test_client()
    assert client.post(ACT, json={"act": "begin"}, headers=headers).status_code == 403


@pytest.mark.parametrize("body", ["", "[]", "{", '{"act": "fly"}', '{"act": "go"}', '{"act": 7}'])
def test_what_cannot_be_read_is_refused_in_words(view: BenchView, body: str) -> None:
    client = make_app(source_of_view(view)).server.test_client()
    got = client.post(ACT, data=body, content_type="application/json")
    assert got.status_code in (400, 409)
    assert got.get_json()["said"]


def test_events_are_not_kept_by_anybody_on_the_way(view: BenchView) -> None:
    client = make_app(source_of_view(view)).server.test_client()
    got = client.get(EVENTS)
    assert got.mimetype == "text/event-stream"
    assert got.headers["Cache-Control"] == "no-store"
    assert b'"phase":"idle"' in next(iter(got.response))
    got.close()
