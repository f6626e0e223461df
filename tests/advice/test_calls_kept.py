"""A call is kept when it is made, found again when its run comes in, and scored."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from rig.advice.call.call import advise
from rig.advice.check.call_log import AskedFrom, ScoredCalls, call_of_advice, call_of_live, keep, scored_calls
from rig.advice.live.live import REACTION_S, estimate, live_call
from rig.fitting.bench_fit import prior_fit
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.logbook.calls import CallMade, calls_made
from rig.logbook.store import Logbook, open_logbook
from rig.runs import Run, RunBook, Trace
from tests.advice.left_out_draws import BENCH, TIN, drawn

NOON = datetime(2031, 5, 1, 12, 0, tzinfo=UTC)
COUPE = BENCH.targets["coupe"]
CALL = CallMade(
    technique=TIN.technique,
    vessel=TIN.vessel,
    ice=TIN.ice,
    recipe="night shift",
    conditions={"drink_temp_c": 22.0, "ice_mass_g": 200.0},
    target=COUPE,
    duration_s=12.0,
    window_s=(10.5, 13.5),
    odds=0.72,
    basis="measured",
    fit="f1",
    asked_from="advise",
    asked_at=NOON,
)


def run_after(name: str, minutes: float, **fields: Any) -> Run:
    """A run started so many minutes after noon."""
    values = {
        "started_at": NOON + timedelta(minutes=minutes),
        "drink_temp_c": 22.0,
        "ice_mass_g": 200.0,
        "duration_s": 12.0,
        "strained_mass_g": 132.0,
    }
    return Run(name, TIN.technique, TIN.vessel, TIN.ice, "night shift", **values | fields)


@pytest.fixture
def logbook() -> Iterator[Logbook]:
    with open_logbook(None) as opened:
        opened.add(RunBook(BENCH, (run_after("old", -60),)), "bar", "test")
        yield opened


def come_in(logbook: Logbook, *runs: Run, water_g: float = 33.0, temp_c: float = -1.5) -> ScoredCalls:
    """What the calls are scored by once these runs are in the logbook, all with this water and temperature."""
    logbook.add(RunBook(BENCH, runs), "bar", "later")
    book = logbook.book("bar")
    fitted = book.used_runs()
    left = replace(
        drawn(0, (TIN,) * len(fitted)),
        runs=tuple(r.run for r in fitted),
        targets=tuple(r.target for r in fitted),
        duration_s=np.array([r.duration_s or np.nan for r in fitted]),
        strained_g=np.full(len(fitted), 99.0 + water_g),
        end_temp_c=np.full(len(fitted), temp_c),
    )
    return scored_calls(logbook, "bar", left, book)


def scored(logbook: Logbook, *runs: Run, **measured: float) -> list[tuple[str, Any]]:
    """Which runs score a call, and whether it landed."""
    return [(s.run, s.landed) for s in come_in(logbook, *runs, **measured).scored]


def test_the_run_that_follows_a_call_scores_it(logbook: Logbook) -> None:
    assert keep(logbook, "bar", CALL)
    assert scored(logbook, run_after("next", 5)) == [("next", True)]


def test_a_run_that_missed_scores_it_too(logbook: Logbook) -> None:
    keep(logbook, "bar", CALL)
    assert scored(logbook, run_after("next", 5), water_g=45.0) == [("next", False)]


def test_runs_that_were_there_before_score_nothing_whatever_their_date(logbook: Logbook) -> None:
    logbook.add(RunBook(BENCH, (run_after("of another year", 60 * 24 * 365),)), "bar", "test")
    keep(logbook, "bar", CALL)
    assert scored(logbook) == []


@pytest.mark.parametrize(
    "unlike",
    [
        {"duration_s": 15.0},
        {"duration_s": 9.0},
        {"drink_temp_c": 60.0},
        {"ice_mass_g": 90.0},
        {"target": "long"},
        {"started_at": NOON - timedelta(minutes=1)},
        {"excluded_because": "spilt"},
    ],
)
def test_a_run_unlike_the_call_scores_nothing(logbook: Logbook, unlike: dict[str, Any]) -> None:
    keep(logbook, "bar", CALL)
    assert scored(logbook, run_after("next", 5, **unlike)) == []


@pytest.mark.parametrize(
    "like",
    [
        {"duration_s": 13.9},
        {"drink_temp_c": None, "ice_mass_g": None},
        {"target": "coupe"},
        {"started_at": None},
        {"started_at": (NOON + timedelta(minutes=5)).astimezone().replace(tzinfo=None)},
    ],
)
def test_a_run_near_enough_scores_it(logbook: Logbook, like: dict[str, Any]) -> None:
    keep(logbook, "bar", CALL)
    assert scored(logbook, run_after("next", 5, **like)) == [("next", True)]


def test_a_run_scores_the_latest_call_before_it(logbook: Logbook) -> None:
    keep(logbook, "bar", CALL)
    keep(logbook, "bar", replace(CALL, odds=0.5, fit="f2", asked_at=NOON + timedelta(minutes=10)))
    keep(logbook, "bar", replace(CALL, odds=0.3, fit="f3", asked_at=NOON + timedelta(minutes=20)))
    found = come_in(logbook, run_after("a", 5), run_after("b", 15))
    assert [(s.run, s.call.odds) for s in found.scored] == [("a", 0.72), ("b", 0.5)]
    assert found.kept == 3
    assert found.said.tolist() == [0.72, 0.5]


def test_a_question_asked_again_counts_from_when_it_was_asked_again(logbook: Logbook) -> None:
    other = replace(CALL, odds=0.5, target=replace(COUPE, serve_temp_c_max=-0.5, name=""))
    keep(logbook, "bar", CALL)
    keep(logbook, "bar", replace(other, asked_at=NOON + timedelta(minutes=2)))
    keep(logbook, "bar", replace(CALL, asked_at=NOON + timedelta(minutes=4)))
    found = come_in(logbook, run_after("a", 3), run_after("b", 5))
    assert [(s.run, s.call.odds) for s in found.scored] == [("a", 0.5), ("b", 0.72)]


def test_a_call_for_air_is_not_scored_by_weight_and_temperature(logbook: Logbook) -> None:
    keep(logbook, "bar", replace(CALL, target=replace(COUPE, overrun_pct_min=20.0)))
    assert scored(logbook, run_after("next", 5)) == [("next", None)]


def test_a_run_half_measured_leaves_the_call_open(logbook: Logbook) -> None:
    keep(logbook, "bar", CALL)
    assert scored(logbook, run_after("next", 5), temp_c=np.nan) == [("next", None)]


def test_a_logbook_that_takes_nothing_costs_no_answer(tmp_path: Path) -> None:
    with open_logbook(tmp_path / "log.sqlite") as logbook:
        logbook.add(RunBook(BENCH, ()), "bar", "test")
        assert not keep(logbook, "no such bench", CALL)
        sa.event.listen(logbook._engine, "checkout", lambda c, *_: c.execute("pragma query_only=on"))
        assert not keep(logbook, "bar", CALL)


@pytest.fixture(scope="module")
def prior() -> Fit:
    return prior_fit(RunBook(BENCH, ()))


def test_a_call_is_kept_as_it_was_given(prior: Fit, logbook: Logbook) -> None:
    advice = advise(
        prior, technique=TIN.technique, vessel=TIN.vessel, ice=TIN.ice, recipe="night shift",
        drink_temp_c=21.5, target=COUPE, draws=128, with_levers=False,
    )  # fmt: skip
    keep(logbook, "bar", call_of_advice(advice, prior, AskedFrom.ADVISE, NOON))
    (kept,) = calls_made(logbook, "bar")
    call = kept.call
    assert (call.duration_s, call.odds) == (advice.duration_s, advice.odds)
    assert call.window_s == advice.window_s
    assert call.conditions["drink_temp_c"] == 21.5
    assert call.target == COUPE
    assert (call.fit, call.basis, call.asked_from) == (prior.fingerprint, "prior only", "advise")


def test_the_live_call_is_kept_as_it_stands_before_the_start(prior: Fit) -> None:
    situation = Situation(TIN.technique, TIN.vessel, TIN.ice, "night shift", drink_temp_c=21.5)
    live = live_call(prior, situation, COUPE, draws=128)
    kept = call_of_live(live, prior, AskedFrom.LIVE, NOON)
    shown = estimate(live, Trace(np.zeros(0), {"": np.zeros(0)}), 0.0)
    assert kept is not None and shown.stop_at_s is not None
    assert kept.duration_s == pytest.approx(shown.stop_at_s + REACTION_S)
    assert kept.odds == pytest.approx(shown.odds_best)
    assert call_of_live(live_call(prior, situation, None, draws=64), prior, AskedFrom.LIVE, NOON) is None
