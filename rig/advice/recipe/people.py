"""What a drink is to the person who drinks it: alcohol, caffeine, allergens, by named definitions.

Figures to put beside a drink, not leave to drink it: local codes and licensed practice come first.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from functools import lru_cache

from rig.bench import Recipe
from rig.errors import ModelRangeError
from rig.physics.ethanol_water import PURE_ETHANOL_KG_PER_M3
from rig.physics.recipe_liquid import liquid_from_recipe


class StandardDrink(Enum):
    """National measures of alcohol, as grams of ethanol."""

    US = ("US standard drink", 14.0, "Centers for Disease Control and Prevention")
    UK = ("UK unit", 10.0 * PURE_ETHANOL_KG_PER_M3 / 1000.0, "10 ml of ethanol; Chief Medical Officers 2016")
    AUSTRALIA = (
        "Australian standard drink",
        10.0,
        "National Health and Medical Research Council, from memory",
    )

    def __init__(self, label: str, ethanol_g: float, source: str) -> None:
        self.label, self.ethanol_g, self.source = label, ethanol_g, source


CAFFEINE_SOURCE = "European Food Safety Authority, 2015"
CAFFEINE_SINGLE_MG = 200.0
CAFFEINE_DAY_MG = 400.0
CAFFEINE_PREGNANCY_DAY_MG = 200.0
CAFFEINE_SLEEP_MG = 100.0
"""From about this much on, sleep may suffer (the same opinion)."""


class Allergen(Enum):
    """The fourteen of Regulation (EU) No 1169/2011, annex II, and words that name or hint at them."""

    GLUTEN = ("cereals containing gluten", ("gluten", "wheat", "barley", "rye", "oat", "malt", "beer"))
    CRUSTACEANS = ("crustaceans", ("crustacean", "shrimp", "prawn", "crab", "lobster"))
    EGGS = ("eggs", ("egg", "advocaat", "eggnog"))
    FISH = ("fish", ("fish", "anchovy", "worcester", "isinglass"))
    PEANUTS = ("peanuts", ("peanut", "groundnut"))
    SOYBEANS = ("soybeans", ("soy", "soya"))
    MILK = ("milk", ("milk", "cream", "dairy", "lactose", "butter", "yoghurt", "yogurt", "whey"))
    NUTS = (
        "nuts",
        ("nut", "hazelnut", "almond", "walnut", "cashew", "pecan", "pistachio", "macadamia", "orgeat",
         "amaretto", "praline"),
    )  # fmt: skip
    CELERY = ("celery", ("celery",))
    MUSTARD = ("mustard", ("mustard",))
    SESAME = ("sesame", ("sesame", "tahini"))
    SULPHITES = (
        "sulphur dioxide and sulphites",
        ("sulphite", "sulfite", "sulphur", "sulfur", "wine", "vermouth", "sherry", "port", "cider"),
    )
    LUPIN = ("lupin", ("lupin",))
    MOLLUSCS = ("molluscs", ("mollusc", "mollusk", "oyster", "clam"))

    def __init__(self, label: str, words: tuple[str, ...]) -> None:
        self.label, self.words = label, words

    def named_in(self, text: str) -> bool:
        """Whether a text names this allergen, or something that usually holds it, as whole words."""
        found = _words(text)
        if self is Allergen.MILK and found & _PLANTS:
            return False
        if self is Allergen.NUTS and "peanut" in found:
            return False
        return text.casefold() == self.label or any(w in found for w in self.words)


@lru_cache(maxsize=1024)
def _words(text: str) -> frozenset[str]:
    """The words of a name, each also without a plural's s."""
    words = "".join(c if c.isalnum() else " " for c in text.casefold()).split()
    return frozenset((*words, *(w.rstrip("s") for w in words)))


_PLANTS = {"oat", "coconut", "soy", "soya", "almond", "rice", "hazelnut", "cashew"}


@dataclass(frozen=True)
class ForPeople:
    """Figures of one serving, and of all of them.

    `standard_drinks` is per serving, by definition. `caffeine_mg` is per serving, None where no ingredient
    declares any; `caffeine_at_least` is true where coffee or tea among the ingredients declares none.
    `allergens` are declared, in the words of the Regulation; `other_declared` was declared in words that are
    not on its list; `to_check` names what an ingredient's name suggests and nobody declared.
    """

    servings: float
    ethanol_g: float
    ethanol_ml: float
    standard_drinks: dict[StandardDrink, float]
    caffeine_mg: float | None
    caffeine_at_least: bool
    allergens: tuple[Allergen, ...]
    other_declared: tuple[str, ...]
    to_check: tuple[tuple[Allergen, str], ...]
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, object]:
        """Plain values with units in their names."""
        return {
            "servings": self.servings,
            "ethanol_g": self.ethanol_g,
            "ethanol_ml": self.ethanol_ml,
            "standard_drinks": {d.label: v for d, v in self.standard_drinks.items()},
            "caffeine_mg": self.caffeine_mg,
            "caffeine_is_at_least": self.caffeine_at_least,
            "caffeine_limits": {
                "source": CAFFEINE_SOURCE,
                "single_mg": CAFFEINE_SINGLE_MG,
                "day_mg": CAFFEINE_DAY_MG,
                "day_in_pregnancy_mg": CAFFEINE_PREGNANCY_DAY_MG,
            },
            "allergens": [a.label for a in self.allergens],
            "allergens_in_other_words": list(self.other_declared),
            "allergens_to_check": [{"allergen": a.label, "ingredient": i} for a, i in self.to_check],
            "notes": list(self.notes),
        }


def for_people(recipe: Recipe, servings: float = 1.0) -> ForPeople:
    """What one serving holds, where the recipe as written makes `servings` of them.

    Raises
    ------
    ModelRangeError
        Servings at or below zero.
    BenchError
        An ingredient that cannot hold what it declares.
    """
    if not servings > 0.0:
        raise ModelRangeError(f"servings must be above 0, found {servings:g}")
    ethanol_g = float(liquid_from_recipe(recipe).liquid.ethanol_g) / servings
    caffeine = None if recipe.caffeine_mg is None else recipe.caffeine_mg / servings
    silent = any(i.caffeine_mg is None and _has_caffeine(i.name) for i in recipe.ingredients)
    declared = tuple(a for a in Allergen if any(a.named_in(word) for word in recipe.allergens))
    others = tuple(w for w in recipe.allergens if not any(a.named_in(w) for a in Allergen))
    check = tuple(
        (a, i.name) for a in Allergen for i in recipe.ingredients if a not in declared and a.named_in(i.name)
    )
    return ForPeople(
        servings=servings,
        ethanol_g=ethanol_g,
        ethanol_ml=1000.0 * ethanol_g / PURE_ETHANOL_KG_PER_M3,
        standard_drinks={d: ethanol_g / d.ethanol_g for d in StandardDrink},
        caffeine_mg=caffeine,
        caffeine_at_least=silent,
        allergens=declared,
        other_declared=others,
        to_check=check,
        notes=tuple(_notes(ethanol_g, caffeine, silent, check)),
    )


_CAFFEINATED = {
    "coffee",
    "espresso",
    "ristretto",
    "lungo",
    "brew",
    "tea",
    "matcha",
    "cola",
    "mate",
    "guarana",
}


def _has_caffeine(name: str) -> bool:
    words = _words(name)
    return bool(words & _CAFFEINATED) and not words & {"decaf", "decaffeinated"}


def _notes(
    ethanol_g: float, caffeine: float | None, silent: bool, check: tuple[tuple[Allergen, str], ...]
) -> list[str]:
    notes = []
    if ethanol_g > 1.0:
        notes.append("dilution does not change how much alcohol is in a drink")
    if caffeine is not None and caffeine > CAFFEINE_SINGLE_MG:
        notes.append(
            f"{caffeine:.0f} mg of caffeine is above {CAFFEINE_SINGLE_MG:.0f} mg at once ({CAFFEINE_SOURCE})"
        )
    elif caffeine is not None and caffeine >= CAFFEINE_SLEEP_MG:
        notes.append(
            f"from about {CAFFEINE_SLEEP_MG:.0f} mg of caffeine sleep may suffer ({CAFFEINE_SOURCE})"
        )
    if silent:
        notes.append("an ingredient that may hold caffeine declares none: the figure is the least there is")
    if ethanol_g > 1.0 and ((caffeine or 0.0) > 0.0 or silent):
        notes.append("caffeine can hide how drunk one feels; the published opinions differ on how much")
    for allergen, ingredient in check:
        notes.append(
            f"{ingredient!r} may hold {allergen.label}, which the recipe does not declare: read its label"
        )
    return notes
