"""Coffee as an ingredient: masses balance, ranges are ordered, what cannot be is refused."""

from dataclasses import replace

import pytest

from rig.bench import Recipe
from rig.errors import BenchError, ModelRangeError
from rig.physics.brew import (
    Bean,
    Brew,
    BrewMethod,
    beverage_g,
    brewed,
    caffeine_mg,
    extraction_pct,
    ingredient_from_brew,
    several_short,
    steeped_extraction_pct,
)
from rig.physics.recipe_liquid import liquid_from_recipe

ESPRESSO = Brew(BrewMethod.ESPRESSO, 18.0, yield_g=40.0)


@pytest.mark.parametrize("method", list(BrewMethod))
def test_strength_and_extraction_are_each_others_inverse(method):
    first = brewed(Brew(method, 15.0, water_g=120.0, yield_g=90.0))
    back = brewed(Brew(method, 15.0, water_g=120.0, yield_g=90.0, tds_pct=first.tds_pct.typical))
    assert back.extraction_pct.typical == pytest.approx(first.extraction_pct.typical)


@pytest.mark.parametrize("method", list(BrewMethod))
def test_what_is_kept_and_what_is_in_the_cup_are_the_water(method):
    made = brewed(Brew(method, 20.0, water_g=200.0))
    for kept, cup in (("low", "high"), ("typical", "typical"), ("high", "low")):
        assert getattr(made.kept_g, kept) + getattr(made.yield_g, cup) == pytest.approx(200.0)


@pytest.mark.parametrize("brew", [ESPRESSO, Brew(BrewMethod.STEEPED, 30.0, water_g=500.0, tds_pct=1.3)])
def test_ranges_are_ordered_and_measured_figures_have_none(brew):
    made = brewed(brew)
    for name in ("yield_g", "volume_ml", "water_g", "kept_g", "tds_pct", "extraction_pct", "caffeine_mg"):
        spread = getattr(made, name)
        assert spread.low <= spread.typical <= spread.high
    assert made.yield_g.is_known == (brew.yield_g is not None)
    assert made.tds_pct.is_known == (brew.tds_pct is not None)


def test_arrays_go_in_and_come_out():
    assert extraction_pct([1.2, 1.4], 240.0, 15.0) == pytest.approx([19.2, 22.4])
    assert beverage_g([200.0, 300.0], 15.0, 2.0) == pytest.approx([170.0, 270.0])
    assert caffeine_mg([7.0, 14.0], 12.0) == pytest.approx([71.4, 142.8])
    assert steeped_extraction_pct(1.5, 500.0, 30.0) > extraction_pct(1.5, 440.0, 30.0)


def test_several_short_brews_keep_the_strength_that_one_long_loses():
    choice = several_short(Brew(BrewMethod.CAPSULE, 5.5, yield_g=40.0), 100.0)
    assert choice.short.brew.count == 3
    assert choice.surplus_g == pytest.approx(20.0)
    assert choice.short.tds_pct.typical > 1.5 * choice.long.tds_pct.typical
    assert choice.short.caffeine_mg.typical == pytest.approx(3.0 * choice.long.caffeine_mg.typical)
    assert choice.long.yield_g.typical == pytest.approx(100.0)


def test_caffeine_follows_dose_and_bean_alone():
    long = replace(ESPRESSO, yield_g=60.0)
    assert brewed(long).caffeine_mg == brewed(ESPRESSO).caffeine_mg
    assert brewed(replace(ESPRESSO, bean=Bean.ROBUSTA)).caffeine_mg.low > brewed(ESPRESSO).caffeine_mg.high
    assert brewed(replace(ESPRESSO, bean=Bean.DECAFFEINATED)).caffeine_mg.high < 25.0


def test_a_brew_is_an_ingredient_of_the_same_mass_and_solids():
    ingredient = ingredient_from_brew(replace(ESPRESSO, count=2), temp_c=60.0)
    liquid = liquid_from_recipe(Recipe("coffee", (ingredient,))).liquid
    made = brewed(replace(ESPRESSO, count=2))
    assert float(liquid.mass_g) == pytest.approx(80.0)
    assert float(liquid.solids_g) == pytest.approx(made.tds_pct.typical / 100.0 * 80.0)
    assert ingredient.caffeine_mg == pytest.approx(made.caffeine_mg.typical, abs=0.05)


@pytest.mark.parametrize(
    ("brew", "error"),
    [
        (Brew(BrewMethod.ESPRESSO, 18.0), BenchError),
        (Brew(BrewMethod.ESPRESSO, 18.0, water_g=30.0, yield_g=50.0), BenchError),
        (Brew(BrewMethod.ESPRESSO, 0.0, yield_g=40.0), ModelRangeError),
        (Brew(BrewMethod.ESPRESSO, 18.0, yield_g=40.0, tds_pct=30.0), ModelRangeError),
        (Brew(BrewMethod.FILTER, 15.0, yield_g=240.0, tds_pct=2.5), ModelRangeError),
        (Brew(BrewMethod.FILTER, 60.0, water_g=100.0), ModelRangeError),
        (Brew(BrewMethod.ESPRESSO, 18.0, yield_g=40.0, count=0), ModelRangeError),
    ],
)
def test_a_brew_that_cannot_be_is_refused(brew, error):
    with pytest.raises(error):
        brewed(brew)


def test_over_and_under_extraction_are_named():
    over = brewed(Brew(BrewMethod.FILTER, 15.0, yield_g=240.0, tds_pct=1.6))
    under = brewed(Brew(BrewMethod.FILTER, 15.0, yield_g=240.0, tds_pct=0.9))
    assert any("over" in n for n in over.notes) and any("under" in n for n in under.notes)
