"""Curves of a set-up's own runs: exact curves recovered, few runs owned up to, new runs covered."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.arrays import FloatArray
from rig.errors import NotEnoughData
from rig.fitting.curves import CurveFit, Enough, RunValues, fit_curves, shortfall
from rig.fitting.least_squares import solve
from rig.fitting.rate_grid import RatePrior, SpreadPrior

PLANNED_S = np.array([6.0, 6.0, 9.0, 12.0, 12.0, 15.0, 20.0, 20.0])
LONG_S = np.array([2.0, 3.0, 4.0, 6.0, 8.0, 11.0, 15.0, 20.0, 26.0, 33.0, 40.0, 60.0])
BROAD = RatePrior(median_per_s=0.15, sd_log=0.6)


def melt_g(duration_s: FloatArray) -> FloatArray:
    return 4.0 + 50.0 * (1 - np.exp(-duration_s / 6.0))


def creeping_g(duration_s: FloatArray) -> FloatArray:
    return 4.0 + 40.0 * (1 - np.exp(-duration_s / 3.0)) + 25.0 * (1 - np.exp(-duration_s / 30.0))


def one(runs: RunValues) -> CurveFit:
    return fit_curves([runs])[0]


def noisy(seed: int, duration_s: FloatArray = PLANNED_S, sd_g: float = 1.5) -> RunValues:
    rng = np.random.default_rng(seed)
    return RunValues(f"set-up {seed}", duration_s, melt_g(duration_s) + rng.normal(0, sd_g, duration_s.size))


def test_a_curve_without_noise_is_met_everywhere() -> None:
    fit = one(RunValues("shake", PLANNED_S, melt_g(PLANNED_S)))
    at = np.array([0.0, 3.0, 8.0, 17.0, 30.0])
    assert fit.predict(at).mean == pytest.approx(melt_g(at), abs=1e-3)
    assert fit.between_run_sd < 1e-3
    assert fit.families[0].typical_rates_per_s[0] == pytest.approx(1 / 6, rel=1e-4)
    assert fit.predict(np.inf).mean[0] == pytest.approx(54.0, abs=1e-3)


def test_two_rates_are_told_from_one_where_the_runs_show_them() -> None:
    rng = np.random.default_rng(2)
    duration_s = np.repeat(LONG_S, 2)
    fit = one(RunValues("shake", duration_s, creeping_g(duration_s) + rng.normal(0, 0.4, duration_s.size)))
    assert fit.shares[1] > 0.99
    slow, fast = fit.families[1].typical_rates_per_s
    assert np.log([slow * 30, fast * 3]) == pytest.approx([0, 0], abs=0.4)
    found = fit.predict(LONG_S)
    assert (np.abs(found.mean - creeping_g(LONG_S)) < 3 * found.standard_error).all()


def test_one_rate_is_preferred_where_one_made_the_runs() -> None:
    fits = fit_curves([noisy(seed, np.repeat(LONG_S, 2)) for seed in range(20)])
    assert np.mean([fit.shares[0] for fit in fits]) > 0.7


def test_too_few_runs_for_two_rates_get_one() -> None:
    assert [fit.shares for fit in fit_curves([noisy(1), noisy(2)])] == [(1.0,), (1.0,)]


def test_a_two_rate_curve_may_turn_only_when_allowed() -> None:
    rising_then_falling = 20 * np.exp(-LONG_S / 40) - 20 * np.exp(-LONG_S / 5)
    runs = RunValues("bump", LONG_S, rising_then_falling + 0.01 * np.cos(7 * LONG_S))
    free = fit_curves([runs], monotone=False)[0]
    assert free.predict(11.0).mean[0] == pytest.approx(rising_then_falling[5], abs=0.1)
    for family in one(runs).families:
        heights = family.coefficients[:, 1:]
        assert (heights.min(axis=1) * heights.max(axis=1) >= 0).all()


def test_aicc_is_that_of_the_best_curve_the_solver_finds() -> None:
    runs = noisy(4, LONG_S)
    best = solve(
        lambda p, lane: p[:, 0:1] + p[:, 1:2] * (1 - np.exp(-p[:, 2:3] * LONG_S)) - runs.value,
        np.array([[0.0, 40.0, 0.1]]),
    )
    count, free = LONG_S.size, 4  # three parameters and the variance
    expected = count * np.log(best.rss[0] / count) + 2 * free + 2 * free * (free + 1) / (count - free - 1)
    family = one(runs).families[0]
    assert family.aicc == pytest.approx(expected, abs=0.1)
    assert family.rate_sd_log[0] == pytest.approx(best.standard_error[0, 2] / best.params[0, 2], rel=0.35)


def test_set_ups_fitted_together_are_as_fitted_alone() -> None:
    sets = [noisy(1), noisy(2, LONG_S), noisy(3, PLANNED_S[:6]), noisy(4, np.repeat(LONG_S, 2))]
    for runs, together in zip(sets, fit_curves(sets), strict=True):
        alone = one(runs).predict(PLANNED_S)
        assert together.label == runs.label
        assert together.predict(PLANNED_S).mean == pytest.approx(alone.mean, rel=1e-9)
        assert together.predict(PLANNED_S).new_run_sd == pytest.approx(alone.new_run_sd, rel=1e-9)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(
    seed=st.integers(0, 1000), scale=st.floats(0.01, 100), shift=st.floats(-50, 50), pace=st.floats(0.1, 10)
)
def test_units_and_origin_of_value_and_time_do_not_matter(
    seed: int, scale: float, shift: float, pace: float
) -> None:
    runs = noisy(seed)
    plain = one(runs).predict(PLANNED_S)
    other = one(replace(runs, duration_s=PLANNED_S * pace, value=shift + scale * runs.value))
    changed = other.predict(PLANNED_S * pace)
    assert changed.mean == pytest.approx(shift + scale * plain.mean, rel=1e-6, abs=1e-6 * scale)
    assert changed.new_run_sd == pytest.approx(scale * plain.new_run_sd, rel=1e-6)


@pytest.mark.parametrize(
    ("duration_s", "prior", "allowed"),
    [
        # Where little is known beforehand a few runs give wide intervals, never narrow ones.
        ((6.0, 6.0, 12.0, 12.0, 20.0, 20.0), None, (0.89, 0.96)),
        ((6.0, 6.0, 12.0, 12.0, 20.0, 20.0), BROAD, (0.87, 0.94)),
        ((5.0, 7.0, 8.0, 10.0, 11.0, 13.0, 14.0, 16.0, 18.0, 20.0, 22.0, 25.0), BROAD, (0.87, 0.93)),
    ],
    ids=["6 runs", "6 runs and a prior", "12 runs and a prior"],
)
def test_ninety_percent_intervals_hold_nine_in_ten_new_runs(
    duration_s: tuple[float, ...], prior: RatePrior | None, allowed: tuple[float, float]
) -> None:
    rng = np.random.default_rng(17)
    planned, count = np.array(duration_s), 300
    rate = BROAD.median_per_s * np.exp(rng.normal(0, BROAD.sd_log, (count, 1)))

    def made(duration_s: FloatArray) -> FloatArray:
        return 5 + 45 * -np.expm1(-rate * duration_s) + rng.normal(0, 2.0, (count, duration_s.size))

    at = np.linspace(planned[0], planned[-1], 7)
    values, new = made(planned), made(at)
    fits = fit_curves([RunValues("shake", planned, row, rate_prior=prior) for row in values])
    ends = np.array([fit.predict(at).interval(0.9) for fit in fits])
    held = ((new > ends[:, 0]) & (new < ends[:, 1])).mean()
    assert allowed[0] < held < allowed[1]


def test_spread_of_a_new_run_is_that_of_the_runs_and_that_of_the_mean() -> None:
    found = one(noisy(5)).predict([8.0, 12.0])
    assert found.new_run_sd**2 == pytest.approx(found.standard_error**2 + found.between_run_sd**2)
    narrow, wide = found.mean_interval(0.9), found.interval(0.9)
    assert (narrow[0] > wide[0]).all()
    assert (narrow[1] < wide[1]).all()


def test_families_that_disagree_leave_the_mean_less_known() -> None:
    rng = np.random.default_rng(2)
    duration_s = np.repeat(LONG_S, 2)
    fit = one(RunValues("shake", duration_s, creeping_g(duration_s) + rng.normal(0, 1.5, duration_s.size)))
    one_rate, two_rates = (replace(fit, shares=shares).predict(120.0) for shares in ((1.0, 0.0), (0.0, 1.0)))
    half = replace(fit, shares=(0.5, 0.5)).predict(120.0)
    apart = np.abs(one_rate.mean - two_rates.mean)
    assert half.mean == pytest.approx((one_rate.mean + two_rates.mean) / 2)
    within = (one_rate.standard_error**2 + two_rates.standard_error**2) / 2
    assert half.standard_error**2 == pytest.approx(within + (apart / 2) ** 2)


def test_beyond_the_runs_the_mean_is_less_known_and_said_to_be_beyond() -> None:
    found = one(noisy(6)).predict([12.0, 40.0, 3.0])
    assert found.beyond_runs.tolist() == [False, True, True]
    assert found.standard_error[1:].min() > 1.5 * found.standard_error[0]


def test_a_run_that_counts_for_nothing_is_as_if_never_made() -> None:
    runs = noisy(7)
    weight = np.ones_like(PLANNED_S)
    plain = one(runs).predict(PLANNED_S)
    extra_s, extra = np.append(PLANNED_S, 13.0), np.append(runs.value, 900.0)
    for unused in (
        replace(runs, duration_s=extra_s, value=extra, weight=np.append(weight, 0.0)),
        replace(runs, duration_s=extra_s, value=np.append(runs.value, np.nan)),
        replace(runs, duration_s=np.append(PLANNED_S, np.nan), value=extra),
    ):
        fit = one(unused)
        assert fit.runs == 8
        assert fit.predict(PLANNED_S).mean == pytest.approx(plain.mean, rel=1e-12)


def test_a_heavy_run_pulls_the_curve_and_a_light_one_hardly() -> None:
    runs = noisy(8)
    value = runs.value.copy()
    value[3] += 15.0

    def drawn(weight_of_it: float) -> float:
        weight = np.where(np.arange(8) == 3, weight_of_it, 1.0)
        return float(one(replace(runs, value=value, weight=weight)).predict(12.0).mean[0])

    without = drawn(0.0)
    assert drawn(0.001) == pytest.approx(without, abs=0.1)
    assert drawn(1.0) > without + 2
    assert drawn(1000.0) == pytest.approx(value[3], abs=0.5)


def test_a_new_run_of_more_weight_strays_less() -> None:
    fit = one(noisy(9))
    assert fit.predict(12.0, weight=4.0).between_run_sd[0] == pytest.approx(fit.between_run_sd / 2)


def test_a_known_start_steadies_the_early_part_and_is_not_a_run() -> None:
    runs = noisy(10)
    anchored = replace(
        runs,
        duration_s=np.append(PLANNED_S, 0.0),
        value=np.append(runs.value, 4.0),
        weight=np.append(np.ones(8), 25.0),
    )
    fit = one(anchored)
    assert (fit.runs, fit.shortest_s) == (8, 6.0)
    assert fit.predict(3.0).standard_error[0] < 0.5 * one(runs).predict(3.0).standard_error[0]


def test_runs_of_one_duration_answer_with_a_known_start_and_a_prior() -> None:
    flat = RunValues(
        "stir",
        np.array([0.0, 12.0, 12.0, 12.0]),
        np.array([4.0, 30.0, 31.0, 29.5]),
        np.array([25.0, 1.0, 1.0, 1.0]),
        rate_prior=RatePrior(0.15, 0.5),
    )
    fit = one(flat)
    family = fit.families[0]
    # The runs say nothing of the rate, so it stays as it was and costs no degree of freedom.
    assert family.typical_rates_per_s[0] == pytest.approx(0.15, rel=0.05)
    assert family.rate_sd_log[0] == pytest.approx(0.5, rel=0.05)
    assert fit.degrees_of_freedom == pytest.approx(2.0, abs=0.1)
    assert fit.predict(12.0).mean[0] == pytest.approx(30.17, abs=0.1)
    assert fit.predict(20.0).standard_error[0] > 3 * fit.predict(12.0).standard_error[0]


def test_a_prior_weighs_less_the_more_runs_there_are() -> None:
    wrong = RatePrior(0.6, 0.4)

    def rate(copies: int) -> float:
        runs = noisy(11, np.tile(PLANNED_S, copies))
        return float(one(replace(runs, rate_prior=wrong)).families[0].typical_rates_per_s[0])

    few, many = rate(1), rate(20)
    assert few > many
    assert many == pytest.approx(1 / 6, rel=0.15)


def test_a_rate_learnt_from_the_runs_costs_a_degree_of_freedom() -> None:
    assert one(noisy(12)).degrees_of_freedom == 8 - 3


def test_a_spread_known_from_elsewhere_counts_by_its_runs() -> None:
    runs = noisy(13)
    own = one(runs).between_run_sd
    certain = one(replace(runs, spread_prior=SpreadPrior(5.0, 1e6)))
    vague = one(replace(runs, spread_prior=SpreadPrior(5.0, 1e-6)))
    assert certain.between_run_sd == pytest.approx(5.0, rel=1e-3)
    assert vague.between_run_sd == pytest.approx(own, rel=1e-3)
    assert certain.degrees_of_freedom > 1e5


@pytest.mark.parametrize(
    ("duration_s", "says"),
    [
        ([], r"0 usable runs at 0 durations; .* Add 6 runs: one near 10 s, one near 16 s, one near 21 s$"),
        ([12.0] * 6, r"6 usable runs at 1 duration; .* Add 2 runs: one near 20 s, one near 26 s$"),
        ([6.0, 6.1, 6.0, 20.0, 20.0, 21.0], r"at 2 durations from 6 to 21 s; .* Add 1 run: one near 11 s$"),
        ([10.0, 10.0, 11.5, 11.5, 13.0, 13.0], r"1\.5 times the shortest\. Add 1 run: one near 17 s$"),
        ([6.0, 12.0, 20.0], r"3 usable runs at 3 durations from 6 to 20 s; .* Add 3 runs$"),
    ],
)
def test_what_is_missing_is_said_with_the_runs_that_would_help(duration_s: list[float], says: str) -> None:
    runs = RunValues("shake · tin · cube", np.array(duration_s), np.ones(len(duration_s)))
    with pytest.raises(NotEnoughData, match=r"^shake · tin · cube: .*" + says):
        fit_curves([runs])


def test_every_set_up_that_lacks_runs_is_named_at_once() -> None:
    short = [replace(noisy(1, PLANNED_S[:n]), label=f"set-up of {n}") for n in (2, 8, 3)]
    with pytest.raises(NotEnoughData) as refused:
        fit_curves(short)
    assert "set-up of 2:" in str(refused.value)
    assert "set-up of 3:" in str(refused.value)
    assert "set-up of 8:" not in str(refused.value)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    duration_s=st.lists(st.floats(3.0, 60.0), max_size=8),
    need=st.builds(Enough, st.integers(1, 8), st.integers(1, 5), st.floats(1.0, 3.0)),
)
def test_making_the_runs_it_asks_for_is_enough(duration_s: list[float], need: Enough) -> None:
    made = np.array(duration_s)
    text = shortfall(RunValues("shake", made, np.ones_like(made)), need)
    if text is None:
        return
    asked = [float(s) for s in re.findall(r"one near (\d+) s", text)]
    wanted = re.search(r"Add (\d+) run", text)
    assert wanted is not None
    others = asked[:1] or duration_s[:1]
    then = np.array(duration_s + asked + others * (int(wanted[1]) - len(asked)))
    assert shortfall(RunValues("shake", then, np.ones_like(then)), need) is None


def test_runs_that_only_show_a_plateau_give_a_level() -> None:
    duration_s = np.array([60.0, 60.0, 90.0, 90.0, 120.0, 120.0])
    found = one(RunValues("blend", duration_s, np.array([54.0, 55.0, 53.0, 54.0, 55.0, 54.0])))
    assert found.predict([60.0, 100.0]).mean == pytest.approx([54.2, 54.2], abs=0.6)


def test_a_need_set_too_low_still_does_not_make_a_curve_of_one_duration() -> None:
    runs = RunValues("stir", np.full(6, 12.0), np.array([30.0, 31.0, 29.0, 30.0, 31.0, 30.0]))
    with pytest.raises(NotEnoughData, match="tell no curve from a level"):
        fit_curves([runs], need=Enough(3, 1, 1.0))


def test_no_set_ups_give_no_fits() -> None:
    assert fit_curves([]) == ()
