"""Comparing set-ups: against SciPy, statsmodels, published tables, and by how often it errs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from rig.advice.evidence.statistics import (
    Estimate,
    Verdict,
    combined,
    difference,
    holm,
    judge,
    mean_of,
    pooled_sd,
    power,
    repeatability,
    runs_needed,
)
from rig.arrays import FloatArray
from rig.errors import NotEnoughData

FIRST = np.array([0.412, 0.398, 0.441, 0.405, 0.423])
SECOND = np.array([0.367, 0.395, 0.352, 0.381, 0.377, 0.371, 0.364])


def known(value: float, standard_error: float, freedom: float) -> Estimate:
    return Estimate(np.asarray(value), np.asarray(standard_error), np.asarray(freedom))


def test_the_difference_of_two_means_is_welchs() -> None:
    judge_ = stats.ttest_ind(FIRST, SECOND, equal_var=False)
    found = difference(mean_of(FIRST), mean_of(SECOND))
    assert found.degrees_of_freedom == pytest.approx(judge_.df)
    assert found.p_zero() == pytest.approx(judge_.pvalue)
    low, high = judge_.confidence_interval(0.9)
    assert found.interval(0.9) == (pytest.approx(low), pytest.approx(high))


def test_many_comparisons_travel_as_one_array_with_gaps() -> None:
    rng = np.random.default_rng(5)
    values = rng.normal(size=(2, 30, 8))
    values[rng.random(values.shape) < 0.3] = np.nan
    found = difference(mean_of(values[0]), mean_of(values[1]))
    for n in range(30):
        sides = [side[n][np.isfinite(side[n])] for side in values]
        alone = stats.ttest_ind(*sides, equal_var=False)
        assert found.p_zero()[n] == pytest.approx(alone.pvalue)
        assert found.degrees_of_freedom[n] == pytest.approx(alone.df)


def test_a_single_run_has_a_value_and_no_error() -> None:
    found = mean_of([[3.0, np.nan], [np.nan, np.nan]])
    assert found.value[0] == 3.0
    assert np.isnan(found.value[1])
    assert np.isnan(found.standard_error).all()
    assert np.isnan(found.degrees_of_freedom).all()


def test_gauge_block_example_of_the_gum() -> None:
    """JCGM 100:2008, H.1: contributions in nm with their degrees of freedom (table H.1 and H.1.6)."""
    budget = combined([known(0, 25, 18), known(0, 9.7, 25.6), known(0, 2.9, 50), known(0, 16.6, 2)])
    assert budget.standard_error**2 == pytest.approx(1002, abs=1.5)
    assert budget.degrees_of_freedom == pytest.approx(16.7, abs=0.1)
    truncated = known(0, 32, np.floor(budget.degrees_of_freedom))
    assert truncated.interval(0.99)[1] == pytest.approx(93, abs=0.6)
    assert truncated.interval(0.99)[1] / 32 == pytest.approx(2.92, abs=0.005)


def test_sensitivities_scale_what_they_multiply() -> None:
    found = combined([known(2.0, 0.3, 7), known(5.0, 0.4, np.inf)], [2.0, -1.0])
    assert found.value == pytest.approx(-1.0)
    assert found.standard_error == pytest.approx(np.hypot(0.6, 0.4))
    assert found.degrees_of_freedom == pytest.approx(7 * (0.36 + 0.16) ** 2 / 0.36**2)


def test_what_is_known_for_good_costs_no_degrees_of_freedom() -> None:
    found = combined([known(1.0, 0.5, np.inf), known(2.0, 0.0, 3)])
    assert np.isinf(found.degrees_of_freedom)
    assert found.interval(0.95)[1] == pytest.approx(3.0 + 1.959964 * 0.5)


@pytest.mark.parametrize("margin", [0.02, 0.05, 0.08])
def test_equivalence_is_two_one_sided_tests(margin: float) -> None:
    weightstats = pytest.importorskip("statsmodels.stats.weightstats")
    p = weightstats.ttost_ind(FIRST, SECOND, -margin, margin, usevar="unequal")[0]
    assert difference(mean_of(FIRST), mean_of(SECOND)).p_beyond(margin) == pytest.approx(p)


@pytest.mark.parametrize(
    ("raw", "adjusted"),
    [
        # By hand from Holm 1979: smallest × 4, next × 3, next × 2, never falling.
        ([0.01, 0.04, 0.03, 0.005], [0.03, 0.06, 0.06, 0.02]),
        ([0.2], [0.2]),
        ([0.6, 0.7], [1.0, 1.0]),
        ([0.01, np.nan, 0.02], [0.02, np.nan, 0.02]),
    ],
)
def test_holm_by_hand(raw: list[float], adjusted: list[float]) -> None:
    assert holm(raw) == pytest.approx(np.array(adjusted), nan_ok=True)


def test_holm_agrees_with_statsmodels_row_by_row() -> None:
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    p = np.random.default_rng(8).uniform(size=(20, 9)) ** 3
    assert holm(p) == pytest.approx(np.array([multitest.multipletests(row, method="holm")[1] for row in p]))


@pytest.mark.parametrize(
    ("value", "standard_error", "freedom", "verdict"),
    [
        (5.0, 1.0, 10, Verdict.DIFFERENT),
        (-5.0, 1.0, 10, Verdict.DIFFERENT),
        (0.1, 0.5, 10, Verdict.NO_DIFFERENCE_THAT_MATTERS),
        (0.5, 0.1, 10, Verdict.NO_DIFFERENCE_THAT_MATTERS),  # real, and too small to matter
        (1.5, 1.0, 10, Verdict.CANNOT_TELL),
        (0.0, 5.0, 10, Verdict.CANNOT_TELL),
        (5.0, np.nan, np.nan, Verdict.NOT_COMPARABLE),
        (0.0, 0.0, np.inf, Verdict.NO_DIFFERENCE_THAT_MATTERS),
        (5.0, 0.0, np.inf, Verdict.DIFFERENT),
    ],
)
def test_the_four_verdicts(value: float, standard_error: float, freedom: float, verdict: Verdict) -> None:
    one = judge(Estimate(*np.array([[value], [standard_error], [freedom]])), margin=2.0)
    assert [j.verdict for j in one] == [verdict]


def test_comparisons_made_together_are_judged_more_strictly() -> None:
    alone = Estimate(np.array([2.4]), np.array([1.0]), np.array([20.0]))
    among = Estimate(np.array([2.4] + [0.0] * 9), np.ones(10), np.full(10, 20.0))
    assert judge(alone, margin=0.5)[0].verdict is Verdict.DIFFERENT
    assert judge(among, margin=0.5)[0].verdict is Verdict.CANNOT_TELL
    assert judge(among, margin=0.5)[0].low == pytest.approx(judge(alone, margin=0.5)[0].low)


def test_a_pair_that_cannot_be_compared_does_not_count_against_the_others() -> None:
    both = Estimate(np.array([2.4, 1.0]), np.array([1.0, np.nan]), np.array([20.0, np.nan]))
    found = judge(both, margin=0.5)
    assert [j.verdict for j in found] == [Verdict.DIFFERENT, Verdict.NOT_COMPARABLE]


@pytest.mark.parametrize(("runs", "sd_ratio"), [((4, 7), 3.0), ((6, 6), 1.0), ((8, 4), 2.0)])
def test_intervals_hold_the_true_difference_as_often_as_they_say(
    runs: tuple[int, int], sd_ratio: float
) -> None:
    rng = np.random.default_rng(42)
    first = rng.normal(0.4, 0.02, (4000, runs[0]))
    second = rng.normal(0.3, 0.02 * sd_ratio, (4000, runs[1]))
    low, high = difference(mean_of(first), mean_of(second)).interval(0.95)
    # ±0.0035 is one standard error of 4000 tries; Welch's own approximation is good to about half a point.
    assert ((low < 0.1) & (high > 0.1)).mean() == pytest.approx(0.95, abs=0.012)


def test_among_equal_set_ups_one_family_in_twenty_shows_any_difference() -> None:
    rng = np.random.default_rng(7)
    means = mean_of(rng.normal(0, 1, (2000, 5, 6)))
    first, second = np.triu_indices(5, 1)
    pairs = difference(
        *(
            Estimate(means.value[:, i], means.standard_error[:, i], means.degrees_of_freedom[:, i])
            for i in (first, second)
        )
    )
    assert 0.01 < (holm(pairs.p_zero()) <= 0.05).any(axis=1).mean() <= 0.055


def test_a_difference_at_the_margin_passes_as_none_one_time_in_twenty_at_most() -> None:
    rng = np.random.default_rng(9)
    found = difference(mean_of(rng.normal(1.0, 0.4, (4000, 10))), mean_of(rng.normal(0.0, 0.4, (4000, 10))))
    assert (found.p_beyond(1.0) <= 0.05).mean() == pytest.approx(0.05, abs=0.01)


@pytest.mark.parametrize(
    ("effect", "runs"),
    [(0.3, 175), (0.4, 100), (0.5, 64), (0.6, 45), (0.7, 33), (0.8, 26), (1.0, 17), (1.4, 9)],
)
def test_runs_needed_are_those_of_cohens_table(effect: float, runs: int) -> None:
    """Cohen 1988, chapter 2, α = 0.05 two-sided, power 0.80; his entries are rounded or interpolated."""
    assert abs(runs_needed(effect, 1.0) - runs) <= 1


@pytest.mark.parametrize("runs", [(3, 3), (6, 6), (12, 5)])
@pytest.mark.parametrize("effect", [0.2, 1.0, 2.5])
def test_power_agrees_with_statsmodels(runs: tuple[int, int], effect: float) -> None:
    judge_ = pytest.importorskip("statsmodels.stats.power").TTestIndPower()
    expected = judge_.power(effect, runs[0], 0.05, ratio=runs[1] / runs[0], alternative="two-sided")
    assert power(effect * 0.02, 0.02, *runs) == pytest.approx(expected, abs=1e-9)


def test_power_is_how_often_the_difference_is_seen() -> None:
    rng = np.random.default_rng(1)
    first, second = rng.normal(1.0, 1.0, (4000, 8)), rng.normal(0.0, 1.0, (4000, 8))
    seen = (stats.ttest_ind(first, second, axis=1).pvalue < 0.05).mean()
    assert power(1.0, 1.0, 8, 8) == pytest.approx(seen, abs=0.025)


@given(effect=st.floats(0.1, 6.0), wanted=st.sampled_from([0.5, 0.8, 0.95]))
@settings(max_examples=25, deadline=None, derandomize=True)
def test_runs_needed_are_the_fewest_that_do(effect: float, wanted: float) -> None:
    runs = runs_needed(effect, 1.0, wanted)
    assert power(effect, 1.0, runs, runs) >= wanted
    assert power(effect, 1.0, runs - 1, runs - 1) < wanted


def test_a_difference_nobody_can_see_is_said_to_be_one() -> None:
    with pytest.raises(NotEnoughData, match="more than 10000 runs"):
        runs_needed(0.001, 1.0)


def test_spread_within_groups_is_pooled_over_all_of_them() -> None:
    found = pooled_sd([[1.0, 3.0], [10.0, 10.0, 13.0, np.nan], [99.0]])
    assert found.degrees_of_freedom == 3
    assert found.sd == pytest.approx(np.sqrt((2.0 + 6.0) / 3))
    assert np.isnan(pooled_sd([[1.0], []]).sd)


@given(seed=st.integers(0, 2**32 - 1), offset=st.sampled_from([0.0, 100.0, -1e4]))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_analysis_of_variance_agrees_with_scipy(seed: int, offset: float) -> None:
    rng = np.random.default_rng(seed)
    groups = [rng.normal(0, 1, rng.integers(1, 6)) for _ in range(rng.integers(2, 6))] + [rng.normal(0, 1, 3)]
    expected = stats.f_oneway(*groups)
    found = repeatability([values + offset for values in groups])
    assert found.f_ratio == pytest.approx(expected.statistic, rel=1e-7)
    assert found.p_value == pytest.approx(expected.pvalue, rel=1e-7)
    assert found.reproducibility_sd >= found.repeatability_sd


def test_groups_that_agree_too_well_have_no_spread_between_them() -> None:
    found = repeatability([[1.0, 3.0], [1.1, 2.9], [0.9, 3.1]])
    assert found.between_sd == 0
    assert found.reproducibility_sd == found.repeatability_sd


@pytest.mark.parametrize("sizes", [(4, 4, 4, 4, 4, 4), (2, 3, 4, 5, 6, 8)])
def test_spread_between_groups_is_recovered_on_average(sizes: tuple[int, ...]) -> None:
    rng = np.random.default_rng(13)

    def once() -> tuple[float, float]:
        found = repeatability([rng.normal(rng.normal(0, 3.0), 1.0, n) for n in sizes])
        return found.between_sd**2, found.repeatability_sd**2

    between, within = np.mean([once() for _ in range(800)], axis=0)
    assert within == pytest.approx(1.0, abs=0.05)
    assert between == pytest.approx(9.0, rel=0.08)


@pytest.mark.parametrize("groups", [[[1.0, 2.0]], [[1.0], [2.0]], [], [[], [1.0, 2.0, 3.0]]])
def test_too_few_groups_or_repeats_are_refused_with_a_cure(groups: Sequence[FloatArray]) -> None:
    with pytest.raises(NotEnoughData, match="Add runs by another operator"):
        repeatability(groups)
