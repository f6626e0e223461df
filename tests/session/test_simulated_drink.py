"""The simulated drink is the one that was asked for, in the bench's own world, and lands as often as is called."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.advice.call.odds import RESULTS, Result, lands
from rig.advice.live.live import live_call
from rig.arrays import FloatArray
from rig.bench import Ingredient, Recipe
from rig.fitting.bench_fit import fit, prior_fit
from rig.fitting.priors import P
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.runs import RunBook
from rig.session.simulated_drink import drawn_drink, simulated_drink
from tests.cli.small_bench import small_book

ASKED = Situation("shake", "steel tin", "freezer cube", "night shift")
HOT = Recipe(
    "hot shift",
    (
        Ingredient("coffee", volume_ml=60, temp_c=70),
        Ingredient("rum", volume_ml=40, abv_pct=40, temp_c=21),
    ),
)


@pytest.fixture(scope="module")
def known() -> Fit:
    return fit(small_book())


def test_it_lands_about_as_often_as_is_called(known: Fit) -> None:
    target = known.bench.targets["coupe"]
    seeds = range(40)
    call = live_call(known, ASKED, target).before
    assert call is not None
    results = np.full((len(seeds), len(RESULTS)), np.nan)
    volume_ml = 100.0
    for k, seed in enumerate(seeds):
        made = drawn_drink(known, ASKED, seed)
        results[k, RESULTS.index(Result.TEMP_C)] = made.temp_c(call.duration_s)
        results[k, RESULTS.index(Result.DILUTION)] = made.added_g(call.duration_s) / volume_ml
    assert lands(results, target).mean() == pytest.approx(call.odds, abs=0.15)


def test_the_same_seed_is_the_same_drink_and_another_differs_by_hand_not_by_world(known: Fit) -> None:
    one, again = (drawn_drink(known, ASKED, 4) for _ in range(2))
    assert np.array_equal(one.course_c, again.course_c)
    ends = [drawn_drink(known, ASKED, seed).temp_c(10.0) for seed in range(12)]
    assert 0.05 < np.std(ends) < 2.5


def test_it_starts_at_its_recipes_temperature(known: Fit) -> None:
    bench = replace(known.bench, recipes={**known.bench.recipes, HOT.name: HOT})
    hot = prior_fit(RunBook(bench, ()))
    asked = replace(ASKED, recipe=HOT.name)
    for world in (None, 3):
        made = simulated_drink(hot, asked, 2, world)
        assert 45.0 < made.temp_c(0.0) < 60.0
        assert made.drink_mass_g == pytest.approx(60 + 40 * 0.95, rel=0.06)


def test_what_is_stated_is_what_is_made(known: Fit) -> None:
    made = drawn_drink(known, replace(ASKED, ice_mass_g=260.0, drink_temp_c=8.0), 1)
    assert made.ice_mass_g == 260.0
    assert made.temp_c(0.0) == pytest.approx(8.0, abs=2.0)
    assert made.strained_g(8.0) == pytest.approx(made.drink_mass_g + made.added_g(8.0), abs=12.0)


def test_another_world_is_made_when_it_is_named(known: Fit) -> None:
    one, two = (simulated_drink(known, ASKED, 1, world).temp_c(6.0) for world in (3, 4))
    assert abs(one - two) > 0.05


def test_its_probe_is_as_slow_as_the_bench_knows_its_own_to_be(known: Fit) -> None:
    at = next(at for key, at in known.random_effects.index().items() if key[0] == P.LAG)

    def lags_s(times: float) -> FloatArray:
        effects = known.posterior.effects.copy()
        effects[at] += np.log(times)
        fit = replace(known, posterior=replace(known.posterior, effects=effects))
        return np.array([drawn_drink(fit, ASKED, seed).instruments.probe_lag_s for seed in range(4)])

    assert lags_s(40.0) == pytest.approx(2.0 * lags_s(20.0))
    assert len(set(lags_s(40.0))) > 1
    assert lags_s(1.0).max() < 1.0
    assert lags_s(40.0).min() > 5.0 * lags_s(1.0).max()
