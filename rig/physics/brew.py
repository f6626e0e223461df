"""Coffee as an ingredient: dose, water, yield, strength, extraction, and the caffeine that comes along.

The sums are exact on masses: extraction = strength × beverage ÷ dose where water passes through the coffee,
and what the grounds keep is lost to the cup. What nobody measured is filled in with a range: `Spread`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.bench import Ingredient
from rig.brewing import ENDS, Bean, Brew, BrewMethod, Spread, ordered, weighed
from rig.errors import ModelRangeError
from rig.physics.ethanol_water import require
from rig.physics.liquid import Liquid, volume_ml

__all__ = [
    "Bean",
    "Brew",
    "BrewMethod",
    "Cupful",
    "ShortOrLong",
    "Spread",
    "beverage_g",
    "brewed",
    "caffeine_mg",
    "coffee",
    "extraction_pct",
    "ingredient_from_brew",
    "several_short",
    "steeped_extraction_pct",
]


@dataclass(frozen=True)
class Cupful:
    """What a brew comes to, all brews together; spreads are equal at both ends where it was measured."""

    brew: Brew
    dose_g: float
    yield_g: Spread
    volume_ml: Spread
    water_g: Spread
    kept_g: Spread
    tds_pct: Spread
    extraction_pct: Spread
    caffeine_mg: Spread
    notes: tuple[str, ...]


def extraction_pct(tds_pct: Floats, beverage_g: Floats, dose_g: Floats) -> FloatArray:
    """Share of the dose that dissolved [%], where water passes through: strength × beverage ÷ dose."""
    return np.asarray(np.asarray(tds_pct, float) * np.asarray(beverage_g, float) / np.asarray(dose_g, float))


def steeped_extraction_pct(tds_pct: Floats, water_g: Floats, dose_g: Floats) -> FloatArray:
    """Share of the dose that dissolved [%], where coffee steeps in all its water (the kept part counts)."""
    tds = np.asarray(tds_pct, float) / 100.0
    return np.asarray(100.0 * tds * np.asarray(water_g, float) / ((1.0 - tds) * np.asarray(dose_g, float)))


def beverage_g(water_g: Floats, dose_g: Floats, kept_g_per_g: Floats) -> FloatArray:
    """Drink in the cup [g]: the water, less what the grounds keep; ModelRangeError where nothing is left."""
    out = np.asarray(water_g, float) - np.asarray(kept_g_per_g, float) * np.asarray(dose_g, float)
    if np.any(out <= 0.0):
        raise ModelRangeError("the grounds keep all of the water: use more water or less coffee")
    return np.asarray(out)


def caffeine_mg(dose_g: Floats, mg_per_g: Floats, extracted: Floats = 0.85) -> FloatArray:
    """Caffeine in the cup [mg] from the dose of roasted coffee."""
    return np.asarray(np.asarray(dose_g, float) * np.asarray(mg_per_g, float) * np.asarray(extracted, float))


def brewed(brew: Brew) -> Cupful:
    """What is in the cup, measured where the brew says so, with its range where not.

    Raises
    ------
    BenchError
        Neither water nor yield given, or a yield above the water.
    ModelRangeError
        A dose outside 1…500 g, a strength above 25 %, or an extraction above what coffee can give.
    """
    w = weighed(brew)
    n, each = brew.count, w.yield_g.times(1.0 / brew.count)
    return Cupful(
        brew=brew,
        dose_g=n * brew.dose_g,
        yield_g=w.yield_g,
        volume_ml=ordered(*(_volume(getattr(each, e), w.tds_pct.typical) for e in ENDS)).times(n),
        water_g=w.water_g,
        kept_g=w.kept_g,
        tds_pct=w.tds_pct,
        extraction_pct=w.extraction_pct,
        caffeine_mg=w.caffeine_mg,
        notes=_notes(brew, w.tds_pct, w.extraction_pct),
    )


def _volume(mass_g: float, tds_pct: float) -> float:
    return float(volume_ml(coffee(mass_g, tds_pct)))


def coffee(mass_g: float, tds_pct: float) -> Liquid:
    """Black coffee of that mass and strength, its solids counted as dry matter."""
    zero, solids = np.zeros(()), mass_g * tds_pct / 100.0
    return Liquid(zero, zero, np.asarray(mass_g - solids), np.asarray(solids))


def _notes(brew: Brew, strength: Spread, extracted: Spread) -> tuple[str, ...]:
    notes = []
    usual = brew.method.extraction_pct
    if brew.tds_pct is None:
        notes.append(
            f"strength is not measured: it follows from {usual.low:g} to {usual.high:g} % extraction"
        )
    elif extracted.typical < usual.low:
        notes.append(f"under {usual.low:g} % extraction: sour and thin; grind finer or brew longer")
    elif extracted.typical > usual.high:
        notes.append(f"over {usual.high:g} % extraction: bitter and dry; grind coarser or brew shorter")
    if brew.yield_g is None:
        kept = brew.method.kept_g_per_g
        notes.append(f"yield is not weighed: the grounds keep {kept.low:g} to {kept.high:g} g per g")
    if brew.bean is not Bean.DECAFFEINATED:
        notes.append("caffeine is by dose and bean, not by strength")
    return tuple(notes)


@dataclass(frozen=True)
class ShortOrLong:
    """The same amount of coffee as several short brews, or as one long one of a single dose."""

    short: Cupful
    long: Cupful
    surplus_g: float


def several_short(brew: Brew, wanted_g: float) -> ShortOrLong:
    """Whole brews that reach `wanted_g` in the cup, beside one dose run long for the same amount.

    Short brews keep the strength and multiply dose and caffeine; a long one runs thin, at the upper end of
    extraction.
    """
    require("coffee wanted", np.asarray(wanted_g, float), 1.0, 10_000.0, "g")
    one = brewed(replace(brew, count=1))
    short = brewed(replace(brew, count=max(1, ceil(wanted_g / one.yield_g.typical - 1e-9))))
    most = max(brew.method.extraction_pct.high, one.extraction_pct.typical)
    tds = most * brew.dose_g / wanted_g
    long = brewed(
        replace(brew, count=1, water_g=None, yield_g=wanted_g, tds_pct=min(tds, one.tds_pct.typical))
    )
    return ShortOrLong(short, long, short.yield_g.typical - wanted_g)


def ingredient_from_brew(brew: Brew, name: str = "", temp_c: float | None = None) -> Ingredient:
    """The ingredient a brew makes, by its usual mass, strength and caffeine; `brewed` has the ranges."""
    return Ingredient(name=name or f"{brew.method.label} coffee", temp_c=temp_c, brew=brew)
