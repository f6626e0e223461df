"""What a recipe is: ingredients by volume, by mass or as they were brewed, as validated values."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

from rig.brewing import Brew, Spread, coffee_density_g_per_ml, weighed


@dataclass(frozen=True)
class Ingredient:
    """One ingredient by volume at 20 °C, by mass, or as it was brewed; the rest says what is in it.

    A `brew` gives its mass, solids and caffeine where they are not given, the usual ones of their ranges; with
    a volume or a mass beside it, so much is drawn from the brew. From a `batch`, made of those ingredients,
    `volume_ml` or `mass_g` is drawn; its caffeine and allergens come along.
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
    batch: tuple[Ingredient, ...] = ()
    price_per_l: float | None = None
    price_per_kg: float | None = None

    def __post_init__(self) -> None:
        if self.batch:
            whole = Recipe(self.name, self.batch)
            object.__setattr__(self, "allergens", tuple(dict.fromkeys((*self.allergens, *whole.allergens))))
            if self.caffeine_mg is None and whole.caffeine_mg is not None:
                object.__setattr__(self, "caffeine_mg", whole.caffeine_mg * self._share_of_batch)
        if self.brew is None:
            return
        made = weighed(self.brew)
        if self.mass_g is None and self.volume_ml is not None:
            drawn_g = self.volume_ml * coffee_density_g_per_ml(made.tds_pct.typical)
            object.__setattr__(self, "mass_g", drawn_g)
        if self.mass_g is None:
            object.__setattr__(self, "mass_g", made.yield_g.typical)
        if self.caffeine_mg is None:
            object.__setattr__(self, "caffeine_mg", self._brewed_caffeine_mg(self.brew).typical)
        if self.solids_pct == 0.0:
            object.__setattr__(self, "solids_pct", made.tds_pct.typical)

    @property
    def _share_of_batch(self) -> float:
        """How much of its batch it is; by volumes and masses as they add up, good to a percent or two."""
        if self.mass_g is not None:
            return self.mass_g / sum(i.about_g for i in self.batch)
        return (self.volume_ml or 0.0) / sum(i.about_ml for i in self.batch)

    @property
    def about_g_per_ml(self) -> float:
        """Density by strength and sugar, within some percent (common practice, no source)."""
        if self.density_g_per_ml is not None:
            return self.density_g_per_ml
        if self.brew is not None:
            return coffee_density_g_per_ml(self.solids_pct)
        sugar = self.sugar_g_per_100ml if self.sugar_g_per_100ml is not None else (self.brix or 0.0) * 1.1
        return 0.998 - 0.0011 * self.abv_pct + 0.0037 * sugar

    @property
    def about_g(self) -> float:
        """Its mass, as `about_g_per_ml` has it where only its volume is known [g]."""
        return self.mass_g if self.mass_g is not None else (self.volume_ml or 0.0) * self.about_g_per_ml

    @property
    def about_ml(self) -> float:
        """Its volume, as `about_g_per_ml` has it where only its mass is known [ml]."""
        return self.volume_ml if self.volume_ml is not None else (self.mass_g or 0.0) / self.about_g_per_ml

    @property
    def price(self) -> float | None:
        """What it costs in the drink: by its own price, or by those of all its batch is made of; None where unknown."""
        if self.price_per_kg is not None:
            return self.price_per_kg * self.about_g / 1000.0
        if self.price_per_l is not None:
            return self.price_per_l * self.about_ml / 1000.0
        parts = [i.price for i in self.batch]
        told = [p for p in parts if p is not None]
        return sum(told) * self._share_of_batch if told and len(told) == len(parts) else None

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
        whole = Recipe(self.name, self.batch).caffeine_range_mg
        if whole is not None and math.isclose(whole.typical * self._share_of_batch, self.caffeine_mg):
            return whole.times(self._share_of_batch)
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
    def price(self) -> float | None:
        """What its ingredients cost; None where one of them has no price."""
        told = [i.price for i in self.ingredients]
        known = [p for p in told if p is not None]
        return sum(known) if len(known) == len(told) else None

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
