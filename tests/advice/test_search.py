"""Where a call is looked for, which moment is called, what ends its window, and what lies beyond the runs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.advice.call.odds import Limit, OddsCurve
from rig.advice.call.search import (
    basis_at,
    best_moment,
    beyond,
    durations,
    extrapolated,
    limited_by,
    widened,
)
from rig.fitting.bench_fit import prior_fit
from rig.fitting.prediction import Basis, BasisKind, predict
from rig.fitting.priors import MOTIONS
from rig.fitting.result import Measured
from rig.fitting.situation import Situation
from rig.runs import RunBook, SetUp
from tests.cli.small_bench import small_book

TIMES = np.arange(0.25, 40.01, 0.25)
RISING = np.interp(TIMES, [5.0, 9.0], [0.0, 1.0])
FALLING = np.interp(TIMES, [20.0, 26.0], [1.0, 0.0])


def between(rising: np.ndarray = RISING, falling: np.ndarray = FALLING) -> OddsCurve:
    """A drink that is too warm at first and too thin at last."""
    return OddsCurve(
        np.clip(rising + falling - 1.0, 0.0, 1.0),
        {
            Limit.TOO_WARM: 1.0 - rising,
            Limit.TOO_LITTLE_WATER: 0.3 * (1.0 - rising),
            Limit.TOO_THIN: 1.0 - falling,
        },
    )


def test_the_middle_of_a_top_with_two_ends_is_called() -> None:
    moment = best_moment(TIMES, between())
    assert moment.duration_s == pytest.approx(14.5, abs=0.5)
    assert moment.window_s == pytest.approx((8.6, 20.6), abs=0.3)


@pytest.mark.parametrize("ends_s", [40.0, 150.0])
def test_where_nothing_is_lost_by_going_on_the_earliest_moment_as_good_as_any_is_called(
    ends_s: float,
) -> None:
    times = np.linspace(0.25, ends_s, 300)
    odds = np.interp(times, [5.0, 9.0], [0.0, 0.97])
    moment = best_moment(times, OddsCurve(odds, {Limit.TOO_WARM: 1.0 - odds}))
    assert moment.duration_s == pytest.approx(9.0, abs=2.5 * (times[1] - times[0]) + 0.25)
    assert moment.window_s[1] == ends_s


def test_a_drink_that_warms_again_is_called_before_it_has_taken_on_more_water() -> None:
    """The odds end on both sides, yet no limit of the target is broken by water: later is never better."""
    odds = np.clip(RISING + FALLING - 1.0, 0.0, 1.0)
    moment = best_moment(TIMES, OddsCurve(odds, {Limit.TOO_WARM: 1.0 - odds}))
    assert moment.duration_s == pytest.approx(9.0, abs=0.5)
    assert moment.window_s[1] == pytest.approx(20.6, abs=0.3)


def test_a_limit_that_is_named_but_never_reached_is_none() -> None:
    odds = RISING
    curve = OddsCurve(odds, {Limit.TOO_LITTLE_WATER: 1.0 - odds, Limit.TOO_THIN: np.zeros_like(odds)})
    assert best_moment(TIMES, curve).duration_s == pytest.approx(9.0, abs=0.5)


def test_of_a_flat_top_the_part_is_called_that_runs_bear_out() -> None:
    assert best_moment(TIMES, between(), (4.0, 10.0)).duration_s == pytest.approx(10.4, abs=0.5)
    assert best_moment(TIMES, between(), (1.0, 3.0)) == best_moment(TIMES, between())
    assert best_moment(TIMES, between(), (4.0, 10.0)).window_s == best_moment(TIMES, between()).window_s


def test_where_nothing_lands_the_moment_between_not_yet_and_too_late_is_shown() -> None:
    warm = np.interp(TIMES, [20.0, 24.0], [1.0, 0.0])
    thin = np.interp(TIMES, [8.0, 12.0], [0.0, 1.0])
    curve = OddsCurve(np.zeros_like(TIMES), {Limit.TOO_WARM: warm, Limit.TOO_THIN: thin})
    moment = best_moment(TIMES, curve)
    assert moment.duration_s == pytest.approx(16.0, abs=0.5)
    assert moment.window_s == (moment.duration_s, moment.duration_s)
    assert limited_by(TIMES, curve, moment) == {"early": "too warm at 10 s", "late": "too thin at 40 s"}


@given(
    up=st.tuples(st.floats(0.3, 30.0), st.floats(1.5, 10.0)),
    down=st.tuples(st.floats(1.0, 45.0), st.floats(1.5, 10.0)),
    best=st.floats(0.05, 1.0),
)
def test_a_window_holds_its_call_and_lies_where_it_was_looked_for(
    up: tuple[float, float], down: tuple[float, float], best: float
) -> None:
    rising = np.interp(TIMES, [up[0], up[0] + up[1]], [0.0, 1.0])
    falling = np.interp(TIMES, [down[0], down[0] + down[1]], [1.0, 0.0])
    curve = between(rising, falling)
    curve = replace(curve, odds=best * curve.odds)
    moment = best_moment(TIMES, curve)
    low, high = moment.window_s
    assert TIMES[0] <= low <= moment.duration_s <= high <= TIMES[-1]
    assert np.interp(moment.duration_s, TIMES, curve.odds) >= 0.5 * curve.odds.max()
    assert set(limited_by(TIMES, curve, moment)) == {"early", "late"}


# --- reasons -----------------------------------------------------------------------------------------


def test_the_reason_on_each_side_is_the_limit_that_grows_there() -> None:
    """Most of what misses at both ends is too thin, but stopping earlier never makes a drink thinner."""
    thin = np.interp(TIMES, [10.0, 40.0], [0.4, 0.9])
    cold = np.interp(TIMES, [5.0, 9.0], [0.3, 0.0])
    odds = np.clip(1.0 - thin - cold, 0.0, 1.0)
    curve = OddsCurve(odds, {Limit.TOO_THIN: thin, Limit.TOO_WARM: cold})
    told = limited_by(TIMES, curve, best_moment(TIMES, curve))
    assert told["early"].startswith("too warm before ")
    assert told["late"].startswith("too thin after ")


def test_a_window_that_begins_with_the_search_has_no_reason_early() -> None:
    curve = between(rising=np.ones_like(TIMES))
    assert limited_by(TIMES, curve, best_moment(TIMES, curve))["early"] == "nothing: any earlier is as good"


def test_a_window_that_only_water_lengthens_says_so() -> None:
    curve = OddsCurve(RISING, {Limit.TOO_WARM: 1.0 - RISING})
    assert limited_by(TIMES, curve, best_moment(TIMES, curve))["late"] == "nothing: longer only adds water"
    rising_to_the_end = np.interp(TIMES, [0.0, 40.0], [0.0, 0.8])
    curve = OddsCurve(
        rising_to_the_end, {Limit.TOO_WARM: 1.0 - rising_to_the_end, Limit.TOO_THIN: np.full_like(TIMES, 0.1)}
    )
    late = limited_by(TIMES, curve, best_moment(TIMES, curve))["late"]
    assert late == "nothing within the durations looked at"


# --- how far it looks, and what no run bears out ---------------------------------------------------------


SET_UP = SetUp("shake", "steel tin", "freezer cube")


@pytest.mark.parametrize("technique", ["shake", "stir", "swirl", "blend", "build", "nobody knows"])
def test_it_looks_as_long_as_the_technique_can_sensibly_last(technique: str) -> None:
    fit = prior_fit(RunBook(small_book().bench, ()))
    times = durations(fit, technique)
    assert times[-1] == pytest.approx(MOTIONS[fit.bench.motion(technique)].longest_s)
    assert times[0] == 0.25 and np.all(np.diff(times) > 0)


@pytest.mark.parametrize(("run_s", "longest_s"), [(6.5, 40.0), (52.0, 52.0)])
def test_a_short_run_does_not_shorten_the_search_and_a_long_one_lengthens_it(
    run_s: float, longest_s: float
) -> None:
    fit = prior_fit(RunBook(small_book().bench, ()))
    made = Measured(1, (run_s, run_s), (22.0, 22.0), (200.0, 200.0))
    assert durations(replace(fit, measured={(SET_UP, "night shift"): made}), "shake")[-1] == longest_s


def test_durations_within_the_runs_are_borne_out_and_no_others() -> None:
    times = np.array([4.9, 5.0, 9.0, 17.0, 17.1])
    assert extrapolated(times, (5.0, 17.0)).tolist() == [True, False, False, False, True]
    assert extrapolated(times, None).all()
    assert beyond(np.array([2.5, 10.0, 34.0]), (5.0, 17.0)) == pytest.approx([np.log(2), 0.0, np.log(2)])


BASIS = Basis(5, BasisKind.MEASURED, 9)


@pytest.mark.parametrize(
    ("at_s", "kind", "says"),
    [
        (12.0, BasisKind.MEASURED, ()),
        (18.0, BasisKind.MEASURED, ("a shake of 18 s, run from 5 to 17 s",)),
        (21.0, BasisKind.TRANSFERRED, ("a shake of 21 s, run from 5 to 17 s",)),
        (4.0, BasisKind.TRANSFERRED, ("a shake of 4 s, run from 5 to 17 s",)),
    ],
)
def test_a_call_beyond_the_runs_says_so_and_far_beyond_them_is_not_measured(
    at_s: float, kind: BasisKind, says: tuple[str, ...]
) -> None:
    found = basis_at(BASIS, "shake", at_s, (5.0, 17.0))
    assert (found.kind, found.extrapolated, found.runs) == (kind, says, 5)


def test_a_drink_without_a_run_keeps_its_basis() -> None:
    never = Basis(0, BasisKind.TRANSFERRED, 9, ("never",))
    assert basis_at(never, "shake", 12.0, None) is never


def test_bands_widen_beyond_the_runs_and_nowhere_else() -> None:
    fit = prior_fit(RunBook(small_book().bench, ()))
    times = np.array([2.0, 5.0, 12.0, 17.0, 20.0, 34.0])
    plain = predict(fit, Situation("shake", "steel tin", "freezer cube", "night shift"), times, draws=128)
    wide = widened(plain, (5.0, 17.0))
    ratio = wide.temp_c.std(axis=0) / plain.temp_c.std(axis=0)
    assert ratio[1:4] == pytest.approx(1.0)
    assert ratio[0] > 1.0 and 1.0 < ratio[4] < ratio[5]
    assert np.median(wide.temp_c, axis=0) == pytest.approx(np.median(plain.temp_c, axis=0))
    assert np.all(wide.added_g >= 0.0) and np.all(np.diff(wide.added_g[:, 3:], axis=1) >= 0.0)
    assert wide.dilution_by_volume == pytest.approx(wide.added_g / plain.start_volume_ml)
    assert widened(plain, None) is plain
