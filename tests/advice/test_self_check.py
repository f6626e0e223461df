"""The tool held against the runs it is fitted to, each foretold without itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from rig.advice.check.self_check import Observation, mean_residuals, self_check
from rig.advice.check.self_check_words import (
    coverage_sentence,
    leaning_sentence,
    odds_sentence,
    sentence,
    warnings,
)
from tests.advice.left_out_draws import BENCH, STIRRED, TIN, WET, drawn, residuals

THREE = (TIN,) * 8 + (WET,) * 8 + (STIRRED,) * 8


def test_the_band_counts_each_run_once_however_much_of_it_was_measured() -> None:
    left = drawn(5, (TIN,) * 4, corr=0.0)
    edge = stats.norm.ppf(0.95)
    left = replace(
        left,
        strained_residual_g=2.0 * np.array([0.9 * edge, 1.1 * edge, np.nan, 1.2 * edge]),
        temp_residual_k=0.4 * np.array([0.0, 0.0, -1.1 * edge, 1.0 * edge + 1e-9]),
    )
    check = self_check(left, BENCH)
    assert check.weighing is not None and (check.weighing.inside, check.weighing.runs) == (1, 3)
    assert check.temperature is not None and (check.temperature.inside, check.temperature.runs) == (2, 4)
    # two quantities at once have a wider band: 1.1 × 1.645 in one alone is within χ² of two degrees
    assert check.together is not None and (check.together.inside, check.together.runs) == (2, 4)


@pytest.mark.parametrize("corr", [-0.8, 0.0, 0.5])
def test_the_band_holds_nine_tenths_of_runs_drawn_by_its_own_law(corr: float) -> None:
    check = self_check(drawn(6, (TIN,) * 4000, corr=corr), BENCH)
    for found in (check.together, check.weighing, check.temperature):
        assert found is not None
        assert found.inside / found.runs == pytest.approx(0.9, abs=0.015)
        assert found.holds


def test_a_band_that_is_too_narrow_is_told_from_one_that_holds() -> None:
    narrow = self_check(drawn(6, (TIN,) * 60, sd_said=0.5), BENCH).together
    assert narrow is not None and not narrow.holds
    assert "too narrow" in coverage_sentence(narrow)
    assert any("too narrow" in w for w in warnings(self_check(drawn(6, (TIN,) * 60, sd_said=0.5), BENCH)))
    assert warnings(self_check(drawn(6, (TIN,) * 60), BENCH)) == []
    wide = self_check(drawn(6, (TIN,) * 60, sd_said=2.5), BENCH).together
    assert wide is not None and not wide.holds
    assert "wider than it need be" in coverage_sentence(wide)


def test_its_interval_is_wilsons() -> None:
    """Judge: statsmodels' proportion_confint."""
    found = self_check(drawn(6, (TIN,) * 30), BENCH).together
    assert found is not None
    judged = proportion_confint(found.inside, 30, alpha=0.05, method="wilson")
    assert (found.low, found.high) == pytest.approx(judged)


def test_mean_residuals_are_means_with_their_standard_errors() -> None:
    left = drawn(3, THREE)
    by_set_up = {(m.set_up, m.observation): m for m in mean_residuals(left) if m.recipe is None}
    for set_up in (TIN, WET, STIRRED):
        mine = np.array([s == set_up for s in left.set_ups])
        found = by_set_up[set_up, Observation.WEIGHING]
        assert found.runs == 8
        # a run more than three spreads out is held in: that moves a mean by no more than this
        assert found.mean == pytest.approx(left.strained_residual_g[mine].mean(), abs=0.05)
        # drawn with 2 g a run: the standard error of 8 is 0.71 g, as well as 24 runs can tell
        assert found.standard_error == pytest.approx(2.0 / np.sqrt(8), rel=0.35)
    assert by_set_up[TIN, Observation.TEMPERATURE].mean == pytest.approx(
        left.temp_residual_k[:8].mean(), abs=0.01
    )


def test_p_values_are_adjusted_for_all_that_is_looked_at() -> None:
    """Judge: statsmodels' multipletests, Holm."""
    means = [m for m in mean_residuals(drawn(3, THREE, lean_g={WET: 2.0})) if np.isfinite(m.p)]
    judged = multipletests([m.p for m in means], method="holm")[1]
    assert [m.p_adjusted for m in means] == pytest.approx(list(judged))


def test_five_stirred_runs_all_thinner_than_said_are_named_with_what_would_explain_it() -> None:
    """Weighings 3, 10, 6, 8 and 3 points below what is said, between set-ups that are as said."""
    others = drawn(9, (TIN,) * 8 + (WET,) * 8)
    water = np.concatenate([others.strained_residual_g, [-3.0, -10.0, -6.0, -8.0, -3.0]])
    left = drawn(
        9,
        (*others.set_ups, *(STIRRED,) * 5),
        strained_residual_g=water,
        temp_residual_k=np.concatenate([others.temp_residual_k, [0.1, -0.1, 0.05, -0.2, 0.1]]),
    )
    (leaning,) = self_check(left, BENCH).leanings
    assert leaning.set_up == STIRRED
    assert leaning.weighing is not None and leaning.weighing.same_side == 5
    said = leaning_sentence(leaning)
    assert (
        "stir · mixing glass · wet cube weighs 6.0 g (6.0 ml of water to 100 ml of drink) less than foretold"
        in said
    )
    assert "5 of 5 runs" in said
    assert "held back" in said


def test_one_run_with_a_wrong_weight_is_no_leaning_of_its_set_up() -> None:
    water = drawn(4, THREE).strained_residual_g.copy()
    water[2] = 30.0
    check = self_check(drawn(4, THREE, strained_residual_g=water), BENCH)
    assert check.leanings == ()
    tin = next(m for m in check.means if m.set_up == TIN and m.observation is Observation.WEIGHING)
    assert tin.mean < water[:8].mean() - 2.5


def test_a_lean_too_small_to_matter_is_not_named() -> None:
    left = drawn(2, (TIN,) * 400 + (WET,) * 400, strained_sd_g=1.0, lean_g={TIN: 0.4})
    tin = next(m for m in mean_residuals(left) if m.set_up == TIN and m.observation is Observation.WEIGHING)
    assert tin.p_adjusted < 0.01
    assert not tin.leans


def test_two_runs_do_not_lean() -> None:
    assert self_check(residuals((TIN,) * 2 + (WET,) * 8, [9.0, 9.0, *[0.5, -0.5] * 4]), BENCH).leanings == ()


def test_benches_that_are_as_said_are_seldom_called_leaning() -> None:
    """Seeded: of 200 benches of three set-ups, two quantities each, at most about one in twenty."""
    flagged = [any(m.leans for m in mean_residuals(drawn(seed, THREE))) for seed in range(200)]
    assert np.mean(flagged) <= 0.06
    # as seldom where the fit says spreads that are half or twice what they are
    for said in (0.5, 2.0):
        flagged = [any(m.leans for m in mean_residuals(drawn(s, THREE, sd_said=said))) for s in range(100)]
        assert np.mean(flagged) <= 0.08


@pytest.mark.parametrize(
    ("grams", "kelvin", "named"),
    [
        (5.0, 0.0, "less liquid held back"),
        (-5.0, 0.0, "more liquid held back"),
        (5.0, 1.0, "wetter or warmer ice than noted"),
        (-5.0, -1.0, "colder or drier ice than noted"),
        (5.0, -1.0, "finer"),
        (-5.0, 1.0, "coarser"),
        (0.0, 1.0, "probe"),
        (0.0, -1.0, "probe"),
    ],
)
def test_what_would_explain_a_lean_follows_from_both_signs(grams: float, kelvin: float, named: str) -> None:
    left = drawn(12, THREE, lean_g={WET: grams}, lean_k={WET: kelvin})
    (leaning,) = [x for x in self_check(left, BENCH).leanings if x.set_up == WET]
    assert any(named in cause for cause in leaning.causes)


def test_what_leaning_set_ups_share_is_looked_at_first() -> None:
    left = drawn(12, THREE, lean_g={WET: 5.0, STIRRED: 5.0})
    leanings = self_check(left, BENCH).leanings
    assert {x.set_up for x in leanings} == {WET, STIRRED}
    assert all(x.shared == ("ice",) for x in leanings)
    assert all("ice" in x.causes[0] for x in leanings)
    assert "So do the other set-ups with wet cube" in leaning_sentence(leanings[0])


def test_a_drink_that_leans_alone_is_named_with_its_set_up() -> None:
    night, light, wet = (drawn(s, (TIN,) * 10).strained_residual_g for s in (1, 2, 3))
    water = np.concatenate([night + 4.0, light - 4.0, wet])
    both = drawn(0, (TIN,) * 20 + (WET,) * 10, strained_residual_g=water)
    both = replace(both, recipes=("night shift",) * 10 + ("harbour light",) * 10 + ("night shift",) * 10)
    leanings = self_check(both, BENCH).leanings
    assert {(x.set_up, x.recipe) for x in leanings} == {(TIN, "night shift"), (TIN, "harbour light")}


def test_the_sentence_says_band_and_odds() -> None:
    left = drawn(21, THREE + THREE)
    check = self_check(left, BENCH)
    assert check.together is not None and check.odds is not None
    bin_ = check.odds.quoted
    assert sentence(check) == (
        f"Of 48 runs, {check.together.inside} lie in the 90 % band; calls of {bin_.about} landed "
        f"{bin_.landed.hits} of {bin_.landed.runs} times."
    )
    said = odds_sentence(check.odds)
    assert f"{check.odds.landed} of {check.odds.runs}" in said
    assert "Brier" in said


def test_runs_with_nothing_measured_say_what_is_missing() -> None:
    blind = drawn(
        1,
        (TIN,) * 3,
        strained_residual_g=np.full(3, np.nan),
        temp_residual_k=np.full(3, np.nan),
        end_temp_c=np.full(3, np.nan),
    )
    check = self_check(blind, BENCH)
    assert check.together is None and check.odds is None
    assert "needs a run" in sentence(check)


def test_no_number_is_a_negative_nought() -> None:
    left = residuals((TIN,) * 4, [-0.01, 0.005, -0.005, 0.001])
    check = self_check(left, BENCH)
    assert "-0.0" not in repr(check.to_dict()).replace("-0.00", "")
    means = [m for m in check.means if m.observation is Observation.WEIGHING]
    assert all(str(m.to_dict()["mean_residual_g"]) != "-0.0" for m in means)


def test_keys_are_stable_and_units_stand_in_the_names() -> None:
    out = self_check(drawn(2, THREE), BENCH).to_dict()
    assert set(out) == {
        "runs", "band", "coverage", "set_ups", "leanings", "odds", "calls",
    }  # fmt: skip
    assert set(out["coverage"]) == {"together", "weighing", "temperature"}
    assert set(out["coverage"]["weighing"]) == {"inside", "runs", "low", "high", "holds"}
    assert set(out["set_ups"][0]) == {
        "technique", "vessel", "ice", "recipe", "weighing", "temperature",
    }  # fmt: skip
    assert set(out["set_ups"][0]["weighing"]) == {
        "runs", "mean_residual_g", "standard_error_g", "runs_on_that_side", "p_adjusted", "leans",
    }  # fmt: skip
    assert set(out["set_ups"][0]["temperature"]) == {
        "runs", "mean_residual_k", "standard_error_k", "runs_on_that_side", "p_adjusted", "leans",
    }  # fmt: skip
