"""Odds of runs left out, and whether they landed by their own weighing and end temperature."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from rig.advice.check.landed import landed, landing_odds, run_odds
from rig.bench import Target
from rig.physics.liquid import abv_pct, volume_ml
from rig.physics.recipe_liquid import liquid_from_recipe
from tests.advice.left_out_draws import BENCH, DRINK_G, HELD_G, TIN, VOLUME_ML, drawn

COUPE = BENCH.targets["coupe"]


@pytest.mark.parametrize("corr", [-0.9, 0.0, 0.6])
def test_odds_are_the_bivariate_normals(corr: float) -> None:
    """Judge: scipy.stats.multivariate_normal over the same rectangle."""
    left = drawn(2, (TIN,) * 25, corr=corr)
    low, high = COUPE.dilution_by_volume or (0.0, 0.0)
    for k, odds in enumerate(landing_odds(left, BENCH, COUPE)):
        water = left.strained_g[k] + HELD_G - DRINK_G - left.strained_residual_g[k]
        temp = left.end_temp_c[k] - left.temp_residual_k[k]
        law = multivariate_normal([water, temp], [[4.0, corr * 0.8], [corr * 0.8, 0.16]])
        judged = law.cdf([high * VOLUME_ML, -1.0], lower_limit=[low * VOLUME_ML, -np.inf])
        assert odds == pytest.approx(judged, abs=0.005)


def test_a_target_of_one_quantity_needs_no_other() -> None:
    left = drawn(2, (TIN,) * 12)
    cold = Target(serve_temp_c_max=-1.0, serve_temp_c_min=-2.0)
    middle = left.end_temp_c - left.temp_residual_k
    unweighed = replace(left, strained_g=np.full(12, np.nan), strained_residual_g=np.full(12, np.nan))
    judged = norm.cdf((-1.0 - middle) / 0.4) - norm.cdf((-2.0 - middle) / 0.4)
    assert landing_odds(unweighed, BENCH, cold) == pytest.approx(judged, abs=1e-9)
    assert np.isnan(landing_odds(unweighed, BENCH, COUPE)).all()
    thin = Target(dilution_by_volume=(0.30, 0.36))
    blind = replace(left, end_temp_c=np.full(12, np.nan), temp_residual_k=np.full(12, np.nan))
    water = left.added_g - left.strained_residual_g
    judged = norm.cdf((36.0 - water) / 2.0) - norm.cdf((30.0 - water) / 2.0)
    assert landing_odds(blind, BENCH, thin) == pytest.approx(judged, abs=0.005)
    assert np.isnan(landed(blind, BENCH, COUPE)).all()


def test_strength_and_volume_follow_from_the_water() -> None:
    """The window of water that a window of strength stands for, worked out the other way round."""
    left = drawn(4, (TIN,) * 10)
    liquid = liquid_from_recipe(BENCH.recipe("night shift")).liquid
    scaled = type(liquid)(
        *(
            getattr(liquid, n) * DRINK_G / liquid.mass_g
            for n in ("ethanol_g", "sugar_g", "water_g", "solids_g")
        )
    )
    strong, weak = (float(abv_pct(scaled.plus_water(w))) for w in (31.0, 37.0))
    water = left.added_g - left.strained_residual_g
    judged = norm.cdf((37.0 - water) / 2.0) - norm.cdf((31.0 - water) / 2.0)
    assert landing_odds(left, BENCH, Target(abv_pct=(weak, strong))) == pytest.approx(judged, abs=0.005)
    small, large = (
        float(volume_ml(scaled.plus_water(w)) * (1.0 - HELD_G / (DRINK_G + w))) for w in (31.0, 37.0)
    )
    found = landing_odds(left, BENCH, Target(volume_ml=(small, large)))
    assert found == pytest.approx(judged, abs=0.005)


def test_a_run_lands_by_its_own_weighing_and_end_temperature() -> None:
    left = replace(
        drawn(1, (TIN,) * 4),
        strained_g=np.array([132.0, 132.0, 140.0, np.nan]),
        end_temp_c=np.array([-1.5, -0.5, -1.5, -1.5]),
    )
    found = landed(left, BENCH, COUPE)
    assert found[:3].tolist() == [1.0, 0.0, 0.0]
    assert np.isnan(found[3])


def test_a_run_is_scored_against_the_target_it_was_made_for() -> None:
    left = replace(drawn(1, (TIN,) * 3), targets=("long", None, "gone from the bench"))
    assert run_odds(left, BENCH).targets[0] == "long"
    # the others of its recipe were made for "long" too, as far as anyone noted
    assert run_odds(left, BENCH).targets == ("long",) * 3


def test_where_nobody_noted_a_target_it_is_the_likeliest_without_the_run() -> None:
    left = replace(
        drawn(1, (TIN,) * 2),
        strained_g=np.array([132.0, 157.0]),
        strained_residual_g=np.zeros(2),
        end_temp_c=np.array([-1.5, 1.0]),
        temp_residual_k=np.zeros(2),
    )
    assert run_odds(left, BENCH).targets == ("coupe", "long")
    shifted = replace(left, strained_g=left.strained_g + 60.0, strained_residual_g=np.full(2, 60.0))
    assert run_odds(shifted, BENCH).targets == ("coupe", "long")  # what the run itself came to has no say


def test_a_target_for_air_alone_says_nothing_here() -> None:
    left = replace(drawn(1, (TIN,) * 2), targets=("airy", None))
    bench = replace(BENCH, targets={"airy": Target(overrun_pct_min=20.0, name="airy")})
    assert run_odds(left, bench).targets == (None, None)
    assert run_odds(left, replace(BENCH, targets={})).targets == (None, None)


def test_odds_that_say_the_true_spread_come_true() -> None:
    """Seeded: 3,000 runs drawn by the law that the predictions state land as often as said."""
    left = drawn(11, (TIN,) * 3000)
    said, did = landing_odds(left, BENCH, COUPE), landed(left, BENCH, COUPE)
    for low, high in ((0.2, 0.4), (0.4, 0.6), (0.6, 0.8)):
        mine = (said >= low) & (said < high)
        assert did[mine].mean() == pytest.approx(
            said[mine].mean(), abs=3 * np.sqrt(0.25 / mine.sum()) + 0.003
        )
