"""A target's air counts as its temperature and water do: in the verdict, live, in a rehearsal, in the next runs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest

from rig.advice.call.odds import Limit
from rig.advice.call.texture import NOT_IN_ODDS, air_of, overrun_of, strained_ml
from rig.advice.evidence.hit_rate import hit_rate
from rig.advice.live.live import by_the_clock, estimate, live_call
from rig.advice.live.verdict import how_it_landed
from rig.advice.plan.air import air_known
from rig.advice.plan.candidates import Candidate
from rig.advice.plan.plan import Asked, PlannedRun, plan_runs
from rig.advice.rehearsal.rehearsal import rehearse
from rig.bench import Target
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.runs import Run, Trace
from tests.cli.small_bench import small_book
from tests.shared_fits import fitted

WIDE = {"serve_temp_c_max": 15.0, "dilution_by_volume": (0.05, 0.95)}
AIRY = Target(**WIDE, overrun_pct_min=40.0, name="airy")  # type: ignore[arg-type]
ASKED = Situation("shake", "steel tin", "freezer cube", "night shift")


@pytest.fixture(scope="module")
def plain() -> Fit:
    return fitted(small_book())


def _with_foam(plain: Fit, pct_of: Callable[[Run], float | None]) -> Fit:
    """The same runs, each with the foam that makes this overrun; None: not read."""

    def foamed(run: Run) -> Run:
        pct, liquid = pct_of(run), strained_ml(plain, run)
        return run if pct is None or liquid is None else replace(run, foam_ml=liquid * (1.0 + pct / 100.0))

    return replace(plain, book=replace(plain.book, runs=tuple(foamed(r) for r in plain.book.runs)))


def _run(fit: Fit, name: str) -> Run:
    return next(r for r in fit.book.runs if r.run == name)


def test_the_verdict_judges_the_foam_that_was_read_and_says_where_none_was(plain: Fit) -> None:
    of = _with_foam(plain, lambda run: {"a2": 50.0, "a3": 28.0}.get(run.run))
    assert overrun_of(of, _run(of, "a2")) == pytest.approx(50.0, abs=0.01)
    airy, flat, unread = (how_it_landed(of, _run(of, name), AIRY) for name in ("a2", "a3", "a4"))
    assert airy is not None and airy.landed and airy.overrun_pct == pytest.approx(50.0, abs=0.01)
    assert "overrun 50 %" in airy.why.lower()
    assert flat is not None and flat.headline == "Missed: too flat by 12 % overrun"
    assert flat.sure is not None and flat.sure < 0.01
    assert unread is not None and unread.headline == "Not known: no foam volume"
    plainly = how_it_landed(of, _run(of, "a4"), Target(**WIDE))  # type: ignore[arg-type]
    assert plainly is not None and plainly.landed and plainly.overrun_pct is None
    frothy = how_it_landed(of, _run(of, "a2"), Target(**WIDE, overrun_pct=(10.0, 42.0)))  # type: ignore[arg-type]
    assert frothy is not None and set(frothy.missed) == {Limit.TOO_FOAMY}


def test_the_live_call_waits_for_the_air_or_says_that_it_knows_nothing_of_it(plain: Fit) -> None:
    known = _with_foam(plain, lambda run: 60.0 * (1.0 - np.exp(-(run.duration_s or 0.0) / 8.0)))
    counted, uncounted = live_call(known, ASKED, AIRY), live_call(plain, ASKED, AIRY)
    assert counted.before is not None and uncounted.before is not None
    assert counted.before.odds < uncounted.before.odds
    nothing_yet = Trace(np.zeros(0))
    assert NOT_IN_ODDS in estimate(uncounted, nothing_yet, 2.0).note
    assert NOT_IN_ODDS in by_the_clock(uncounted, 2.0).note
    assert "texture" not in estimate(counted, nothing_yet, 2.0).note
    without = live_call(plain, ASKED, Target(**WIDE))  # type: ignore[arg-type]
    assert "texture" not in estimate(without, nothing_yet, 2.0).note


def test_a_rehearsal_counts_the_air_of_every_run_whose_foam_was_read(plain: Fit) -> None:
    pct = {"a1": 20.0, "a2": 38.0, "a3": 45.0, "a4": 52.0}
    found = rehearse(_with_foam(plain, lambda run: pct.get(run.run)), set_up=ASKED.set_up, target=AIRY)
    did = {r.run: r.landed for r in found.runs}
    assert did == {"a1": False, "a2": False, "a3": True, "a4": True, "a5": None}
    assert found.capability == hit_rate(2, 4)
    why = {r.run: r.why for r in found.runs}
    assert why["a1"] == "too flat by 20 % overrun"
    assert found.worst == "a1"
    assert any("Foam was read in 4 of 5 runs" in note for note in found.notes)
    chart = next(c for c in found.charts if c.quantity == "overrun_pct")
    assert chart.runs == ("a1", "a2", "a3", "a4")
    assert found.foretold is not None and found.foretold < 0.9


def test_a_rehearsal_without_any_foam_says_that_it_knows_nothing_of_texture(plain: Fit) -> None:
    found = rehearse(plain, set_up=ASKED.set_up, target=AIRY)
    assert all(r.landed for r in found.runs)
    assert any("Nothing is known of texture" in note for note in found.notes)
    assert not any(
        "exture" in note for note in rehearse(plain, set_up=ASKED.set_up, target=Target(**WIDE)).notes
    )  # type: ignore[arg-type]


def test_the_next_runs_say_what_to_read_of_the_foam_and_when_that_is_enough(plain: Fit) -> None:
    few = plan_runs(plain, [Asked(ASKED, AIRY)], count=2)
    assert "4 runs over 3 durations are wanted" in few.notes[0]
    assert "nothing is known of texture" in few.notes[0]
    known = _with_foam(plain, lambda run: 60.0 * (1.0 - np.exp(-(run.duration_s or 0.0) / 8.0)))
    assert "and it is in these odds" in plan_runs(known, [Asked(ASKED, AIRY)], count=2).notes[0]
    assert not any("foam" in note for note in plan_runs(plain, [Asked(ASKED, Target(**WIDE))], count=2).notes)  # type: ignore[arg-type]


SCATTER_PCT = {"a1": 6.0, "a2": -5.0, "a3": 7.0, "a4": -4.0}


def _little_known(plain: Fit) -> Fit:
    """Four runs with foam read that lie far from one curve: what the call's odds hang on."""

    def read(run: Run) -> float | None:
        known = 60.0 * (1.0 - np.exp(-(run.duration_s or 0.0) / 8.0))
        return known + SCATTER_PCT[run.run] if run.run in SCATTER_PCT else None

    return _with_foam(plain, read)


def _left_of_air(fit: Fit, runs: Sequence[PlannedRun]) -> float:
    """Variance of the average overrun [%²] at the call for air once these runs have their foam read."""
    (call,) = plan_runs(fit, [Asked(ASKED, AIRY)], count=1).narrowings
    air = air_known(
        fit, Candidate(call.situation, call.duration_s), air_of(fit, ASKED.technique, ASKED.recipe)
    )
    told = np.linalg.inv(air.covariance)
    for run in runs:
        if air.made_by(run.situation):
            slope = air.slopes(np.array([run.duration_s]))[0]
            told = told + np.outer(slope, slope) / air.run_sd_pct**2
    at_call = air.slopes(np.array([call.duration_s]))[0]
    return float(at_call @ np.linalg.solve(told, at_call))


def test_where_odds_hang_on_the_air_the_next_runs_are_chosen_for_what_they_tell_of_it(plain: Fit) -> None:
    fit = _little_known(plain)
    for_air = plan_runs(fit, [Asked(ASKED, AIRY)]).runs
    without = plan_runs(fit, [Asked(ASKED, Target(**WIDE))]).runs  # type: ignore[arg-type]
    assert {(r.situation, r.duration_s) for r in for_air} != {(r.situation, r.duration_s) for r in without}
    assert _left_of_air(fit, for_air) < 0.7 * _left_of_air(fit, without)
    first = max(for_air, key=lambda r: r.tells)
    assert first.duration_s > max(r.duration_s for r in without)


def test_what_is_planned_without_air_does_not_change_where_foam_was_read(plain: Fit) -> None:
    asked = [Asked(ASKED, Target(**WIDE))]  # type: ignore[arg-type]
    assert plan_runs(_little_known(plain), asked).runs == plan_runs(plain, asked).runs


def test_where_nobody_read_foam_the_next_runs_spread_so_that_a_call_can_count_it(plain: Fit) -> None:
    planned = plan_runs(plain, [Asked(ASKED, AIRY)])
    assert len({r.duration_s for r in planned.runs}) >= 2
    assert "read the foam of each run of night shift by shake" in planned.notes[0]
    assert "chosen for that" in planned.notes[0]
    assert max(r.duration_s for r in planned.runs) >= 10.0


def test_the_slopes_of_the_air_are_those_of_its_curve(plain: Fit) -> None:
    fit = _little_known(plain)
    air = air_known(fit, Candidate(ASKED, 9.0), air_of(fit, ASKED.technique, ASKED.recipe))
    times = np.array([3.0, 9.0, 20.0])

    def overrun(plateau: float, log_time: float) -> np.ndarray:
        return plateau * (1.0 - np.exp(-times / np.exp(log_time)))

    at, step = (air.plateau_pct, float(np.log(air.time_constant_s))), 1e-4
    by_plateau = (overrun(at[0] + step, at[1]) - overrun(at[0] - step, at[1])) / (2 * step)
    by_time = (overrun(at[0], at[1] + step) - overrun(at[0], at[1] - step)) / (2 * step)
    assert air.slopes(times) == pytest.approx(np.column_stack([by_plateau, by_time]), rel=1e-4)
