"""From a recipe, as a bar writes it, to the masses of ethanol, sugar, water and solids in it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq

from rig.arrays import FloatArray
from rig.bench import Ingredient, Recipe
from rig.errors import BenchError
from rig.physics.brew import coffee
from rig.physics.ethanol_water import PURE_ETHANOL_KG_PER_M3
from rig.physics.liquid import Liquid, heat_capacity_j_per_gk, volume_ml

_BASIS_ML = 100.0


@dataclass(frozen=True, eq=False)
class Drink:
    """A recipe before the ice, all scalars (0-d arrays).

    `starting_volume_ml` is the trade figure: the sum of the ingredients' volumes at 20 °C as poured.
    `volume_ml` is that of the mix at 20 °C, a little less where alcohol meets water. `heat_share` (ingredients,)
    is each ingredient's share of the heat capacity, `ingredient_temp_c` (ingredients,) the temperature it states, NaN
    where it states none.
    """

    liquid: Liquid
    starting_volume_ml: FloatArray
    volume_ml: FloatArray
    heat_share: FloatArray
    ingredient_temp_c: FloatArray

    @property
    def states_temp(self) -> bool:
        """Whether any ingredient states its temperature."""
        return bool(np.any(np.isfinite(self.ingredient_temp_c)))

    def mixed_temp_c(self, room_temp_c: float) -> float:
        """Of the drink poured together [°C], what states no temperature at the room's.

        Weighted by heat capacity; the heat of mixing is left out.
        """
        temps = np.where(np.isfinite(self.ingredient_temp_c), self.ingredient_temp_c, room_temp_c)
        return float(self.heat_share @ temps)


@dataclass(frozen=True)
class _Measure:
    """One ingredient: what is in it, its volume at 20 °C [ml]."""

    liquid: Liquid
    poured_ml: float


def liquid_from_recipe(recipe: Recipe) -> Drink:
    """The drink that a recipe makes.

    `abv_pct` is by volume at 20 °C; `brix` and `solids_pct` are mass percent of the ingredient. The rest is
    water, as much as the ingredient's volume (or declared density) leaves room for. Brewed coffee counts by
    its mass and strength (see `brew`). Properties outside the range of `liquid` are not refused here but where
    they are asked for.

    Raises
    ------
    BenchError
        Naming recipe and ingredient, where alcohol, sugar and solids do not fit into it.
    """
    measures = [_measure(recipe.name, i) for i in recipe.ingredients]
    liquid = Liquid(
        *(
            np.asarray(sum(float(getattr(m.liquid, part)) for m in measures))
            for part in ("ethanol_g", "sugar_g", "water_g", "solids_g")
        )
    )
    heat = np.array(
        [float(m.liquid.mass_g * heat_capacity_j_per_gk(m.liquid, 20.0, check=False)) for m in measures]
    )
    return Drink(
        liquid=liquid,
        starting_volume_ml=np.asarray(sum(m.poured_ml for m in measures)),
        volume_ml=volume_ml(liquid, check=False),
        heat_share=heat / heat.sum(),
        ingredient_temp_c=np.array([np.nan if i.temp_c is None else i.temp_c for i in recipe.ingredients]),
    )


def _measure(recipe: str, ingredient: Ingredient) -> _Measure:
    if ingredient.brew is not None and ingredient.mass_g is not None:
        cup = coffee(ingredient.mass_g, ingredient.solids_pct)
        return _Measure(cup, float(volume_ml(cup, check=False)))
    if ingredient.batch:
        return _drawn(ingredient, liquid_from_recipe(Recipe(ingredient.name, ingredient.batch)))
    basis = _per_basis(recipe, ingredient)
    if ingredient.volume_ml is not None:
        factor = ingredient.volume_ml / _BASIS_ML
    elif ingredient.mass_g is not None:
        factor = ingredient.mass_g / float(basis.mass_g)
    else:
        raise BenchError(f"recipe {recipe!r}: {ingredient.name!r} needs volume_ml or mass_g, one of the two")
    return _Measure(basis.times(factor), _BASIS_ML * factor)


def _drawn(ingredient: Ingredient, batch: Drink) -> _Measure:
    """What is drawn from a batch, by its volume as mixed or by mass."""
    whole_ml = float(batch.volume_ml)
    if ingredient.mass_g is not None:
        share = ingredient.mass_g / float(batch.liquid.mass_g)
    else:
        share = (ingredient.volume_ml or 0.0) / whole_ml
    return _Measure(batch.liquid.times(share), whole_ml * share)


@lru_cache(maxsize=1024)
def _per_basis(recipe: str, ingredient: Ingredient) -> Liquid:
    """What is in 100 ml of the ingredient."""
    ethanol_g = ingredient.abv_pct / 100.0 * _BASIS_ML * PURE_ETHANOL_KG_PER_M3 / 1000.0
    sugar_g = (ingredient.sugar_g_per_100ml or 0.0) * _BASIS_ML / 100.0
    sugar_part = (ingredient.brix or 0.0) / 100.0
    solids_part = ingredient.solids_pct / 100.0

    def of_mass(mass_g: float) -> Liquid:
        sugar, solids = sugar_g + sugar_part * mass_g, solids_part * mass_g
        water = max(mass_g - ethanol_g - sugar - solids, 0.0)
        return Liquid(*(np.asarray(part) for part in (ethanol_g, sugar, water, solids)))

    def excess_ml(mass_g: float) -> float:
        return float(volume_ml(of_mass(mass_g), check=False)) - _BASIS_ML

    room = 1.0 - sugar_part - solids_part
    fixed_g = ethanol_g + sugar_g
    least_g = 0.0 if fixed_g == 0.0 else fixed_g / room if room > 0.0 else np.inf
    if ingredient.density_g_per_ml is not None:
        mass_g = ingredient.density_g_per_ml * _BASIS_ML
        possible = room >= -1e-9 and mass_g >= least_g - 1e-6
    else:
        possible = room >= -1e-9 and np.isfinite(least_g) and excess_ml(least_g) <= 1e-6
        mass_g = (
            brentq(excess_ml, least_g, 2.0 * _BASIS_ML) if possible and excess_ml(least_g) < 0 else least_g
        )
    if not possible:
        raise BenchError(
            f"recipe {recipe!r}: {ingredient.name!r} cannot hold {_contents(ingredient)}: "
            "no room is left for water",
            cure="Check abv_pct, sugar (g per 100 ml, or brix), solids_pct and density_g_per_ml",
        )
    return of_mass(mass_g)


def _contents(ingredient: Ingredient) -> str:
    parts = [
        f"{ingredient.abv_pct:g} % vol of alcohol" if ingredient.abv_pct else "",
        f"{ingredient.sugar_g_per_100ml:g} g of sugar in 100 ml" if ingredient.sugar_g_per_100ml else "",
        f"{ingredient.brix:g} °Brix" if ingredient.brix else "",
        f"{ingredient.solids_pct:g} % of solids" if ingredient.solids_pct else "",
        f"at {ingredient.density_g_per_ml:g} g/ml" if ingredient.density_g_per_ml else "",
    ]
    return ", ".join(p for p in parts if p)
