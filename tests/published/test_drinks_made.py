"""Drinks, their strength and their people, against published figures."""

import pytest

from rig.advice.recipe.batch import Store, batch
from rig.advice.recipe.people import CAFFEINE_DAY_MG, CAFFEINE_SINGLE_MG, StandardDrink, for_people
from rig.advice.recipe.recipe_work import properties
from rig.bench import Ingredient, Recipe


def spirit(volume_ml: float, abv_pct: float) -> Recipe:
    return Recipe("spirit", (Ingredient("spirit", volume_ml=volume_ml, abv_pct=abv_pct),))


@pytest.mark.parametrize(
    ("start_abv", "dilution", "finished"),
    # Arnold, Liquid Intelligence (2014), table of drinks (from memory): shaken 23.0–31.5 % with 51–60 %
    # finish at 15.0–19.7 %; stirred 29–43 % with 41–49 % at 21–29 %; blended 28.6 % with 90 % at 15.0 %.
    [(23.0, 0.51, 15.2), (31.5, 0.60, 19.7), (29.0, 0.41, 20.6), (43.0, 0.49, 28.9), (28.6, 0.90, 15.05)],
)
def test_finished_strength_is_that_of_the_published_table(start_abv, dilution, finished):
    after = properties(spirit(100.0, start_abv), dilution).after[0]
    assert after.abv_pct == pytest.approx(finished, abs=0.3)


@pytest.mark.parametrize(("added_g", "abv"), [(16.0, 32.9), (46.0, 24.7)])
def test_weighed_martinis_have_the_strength_their_mass_gives(added_g, abv):
    # 70 g of vodka at 40 % stirred to 86 g and shaken to 116 g (Gizmodo, 30 March 2012), by OIML R 22.
    vodka = Recipe("vodka", (Ingredient("vodka", mass_g=70.0, abv_pct=40.0),))
    start_ml = properties(vodka).starting_volume_ml
    after = properties(vodka, added_g / start_ml).after[0]
    assert after.mass_g == pytest.approx(70.0 + added_g)
    assert after.abv_pct == pytest.approx(abv, abs=0.1)


def test_sixty_of_spirit_and_forty_of_water_contract():
    # OIML R 22: 60 ml of 40 % and 40 ml of water are 99.89 ml at 24.03 % vol.
    after = properties(spirit(60.0, 40.0), 40.0 * 0.99820 / 60.0).after[0]
    assert after.volume_ml == pytest.approx(99.89, abs=0.02)
    assert after.abv_pct == pytest.approx(24.03, abs=0.02)


def test_standard_drinks_of_a_coffee_drink():
    # 45 ml at 40 % and 30 ml at 20 %: 24 ml of ethanol, 18.9 g, 2.4 UK units, 1.35 US drinks of 14 g.
    recipe = Recipe(
        "coffee drink",
        (Ingredient("spirit", volume_ml=45, abv_pct=40), Ingredient("liqueur", volume_ml=30, abv_pct=20)),
    )
    found = for_people(recipe)
    assert found.ethanol_ml == pytest.approx(24.0)
    assert found.ethanol_g == pytest.approx(18.9, abs=0.05)
    assert found.standard_drinks[StandardDrink.UK] == pytest.approx(2.4)
    assert found.standard_drinks[StandardDrink.US] == pytest.approx(1.35, abs=0.01)


def test_caffeine_limits_are_those_of_the_food_safety_authority():
    # EFSA 2015: 200 mg at once, 400 mg a day for adults.
    assert (CAFFEINE_SINGLE_MG, CAFFEINE_DAY_MG) == (200.0, 400.0)


def test_a_forty_per_cent_spirit_stays_liquid_in_a_freezer_and_a_sour_does_not():
    # CRC Handbook: 40 % vol (33.3 wt %) freezes from about −23.6 °C; 20 % vol from about −8.
    assert properties(spirit(60.0, 40.0)).before.freezing_c == pytest.approx(-23.6, abs=0.4)
    assert batch(spirit(60.0, 40.0), 10, 0.0, Store.FREEZER).stays_liquid
    assert not batch(spirit(60.0, 40.0), 10, 1.0, Store.FREEZER).stays_liquid
