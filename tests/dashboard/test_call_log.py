"""Shake time and Live leave their calls in the logbook, beside the page and never in its way."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from dash import Dash

from dashboard.app import make_app
from dashboard.call_log import CallKeeper
from dashboard.live.room import LiveRoom
from dashboard.live.session import LiveSession
from dashboard.pages import shake_time
from dashboard.service import BenchView, Service
from dashboard.sources import LogbookSource, logbook_source
from rig.advice.live.live import live_call
from rig.fitting.situation import Situation
from rig.logbook.calls import CallMade, calls_made
from tests.dashboard.asking import callback
from tests.dashboard.benches import source_of_view
from tests.dashboard.live_drinks import ASKED, PATIENCE_S, small_logbook

HEARD = {**ASKED, "devices": "heard", "technique": "shake", "ice": "freezer cube"}
SITUATION = Situation("shake", "steel tin", "freezer cube", "night shift", 22.0, None, 200.0)


@pytest.fixture
def source(tmp_path: Path) -> Iterator[LogbookSource]:
    opened = logbook_source(str(small_logbook(tmp_path)))
    yield opened
    opened.lists.close()
    opened.logbook.close()


@pytest.fixture
def under_way(monkeypatch: pytest.MonkeyPatch) -> list[Future[bool]]:
    """The calls that a page has handed over to be kept."""
    handed: list[Future[bool]] = []
    keep = CallKeeper.keep

    def watched(self: CallKeeper, *asked: Any) -> Any:
        future = keep(self, *asked)
        if future is not None:
            handed.append(future)
        return future

    monkeypatch.setattr(CallKeeper, "keep", watched)
    return handed


def kept(source: LogbookSource) -> list[CallMade]:
    return [k.call for k in calls_made(source.logbook, "corner")]


def ask(client: Any, **asked: Any) -> str:
    got = callback(client, "call-head.children", {"call-asked.data": {"bench": "corner", **asked}}, {})
    assert got.status_code == 200
    return str(got.get_json()["response"]["call-head"])


def test_a_call_on_the_page_is_kept_once_a_question(
    source: LogbookSource, under_way: list[Future[bool]]
) -> None:
    client = make_app(source).server.test_client()
    for ice_mass_g in (200, 200, 180):
        assert "lands" in ask(client, ice="freezer cube", drink_temp_c=22, ice_mass_g=ice_mass_g)
    assert [f.result(PATIENCE_S) for f in under_way] == [True] * 3
    calls = kept(source)
    assert sorted(c.conditions["ice_mass_g"] for c in calls) == [180.0, 200.0]
    assert {(c.asked_from, c.target.name) for c in calls} == {("Shake time", "coupe")}
    assert all(0.0 <= c.odds <= 1.0 and c.window_s[0] <= c.duration_s <= c.window_s[1] for c in calls)


def test_what_nobody_asked_is_not_kept(source: LogbookSource, under_way: list[Future[bool]]) -> None:
    service = Service(source)
    shake_time.register(Dash(__name__), service)
    for usual in service._usual:
        usual(service.view("corner"), "light")
    assert under_way == []
    assert kept(source) == []


def test_a_logbook_that_cannot_be_written_costs_no_answer(
    source: LogbookSource, under_way: list[Future[bool]]
) -> None:
    client = make_app(source).server.test_client()
    sa.event.listen(source.logbook._engine, "checkout", lambda c, *_: c.execute("pragma query_only=on"))
    assert "lands" in ask(client, ice="freezer cube", drink_temp_c=22)
    assert [f.result(PATIENCE_S) for f in under_way] == [False]


def test_a_bench_folder_keeps_none(view: BenchView, under_way: list[Future[bool]]) -> None:
    client = make_app(source_of_view(view)).server.test_client()
    assert "lands" in ask(client, ice="freezer cube", drink_temp_c=22)
    assert under_way == []


def session_of(source: LogbookSource, monkeypatch: pytest.MonkeyPatch, asked: dict[str, Any]) -> LiveSession:
    """A session that a room has begun, with nothing listened to."""
    monkeypatch.setattr(LiveSession, "start", lambda self: None)
    room = LiveRoom(Service(source))
    room.begin(asked)
    return room.live()


def test_lives_call_before_the_start_is_kept(source: LogbookSource, monkeypatch: pytest.MonkeyPatch) -> None:
    session, moment = session_of(source, monkeypatch, HEARD), datetime(2031, 5, 1, 12, 0, tzinfo=UTC)
    fit = Service(source).view("corner").fitted()
    call = live_call(fit, SITUATION, session.question.goal(session.bench), draws=64)
    future = session.caller.called(fit, call, moment)
    assert isinstance(future, Future) and future.result(PATIENCE_S)
    (made,) = kept(source)
    assert (made.asked_from, made.asked_at, made.fit) == ("Live", moment, fit.fingerprint)
    assert made.conditions["ice_mass_g"] == 200.0


def test_a_simulated_drinks_call_is_not_kept(source: LogbookSource, monkeypatch: pytest.MonkeyPatch) -> None:
    session = session_of(source, monkeypatch, ASKED)
    fit = Service(source).view("corner").fitted()
    call = live_call(fit, SITUATION, session.question.goal(session.bench), draws=64)
    assert session.caller.called(fit, call, datetime.now(UTC)) is None
    assert kept(source) == []
