"""From recipes to masses."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.bench import Ingredient, Recipe
from rig.errors import BenchError
from rig.physics.liquid import abv_pct, brix, volume_ml
from rig.physics.recipe_liquid import Drink, liquid_from_recipe

repeatable = settings(max_examples=50, deadline=None, derandomize=True)


def drink(*ingredients: Ingredient) -> Drink:
    return liquid_from_recipe(Recipe("test drink", ingredients))


@repeatable
@given(
    volume=st.floats(5, 200),
    abv=st.floats(0, 60),
    sugar=st.floats(0, 30),
    solids=st.floats(0, 8),
)
def test_an_ingredient_has_the_volume_strength_and_sugar_that_were_declared(volume, abv, sugar, solids):
    made = drink(
        Ingredient("liqueur", volume_ml=volume, abv_pct=abv, sugar_g_per_100ml=sugar, solids_pct=solids)
    )
    assert volume_ml(made.liquid, check=False) == pytest.approx(volume, rel=1e-8)
    assert abv_pct(made.liquid, check=False) == pytest.approx(abv, rel=1e-8, abs=1e-9)
    assert made.liquid.sugar_g == pytest.approx(sugar * volume / 100)
    assert made.liquid.solids_g == pytest.approx(solids / 100 * made.liquid.mass_g)


@repeatable
@given(abv=st.floats(0, 50), sweet=st.floats(0, 40))
def test_by_mass_and_by_volume_an_ingredient_is_the_same(abv, sweet):
    poured = drink(Ingredient("liqueur", volume_ml=30.0, abv_pct=abv, brix=sweet)).liquid
    weighed = drink(Ingredient("liqueur", mass_g=float(poured.mass_g), abv_pct=abv, brix=sweet)).liquid
    for part in ("ethanol_g", "sugar_g", "water_g", "solids_g"):
        assert getattr(weighed, part) == pytest.approx(getattr(poured, part), rel=1e-7, abs=1e-9)


def test_60_ml_of_40_pct_spirit_holds_18_9_g_of_ethanol():
    # 315.7 g per litre at 40 % vol: OIML R 22
    made = drink(Ingredient("spirit", volume_ml=60, abv_pct=40))
    assert made.liquid.ethanol_g == pytest.approx(0.060 * 315.7, abs=0.01)
    assert made.liquid.mass_g == pytest.approx(60 * 0.94805, abs=0.001)


def test_syrup_of_equal_masses_is_50_brix():
    made = drink(Ingredient("syrup", volume_ml=20, brix=50))
    assert brix(made.liquid) == pytest.approx(50)
    assert made.liquid.mass_g == pytest.approx(20 * 1.2296, abs=0.003)  # CRC / ICUMSA


def test_the_trade_figure_is_the_sum_as_poured_and_the_mix_is_less():
    made = drink(Ingredient("coffee", volume_ml=50), Ingredient("spirit", volume_ml=50, abv_pct=96))
    assert made.starting_volume_ml == pytest.approx(100)
    assert 96 < made.volume_ml < 97.5


def test_a_declared_density_sets_the_mass():
    made = drink(Ingredient("cream", volume_ml=50, density_g_per_ml=1.01, solids_pct=37))
    assert made.liquid.mass_g == pytest.approx(50.5)
    assert made.liquid.solids_g == pytest.approx(0.37 * 50.5)
    assert made.starting_volume_ml == pytest.approx(50)


def test_dry_sugar_and_pure_alcohol_are_ingredients_too():
    made = drink(Ingredient("sugar", mass_g=12, brix=100), Ingredient("ethanol", volume_ml=10, abv_pct=100))
    assert (made.liquid.sugar_g, made.liquid.water_g) == pytest.approx((12, 0), abs=1e-6)
    assert made.liquid.ethanol_g == pytest.approx(7.892, abs=1e-3)


def test_temperature_is_weighted_by_heat_capacity():
    made = drink(
        Ingredient("espresso", volume_ml=50, temp_c=70),
        Ingredient("spirit", volume_ml=50, abv_pct=40, temp_c=20),
        Ingredient("syrup", volume_ml=10, brix=60),
    )
    # Water 4.19 J/(g·K) × 49.9 g, spirit 4.16 × 47.4 g, syrup 2.8 × 12.9 g, which states none and so is the room's
    by_hand = (209.0 * 70 + 197.4 * 20 + 36.1 * 15) / (209.0 + 197.4 + 36.1)
    assert made.mixed_temp_c(room_temp_c=15.0) == pytest.approx(by_hand, abs=0.3)


def test_a_drink_of_which_no_part_states_a_temperature_is_the_rooms():
    made = drink(Ingredient("coffee", volume_ml=50))
    assert not made.states_temp and made.mixed_temp_c(room_temp_c=18.0) == pytest.approx(18.0)


@pytest.mark.parametrize(
    "impossible",
    [
        Ingredient("odd", volume_ml=50, abv_pct=80, sugar_g_per_100ml=60),
        Ingredient("odd", mass_g=50, brix=60, solids_pct=50),
        Ingredient("odd", volume_ml=50, abv_pct=60, density_g_per_ml=0.3),
        Ingredient("odd", mass_g=50, abv_pct=5, brix=100),
        Ingredient("odd", volume_ml=50, sugar_g_per_100ml=200),
    ],
)
def test_what_does_not_fit_into_an_ingredient_is_refused_by_name(impossible):
    with pytest.raises(BenchError, match=r"'test drink': 'odd' cannot hold .* no room is left for water"):
        drink(impossible)


def test_an_ingredient_without_an_amount_is_refused():
    with pytest.raises(BenchError, match="needs volume_ml or mass_g"):
        drink(Ingredient("odd"))
