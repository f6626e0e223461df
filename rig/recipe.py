"""What a recipe is: ingredients by volume, by mass or as they were brewed, as validated values."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

from rig.brewing import Brew, Spread, weighed
from rig.errors import BenchError


@dataclass(frozen=True)
class Ingredient:
    """One ingredient by volume at 20 °C, by mass, or as it was brewed; the rest says what is in it.

    A `brew` gives its mass, solids and caffeine where they are not given, the usual ones of their ranges.
    """

    name: str
    volume_ml: float | None = None
    mass_g: float | None = None
    abv_pct: float = 0.0
    sugar_g_per_100ml: float | None = None
    brix: float | None = None
    density_g_per_ml: float | None = None
    temp_c: float | None = None
    allergens: tuple[str, ...] = ()
    caffeine_mg: float | None = None
    solids_pct: float = 0.0
    brew: Brew | None = None

    def __post_init__(self) -> None:
        if self.brew is None:
            return
        if self.volume_ml is not None:
            raise BenchError(f"{self.name!r} is brewed: its amount is the brew's, not volume_ml")
        made = weighed(self.brew)
        if self.mass_g is None:
            object.__setattr__(self, "mass_g", made.yield_g.typical)
        if self.caffeine_mg is None:
            object.__setattr__(self, "caffeine_mg", self._brewed_caffeine_mg(self.brew).typical)
        if self.solids_pct == 0.0:
            object.__setattr__(self, "solids_pct", made.tds_pct.typical)

    def _brewed_caffeine_mg(self, brew: Brew) -> Spread:
        made = weighed(brew)
        return made.caffeine_mg.times((self.mass_g or 0.0) / made.yield_g.typical)

    @property
    def caffeine_range_mg(self) -> Spread | None:
        """Caffeine with its range [mg]: none where it is declared, that of bean and brewing where it is not."""
        if self.caffeine_mg is None:
            return None
        if self.brew is not None:
            usual = self._brewed_caffeine_mg(self.brew)
            if math.isclose(usual.typical, self.caffeine_mg):
                return usual
        return Spread.known(self.caffeine_mg)


@dataclass(frozen=True)
class Recipe:
    """A drink before any ice has touched it."""

    name: str
    ingredients: tuple[Ingredient, ...]

    @property
    def allergens(self) -> tuple[str, ...]:
        """Declared allergens of all ingredients, each once, in order of appearance."""
        return tuple(dict.fromkeys(a for i in self.ingredients for a in i.allergens))

    @property
    def caffeine_mg(self) -> float | None:
        """Caffeine of the whole drink [mg], declared or by the brew; None where no ingredient tells any."""
        told = self.caffeine_range_mg
        return None if told is None else told.typical

    @property
    def caffeine_range_mg(self) -> Spread | None:
        """The same with its range: declared milligrams have none, brewed coffee has that of bean and brewing."""
        told = [i.caffeine_range_mg for i in self.ingredients if i.caffeine_range_mg is not None]
        return functools.reduce(Spread.plus, told) if told else None
