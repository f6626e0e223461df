"""An ingredient may say how it was brewed: its mass, solids and caffeine follow, and it is kept as written."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rig.advice.people import for_people
from rig.advice.recipe_work import scaled
from rig.bench import Bench, Ingredient, Recipe, parse_bench
from rig.bench_toml import bench_toml
from rig.brewing import Bean, Brew, BrewMethod
from rig.errors import BenchError
from rig.importing.bench_folder import open_bench
from rig.importing.write_bench import book_json, write_bench
from rig.physics.brew import brewed
from rig.physics.recipe_liquid import liquid_from_recipe
from rig.runs import RunBook


def text(brew: str, beside: str = "") -> str:
    return (
        '[recipes."night call"]\n'
        "ingredients = [\n"
        '  { name = "spirit", volume_ml = 40, abv_pct = 40 },\n'
        f'  {{ name = "coffee", {beside}brew = {{ {brew} }} }},\n'
        "]\n"
    )


def recipe(brew: str) -> Recipe:
    bench, notes = parse_bench(text(brew))
    assert notes == ()
    return bench.recipe("night call")


def coffee_ml(brew: str) -> float:
    alone = Recipe("coffee", recipe(brew).ingredients[1:])
    return float(liquid_from_recipe(alone).starting_volume_ml)


FULL = 'method = "espresso", dose_g = 18, water_g = 250, yield_g = 40, tds_pct = 9'


def test_mass_solids_and_caffeine_are_those_of_the_brew() -> None:
    made = brewed(Brew(BrewMethod.ESPRESSO, 18.0, 250.0, 40.0, 9.0))
    alone = Recipe("coffee", recipe(FULL).ingredients[1:])
    liquid = liquid_from_recipe(alone).liquid
    assert float(liquid.mass_g) == pytest.approx(40.0)
    assert float(liquid.solids_g) == pytest.approx(3.6)
    assert float(liquid.ethanol_g) == 0.0
    assert float(liquid_from_recipe(alone).starting_volume_ml) == pytest.approx(made.volume_ml.typical)
    assert alone.caffeine_mg == pytest.approx(made.caffeine_mg.typical)
    assert alone.caffeine_range_mg == made.caffeine_mg


def test_declared_caffeine_adds_to_the_brews_and_has_no_range_of_its_own() -> None:
    coffee = recipe('method = "espresso", dose_g = 18, yield_g = 40').ingredients[1]
    both = Recipe("both", (coffee, Ingredient("liqueur", volume_ml=15, caffeine_mg=4.0)))
    whole, brew = both.caffeine_range_mg, coffee.caffeine_range_mg
    assert whole is not None and brew is not None
    assert whole.high - whole.low == pytest.approx(brew.high - brew.low)
    assert both.caffeine_mg == pytest.approx(brew.typical + 4.0)
    assert Recipe("none", (Ingredient("water", volume_ml=1),)).caffeine_range_mg is None


def test_people_are_told_a_brews_caffeine_without_a_doubt_about_it() -> None:
    told = for_people(recipe(FULL))
    assert not told.caffeine_at_least
    assert told.caffeine_mg == pytest.approx(18.0 * 12.5 * 0.85)


@pytest.mark.parametrize("factor", [0.5, 2.0, 60.0])
def test_a_scaled_recipe_scales_its_brew_and_reads_back_so(factor: float) -> None:
    made = scaled(recipe(FULL), factor)
    again = parse_bench(bench_toml(Bench(recipes={made.name: made})))[0].recipe(made.name)
    for r in (made, again):
        liquid = liquid_from_recipe(Recipe("coffee", r.ingredients[1:])).liquid
        assert float(liquid.mass_g) == pytest.approx(40.0 * factor)
        assert float(liquid.solids_g) == pytest.approx(3.6 * factor)
        assert r.caffeine_mg == pytest.approx(191.25 * factor)


@pytest.mark.parametrize(
    "brew",
    [
        FULL,
        'method = "filter", dose_g = 15, water_g = 250',
        'method = "capsule", dose_g = 5.5, yield_g = 40, count = 2, bean = "robusta"',
        'method = "steeped", dose_g = 30, water_g = 500, tds_pct = 1.3, bean = "decaffeinated"',
    ],
)
def test_a_brew_reads_back_as_it_was_written(brew: str, tmp_path: Path) -> None:
    bench, _ = parse_bench(text(brew))
    written = bench_toml(bench)
    assert parse_bench(written) == (bench, ())
    assert "mass_g" not in written and "caffeine_mg" not in written
    assert open_bench(write_bench(RunBook(bench, ()), tmp_path / "bench")).bench == bench
    json.loads(book_json(RunBook(bench, ())))


@pytest.mark.parametrize(
    ("brew", "beside", "says"),
    [
        ('method = "alchemy", dose_g = 18', "", "method 'alchemy' is not one of espresso"),
        ('method = "espresso", dose_g = "much", yield_g = 40', "", "dose_g must be a number"),
        ('method = "espresso", dose_g = 18, yield_g = -4', "", "yield_g must be above zero"),
        ('method = "espresso", dose_g = 18, yield_g = 40, count = 1.5', "", "count must be a whole number"),
        ('method = "espresso", dose_g = 18', "", "needs water_g or yield_g"),
        ('method = "espresso", dose_g = 18, water_g = 30, yield_g = 50', "", "cannot yield"),
        ('method = "espresso", dose_g = 18, yield_g = 40, tds_pct = 30', "", "outside"),
        ('method = "filter", dose_g = 15, yield_g = 240, tds_pct = 2.5', "", "more than coffee can give"),
        ('method = "espresso"', "", "a table with method and dose_g"),
        (FULL, "volume_ml = 40, ", "one of the two, or brew"),
        (FULL, "mass_g = 40, ", "one of the two, or brew"),
        (FULL, "solids_pct = 4, ", "solids_pct"),
    ],
)
def test_a_brew_that_cannot_be_is_told_with_file_line_and_key(brew: str, beside: str, says: str) -> None:
    bench, notes = parse_bench(text(brew, beside), "bar/bench.toml")
    assert "night call" not in bench.recipes
    (note,) = notes
    assert says in note.text
    assert (note.place.file, note.place.line) == ("bar/bench.toml", 4)


def test_an_unknown_key_of_a_brew_is_kept_as_a_note() -> None:
    bench, (note,) = parse_bench(text(FULL + ', grind = "fine"'))
    assert "recipes.night call.coffee.brew.grind" in note.text
    assert bench.notes == {"recipes.night call.coffee.brew.grind": "fine"}


def test_a_brewed_ingredient_has_no_volume_of_its_own() -> None:
    with pytest.raises(BenchError, match="brewed"):
        Ingredient("coffee", volume_ml=40.0, brew=Brew(BrewMethod.ESPRESSO, 18.0, yield_g=40.0))


@pytest.mark.parametrize(
    ("brew", "low_ml", "high_ml"),
    [
        # Common practice, no source: 18 g make 40 g; 20 g in 100 g of water press out about 60 ml.
        ('method = "espresso", dose_g = 18, water_g = 60', 37.0, 43.0),
        ('method = "pressed", dose_g = 20, water_g = 100', 55.0, 63.0),
    ],
)
def test_a_brew_on_the_bench_gives_what_the_trade_finds_in_the_cup(
    brew: str, low_ml: float, high_ml: float
) -> None:
    assert low_ml < coffee_ml(brew) < high_ml


def test_two_short_capsules_on_the_bench_keep_the_strength_one_long_loses() -> None:
    # Common practice, no source: a capsule holds 5 to 6 g.
    short = recipe('method = "capsule", dose_g = 5.5, yield_g = 40, count = 2').ingredients[1]
    long = recipe('method = "capsule", dose_g = 5.5, yield_g = 80').ingredients[1]
    assert short.mass_g == pytest.approx(80.0) and long.mass_g == pytest.approx(80.0)
    assert short.solids_pct == pytest.approx(2.0 * long.solids_pct)
    assert short.caffeine_mg == pytest.approx(2.0 * (long.caffeine_mg or 0.0))


def test_an_espresso_of_the_house_dose_is_stronger_than_a_capsule_on_the_bench() -> None:
    espresso = recipe('method = "espresso", dose_g = 18, yield_g = 40').ingredients[1]
    capsule = recipe('method = "capsule", dose_g = 5.5, yield_g = 40').ingredients[1]
    # Espresso: 7 to 12 % TDS (from memory).
    assert capsule.solids_pct < 7.0 < espresso.solids_pct < 12.0


def test_the_bean_is_read_with_the_brew() -> None:
    brew = recipe('method = "filter", dose_g = 15, water_g = 250, bean = "robusta"').ingredients[1].brew
    assert brew == Brew(BrewMethod.FILTER, 15.0, water_g=250.0, bean=Bean.ROBUSTA)
