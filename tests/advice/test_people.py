"""What a drink is to the person who drinks it."""

import pytest

from rig.advice.recipe.people import Allergen, StandardDrink, for_people
from rig.bench import Ingredient, Recipe
from rig.errors import ModelRangeError


def drink(*ingredients: Ingredient) -> Recipe:
    return Recipe("drink", ingredients)


def test_servings_share_alcohol_and_caffeine():
    recipe = drink(
        Ingredient("spirit", volume_ml=90, abv_pct=40), Ingredient("espresso", volume_ml=60, caffeine_mg=130)
    )
    one, two = for_people(recipe), for_people(recipe, 2)
    assert one.ethanol_g == pytest.approx(2 * two.ethanol_g)
    assert one.caffeine_mg == pytest.approx(2 * two.caffeine_mg)


@pytest.mark.parametrize(
    ("name", "allergen"),
    [
        ("whole milk", Allergen.MILK), ("cream", Allergen.MILK), ("oat milk", Allergen.GLUTEN),
        ("almond milk", Allergen.NUTS), ("egg white", Allergen.EGGS), ("sweet vermouth", Allergen.SULPHITES),
        ("hazelnut syrup", Allergen.NUTS), ("peanut butter", Allergen.PEANUTS), ("soya drink", Allergen.SOYBEANS),
    ],
)  # fmt: skip
def test_an_undeclared_allergen_that_a_name_suggests_is_to_be_checked(name, allergen):
    assert allergen in {a for a, _ in for_people(drink(Ingredient(name, volume_ml=20))).to_check}


@pytest.mark.parametrize(
    ("name", "allergen"),
    [("oat milk", Allergen.MILK), ("coconut cream", Allergen.MILK), ("nutmeg", Allergen.NUTS),
     ("coconut water", Allergen.NUTS), ("eggplant", Allergen.EGGS), ("grain spirit", Allergen.GLUTEN)],
)  # fmt: skip
def test_a_name_that_only_sounds_like_an_allergen_is_not(name, allergen):
    assert allergen not in {a for a, _ in for_people(drink(Ingredient(name, volume_ml=20))).to_check}


def test_declared_allergens_are_told_in_the_words_of_the_regulation_and_not_asked_again():
    found = for_people(drink(Ingredient("hazelnut syrup", volume_ml=15, allergens=("tree nuts", "pollen"))))
    assert [a.label for a in found.allergens] == ["nuts"]
    assert found.other_declared == ("pollen",)
    assert found.to_check == ()


@pytest.mark.parametrize(
    ("name", "silent"), [("cold brew", True), ("decaf coffee", False), ("steamed milk", False)]
)
def test_coffee_that_declares_no_caffeine_makes_the_figure_a_least_one(name, silent):
    assert for_people(drink(Ingredient(name, volume_ml=50))).caffeine_at_least is silent


@pytest.mark.parametrize(("mg", "told"), [(250.0, "above 200 mg"), (120.0, "sleep"), (50.0, None)])
def test_caffeine_is_told_beside_its_limits(mg, told):
    notes = for_people(drink(Ingredient("espresso", volume_ml=50, caffeine_mg=mg))).notes
    assert (told is None and not notes) or any(told in n for n in notes if told)


def test_alcohol_with_caffeine_is_warned_of():
    both = drink(
        Ingredient("spirit", volume_ml=40, abv_pct=40), Ingredient("espresso", volume_ml=30, caffeine_mg=63)
    )
    assert any("hide how drunk" in n for n in for_people(both).notes)


def test_no_alcohol_is_no_standard_drinks():
    found = for_people(drink(Ingredient("juice", volume_ml=100)))
    assert set(found.standard_drinks.values()) == {0.0} and set(found.standard_drinks) == set(StandardDrink)


def test_servings_must_be_above_none():
    with pytest.raises(ModelRangeError):
        for_people(drink(Ingredient("juice", volume_ml=100)), 0.0)
