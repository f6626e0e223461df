"""Recipes before and after the water; scaled, strengthened, batched."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.advice.recipe.batch import FREEZING_MARGIN_K, Store, batch
from rig.advice.recipe.recipe_work import (
    properties,
    scaled,
    scaled_to_volume,
    strengthened,
)
from rig.bench import Ingredient, Recipe
from rig.errors import ModelRangeError

SOUR = Recipe(
    "pier sour",
    (
        Ingredient("spirit", volume_ml=60.0, abv_pct=40.0),
        Ingredient("juice", volume_ml=22.0, brix=9.0),
        Ingredient("syrup", volume_ml=18.0, sugar_g_per_100ml=61.5, caffeine_mg=2.0),
    ),
)
COFFEE = Recipe(
    "night crossing",
    (
        Ingredient("spirit", volume_ml=40.0, abv_pct=42.0),
        Ingredient("coffee", volume_ml=45.0, solids_pct=3.0),
        Ingredient("liqueur", volume_ml=10.0, abv_pct=20.0, sugar_g_per_100ml=30.0),
        Ingredient("syrup", volume_ml=10.0, sugar_g_per_100ml=80.0),
    ),
)
NEAT = Recipe("neat", (Ingredient("spirit", volume_ml=60.0, abv_pct=40.0),))


def test_water_thins_all_by_the_same_share():
    found = properties(SOUR, 0.5, acid_pct={"juice": 6.0})
    before, after = found.before, found.after[0]
    grow = after.volume_ml / before.volume_ml
    assert before.abv_pct / after.abv_pct == pytest.approx(grow)
    assert before.sugar_g_per_l / after.sugar_g_per_l == pytest.approx(grow)
    assert before.acid_g_per_l / after.acid_g_per_l == pytest.approx(grow)
    assert after.mass_g - before.mass_g == pytest.approx(50.0)
    assert before.freezing_c < after.freezing_c < 0.0
    assert properties(SOUR).before.acid_g_per_l is None


def test_a_window_of_dilution_gives_its_ends_and_middle():
    found = properties(SOUR, (0.4, 0.6), glass_ml=150.0, overrun_pct=20.0, held_back_g=3.0)
    assert [s.dilution_by_volume for s in found.after] == pytest.approx([0.4, 0.5, 0.6])
    assert [line.fits for line in found.wash_line] == [False, False, False]
    line = properties(SOUR, 0.4, glass_ml=150.0).wash_line[0]
    assert line.fits and line.free_ml + line.drink_ml == pytest.approx(150.0)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(
    wanted=st.floats(60, 400),
    dilution=st.floats(0, 1),
    overrun=st.floats(0, 150),
    held=st.floats(0, 8),
)
def test_scaled_to_a_volume_it_has_that_volume(wanted, dilution, overrun, held):
    made = scaled_to_volume(SOUR, wanted, dilution, overrun_pct=overrun, held_back_g=held)
    line = properties(made, dilution, glass_ml=1000.0, overrun_pct=overrun, held_back_g=held).wash_line[0]
    assert line.drink_ml == pytest.approx(wanted, rel=1e-6)


def test_scaling_keeps_strength_and_multiplies_caffeine():
    made = scaled(SOUR, 2.5)
    assert properties(made).before.abv_pct == pytest.approx(properties(SOUR).before.abv_pct)
    assert made.caffeine_mg == pytest.approx(5.0)
    assert SOUR.ingredients[0].volume_ml == 60.0


@settings(max_examples=25, deadline=None, derandomize=True)
@given(dilution=st.floats(0.2, 0.7), abv=st.floats(9, 14), sugar=st.floats(50, 80), volume=st.floats(80, 200))
def test_strengthened_it_lands_on_all_three_after_dilution(dilution, abv, sugar, volume):
    made = strengthened(
        COFFEE, dilution, abv_pct_wanted=abv, sugar_g_per_l_wanted=sugar, volume_ml_wanted=volume
    )
    after = properties(made.recipe, dilution).after[0]
    assert after.abv_pct == pytest.approx(abv, rel=1e-5)
    assert after.sugar_g_per_l == pytest.approx(sugar, rel=1e-5)
    assert after.volume_ml == pytest.approx(volume, rel=1e-6)


@pytest.mark.parametrize(
    ("wanted", "kept"),
    [
        ({"abv_pct_wanted": 12.0}, [("coffee", "syrup"), ("spirit", "liqueur")]),
        ({"sugar_g_per_l_wanted": 50.0}, [("spirit", "coffee", "liqueur")]),
        ({"volume_ml_wanted": 90.0}, [("spirit", "coffee", "liqueur", "syrup")]),
    ],
)
def test_what_is_not_asked_for_keeps_its_proportions(wanted, kept):
    made = strengthened(COFFEE, 0.5, **wanted)
    for names in kept:
        assert [made.factors[n] for n in names] == pytest.approx([made.factors[names[0]]] * len(names))
    assert made.after.volume_ml == pytest.approx(
        wanted.get("volume_ml_wanted", properties(COFFEE, 0.5).after[0].volume_ml)
    )


def test_more_dilution_asks_for_more_spirit():
    thin, thick = (strengthened(SOUR, d, abv_pct_wanted=14.0) for d in (0.6, 0.3))
    assert thin.factors["spirit"] > thick.factors["spirit"]
    assert thin.factors["juice"] < thick.factors["juice"]


@pytest.mark.parametrize(
    ("recipe", "keywords", "told"),
    [
        (SOUR, {"abv_pct_wanted": 45.0}, "none or less of 'juice', 'syrup'"),
        (Recipe("soft", SOUR.ingredients[1:]), {"abv_pct_wanted": 10.0}, "no ingredient with alcohol"),
        (NEAT, {"sugar_g_per_l_wanted": 50.0}, "no ingredient with syrup"),
        (NEAT, {"abv_pct_wanted": 20.0}, "nothing but what is changed"),
        (COFFEE, {"abv_pct_wanted": 14.0, "sugar_g_per_l_wanted": 5.0}, "none or less of 'syrup'"),
        (SOUR, {}, "say what to land on"),
    ],
)
def test_what_no_pour_can_reach_is_refused_with_what_can_be(recipe, keywords, told):
    with pytest.raises(ModelRangeError, match=told):
        strengthened(recipe, 0.4, **keywords)


def test_a_batch_is_its_servings_and_their_water():
    made = batch(SOUR, 20, 0.4)
    assert made.water_g == pytest.approx(20 * 0.4 * 100.0)
    assert made.total_ml == pytest.approx(20 * made.serving_ml)
    assert (made.bottles - 1) * 700.0 < made.total_ml <= made.bottles * 700.0
    assert [i.volume_ml for i in made.recipe.ingredients] == pytest.approx([1200.0, 440.0, 360.0])


@pytest.mark.parametrize("store", list(Store))
@pytest.mark.parametrize("recipe", [SOUR, NEAT])
def test_a_batch_is_safe_just_up_to_the_water_it_says(recipe, store):
    made = batch(recipe, 4, 0.1, store)
    most = made.most_water_by_volume
    if most is None:
        assert not made.stays_liquid
        return
    assert batch(recipe, 4, 0.98 * most, store).stays_liquid
    if most < 4.0:
        assert not batch(recipe, 4, most + 0.02, store).stays_liquid
        point = properties(recipe, most).after[0].freezing_c
        assert point + FREEZING_MARGIN_K == pytest.approx(store.coldest_c, abs=1e-6)


@pytest.mark.parametrize(
    "ask",
    [
        lambda: properties(SOUR, 5.0),
        lambda: properties(SOUR, -0.1),
        lambda: properties(SOUR, 0.4, acid_pct={"lemon": 5.0}),
        lambda: scaled(SOUR, 0.0),
        lambda: batch(SOUR, 0, 0.4),
        lambda: batch(SOUR, 4, 0.4, bottle_ml=1.0),
    ],
)
def test_what_cannot_be_is_refused(ask):
    with pytest.raises(ModelRangeError):
        ask()
