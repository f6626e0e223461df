"""Comparisons against known truth, against Welch's test on raw readings, and where they must refuse."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

from rig.advice.compare import readings as compare_readings
from rig.advice.compare.compare import compare, contrasts
from rig.advice.compare.courses import AverageCourses, average_courses
from rig.advice.compare.ground import most_measured_recipe
from rig.advice.compare.result import Comparison, Contrast, PairComparison, Quantity
from rig.advice.compare.words import sentence
from rig.advice.evidence.statistics import Verdict
from rig.arrays import FloatArray
from rig.bench import Bench, Target, parse_bench
from rig.errors import ModelRangeError, NotEnoughData, NotFound
from rig.fitting import Fit, fit, predict
from rig.fitting import result as fit_result
from rig.fitting.priors import P
from rig.fitting.situation import Situation, inputs_for, nominals
from rig.physics.melt import Course, lagged, simulate, steps_for
from rig.runs import Run, RunBook, SetUp, Trace

DRINK, OTHER_DRINK = "quayside black", "harbour master"
SAME_ICES = tuple(f"cube from tray {k}" for k in range(1, 6))
BENCH_TEXT = """
title = "Harbour test bar"
[vessels."two-piece steel"]
material = "stainless steel"
mass_g = 235
held_back_g = 2.5
[vessels."mixing glass"]
material = "glass"
mass_g = 700
held_back_g = 2.0
[ice."freezer cube"]
shape = "cube"
edge_mm = 25
temp_c = -16
[recipes."quayside black"]
ingredients = [
  { name = "coffee concentrate", volume_ml = 50 },
  { name = "dark spirit", volume_ml = 35, abv_pct = 42, sugar_g_per_100ml = 1 },
]
[recipes."harbour master"]
ingredients = [{ name = "coffee spirit", volume_ml = 60, abv_pct = 45 }]
""" + "".join(
    f'[ice."{name}"]\nshape = "cube"\nedge_mm = 30\ntemp_c = -1\n'
    for name in ("bar cube", "slow cube", *SAME_ICES)
)
SHAKE, STIR = ("shake", "two-piece steel"), ("stir", "mixing glass")
COLD, WET, SLOW = (SetUp(*SHAKE, ice) for ice in ("freezer cube", "bar cube", "slow cube"))
STIRRED = SetUp(*STIR, "bar cube")
SHAKE_S, STIR_S = np.linspace(9.0, 20.0, 7), np.linspace(30.0, 80.0, 7)
SLOW_RATE = -0.31
"""Log of the slow cube's heat transfer over the bar cube's: 1.5 K at 10 s (checked below)."""
ICE_G = {"freezer cube": 210.0}


@pytest.fixture(scope="module")
def bench() -> Bench:
    return parse_bench(BENCH_TEXT)[0]


def true_course(
    bench: Bench, set_up: SetUp, parameters: FloatArray, duration_s: FloatArray, start_c: FloatArray
) -> tuple[Situation, Course]:
    """Courses (nodes, runs) of drinks whose parameters (runs, parameters) are known."""
    s = Situation(
        set_up.technique, set_up.vessel, set_up.ice, DRINK, 24.0, ice_mass_g=ICE_G.get(set_up.ice, 160.0)
    )
    nominal = nominals(bench, [s])
    rows = np.zeros(len(parameters), dtype=np.int64)
    parameters = parameters.copy()
    parameters[:, P.DRINK_TEMP] = start_c - 24.0
    inputs, curves = inputs_for(nominal, parameters, rows), nominal.curves.take(rows)
    return s, simulate(curves, inputs, duration_s, 2 * steps_for(inputs, curves, duration_s))


def make_runs(
    bench: Bench,
    set_up: SetUp,
    durations_s: FloatArray,
    rng: np.random.Generator,
    rate: float = 0.0,
    recipe: str = DRINK,
) -> list[Run]:
    """Runs with run-to-run variation, a lagging noisy probe and a weighing."""
    n = len(durations_s)
    parameters = np.zeros((n, len(P)))
    parameters[:, P.RATE] = rate + rng.normal(0.0, 0.08, n)
    parameters[:, P.WET] = rng.normal(0.0, 0.2, n)
    start = 24.0 + rng.normal(0.0, 0.7, n)
    s, course = true_course(bench, set_up, parameters, durations_s, start)
    nominal = nominals(bench, [s])
    shown = lagged(course.time_s, course.temp_c, np.full(n, 1.2), start)
    runs = []
    for k, duration in enumerate(durations_s):
        at = np.arange(0.0, duration, 0.5)
        probe = np.interp(at, course.time_s[:, k], shown[:, k]) + rng.normal(0.0, 0.1, at.size)
        weighed = nominal.drink_mass_g[0] + course.added_g[-1, k] - nominal.held_back_g[0]
        runs.append(
            Run(
                f"{set_up} {recipe} {k}",
                *(set_up.technique, set_up.vessel, set_up.ice),
                recipe,
                ice_mass_g=s.ice_mass_g,
                drink_temp_c=round(float(start[k]), 1),
                room_temp_c=21.0,
                duration_s=float(duration),
                strained_mass_g=round(float(weighed + rng.normal(0.0, 0.7)), 1),
                trace=Trace(np.r_[-2.0, -1.0, at], {"": np.r_[start[k], start[k], probe]}),
            )
        )
    return runs


@pytest.fixture(scope="module")
def book(bench: Bench) -> RunBook:
    rng = np.random.default_rng(7)
    made = [(COLD, SHAKE_S, 0.0), (WET, SHAKE_S, 0.0), (SLOW, SHAKE_S, SLOW_RATE), (STIRRED, STIR_S, 0.0)]
    runs = [r for s, durations, rate in made for r in make_runs(bench, s, durations, rng, rate)]
    return RunBook(bench, tuple(runs))


@pytest.fixture(scope="module")
def fitted(book: RunBook) -> Fit:
    return fit(book)


@pytest.fixture(scope="module")
def all_compared(fitted: Fit) -> Comparison:
    return compare(fitted, duration_s=10.0)


@pytest.fixture(scope="module")
def same_ices(bench: Bench) -> Comparison:
    """Five ices that are the same in all but name, five runs each."""
    rng = np.random.default_rng(1)
    made = [r for ice in SAME_ICES for r in make_runs(bench, SetUp(*SHAKE, ice), np.linspace(7, 20, 5), rng)]
    return compare(fit(RunBook(bench, tuple(made))))


def pair_of(comparison: Comparison, a: SetUp, b: SetUp) -> PairComparison:
    return next(p for p in comparison.pairs if {p.a, p.b} == {a, b})


def contrast_of(comparison: Comparison, a: SetUp, b: SetUp, quantity: Quantity) -> Contrast:
    return next(c for c in pair_of(comparison, a, b).contrasts if c.quantity is quantity)


def judged(fitted: Fit, set_up: SetUp, verdicts: Sequence[fit_result.Verdict]) -> Fit:
    """The same fit with other verdicts on the first runs of a set-up."""
    mine = [r.run for r in fitted.runs if r.set_up == set_up]
    other = dict(zip(mine, verdicts, strict=False))
    return replace(
        fitted,
        runs=tuple(replace(r, verdict=other.get(r.run, r.verdict)) for r in fitted.runs),
    )


# --- does it find what is there, and nothing else -----------------------------------------------------


@dataclass(frozen=True)
class Truth:
    temp_k: float
    dilution: float


@pytest.fixture(scope="module")
def truth(bench: Bench, all_compared: Comparison) -> Truth:
    """Bar cube less slow cube at 10 s, from courses without any noise."""
    start = np.array([all_compared.conditions.drink_temp_c])
    ends = []
    for set_up, rate in ((WET, 0.0), (SLOW, SLOW_RATE)):
        parameters = np.zeros((1, len(P)))
        parameters[:, P.RATE] = rate
        s, course = true_course(bench, set_up, parameters, np.array([10.0]), start)
        volume = nominals(bench, [s]).start_volume_ml[0]
        ends.append((course.temp_c[-1, 0], course.added_g[-1, 0] / volume))
    return Truth(ends[0][0] - ends[1][0], ends[0][1] - ends[1][1])


def test_a_difference_of_one_and_a_half_kelvin_is_found(all_compared: Comparison, truth: Truth) -> None:
    assert truth.temp_k == pytest.approx(-1.5, abs=0.3), "the made-up slow cube is not what this test needs"
    found = contrast_of(all_compared, WET, SLOW, Quantity.TEMP_C)
    assert found.verdict is Verdict.DIFFERENT
    assert found.low <= truth.temp_k <= found.high
    assert found.p_adjusted < 0.05


def test_the_interval_of_dilution_holds_the_truth(all_compared: Comparison, truth: Truth) -> None:
    found = contrast_of(all_compared, WET, SLOW, Quantity.DILUTION)
    assert found.low <= truth.dilution <= found.high


def test_same_ices_are_rarely_called_different(same_ices: Comparison) -> None:
    """Each interval is for its pair alone: about 1 in 20 of these may leave out zero, by chance."""
    found = [c for p in same_ices.pairs for c in p.contrasts]
    assert len(found) == 4 * 10
    outside = np.mean([not c.low <= 0.0 <= c.high for c in found])
    assert outside <= 0.10
    assert not any(c.verdict is Verdict.DIFFERENT for c in found)


def test_enough_runs_show_that_no_difference_matters_and_few_do_not(bench: Bench) -> None:
    rng = np.random.default_rng(5)
    a, b = (SetUp(*SHAKE, ice) for ice in SAME_ICES[:2])
    runs = [r for s in (a, b) for r in make_runs(bench, s, np.linspace(7, 20, 15), rng)]
    many, few = (compare(fit(RunBook(bench, tuple(some))), temp_margin_k=0.8) for some in (runs, runs[2::5]))
    assert contrast_of(many, a, b, Quantity.TEMP_C).verdict is Verdict.NO_DIFFERENCE_THAT_MATTERS
    assert contrast_of(few, a, b, Quantity.TEMP_C).verdict is Verdict.CANNOT_TELL
    assert (few.pairs[0].runs_a, few.pairs[0].runs_b) == (3, 3)


def test_agrees_with_welch_on_the_raw_readings(fitted: Fit, book: RunBook) -> None:
    """Each run's own probe at 9 s, no model: Welch's interval (scipy) and ours must speak of one thing."""
    readings = [
        [
            float(np.interp(9.0, r.trace.time_s, r.trace.probe_c))
            for r in book.runs
            if r.set_up == s and r.trace is not None and r.trace.probe_c is not None
        ]
        for s in (WET, SLOW)
    ]
    welch = stats.ttest_ind(*readings, equal_var=False).confidence_interval(0.95)
    ours = contrast_of(compare(fitted, duration_s=9.0), WET, SLOW, Quantity.TEMP_C)
    assert welch.low < ours.difference < welch.high
    assert 0.3 < (ours.high - ours.low) / (welch.high - welch.low) < 1.3


# --- what is shared cancels ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def courses(fitted: Fit) -> AverageCourses:
    situations = [
        Situation(s.technique, s.vessel, s.ice, DRINK, 24.0, ice_mass_g=160.0, room_temp_c=21.0)
        for s in (COLD, WET, STIRRED)
    ]
    return average_courses(fitted, situations, np.array([25.0, 25.0, 90.0]))


def test_joint_draws_make_contrasts_sharper_than_independent_ones(courses: AverageCourses) -> None:
    temp, _ = courses.at(10.0)
    together = np.std(temp[0] - temp[1])
    apart = np.sqrt(np.var(temp[0]) + np.var(temp[1]))
    assert together < 0.85 * apart


@pytest.mark.parametrize("k", [0, 1, 2])
def test_an_average_course_is_the_prediction_without_run_to_run_spread(
    fitted: Fit, courses: AverageCourses, k: int
) -> None:
    """The same law as `predict`, whose draws are independent of these."""
    expected = predict(fitted, courses.situations[k], np.array([12.0, 20.0]), new_run=False)
    temp, dilution = courses.at(12.0)
    for ours, theirs in ((temp[k], expected.temp_c[:, 0]), (dilution[k], expected.dilution_by_volume[:, 0])):
        assert np.mean(ours) == pytest.approx(np.mean(theirs), abs=0.05 * np.std(theirs))
        assert np.std(ours) == pytest.approx(np.std(theirs), rel=0.10)


# --- reading courses off ---------------------------------------------------------------------------------


def straight(rates_k_per_s: Sequence[float], longest_s: float = 10.0) -> AverageCourses:
    """One set-up whose draws cool from 20 °C along straight lines and dilute by 1 % a second."""
    time = np.linspace(0.0, longest_s, 6)[None]
    temp = 20.0 - time[:, :, None] * np.asarray(rates_k_per_s)
    dilution = np.broadcast_to(0.01 * time[:, :, None], temp.shape)
    situation = Situation(*SHAKE, "bar cube", DRINK)
    return AverageCourses((situation,), np.array([20.0]), time, temp, dilution)


def test_a_course_is_read_between_its_nodes() -> None:
    temp, dilution = straight([1.0, 3.0]).at(5.0)
    assert temp == pytest.approx(np.array([[15.0, 5.0]]))
    assert dilution == pytest.approx(np.array([[0.05, 0.05]]))


def test_beyond_the_end_of_a_course_nothing_is_read() -> None:
    temp, dilution = straight([1.0]).at(10.5)
    assert np.isnan(temp).all()
    assert np.isnan(dilution).all()


def test_a_crossing_lies_where_the_line_crosses() -> None:
    crossing = straight([2.0, 4.0, 0.5]).when_as_cold_as(7.0)
    assert crossing.time_s[0, :2] == pytest.approx([6.5, 3.25])
    assert crossing.dilution_by_volume[0, :2] == pytest.approx([0.065, 0.0325])
    assert crossing.reached.tolist() == [[True, True, False]]
    assert crossing.time_s[0, 2] == 10.0


def test_a_drink_that_starts_cold_enough_is_there_at_once() -> None:
    crossing = straight([1.0]).when_as_cold_as(20.0)
    assert crossing.reached.all()
    assert crossing.time_s == pytest.approx(0.0)


# --- judging ----------------------------------------------------------------------------------------------


def gaussian_draws(middles: Sequence[float], sd: float) -> FloatArray:
    quantiles = (np.arange(4096) + 0.5) / 4096
    return np.asarray(middles)[:, None] + sd * stats.norm.ppf(quantiles)


def test_p_values_are_holm_adjusted_over_the_pairs() -> None:
    """Holm, Scand. J. Statist. 6 (1979) 65: the smallest times the number of pairs, and so on down."""
    draws, freedom = gaussian_draws([3.0, 2.2, 0.1], 1.0), np.full(3, 20.0)
    raw = 2.0 * stats.t.sf([3.0, 2.2, 0.1], 20.0)
    found = [c.p_adjusted for c in contrasts(Quantity.TEMP_C, draws, freedom, 0.5)]
    assert found == pytest.approx([3 * raw[0], 2 * raw[1], raw[2]], rel=0.01)


def test_few_runs_widen_the_interval_as_student_says() -> None:
    (few,) = contrasts(Quantity.TEMP_C, gaussian_draws([1.0], 0.5), np.array([4.0]), 0.5)
    assert (few.low, few.high) == pytest.approx(stats.t.interval(0.95, 4, 1.0, 0.5), abs=0.01)


@pytest.mark.parametrize(
    ("middle", "sd", "verdict"),
    [
        (2.0, 0.3, Verdict.DIFFERENT),
        (0.05, 0.1, Verdict.NO_DIFFERENCE_THAT_MATTERS),
        (0.25, 0.08, Verdict.NO_DIFFERENCE_THAT_MATTERS),
        (0.3, 1.0, Verdict.CANNOT_TELL),
    ],
)
def test_the_verdict_follows_difference_and_margin(middle: float, sd: float, verdict: Verdict) -> None:
    (found,) = contrasts(Quantity.TEMP_C, gaussian_draws([middle], sd), np.array([30.0]), 0.5)
    assert found.verdict is verdict


def test_more_pairs_never_make_a_pair_look_surer() -> None:
    draws, freedom = gaussian_draws([3.0, 2.2, 0.1], 1.0), np.full(3, 20.0)
    crowded = contrasts(Quantity.TEMP_C, draws, freedom, 0.5)
    for k, among_others in enumerate(crowded):
        (alone,) = contrasts(Quantity.TEMP_C, draws[k : k + 1], freedom[:1], 0.5)
        assert among_others.p_adjusted >= alone.p_adjusted
        assert (among_others.low, among_others.high) == pytest.approx((alone.low, alone.high))


def test_that_many_pairs_were_compared_is_told(fitted: Fit, all_compared: Comparison) -> None:
    alone = compare(fitted, set_ups=[WET, SLOW], duration_s=10.0)
    assert any("6 pairs are compared at once" in n for n in all_compared.notes)
    assert not any("pairs are compared at once" in n for n in alone.notes)


def test_turning_a_pair_round_turns_its_signs(fitted: Fit) -> None:
    there, back = (compare(fitted, set_ups=order) for order in ([COLD, WET], [WET, COLD]))
    for one, other in zip(there.pairs[0].contrasts, back.pairs[0].contrasts, strict=True):
        assert (one.difference, one.low, one.high) == pytest.approx(
            (-other.difference, -other.high, -other.low), abs=0.2 * (one.high - one.low)
        )
        assert one.verdict is other.verdict


# --- common ground ---------------------------------------------------------------------------------------


def test_the_default_drink_is_the_one_measured_on_most_set_ups(fitted: Fit) -> None:
    """Seven runs of the other drink on one set-up count less than three of this on two."""
    kept = [r for s in (COLD, WET) for r in fitted.runs_of(s)[:3]]
    lone = [replace(r, recipe=OTHER_DRINK) for r in fitted.runs_of(SLOW)]
    assert most_measured_recipe(replace(fitted, runs=(*lone, *kept)), [COLD, WET, SLOW]) == DRINK


def test_the_default_duration_lies_within_the_runs_of_most(fitted: Fit) -> None:
    found = compare(fitted)
    assert found.duration_s is not None
    assert SHAKE_S[0] <= found.duration_s <= SHAKE_S[-1]


def test_each_set_up_keeps_its_own_usual_ice(all_compared: Comparison) -> None:
    masses = {s.set_up: s.ice_mass_g for s in all_compared.summaries}
    assert masses == {COLD: 210.0, WET: 160.0, SLOW: 160.0, STIRRED: 160.0}


def test_without_a_target_all_get_to_the_temperature_compared_at(fitted: Fit) -> None:
    found = compare(fitted)
    assert all(s.time_to_target_s is not None for s in found.summaries)
    assert not any("does not surely get there" in g for p in found.pairs for g in p.gaps)


def test_a_target_sets_the_temperature(fitted: Fit) -> None:
    found = compare(fitted, set_ups=[COLD, WET], target=Target(serve_temp_c_max=1.0))
    assert found.target_temp_c == 1.0
    colder = compare(fitted, set_ups=[COLD, WET], target=Target(serve_temp_c_max=-1.0))
    for early, late in zip(found.summaries, colder.summaries, strict=True):
        assert early.time_to_target_s is not None
        assert late.time_to_target_s is not None
        assert early.time_to_target_s[1] < late.time_to_target_s[1]


def test_summaries_are_in_order_and_say_how_fast_the_chill_is(all_compared: Comparison) -> None:
    for s in all_compared.summaries:
        assert s.runs == 7
        assert s.chill_time_s is not None
        for p in (s.temp_c, s.dilution_by_volume, s.time_to_target_s, s.dilution_at_target):
            assert p is None or all(x < y for x, y in pairwise(p))
    chill = {s.set_up: s.chill_time_s for s in all_compared.summaries}
    assert chill[WET] < chill[SLOW] < chill[STIRRED]  # type: ignore[operator]


# --- where it must refuse ---------------------------------------------------------------------------------


def test_ranges_without_overlap_are_compared_at_equal_target_only(all_compared: Comparison) -> None:
    pair = pair_of(all_compared, WET, STIRRED)
    assert {c.quantity for c in pair.contrasts} >= {Quantity.TIME_TO_TARGET_S}
    assert all(c.quantity.at_target for c in pair.contrasts)
    assert pair.not_comparable is None
    assert "do not overlap" in pair.gaps[0]
    assert "Make 3 runs of stir" in pair.gaps[0]
    stirred = next(s for s in all_compared.summaries if s.set_up == STIRRED)
    assert stirred.temp_c is None
    assert stirred.time_to_target_s is not None


def test_a_duration_outside_the_runs_of_one_is_refused_for_its_pairs(fitted: Fit) -> None:
    found = compare(fitted, set_ups=[COLD, WET], duration_s=40.0)
    assert all(c.quantity.at_target for c in found.pairs[0].contrasts)
    assert found.pairs[0].contrasts
    assert "or compare between 9 and 20 s" in found.pairs[0].gaps[0]


GOOD, DOUBTFUL, EXCLUDED = (
    fit_result.Verdict.GOOD,
    fit_result.Verdict.DOUBTFUL,
    fit_result.Verdict.EXCLUDED,
)


@pytest.mark.parametrize(
    ("verdicts", "runs", "reason"),
    [
        ([EXCLUDED] * 7, 0, "no run of quayside black: make 3"),
        (
            [GOOD] * 2 + [EXCLUDED] * 5,
            2,
            "only 2 sound runs of quayside black where 3 are needed: make 1 more",
        ),
        (
            [GOOD] * 2 + [DOUBTFUL] * 5,
            2,
            "only 2 sound runs of quayside black where 3 are needed: make 1 more",
        ),
        ([DOUBTFUL] * 7, 0, "only doubtful runs of quayside black"),
    ],
)
def test_too_little_to_go_by_is_not_comparable(
    fitted: Fit, verdicts: list[fit_result.Verdict], runs: int, reason: str
) -> None:
    found = compare(judged(fitted, WET, verdicts), set_ups=[COLD, WET, SLOW])
    for other in (COLD, SLOW):
        pair = pair_of(found, WET, other)
        assert pair.contrasts == ()
        assert pair.not_comparable is not None
        assert reason in pair.not_comparable
        assert "Not comparable" in pair.sentence
    assert pair_of(found, COLD, SLOW).not_comparable is None
    summary = next(s for s in found.summaries if s.set_up == WET)
    assert (summary.runs, summary.temp_c) == (runs, None)
    assert reason in summary.notes[0]


def test_a_set_up_that_is_not_compared_does_not_move_the_start(fitted: Fit) -> None:
    few = judged(fitted, WET, [GOOD] * 2 + [EXCLUDED] * 5)
    warm = replace(few.measured[WET, DRINK], start_temp_c=(31.0, 32.0))
    apart = replace(few, measured={**few.measured, (WET, DRINK): warm})
    with_it = compare(apart, set_ups=[COLD, WET, SLOW])
    without = compare(apart, set_ups=[COLD, SLOW])
    assert with_it.conditions == without.conditions
    assert pair_of(with_it, COLD, SLOW).contrasts[0].difference == pytest.approx(
        pair_of(without, COLD, SLOW).contrasts[0].difference
    )


def test_doubtful_runs_are_told_and_do_not_count(fitted: Fit) -> None:
    found = compare(judged(fitted, WET, [DOUBTFUL] * 3), set_ups=[COLD, WET])
    assert found.pairs[0].runs_b == 4
    assert "3 runs are doubtful and count for little" in found.summaries[1].notes
    assert "Rests on 7 and 4 runs" in found.pairs[0].sentence


def test_a_drink_never_made_is_not_comparable(fitted: Fit) -> None:
    found = compare(fitted, recipe=OTHER_DRINK)
    assert all(p.not_comparable and "no run of harbour master" in p.not_comparable for p in found.pairs)
    assert found.duration_s is None


def test_a_start_far_from_any_run_is_not_comparable(fitted: Fit) -> None:
    found = compare(fitted, drink_temp_c=60.0)
    assert all(p.not_comparable and "a start at 60 °C" in p.not_comparable for p in found.pairs)


def test_a_temperature_that_is_not_surely_reached_is_not_comparable(fitted: Fit) -> None:
    found = compare(fitted, set_ups=[COLD, STIRRED], target=Target(serve_temp_c_max=-3.5))
    pair = found.pairs[0]
    assert any("does not surely get there" in g and "stir" in g for g in pair.gaps)
    assert found.summaries[1].time_to_target_s is None


@pytest.mark.parametrize(("share_cooling", "comparable"), [(0.95, True), (0.80, False)])
def test_draws_that_never_arrive_are_told_or_refused(
    fitted: Fit, monkeypatch: pytest.MonkeyPatch, share_cooling: float, comparable: bool
) -> None:
    """Up to one in ten may count as arriving at the end, and it is said; more, and nothing is compared."""

    def made_up(_fit: Fit, situations: Sequence[Situation], longest_s: FloatArray) -> AverageCourses:
        rates = np.where(np.arange(100) < 100 * share_cooling, 2.0, 0.0) + np.linspace(0.0, 0.1, 100)
        time = longest_s[:, None] * np.linspace(0.0, 1.0, 40)
        temp = 20.0 - time[:, :, None] * rates
        return AverageCourses(tuple(situations), np.full(len(situations), 20.0), time, temp, 0.0 * temp)

    monkeypatch.setattr(compare_readings, "average_courses", made_up)
    found = compare(fitted, set_ups=[COLD, WET], target=Target(serve_temp_c_max=-5.0))
    quantities = {c.quantity for c in found.pairs[0].contrasts}
    assert (Quantity.TIME_TO_TARGET_S in quantities) is comparable
    assert any("in 5.0% of what its runs allow" in n for n in found.summaries[0].notes) is comparable
    assert any("does not surely get there" in g for g in found.pairs[0].gaps) is not comparable


def test_dilution_before_any_run_was_weighed_is_not_compared(fitted: Fit) -> None:
    found = compare(fitted, set_ups=[COLD, WET], target=Target(serve_temp_c_max=8.0))
    assert {c.quantity for c in found.pairs[0].contrasts} == {
        *(Quantity.TEMP_C, Quantity.DILUTION, Quantity.TIME_TO_TARGET_S)
    }
    assert "at 8.0 °C in dilution: shake" in found.pairs[0].gaps[0]
    assert "before its shortest run of 9 s" in found.pairs[0].gaps[0]
    assert found.summaries[0].dilution_at_target is None
    assert found.summaries[0].time_to_target_s is not None


def test_without_traces_the_way_to_a_temperature_before_any_run_ended_is_not_compared(fitted: Fit) -> None:
    bare = replace(fitted.book, runs=tuple(replace(r, trace=None) for r in fitted.book.runs))
    found = compare(replace(fitted, book=bare), set_ups=[COLD, WET], target=Target(serve_temp_c_max=8.0))
    assert {c.quantity for c in found.pairs[0].contrasts} == {Quantity.TEMP_C, Quantity.DILUTION}
    assert any("no trace" in n for n in found.summaries[0].notes)


def test_a_temperature_reached_only_past_the_longest_run_is_not_compared(fitted: Fit) -> None:
    conditions = compare(fitted, set_ups=[WET, STIRRED]).conditions
    usual = Situation(
        *(*STIR, "bar cube", DRINK, conditions.drink_temp_c), ice_mass_g=160.0, room_temp_c=21.0
    )
    later = average_courses(fitted, [usual], np.array([1.3 * STIR_S[-1]])).at(1.15 * STIR_S[-1])[0]
    goal = Target(serve_temp_c_max=float(np.median(later)))
    found = compare(fitted, set_ups=[WET, STIRRED], target=goal)
    assert found.pairs[0].not_comparable is not None
    assert any("past its longest run of 80 s" in g for g in found.pairs[0].gaps)


def test_a_target_all_get_to_within_their_runs_is_compared_in_everything(fitted: Fit) -> None:
    found = compare(fitted, set_ups=[WET, SLOW], target=Target(serve_temp_c_max=-1.0))
    assert {c.quantity for c in found.pairs[0].contrasts} == set(Quantity)
    assert found.pairs[0].gaps == ()


def test_a_target_no_colder_than_the_start_is_not_comparable(fitted: Fit) -> None:
    found = compare(fitted, set_ups=[COLD, WET], target=Target(serve_temp_c_max=30.0))
    assert {c.quantity for c in found.pairs[0].contrasts} == {Quantity.TEMP_C, Quantity.DILUTION}
    assert any("no warmer than that" in g for g in found.pairs[0].gaps)


def test_a_fit_that_has_not_settled_is_told(fitted: Fit) -> None:
    unsettled = replace(fitted, posterior=replace(fitted.posterior, converged=False))
    assert any("not settled" in n for n in compare(unsettled, set_ups=[COLD, WET]).notes)


def test_one_set_up_alone_raises(fitted: Fit) -> None:
    with pytest.raises(NotEnoughData, match="needs two set-ups"):
        compare(fitted, set_ups=[COLD, COLD])


@pytest.mark.parametrize(
    ("wrong", "match"),
    [
        ({"set_ups": [COLD, SetUp("shake", "two-piece steel", "bar cubes")]}, "did you mean 'bar cube'"),
        ({"recipe": "quayside"}, "no recipe 'quayside'"),
    ],
)
def test_a_name_that_is_not_on_the_bench_raises(fitted: Fit, wrong: dict[str, object], match: str) -> None:
    with pytest.raises(NotFound, match=match):
        compare(fitted, **wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "wrong",
    [{"duration_s": 0.0}, {"duration_s": float("nan")}, {"drink_temp_c": 120.0}, {"temp_margin_k": 0.0}],
)
def test_what_cannot_be_meant_raises(fitted: Fit, wrong: dict[str, float]) -> None:
    with pytest.raises(ModelRangeError):
        compare(fitted, **wrong)  # type: ignore[arg-type]


# --- words and keys ------------------------------------------------------------------------------------


def said(quantity: Quantity, difference: float, low: float, high: float, verdict: Verdict) -> Contrast:
    return Contrast(quantity, difference, low, high, 0.95, 0.01, 0.5, verdict)


@pytest.mark.parametrize(
    ("found", "gaps", "expected"),
    [
        (
            [
                said(Quantity.TEMP_C, -1.52, -2.1, -0.9, Verdict.DIFFERENT),
                said(Quantity.DILUTION, 0.124, 0.06, 0.18, Verdict.DIFFERENT),
                said(Quantity.TIME_TO_TARGET_S, -12.4, -18.0, -6.2, Verdict.DIFFERENT),
            ],
            [],
            "Freezer cube against bar cube. After 12 s: 1.5 °C colder (0.9 to 2.1), 12 ml more water "
            "(6.0 to 18). At −2.0 °C: 12 s sooner (6.2 to 18). Rests on 9 and 7 runs.",
        ),
        (
            [
                said(Quantity.TEMP_C, 0.1, -0.2, 0.4, Verdict.NO_DIFFERENCE_THAT_MATTERS),
                said(Quantity.DILUTION, 0.02, -0.03, 0.07, Verdict.CANNOT_TELL),
            ],
            ["at -2.0 °C: bar cube does not surely get there"],
            "Freezer cube against bar cube. After 12 s: no difference in temperature that matters (0.2 °C "
            "colder to 0.4 °C warmer), cannot tell in water (3.0 ml less water to 7.0 ml more "
            "water). Rests on 9 and 7 runs. Not comparable at −2.0 °C: bar cube does not surely get "
            "there.",
        ),
        (
            [said(Quantity.TIME_TO_TARGET_S, 0.8, 0.3, 1.3, Verdict.NO_DIFFERENCE_THAT_MATTERS)],
            [],
            "Freezer cube against bar cube. At −2.0 °C: no difference in time that matters (0.3 to 1.3 s "
            "later). Rests on 9 and 7 runs.",
        ),
        ([], ["no runs"], "Freezer cube against bar cube. Not comparable. No runs."),
    ],
)
def test_a_pair_is_said_in_plain_words(found: list[Contrast], gaps: list[str], expected: str) -> None:
    assert sentence(COLD, WET, (9, 7), found, gaps, 12.0, -2.0) == expected


def test_set_ups_are_named_by_what_sets_them_apart() -> None:
    assert sentence(WET, STIRRED, (9, 7), [], ["x"], None, None).startswith(
        "Shake · two-piece steel against stir · mixing glass."
    )


def test_the_keys_are_stable_and_fit_for_json(all_compared: Comparison) -> None:
    out = json.loads(json.dumps(all_compared.to_dict(), allow_nan=False))
    assert list(out) == [
        *("recipe", "conditions", "duration_s", "target_temp_c", "summaries", "pairs", "notes")
    ]
    assert list(out["conditions"]) == ["drink_temp_c", "drink_mass_g", "room_temp_c"]
    assert list(out["summaries"][0]) == [
        *("technique", "vessel", "ice", "runs", "recipe", "ice_mass_g", "ice_temp_c"),
        *("temp_c", "dilution_by_volume", "time_to_target_s", "dilution_at_target", "chill_time_s", "notes"),
    ]
    assert list(out["pairs"][0]) == [
        *("a", "b", "runs_a", "runs_b", "contrasts", "not_comparable", "gaps", "sentence")
    ]
    assert list(out["pairs"][0]["contrasts"][0]) == [
        *("quantity", "unit", "difference", "low", "high", "confidence", "p_adjusted", "margin", "verdict")
    ]
    assert {c["unit"] for p in out["pairs"] for c in p["contrasts"]} == {"K", "s", "ml/ml"}


def test_a_comparison_is_the_same_each_time(fitted: Fit) -> None:
    assert compare(fitted, set_ups=[COLD, WET]).to_dict() == compare(fitted, set_ups=[COLD, WET]).to_dict()
