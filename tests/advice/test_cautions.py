"""Cautions are worked out for the drink at hand, name what can hurt, and leave the last word to local codes."""

from __future__ import annotations

import numpy as np
import pytest

from rig.advice.call.assumed import filled
from rig.advice.call.cautions import cautions, contents, glass_shock
from rig.bench import Bench, parse_bench
from rig.fitting.bench_fit import prior_fit
from rig.fitting.prediction import predict
from rig.fitting.situation import Situation
from rig.runs import RunBook

BENCH = """
[vessels."steel tin"]
material = "stainless steel"
mass_g = 300
[vessels."rocks glass"]
material = "glass"
mass_g = 300
[ice.cube]
edge_mm = 25
temp_c = -16
[recipes.drink]
ingredients = [{ name = "spirit", volume_ml = 40, abv_pct = 40 }, INGREDIENT]
"""


def told(ingredient: str, **given: float | str) -> str:
    bench, notes = parse_bench(BENCH.replace("INGREDIENT", ingredient))
    assert notes == ()
    return " ".join(_of(bench, **given))


def _of(bench: Bench, **given: float | str) -> tuple[str, ...]:
    asked = {
        "technique": "shake",
        "vessel": "steel tin",
        "ice": "cube",
        "recipe": "drink",
        "drink_temp_c": 20.0,
    }
    s = Situation(**{**asked, **given})  # type: ignore[arg-type]
    fit = prior_fit(RunBook(bench, ()))
    holds = contents(bench, s, predict(fit, s, np.array([10.0]), draws=16))
    return cautions(bench, filled(fit, s), holds)


JUICE = '{ name = "juice", volume_ml = 30 }'


@pytest.mark.parametrize(
    ("ingredient", "says"),
    [
        ('{ name = "egg white", volume_ml = 25, allergens = ["egg"] }', "Raw egg (egg white)"),
        ('{ name = "foamer", volume_ml = 25, allergens = ["eggs"] }', "Raw egg (foamer)"),
        (
            '{ name = "oat milk", volume_ml = 25 }',
            "Allergen to check: oat milk may hold cereals containing gluten",
        ),
        ('{ name = "cream", volume_ml = 25, allergens = ["milk"] }', "Declared allergens: milk."),
        ('{ name = "coffee", volume_ml = 50 }', "Caffeine: the recipe has coffee but declares no caffeine"),
        ('{ name = "coffee", volume_ml = 50, caffeine_mg = 90 }', "Caffeine: 90 mg in this drink (EFSA 2015"),
        ('{ name = "coffee", volume_ml = 50, caffeine_mg = 240 }', "240 mg is above the 200 mg at once"),
        (JUICE, "Alcohol: 13 g in this drink, 0.9 US standard drinks of 14 g"),
    ],
)
def test_what_is_in_the_drink_is_cautioned_and_deferred(ingredient: str, says: str) -> None:
    said = told(ingredient)
    assert says in said
    assert said.endswith("Local codes and licensed practice come first.")


@pytest.mark.parametrize("absent", ["Raw egg", "Caffeine", "Allergen", "kPa", "glass"])
def test_nothing_is_cautioned_that_is_not_there(absent: str) -> None:
    assert absent not in told(JUICE)


def test_a_brews_caffeine_is_cautioned_with_its_range() -> None:
    said = told('{ name = "coffee", brew = { method = "espresso", dose_g = 18, yield_g = 40 } }')
    assert "Caffeine: 191 mg in this drink (148 to 256 by bean and brewing)" in said
    assert "may be above 200 mg at once" in said


def test_half_a_drink_holds_half_of_it() -> None:
    coffee = '{ name = "coffee", mass_g = 62, caffeine_mg = 240 }'
    whole, half = told(coffee), told(coffee, drink_mass_g=50.0)
    assert "above the 200 mg" in whole and "above the 200 mg" not in half
    assert "13 g" in whole and "6 g in this drink" in half


@pytest.mark.parametrize(
    ("drink_c", "glass_c", "ice_c", "says"),
    [
        # 67 °C espresso into a −10 °C soda-lime glass: 77 K, over the derived 37 K.
        (67.0, -10.0, None, "Hot drink, frozen glass: 67 °C into a coupe at -10 °C is 77 K at once"),
        (67.0, 4.0, None, "Hot drink, chilled glass"),
        (67.0, 21.0, -16.0, "Glass and heat: 67 °C liquid, then ice,"),
        (20.0, 60.0, -16.0, "Hot glass and ice: a coupe at 60 °C"),
    ],
)
def test_sudden_differences_in_glass_are_cautioned(
    drink_c: float, glass_c: float, ice_c: float | None, says: str
) -> None:
    assert any(says in text for text in glass_shock(drink_c, glass_c, ice_c, "coupe"))


@pytest.mark.parametrize(
    ("drink_c", "glass_c", "ice_c"), [(-4.0, -15.0, None), (20.0, 21.0, -16.0), (20.0, 25.0, -18.0)]
)
def test_everyday_practice_with_glass_is_not_cautioned(
    drink_c: float, glass_c: float, ice_c: float | None
) -> None:
    assert glass_shock(drink_c, glass_c, ice_c, "coupe") == []


def test_building_hot_in_a_frozen_glass_is_cautioned_but_not_in_steel() -> None:
    hot = {"technique": "build", "drink_temp_c": 67.0, "vessel_temp_c": -15.0}
    assert "frozen glass" in told(JUICE, vessel="rocks glass", **hot)
    assert "frozen glass" not in told(JUICE, **hot)
