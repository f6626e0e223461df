"""Work on a recipe: what it is before and after the water, scaled to a glass, or stronger.

Dilution is water added ÷ starting volume [ml/ml], the starting volume being the sum of the pours. A gram of
water counts as a millilitre.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from rig.arrays import FloatArray
from rig.bench import Ingredient, Recipe, Window
from rig.errors import ModelRangeError
from rig.physics.ethanol_water import PURE_ETHANOL_KG_PER_M3, require
from rig.physics.foam import foamed_volume_ml
from rig.physics.liquid import Liquid, abv_pct, freezing_point_c, volume_ml
from rig.physics.recipe_liquid import liquid_from_recipe

DILUTION_MAX = 4.0


@dataclass(frozen=True)
class State:
    """A drink at one dilution. `abv_pct`, sugar and acid are of the liquid at 20 °C, its air not counted."""

    dilution_by_volume: float
    mass_g: float
    volume_ml: float
    foamed_ml: float
    abv_pct: float
    sugar_g_per_l: float
    acid_g_per_l: float | None
    freezing_c: float

    def to_dict(self) -> dict[str, float | None]:
        """Plain values with units in their names."""
        return dict(vars(self))


@dataclass(frozen=True)
class WashLine:
    """A drink against the glass: what is free below the rim [ml]; negative where it spills."""

    glass_ml: float
    drink_ml: float
    free_ml: float
    fill_share: float

    @property
    def fits(self) -> bool:
        """Whether it stays below the rim."""
        return self.free_ml >= 0.0


@dataclass(frozen=True)
class Properties:
    """A recipe before any water, and after it at the least, middle and most dilution asked for."""

    recipe: str
    starting_volume_ml: float
    before: State
    after: tuple[State, ...]
    wash_line: tuple[WashLine, ...]


def properties(
    recipe: Recipe,
    dilution_by_volume: float | Window = 0.0,
    *,
    glass_ml: float | None = None,
    overrun_pct: float = 0.0,
    held_back_g: float = 0.0,
    acid_pct: Mapping[str, float] | None = None,
) -> Properties:
    """Strength, sweetness, acid and volume of a recipe before and after a dilution, or a range of one.

    `acid_pct` gives titratable acid by mass of ingredients, by name; without it acid is not told.

    Raises
    ------
    ModelRangeError
        Dilution outside 0…4, or a drink outside the range of the liquid properties.
    """
    levels = (
        (dilution_by_volume,)
        if isinstance(dilution_by_volume, int | float)
        else (dilution_by_volume[0], 0.5 * sum(dilution_by_volume), dilution_by_volume[1])
    )
    acid = _acid_g(recipe, acid_pct)
    after = tuple(state_at(recipe, d, overrun_pct, acid) for d in levels)
    lines = () if glass_ml is None else tuple(_wash_line(s, glass_ml, held_back_g) for s in after)
    start = float(liquid_from_recipe(recipe).starting_volume_ml)
    return Properties(recipe.name, start, state_at(recipe, 0.0, 0.0, acid), after, lines)


def state_at(recipe: Recipe, dilution: float, overrun_pct: float = 0.0, acid_g: float | None = None) -> State:
    """The recipe at one dilution; ModelRangeError where that is outside 0…4."""
    require("dilution", np.asarray(dilution, float), 0.0, DILUTION_MAX, "of the starting volume")
    liquid = diluted(recipe, dilution)
    ml = float(volume_ml(liquid))
    return State(
        dilution_by_volume=dilution,
        mass_g=float(liquid.mass_g),
        volume_ml=ml,
        foamed_ml=float(foamed_volume_ml(ml, overrun_pct)),
        abv_pct=float(abv_pct(liquid)),
        sugar_g_per_l=1000.0 * float(liquid.sugar_g) / ml,
        acid_g_per_l=None if acid_g is None else 1000.0 * acid_g / ml,
        freezing_c=float(freezing_point_c(liquid)),
    )


def diluted(recipe: Recipe, dilution: float) -> Liquid:
    """The liquid of a recipe with that dilution in it."""
    drink = liquid_from_recipe(recipe)
    return drink.liquid.plus_water(dilution * float(drink.starting_volume_ml))


def _acid_g(recipe: Recipe, acid_pct: Mapping[str, float] | None) -> float | None:
    if not acid_pct:
        return None
    missing = set(acid_pct) - {i.name for i in recipe.ingredients}
    if missing:
        raise ModelRangeError(
            f"recipe {recipe.name!r} has no ingredient {sorted(missing)[0]!r} to give acid for"
        )
    return sum(
        float(liquid_from_recipe(Recipe(recipe.name, (i,))).liquid.mass_g) * acid_pct.get(i.name, 0.0) / 100.0
        for i in recipe.ingredients
    )


def _wash_line(state: State, glass_ml: float, held_back_g: float) -> WashLine:
    require("volume of the glass", np.asarray(glass_ml, float), 15.0, 5000.0, "ml")
    drink = state.foamed_ml * (1.0 - held_back_g / state.mass_g)
    return WashLine(glass_ml, drink, glass_ml - drink, drink / glass_ml)


def scaled(recipe: Recipe, factor: float, name: str = "") -> Recipe:
    """The same recipe with every pour and every declared milligram multiplied.

    Raises
    ------
    ModelRangeError
        A factor outside 0.01…1,000.
    """
    require("scale", np.asarray(factor, float), 0.01, 1000.0, "times")
    return Recipe(name or recipe.name, tuple(_poured_times(i, factor) for i in recipe.ingredients))


def _poured_times(i: Ingredient, factor: float) -> Ingredient:
    def times(x: float | None) -> float | None:
        return None if x is None else x * factor

    return replace(i, volume_ml=times(i.volume_ml), mass_g=times(i.mass_g), caffeine_mg=times(i.caffeine_mg))


def scaled_to_volume(
    recipe: Recipe,
    volume_ml_wanted: float,
    dilution_by_volume: float = 0.0,
    *,
    overrun_pct: float = 0.0,
    held_back_g: float = 0.0,
) -> Recipe:
    """The recipe scaled so that so much is in the glass: diluted, aerated, less what is held back.

    To fill a glass to its wash line, ask for that line's volume.
    """
    require("volume in the glass", np.asarray(volume_ml_wanted, float), 5.0, 100_000.0, "ml")
    state = state_at(recipe, dilution_by_volume, overrun_pct, None)
    lost_ml = state.foamed_ml / state.mass_g * held_back_g
    return scaled(recipe, (volume_ml_wanted + lost_ml) / state.foamed_ml)


@dataclass(frozen=True)
class Strengthened:
    """A base changed so that it lands after dilution, with both states and how each pour changed."""

    recipe: Recipe
    before: State
    after: State
    factors: dict[str, float]


def strengthened(
    recipe: Recipe,
    dilution_by_volume: float,
    *,
    abv_pct_wanted: float | None = None,
    sugar_g_per_l_wanted: float | None = None,
    volume_ml_wanted: float | None = None,
) -> Strengthened:
    """Change pours so that ABV, sweetness and volume land after the dilution, all exactly.

    Where ABV is wanted, what holds alcohol is multiplied together; where sweetness is, syrups (from
    `SYRUP_G_PER_100ML`) are; the rest keeps its proportions and makes up the volume, by default the one it
    had. A different strength changes dilution a little: ask for the call again with the new recipe.

    Raises
    ------
    ModelRangeError
        Where no such pours exist; the message says what would have to be below none.
    """
    if abv_pct_wanted is None and sugar_g_per_l_wanted is None and volume_ml_wanted is None:
        raise ModelRangeError("say what to land on: ABV, sugar or volume after dilution")
    end_ml = volume_ml_wanted or state_at(recipe, dilution_by_volume).volume_ml
    require("volume in the glass", np.asarray(end_ml, float), 5.0, 100_000.0, "ml")
    wanted = [
        (_Content.ETHANOL_ML, abv_pct_wanted, 0.01),
        (_Content.SUGAR_G, sugar_g_per_l_wanted, 0.001),
    ]
    asked = [(content, value * per_ml) for content, value, per_ml in wanted if value is not None]
    kinds = _kinds(recipe, [content for content, _ in asked])
    contents = [_content(i) for i in recipe.ingredients]
    rows = [*(content for content, _ in asked), _Content.POURED_ML]
    matrix = np.array(
        [
            [
                sum(c[row] for c, k in zip(contents, kinds, strict=True) if k == kind)
                for kind in range(len(rows))
            ]
            for row in rows
        ]
    )
    factors = np.ones(len(rows))
    # Masses add up and volumes nearly so: the share by which the mix contracts is put right each time round.
    swell, made = 1.0, recipe
    for _ in range(30):
        right = [*(share * end_ml for _, share in asked), end_ml * swell / (1.0 + dilution_by_volume)]
        factors = _solved(matrix, np.array(right), recipe, kinds)
        made = Recipe(
            recipe.name,
            tuple(
                _poured_times(i, float(factors[k])) for i, k in zip(recipe.ingredients, kinds, strict=True)
            ),
        )
        off = end_ml / state_at(made, dilution_by_volume).volume_ml
        swell *= off
        if abs(off - 1.0) < 1e-10:
            break
    return Strengthened(
        made,
        state_at(made, 0.0),
        state_at(made, dilution_by_volume),
        {i.name: float(factors[k]) for i, k in zip(recipe.ingredients, kinds, strict=True)},
    )


SYRUP_G_PER_100ML = 30.0
"""Sugar from which an ingredient without alcohol is a syrup, not a juice (common practice, no source)."""


class _Content(Enum):
    """What is counted in a pour; the value says it in words."""

    ETHANOL_ML = "alcohol"
    SUGAR_G = "syrup"
    POURED_ML = "volume"


def _content(ingredient: Ingredient) -> dict[_Content, float]:
    drink = liquid_from_recipe(Recipe(ingredient.name, (ingredient,)))
    return {
        _Content.ETHANOL_ML: 1000.0 * float(drink.liquid.ethanol_g) / PURE_ETHANOL_KG_PER_M3,
        _Content.SUGAR_G: float(drink.liquid.sugar_g),
        _Content.POURED_ML: float(drink.starting_volume_ml),
    }


def _kinds(recipe: Recipe, asked: Sequence[_Content]) -> list[int]:
    """Which unknown each ingredient belongs to: one per content asked for, then the rest."""

    def kind(i: Ingredient) -> int:
        c = _content(i)
        sweet = c[_Content.SUGAR_G] >= SYRUP_G_PER_100ML / 100.0 * c[_Content.POURED_ML]
        if _Content.ETHANOL_ML in asked and c[_Content.ETHANOL_ML] > 0.0:
            return asked.index(_Content.ETHANOL_ML)
        if _Content.SUGAR_G in asked and sweet and c[_Content.ETHANOL_ML] == 0.0:
            return asked.index(_Content.SUGAR_G)
        return len(asked)

    kinds = [kind(i) for i in recipe.ingredients]
    for k, content in enumerate(asked):
        if k not in kinds:
            raise ModelRangeError(f"recipe {recipe.name!r} has no ingredient with {content.value} to change")
    if len(asked) not in kinds:
        raise ModelRangeError(
            f"recipe {recipe.name!r} has nothing but what is changed, so its strength is fixed by the dilution"
        )
    return kinds


def _solved(matrix: FloatArray, right: FloatArray, recipe: Recipe, kinds: Sequence[int]) -> FloatArray:
    singular = abs(float(np.linalg.det(matrix / np.abs(matrix).max(axis=1, keepdims=True)))) < 1e-9
    factors = np.zeros(right.size) if singular else np.linalg.solve(matrix, right)
    if singular or np.any(factors <= 0.0):
        worst = int(np.argmin(factors))
        names = ", ".join(repr(i.name) for i, k in zip(recipe.ingredients, kinds, strict=True) if k == worst)
        raise ModelRangeError(
            f"recipe {recipe.name!r} cannot land there after that dilution: it would take none or less of {names}. "
            "Dilute less, want less strength or sweetness, or take a stronger or sweeter ingredient"
        )
    return np.asarray(factors)
