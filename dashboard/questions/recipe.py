"""The question behind a recipe: how much water, which glass, and what to change."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from dashboard.params import Params, Scale, named
from dashboard.questions.defaults import first_recipe, usual_dilution
from rig.advice.recipe.batch import Batch, Store, batch
from rig.advice.recipe.people import ForPeople, for_people
from rig.advice.recipe.recipe_work import Properties, properties, scaled_to_volume, strengthened
from rig.bench import Bench, Recipe

DILUTION_LOW, DILUTION_HIGH = Scale(0.0, 150.0, 1.0, "%"), Scale(0.0, 150.0, 1.0, "%")
GLASS = Scale(50.0, 400.0, 5.0, "ml")
OVERRUN = Scale(0.0, 150.0, 5.0, "%")
ABV = Scale(1.0, 40.0, 0.5, "% ABV")
SUGAR = Scale(0.0, 300.0, 5.0, "g/l", none_at=0.0)
SERVINGS = Scale(2.0, 100.0, 1.0, "servings")
FREE_ML = 10.0
"""Left below the rim where a recipe is scaled to fill its glass (common practice, no source)."""


class Change(StrEnum):
    """What to do with the recipe."""

    NOTHING = "as-written"
    FILL = "fill"
    STRENGTHEN = "strengthen"
    BATCH = "batch"

    @property
    def words(self) -> str:
        """As a person chooses it."""
        return {
            Change.NOTHING: "leave it as written",
            Change.FILL: "scale it to the glass",
            Change.STRENGTHEN: "land on a strength",
            Change.BATCH: "make it ahead",
        }[self]


@dataclass(frozen=True)
class Worked:
    """What a recipe comes to: its properties, figures for people, and the changed pours where it was changed."""

    recipe: Recipe
    changed: Recipe | None
    found: Properties
    people: ForPeople
    batch: Batch | None


@dataclass(frozen=True)
class RecipeQuestion:
    """A recipe, its water and its glass, and what to change. Percent, ml, g/l."""

    recipe: str
    dilution_low: float
    dilution_high: float
    glass_ml: float
    overrun_pct: float
    change: Change
    abv_pct: float
    sugar_g_per_l: float
    servings: int
    store: Store

    @classmethod
    def of(cls, bench: Bench, params: Params) -> RecipeQuestion:
        """What the parameters ask; left out: the bench's first recipe, in the window of its first target.

        Raises
        ------
        NotFound, ModelRangeError
            A name that is not on the bench; a number beyond its slider.
        RigError
            A bench with no recipe.
        """
        first = first_recipe(bench)
        low, high = usual_dilution(bench)
        return cls(
            recipe=named(params, "recipe", bench.recipes, first, "recipe"),
            dilution_low=DILUTION_LOW.read(params, "dilution_low", 100.0 * low),
            dilution_high=DILUTION_HIGH.read(params, "dilution_high", 100.0 * high),
            glass_ml=GLASS.read(params, "glass_ml", 150.0),
            overrun_pct=OVERRUN.read(params, "overrun_pct", 0.0),
            change=Change(named(params, "change", tuple(Change), Change.NOTHING, "change")),
            abv_pct=ABV.read(params, "abv_pct", 15.0),
            sugar_g_per_l=SUGAR.read(params, "sugar_g_per_l", 0.0),
            servings=int(SERVINGS.read(params, "servings", 10.0)),
            store=STORES[named(params, "store", STORES, Store.FRIDGE.label, "place to keep it")],
        )

    @property
    def window(self) -> tuple[float, float]:
        """Dilution from the least to the most asked for, whichever slider holds which."""
        low, high = sorted((self.dilution_low, self.dilution_high))
        return low / 100.0, high / 100.0

    def answer(self, bench: Bench) -> Worked:
        """The recipe, worked on.

        Raises
        ------
        ModelRangeError
            Where no such pours exist, or the drink leaves the range its properties are known in.
        """
        base, window = bench.recipe(self.recipe), self.window
        middle = 0.5 * sum(window)
        changed: Recipe | None = None
        ahead: Batch | None = None
        if self.change is Change.FILL:
            changed = scaled_to_volume(base, self.glass_ml - FREE_ML, middle, overrun_pct=self.overrun_pct)
        elif self.change is Change.STRENGTHEN:
            sugar = None if self.sugar_g_per_l == SUGAR.none_at else self.sugar_g_per_l
            changed = strengthened(
                base, middle, abv_pct_wanted=self.abv_pct, sugar_g_per_l_wanted=sugar
            ).recipe
        elif self.change is Change.BATCH:
            ahead = batch(base, self.servings, middle, self.store)
        made = changed or base
        found = properties(made, window, glass_ml=self.glass_ml, overrun_pct=self.overrun_pct)
        return Worked(base, changed, found, for_people(made), ahead)


STORES = {s.label: s for s in Store}
