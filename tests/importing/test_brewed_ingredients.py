"""An ingredient may say how it was brewed: its mass, solids and caffeine follow, and it is kept as written."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rig.advice.recipe.people import for_people
from rig.advice.recipe.recipe_work import scaled
from rig.bench import Bench, Ingredient, Recipe, parse_bench
from rig.bench_toml import bench_toml
from rig.brewing import Bean, Brew, BrewMethod, brew_method
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
        ('method = "espresso", dose_g = 18, yield_g = 40, tds_pct = 30', "", "not that of espresso"),
        ('method = "filter", dose_g = 15, yield_g = 240, tds_pct = 2.5', "", "more than coffee can give"),
        ('method = "espresso"', "", "a table with method and dose_g"),
        (FULL, "volume_ml = 40, mass_g = 40, ", "one of the two, or brew"),
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


BATCH = 'method = "coldbrew", dose_g = 100, water_g = 1000'


@pytest.mark.parametrize(
    ("drawn", "ml", "g"), [("volume_ml = 50, ", 50.0, None), ("mass_g = 50, ", None, 50.0)]
)
def test_a_pour_is_drawn_from_a_batch_of_cold_brew_by_volume_or_mass(
    drawn: str, ml: float | None, g: float | None
) -> None:
    bench, notes = parse_bench(text(BATCH, drawn))
    assert notes == ()
    made = bench.recipe("night call")
    alone = Recipe("coffee", made.ingredients[1:])
    assert made.ingredients[1].brew is not None
    assert made.ingredients[1].brew.method is BrewMethod.COLD_BREW
    drink = liquid_from_recipe(alone)
    if ml is not None:
        assert float(drink.starting_volume_ml) == pytest.approx(ml, rel=1e-3)
    else:
        assert float(drink.liquid.mass_g) == pytest.approx(g)
    whole = brewed(made.ingredients[1].brew)
    share = float(drink.liquid.mass_g) / whole.yield_g.typical
    assert alone.caffeine_mg == pytest.approx(share * whole.caffeine_mg.typical, rel=1e-3)
    assert parse_bench(bench_toml(bench))[0] == bench
    assert "dose_g = 100" in bench_toml(bench)


def test_a_brew_gives_no_more_than_it_yields() -> None:
    _, notes = parse_bench(text('method = "espresso", dose_g = 18, yield_g = 40', "volume_ml = 90, "))
    assert "more than its brew of 40 g" in notes[0].text and "give count" in notes[0].cure
    _, notes = parse_bench(
        text('method = "espresso", dose_g = 18, yield_g = 40, count = 3', "volume_ml = 90, ")
    )
    assert notes == ()


@pytest.mark.parametrize(
    ("brew", "says"),
    [
        (
            'method = "espresso", dose_g = 18, yield_g = 3800',
            "no espresso: usually 1 to 3 g a gram of coffee, here 18 to 54 g",
        ),
        ('method = "espresso", dose_g = 18, yield_g = 5', "no espresso"),
        (
            'method = "filter", dose_g = 60, yield_g = 100, tds_pct = 14',
            "not that of filter: usually 1.1 to 1.6 %",
        ),
        ('method = "percolator", dose_g = 60, yield_g = 100', "is not one of espresso, capsule"),
    ],
)
def test_a_brew_that_cannot_be_is_refused_with_the_usual_range(brew: str, says: str) -> None:
    bench, notes = parse_bench(text(brew))
    assert not bench.recipes and says in notes[0].text


@pytest.mark.parametrize(
    ("word", "method"),
    [("Cold Brew", BrewMethod.COLD_BREW), ("cold-brew", BrewMethod.COLD_BREW), ("pour over", BrewMethod.FILTER),
     ("Moka", BrewMethod.STOVE_TOP), ("french press", BrewMethod.STEEPED), ("Espresso", BrewMethod.ESPRESSO)],
)  # fmt: skip
def test_a_method_is_known_by_the_words_of_the_trade(word: str, method: BrewMethod) -> None:
    assert brew_method(word) is method


BATCH_BENCH = """
[recipes."house batch"]
ingredients = [
  { name = "dark spirit", volume_ml = 350, abv_pct = 42 },
  { name = "syrup", mass_g = 100, brix = 50 },
  { name = "cold brew", volume_ml = 500, brew = { method = "cold brew", dose_g = 100, water_g = 1000 } },
]
[recipes."from the bottle"]
ingredients = [
  { name = "house batch", AMOUNT, batch = "house batch", temp_c = 4 },
  { name = "cream", volume_ml = 20, allergens = ["milk"] },
]
"""


@pytest.mark.parametrize("amount", ["volume_ml = 90", "mass_g = 95"])
def test_a_pour_is_drawn_from_a_pre_batch(amount: str) -> None:
    bench, notes = parse_bench(BATCH_BENCH.replace("AMOUNT", amount))
    assert notes == ()
    batch, drink = bench.recipe("house batch"), bench.recipe("from the bottle")
    whole = liquid_from_recipe(batch)
    drawn = liquid_from_recipe(Recipe("drawn", drink.ingredients[:1]))
    part = float(drawn.liquid.mass_g) / float(whole.liquid.mass_g)
    for name in ("ethanol_g", "sugar_g", "water_g", "solids_g"):
        assert float(getattr(drawn.liquid, name)) == pytest.approx(part * float(getattr(whole.liquid, name)))
    if amount.startswith("volume"):
        assert float(drawn.volume_ml) == pytest.approx(90.0, rel=1e-6)
    else:
        assert float(drawn.liquid.mass_g) == pytest.approx(95.0)
    assert batch.caffeine_mg is not None
    assert drink.caffeine_mg == pytest.approx(part * batch.caffeine_mg, rel=0.01)
    assert drink.allergens == ("milk",)
    again = parse_bench(bench_toml(bench))[0]
    assert again.recipes == bench.recipes
    doubled = liquid_from_recipe(scaled(drink, 2.0)).liquid
    assert float(doubled.ethanol_g) == pytest.approx(2 * float(liquid_from_recipe(drink).liquid.ethanol_g))


@pytest.mark.parametrize(
    ("batch", "says"),
    [
        ('"house bach"', "no recipe 'house bach'; did you mean 'house batch'?"),
        ('"from the bottle"', "drawn from itself"),
        ("7", "batch is the name of a recipe"),
    ],
)
def test_a_pre_batch_that_cannot_be_is_told(batch: str, says: str) -> None:
    text = BATCH_BENCH.replace("AMOUNT", "volume_ml = 90").replace(
        'batch = "house batch"', f"batch = {batch}"
    )
    bench, notes = parse_bench(text)
    assert "from the bottle" not in bench.recipes and says in notes[0].text
