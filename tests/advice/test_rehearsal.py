"""Rehearsals of known truth: what varies is found, what lands is counted, and too little is called too little."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np
import pytest
from scipy import stats
from scipy.special import logit

from rig.advice.evidence.hit_rate import IntervalKind
from rig.advice.rehearsal.parts import PARTS, Part
from rig.advice.rehearsal.rehearsal import Practice, charts_of, rehearse
from rig.advice.rehearsal.series import planned_s
from rig.advice.rehearsal.trend import Drift, drifts
from rig.arrays import FloatArray
from rig.bench import Bench, Target, parse_bench
from rig.errors import NotEnoughData, NotFound
from rig.fitting import fit
from rig.fitting.cadence import cadence
from rig.fitting.priors import P
from rig.fitting.result import Fit
from rig.fitting.situation import Situation, inputs_for, nominals
from rig.physics.melt import lagged, simulate, steps_for
from rig.runs import Run, RunBook, Trace

BENCH_TEXT = """
title = "Back room"
[vessels."two-piece steel"]
material = "stainless steel"
mass_g = 235
held_back_g = 2.5
[ice."freezer cube"]
shape = "cube"
edge_mm = 28
temp_c = -14
[recipes."quayside black"]
ingredients = [
  { name = "coffee concentrate", volume_ml = 50 },
  { name = "dark spirit", volume_ml = 35, abv_pct = 42, sugar_g_per_100ml = 1 },
]
"""
SLOWER = -0.5
"""Logarithm of how much slower this set-up is than usual: 12 s then lie where a hand still counts."""
USUAL_S = 12.0


@dataclass(frozen=True)
class Hands:
    """How much a made-up person varies: standard deviations, and drifts a run."""

    duration_s: float = 0.15
    rate: float = 0.015
    drink_temp_k: float = 0.3
    drink_mass_g: float = 0.2
    drink_temp_drift_k: float = 0.0
    aim_s: float = USUAL_S


@pytest.fixture(scope="module")
def bench() -> Bench:
    return parse_bench(BENCH_TEXT)[0]


def make_runs(bench: Bench, hands: Hands, count: int, seed: int = 2, sessions: int = 2) -> tuple[Run, ...]:
    """Runs by the melt model itself, with probe lag and noise and a weighing."""
    rng = np.random.default_rng(seed)
    per_session = -(-count // sessions)
    place = np.arange(count) % per_session
    duration = hands.aim_s + rng.normal(0, hands.duration_s, count)
    mass = 92.0 + rng.normal(0, hands.drink_mass_g, count)
    start = 24.0 + rng.normal(0, hands.drink_temp_k, count) + hands.drink_temp_drift_k * place
    situations = [
        Situation(
            "shake", "two-piece steel", "freezer cube", "quayside black",
            drink_temp_c=float(t), drink_mass_g=float(m), ice_mass_g=200.0, ice_temp_c=-14.0,
            vessel_temp_c=21.0, room_temp_c=21.0,
        )
        for t, m in zip(start, mass, strict=True)
    ]  # fmt: skip
    nominal = nominals(bench, situations)
    unknown = np.zeros((count, len(P)))
    unknown[:, P.RATE] = SLOWER + rng.normal(0, hands.rate, count)
    rows = np.arange(count)
    inputs, curves = inputs_for(nominal, unknown, rows), nominal.curves
    course = simulate(curves, inputs, duration, steps_for(inputs, curves, duration))
    shown = lagged(course.time_s, course.temp_c, np.full(count, 1.0), start)
    began = datetime(2031, 5, 3, 18, 0, tzinfo=UTC)
    out = []
    for k in range(count):
        time = np.arange(0.0, duration[k], 0.5)
        probe = np.interp(time, course.time_s[:, k], shown[:, k]) + rng.normal(0, 0.1, time.size)
        weighed = mass[k] + course.added_g[-1, k] + 0.7 - nominal.held_back_g[k] + rng.normal(0, 0.4)
        out.append(
            Run(
                f"k{k + 1:02d}",
                "shake",
                "two-piece steel",
                "freezer cube",
                "quayside black",
                started_at=began + timedelta(days=7 * (k // per_session), minutes=9 * (k % per_session)),
                operator="Mika" if k % 2 else "Bo",
                session=f"session {k // per_session + 1}",
                ice_mass_g=200.0,
                ice_temp_c=-14.0,
                drink_mass_g=round(float(mass[k]), 1),
                drink_temp_c=round(float(start[k]), 1),
                vessel_temp_c=21.0,
                room_temp_c=21.0,
                duration_s=round(float(duration[k]), 1),
                strained_mass_g=round(float(weighed), 1),
                trace=Trace(np.r_[-2.0, -1.0, time], {"": np.r_[start[k], start[k], probe]}),
            )
        )
    return tuple(out)


def fitted(bench: Bench, hands: Hands, count: int = 16, **how: int) -> Fit:
    return fit(RunBook(bench, make_runs(bench, hands, count, **how)))


@pytest.fixture(scope="module")
def by_feel(bench: Bench) -> Fit:
    """Somebody who is steady in all but the clock."""
    return fitted(bench, Hands(duration_s=2.0))


@pytest.fixture(scope="module")
def uneven(bench: Bench) -> Fit:
    """Somebody whose hand is never the same twice."""
    return fitted(bench, Hands(rate=0.13))


@pytest.fixture(scope="module")
def late(bench: Bench) -> Fit:
    """Somebody steady who shakes too long, with a drink that starts warmer each run."""
    return fitted(bench, Hands(aim_s=17.0, drink_temp_drift_k=0.8), sessions=2)


@cache
def coupe() -> Target:
    """A target around what the usual run at 12 s comes to, so that nobody's aim is off but the late one's."""
    bench = parse_bench(BENCH_TEXT)[0]
    steady = Hands(duration_s=0.0, rate=0.0, drink_temp_k=0.0, drink_mass_g=0.0)
    s = Situation.of(make_runs(bench, steady, 1)[0])
    nominal = nominals(bench, [s])
    usual = np.zeros((1, len(P)))
    usual[:, P.RATE] = SLOWER
    inputs = inputs_for(nominal, usual, np.array([0]))
    end = np.array([USUAL_S])
    course = simulate(nominal.curves, inputs, end, steps_for(inputs, nominal.curves, end))
    temp, dilution = course.temp_c[-1, 0], (course.added_g[-1, 0] + 0.7) / nominal.start_volume_ml[0]
    return Target(float(temp) + 1.0, (float(dilution) - 0.025, float(dilution) + 0.025), name="coupe")


def practised(of: Fit, **asked: object) -> Practice:
    return rehearse(of, **{"target": coupe(), **asked}) if asked else plainly(of.fingerprint, of)  # type: ignore[arg-type]


_KEPT: dict[str, Practice] = {}


def plainly(key: str, of: Fit) -> Practice:
    if key not in _KEPT:
        _KEPT[key] = rehearse(of, target=coupe())
    return _KEPT[key]


def shares(found: Practice, result: int) -> dict[Part, float]:
    return {p.part: p.share for p in found.spreads[result].parts}


# --- where the spread comes from ----------------------------------------------------------------------


@pytest.mark.parametrize("result", [0, 1], ids=["temperature", "dilution"])
def test_who_is_steady_in_all_but_the_clock_has_a_timing_spread(by_feel: Fit, result: int) -> None:
    of = shares(practised(by_feel), result)
    assert of[Part.TIMING] > 0.7
    assert of[Part.HAND] < 0.2


@pytest.mark.parametrize("result", [0, 1], ids=["temperature", "dilution"])
def test_who_is_steady_in_all_but_the_hand_has_a_hand_spread(uneven: Fit, result: int) -> None:
    of = shares(practised(uneven), result)
    assert of[Part.HAND] > 0.5
    assert of[Part.TIMING] < 0.1


def test_the_timing_part_is_as_large_as_the_durations_make_it(by_feel: Fit) -> None:
    found = practised(by_feel).spreads[0]
    timing = next(p for p in found.parts if p.part is Part.TIMING)
    # the chill of the last seconds, straight from the runs: temperature against duration
    runs = practised(by_feel).runs
    slope = np.polyfit([r.duration_s for r in runs], [r.temp_c for r in runs], 1)[0]
    assert timing.sd == pytest.approx(abs(slope) * np.std([r.duration_s for r in runs], ddof=1), rel=0.2)


def test_parts_add_up_to_the_whole_and_their_intervals_hold_them(by_feel: Fit, uneven: Fit) -> None:
    for found in (practised(by_feel), practised(uneven)):
        for spread in found.spreads:
            assert [p.part for p in spread.parts] == list(PARTS)
            assert sum(p.share for p in spread.parts) == pytest.approx(1.0)
            assert all(-1e-9 <= p.low <= p.high <= 1 + 1e-9 for p in spread.parts)
            large = max(spread.parts, key=lambda p: p.share)
            assert large.low <= large.share <= large.high


def test_five_runs_are_enough_for_a_split_with_wide_intervals(bench: Bench, by_feel: Fit) -> None:
    book = RunBook(bench, by_feel.book.runs[:5])
    found = practised(fit(book))
    timing, many = (
        next(p for p in f.spreads[0].parts if p.part is Part.TIMING) for f in (found, practised(by_feel))
    )
    # shares near one crowd together, so widths are compared in log odds
    assert logit(timing.high) - logit(timing.low) > logit(many.high) - logit(many.low)


def test_the_spread_has_the_chi_squared_interval(by_feel: Fit) -> None:
    s = practised(by_feel).spreads[0]
    low, high = stats.chi2.ppf([0.025, 0.975], s.runs - 1)
    assert (s.sd_low, s.sd_high) == pytest.approx(
        (s.sd * np.sqrt((s.runs - 1) / high), s.sd * np.sqrt((s.runs - 1) / low))
    )


# --- what to practise ---------------------------------------------------------------------------------


def test_who_stops_by_feel_is_sent_to_the_clock(by_feel: Fit) -> None:
    found = practised(by_feel)
    assert found.gains[0].part is Part.TIMING
    assert "stop by the clock" in found.practise[0]


def test_who_has_an_uneven_hand_is_told_to_keep_one_rhythm(uneven: Fit) -> None:
    found = practised(uneven)
    assert found.gains[0].part is Part.HAND
    assert "rhythm" in found.practise[0]


def test_who_is_steady_but_late_is_told_to_go_shorter(late: Fit) -> None:
    found = practised(late)
    assert found.gains[0].part is None
    assert found.gains[0].duration_s is not None
    assert found.gains[0].duration_s < 15.5
    assert "shorter" in found.practise[0]


@pytest.mark.parametrize("count", [1, 2, 4])
def test_with_too_few_runs_nothing_is_split_and_more_are_asked_for(
    bench: Bench, by_feel: Fit, count: int
) -> None:
    kept = {r.run for r in by_feel.book.runs[:count]}
    book = RunBook(bench, tuple(r for r in by_feel.book.runs if r.run in kept))
    few = practised(fit(book))
    assert few.spreads[0].parts == ()
    assert few.more_runs == 6 - count
    assert f"make {6 - count} more" in few.practise[0]
    json.dumps(few.to_dict(), allow_nan=False)


def test_one_sentence_no_more_and_no_second_hit_rate_in_it(by_feel: Fit, uneven: Fit, late: Fit) -> None:
    for of in (by_feel, uneven, late):
        (said,) = practised(of).practise
        assert said.count(". ") == 0
        assert "odds" not in said


def test_nobody_is_asked_for_hundreds_of_runs(by_feel: Fit, uneven: Fit, late: Fit) -> None:
    assert all((practised(f).more_runs or 0) <= 24 for f in (by_feel, uneven, late))


# --- what landed --------------------------------------------------------------------------------------


def test_hits_are_those_inside_every_limit(by_feel: Fit) -> None:
    found = practised(by_feel)
    assert coupe().dilution_by_volume is not None and coupe().serve_temp_c_max is not None
    (low, high), warmest = coupe().dilution_by_volume, coupe().serve_temp_c_max
    inside = [r.temp_c <= warmest and low <= r.dilution_by_volume <= high for r in found.runs]
    assert [r.landed for r in found.runs] == inside
    assert found.capability is not None
    assert (found.capability.hits, found.capability.runs) == (sum(inside), 16)
    assert found.capability.low <= found.capability.rate <= found.capability.high


def test_best_and_worst_have_most_and_least_room(by_feel: Fit) -> None:
    found = practised(by_feel)
    room = {r.run: r.room for r in found.runs}
    assert found.best == max(room, key=lambda k: room[k] or 0.0)
    assert found.worst == min(room, key=lambda k: room[k] or 0.0)


def test_a_missed_run_says_how_and_a_landed_one_nothing(by_feel: Fit) -> None:
    for r in practised(by_feel).runs:
        assert bool(r.why) is not r.landed


def test_the_fit_foretells_about_as_many_hits_as_there_were(by_feel: Fit) -> None:
    found = practised(by_feel)
    assert found.foretold is not None and found.capability is not None
    assert found.capability.low - 0.05 <= found.foretold <= found.capability.high + 0.05


def test_without_a_target_there_is_a_spread_but_no_hit(by_feel: Fit) -> None:
    found = rehearse(by_feel)
    assert found.capability is None and found.best is None and found.foretold is None
    assert found.spreads[0].parts
    assert "timing" in found.practise[0]


def test_the_interval_asked_for_is_the_one_given(by_feel: Fit) -> None:
    found = practised(by_feel, interval=IntervalKind.JEFFREYS).capability
    assert found is not None and found.interval is IntervalKind.JEFFREYS


def test_alcohol_and_volume_limits_count_too(by_feel: Fit) -> None:
    never = practised(by_feel, target=Target(abv_pct=(30.0, 40.0), name="strong"))
    assert never.capability is not None and never.capability.hits == 0
    assert all("too weak" in r.why for r in never.runs)
    always = practised(by_feel, target=Target(volume_ml=(50.0, 300.0), name="any"))
    assert always.capability is not None and always.capability.hits == 16


# --- slips, doubts and choices ------------------------------------------------------------------------


def test_a_slip_counts_as_made_but_not_as_usual_spread(bench: Bench, uneven: Fit) -> None:
    runs = list(uneven.book.runs)
    slip = make_runs(bench, Hands(aim_s=4.0), 1)[0]
    runs[5] = replace(slip, run="slipped", started_at=runs[5].started_at, session=runs[5].session)
    found = practised(fit(RunBook(bench, tuple(runs))))
    assert found.slips == ("slipped",)
    assert found.capability is not None and found.capability.runs == 16
    assert found.spreads[0].runs == 15
    assert shares(found, 0)[Part.HAND] > 0.5
    assert found.worst == "slipped"
    assert any("slipped" in n for n in found.notes)
    duration = next(c for c in found.charts if c.quantity == "duration_s")
    assert duration.odd == ("slipped",)


def test_an_excluded_run_counts_for_nothing(bench: Bench, uneven: Fit) -> None:
    runs = [replace(r, excluded_because="spilled") if r.run == "k03" else r for r in uneven.book.runs]
    found = practised(fit(RunBook(bench, tuple(runs))))
    assert "k03" not in {r.run for r in found.runs}


def test_a_session_and_a_person_can_be_asked_for_alone(uneven: Fit) -> None:
    found = practised(uneven, sessions=["session 2"], operator="Mika")
    assert {r.session for r in found.runs} == {"session 2"}
    assert len(found.runs) == 4


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"sessions": ["sesion 1"]}, "session 1"),
        ({"operator": "Mik"}, "Mika"),
        ({"recipe": "quaysid"}, "quayside"),
    ],
)
def test_a_name_that_has_no_run_is_told(uneven: Fit, asked: dict[str, object], told: str) -> None:
    with pytest.raises(NotFound, match=told):
        practised(uneven, **asked)


def test_no_run_among_those_asked_for_is_told(uneven: Fit) -> None:
    other = replace(uneven.set_ups[0], ice="no such")
    with pytest.raises(NotEnoughData, match="Make six runs"):
        practised(uneven, set_up=other)


# --- drift and rhythm ---------------------------------------------------------------------------------


def test_a_start_that_warms_from_run_to_run_is_found_and_said(late: Fit) -> None:
    found = practised(late)
    start = next(d for d in found.drifts if d.quantity == "drink_temp_c")
    assert start.is_clear
    assert start.low <= 0.8 <= start.high


def test_two_sessions_are_split_as_iso_5725_has_it(uneven: Fit) -> None:
    found = practised(uneven).between_sessions["temp_c"]
    assert found.reproducibility_sd**2 == pytest.approx(found.repeatability_sd**2 + found.between_sd**2)


@pytest.mark.parametrize("seed", range(5))
def test_the_drift_of_one_session_is_theil_and_sens(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = 0.3 * np.arange(15) + rng.normal(0, 1, 15)
    found = drift("x", values, ["one"] * 15)
    judge = stats.theilslopes(values, alpha=0.90)
    assert found is not None
    assert (found.per_run, found.low, found.high) == pytest.approx(
        (judge.slope, judge.low_slope, judge.high_slope)
    )


def test_a_jump_between_sessions_is_no_drift_within_them() -> None:
    values = np.r_[np.zeros(6), np.full(6, 10.0)] + np.tile([0.0, 0.1, -0.1, 0.1, 0.0, -0.1], 2)
    found = drift("x", values, ["one"] * 6 + ["two"] * 6)
    assert found is not None
    assert not found.is_clear
    assert abs(found.per_run) < 0.1


def test_intervals_of_drift_hold_the_truth_as_often_as_they_say() -> None:
    rng = np.random.default_rng(3)
    sessions = [f"s{k // 6}" for k in range(24)]
    held = 0
    for _ in range(400):
        values = 0.2 * (np.arange(24) % 6) + rng.normal(0, 1, 24) + np.repeat(rng.normal(0, 3, 4), 6)
        found = drift("x", values, sessions)
        assert found is not None
        held += found.low <= 0.2 <= found.high
    assert 0.86 <= held / 400 <= 0.95


def test_one_odd_run_does_not_make_a_drift() -> None:
    values = np.r_[np.zeros(11), 100.0] + np.tile([0.1, -0.1], 6)
    found = drift("x", values, ["one"] * 12)
    assert found is not None and not found.is_clear


def drift(quantity: str, values: FloatArray, sessions: list[str]) -> Drift | None:
    """One alone."""
    return next(iter(drifts({quantity: values}, sessions)), None)


# --- false alarms, and drifts that are there ----------------------------------------------------------

SESSIONS = {1: ["one"] * 30, 3: [f"s{k // 10}" for k in range(30)], 5: [f"s{k // 6}" for k in range(30)]}
PAGES = 600


def page_of_runs(seed: int, decline: float = 0.0) -> tuple[bool, tuple[Drift, ...]]:
    """Thirty made-up runs as a page asks after them: whether any is called odd, and what drifts."""
    rng = np.random.default_rng([81, seed])
    sessions = SESSIONS[(1, 3, 5)[seed % 3]]
    per = 30 // len(set(sessions))
    # every other page has sessions of their own level, which is no drift
    level = np.repeat(rng.normal(0, 0.05 if seed % 2 else 0.0, 30 // per), per)
    rate = rng.normal(0, 0.05, 30) + level - decline * np.arange(30)
    duration = np.round(12.0 + rng.normal(0, 0.5, 30), (0, 1)[seed % 2])
    start = np.round(22.0 + rng.normal(0, 0.4, 30), 1)
    values = {
        "temp_c": -2.0 - 8.0 * rate - 0.3 * (duration - 12.0) + 0.1 * start + rng.normal(0, 0.2, 30),
        "dilution_by_volume": 0.33 + 0.2 * rate + 0.01 * (duration - 12.0) + rng.normal(0, 0.004, 30),
        "duration_s": duration,
        "chill_rate_log": rate,
        "cadence_hz": 3.5 + 2.0 * rate + rng.normal(0, 0.1, 30),
    }
    names, usual = [str(k) for k in range(30)], np.ones(30, dtype=bool)
    charts = charts_of({name: (names, v, usual) for name, v in values.items()})
    stated = {"drink_temp_c": start, "ice_temp_c": np.full(30, -14.0), "vessel_temp_c": np.round(start)}
    looked_for = {k: v for k, v in values.items() if k != "cadence_hz"} | stated
    return any(c.odd for c in charts), drifts(looked_for, sessions)


def test_where_nothing_changes_at_most_one_page_in_twenty_is_alarmed() -> None:
    pages = [page_of_runs(seed) for seed in range(PAGES)]
    alarmed = sum(odd or any(d.is_clear for d in found) for odd, found in pages)
    # three standard errors of a share of one in twenty
    assert alarmed <= PAGES * 0.05 + 3.0 * np.sqrt(PAGES * 0.05 * 0.95)
    assert alarmed > 0


def test_a_hand_that_slows_by_one_in_a_hundred_a_run_is_found_in_most() -> None:
    found = [page_of_runs(seed, decline=0.01)[1] for seed in range(200)]
    clear = [d for f in found for d in f if d.is_clear and d.quantity == "chill_rate_log"]
    assert len(clear) >= 140
    assert np.median([d.per_run for d in clear]) == pytest.approx(-0.01, abs=0.002)


# --- planned durations --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "durations",
    [
        [6, 8, 10, 12, 14, 16, 20],
        [8.1, 8.0, 12.1, 11.9, 16.0, 16.2],
        [10, 10, 10, 10, 10, 14, 14, 14],
        [4, 6, 8, 10, 4.2, 6.1, 7.9, 10.3],
    ],
)
def test_a_planned_series_is_known_as_one(durations: list[float]) -> None:
    plan = planned_s(np.array(durations, float))
    assert plan is not None
    assert np.abs(plan - durations).max() < 0.5


def test_a_hand_that_stops_by_feel_has_no_plan() -> None:
    rng = np.random.default_rng(12)
    for spread, digits in ((0.5, 1), (1.2, 1), (0.6, 0), (1.2, 0)):
        planned = sum(
            planned_s(np.round(12.0 + rng.normal(0, spread, runs), digits)) is not None
            for runs in (6, 8, 12, 30)
            for _ in range(50)
        )
        assert planned <= 4


def test_a_planned_series_is_not_told_to_stop_by_the_clock(bench: Bench) -> None:
    hands = Hands(duration_s=0.1, rate=0.1)
    steps = [
        make_runs(bench, replace(hands, aim_s=s), 4, seed=k) for k, s in enumerate((8.0, 12.0, 16.0, 20.0))
    ]
    runs = [replace(r, run=f"p{4 * k + j}") for k, step in enumerate(steps) for j, r in enumerate(step)]
    found = practised(fit(RunBook(bench, tuple(runs))))
    assert found.planned_s == pytest.approx((8.0, 12.0, 16.0, 20.0), abs=0.2)
    assert "by the clock" not in found.practise[0]
    assert shares(found, 0)[Part.TIMING] < 0.2
    assert found.slips == ()
    assert "duration_s" not in {c.quantity for c in found.charts}
    assert any("planned series" in n for n in found.notes)
    # the spread is the hand's at one duration, not the plan's
    assert found.spreads[0].sd < 0.6 * np.std([r.temp_c for r in found.runs])


def test_a_drink_without_alcohol_is_rehearsed_like_any_other(bench: Bench) -> None:
    dry = parse_bench(
        BENCH_TEXT.replace('{ name = "dark spirit", volume_ml = 35, abv_pct = 42, sugar_g_per_100ml = 1 }',
                           '{ name = "syrup", volume_ml = 35, sugar_g_per_100ml = 60 }')
    )[0]  # fmt: skip
    found = rehearse(
        fit(RunBook(dry, make_runs(dry, Hands(), 8))), target=Target(0.0, (0.1, 0.5), name="any")
    )
    strength = found.spreads[2]
    assert strength.sd == pytest.approx(0.0, abs=1e-9)
    assert all(p.share == 0.0 for p in strength.parts)
    json.dumps(found.to_dict(), allow_nan=False)


def rhythm_run(hz: FloatArray) -> Run:
    time = np.arange(0.0, 12.0, 0.25)
    return Run("x", "shake", "v", "i", "r", trace=Trace(time, cadence_hz=hz))


def test_rhythm_is_measured_after_the_first_second_and_around_its_trend() -> None:
    time = np.arange(0.0, 12.0, 0.25)
    rng = np.random.default_rng(1)
    falling = 4.0 - 0.1 * time + rng.normal(0, 0.08, time.size)
    falling[time < 1.0] = 0.5
    found = cadence(rhythm_run(falling), 12.0)
    assert found is not None
    assert found.mean_hz == pytest.approx(3.36, abs=0.05)
    assert found.within_cv == pytest.approx(0.08 / 3.36, rel=0.3)
    assert found.change == pytest.approx((4.0 - 1.175) / (4.0 - 0.1) - 1.0, abs=0.02)


def test_no_rhythm_is_made_up_where_none_was_recorded(uneven: Fit) -> None:
    assert cadence(Run("x", "shake", "v", "i", "r"), 12.0) is None
    assert practised(uneven).cadence is None


def test_a_practice_has_stable_keys_and_is_plain_json(by_feel: Fit) -> None:
    told = json.loads(json.dumps(practised(by_feel).to_dict(), allow_nan=False))
    assert set(told) == {
        "technique", "vessel", "ice", "recipe", "target", "runs", "set_aside", "slips", "sessions",
        "capability", "foretold_odds", "spreads", "gains", "charts", "drifts", "cadence",
        "between_sessions", "best", "worst", "practise", "more_runs", "by_feel", "notes", "planned_s", "basis",
    }  # fmt: skip
    assert [c["quantity"] for c in told["charts"]] == [
        "temp_c", "dilution_by_volume", "duration_s", "chill_rate_log",
    ]  # fmt: skip
