"""Coffee as an ingredient: dose, water, yield, strength, extraction, and the caffeine that comes along.

The sums are exact on masses: extraction = strength × beverage ÷ dose where water passes through the coffee,
and what the grounds keep is lost to the cup. What nobody measured is filled in with a range: `Spread`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from math import ceil

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.bench import Ingredient
from rig.errors import BenchError, ModelRangeError
from rig.physics.ethanol_water import require
from rig.physics.liquid import Liquid, volume_ml

STRENGTH_MAX_PCT = 25.0
EXTRACTION_MAX_PCT = 32.0
"""Soluble part of roasted coffee: 28 to 32 % of its mass (published; the upper end is the limit here)."""


@dataclass(frozen=True)
class Spread:
    """A quantity with the range it usually lies in; the three are equal where it was measured."""

    low: float
    typical: float
    high: float

    @classmethod
    def known(cls, value: float) -> Spread:
        """A measured value."""
        return cls(value, value, value)

    def times(self, factor: float) -> Spread:
        """All three multiplied by a positive number."""
        return Spread(self.low * factor, self.typical * factor, self.high * factor)

    @property
    def is_known(self) -> bool:
        """True where there is no range."""
        return self.low == self.high


class BrewMethod(Enum):
    """How coffee and water meet; liquid kept by the grounds [g/g], extraction [%], bounds as in `Spread`.

    Kept: drip 1.8–2.3, espresso puck 1.0–1.2 g/g (from memory); pressed by hand and steeped as drip, a
    capsule as a puck, stove-top between (common practice, no source). Extraction: 18–22 % for filter (the
    Specialty Coffee Association's brewing standard) and espresso; the others common practice, no source.
    """

    ESPRESSO = ("espresso", Spread(1.0, 1.1, 1.2), Spread(18.0, 20.0, 22.0), True)
    CAPSULE = ("capsule", Spread(1.0, 1.2, 1.5), Spread(18.0, 22.0, 26.0), True)
    STOVE_TOP = ("stove-top", Spread(1.0, 1.4, 2.0), Spread(16.0, 19.0, 23.0), True)
    FILTER = ("filter", Spread(1.8, 2.0, 2.3), Spread(18.0, 20.0, 22.0), True)
    PRESSED = ("pressed", Spread(1.7, 2.0, 2.3), Spread(16.0, 19.0, 22.0), True)
    STEEPED = ("steeped", Spread(1.8, 2.1, 2.5), Spread(16.0, 19.0, 22.0), False)

    def __init__(self, label: str, kept_g_per_g: Spread, extraction_pct: Spread, passes: bool) -> None:
        self.label, self.kept_g_per_g = label, kept_g_per_g
        self.extraction_pct, self.passes = extraction_pct, passes


class Bean(Enum):
    """Caffeine in roasted coffee [mg/g].

    Arabica 1.1–1.5 %, robusta 2.2–2.7 % (published); decaffeinated at most 0.1 % (from memory).
    """

    ARABICA = ("arabica", Spread(11.0, 12.5, 15.0))
    BLEND = ("blend", Spread(12.0, 15.5, 20.0))
    ROBUSTA = ("robusta", Spread(22.0, 24.0, 27.0))
    DECAFFEINATED = ("decaffeinated", Spread(0.2, 0.5, 1.0))

    def __init__(self, label: str, caffeine_mg_per_g: Spread) -> None:
        self.label, self.caffeine_mg_per_g = label, caffeine_mg_per_g


CAFFEINE_EXTRACTED = Spread(0.75, 0.85, 0.95)
"""Share of the coffee's caffeine that reaches the cup (from memory)."""


@dataclass(frozen=True)
class Brew:
    """How one brew is made: `water_g` is all brew water, `yield_g` what is in the cup; `count` such brews."""

    method: BrewMethod
    dose_g: float
    water_g: float | None = None
    yield_g: float | None = None
    tds_pct: float | None = None
    count: int = 1
    bean: Bean = Bean.ARABICA


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
    require("dose of coffee", np.asarray(brew.dose_g, float), 1.0, 500.0, "g")
    if not 1 <= brew.count <= 100:
        raise ModelRangeError(f"1 to 100 brews make a drink, found {brew.count}")
    kept, water, cup = _masses(brew)
    if brew.tds_pct is not None:
        require("strength", np.asarray(brew.tds_pct, float), 0.1, STRENGTH_MAX_PCT, "% TDS")
        strength = Spread.known(brew.tds_pct)
        extracted = _ordered(*(_extraction(brew, brew.tds_pct, water, cup, end) for end in _ENDS))
    else:
        extracted = brew.method.extraction_pct
        strength = _ordered(*(_strength(brew, extracted, water, cup, end) for end in _ENDS))
    if extracted.typical > EXTRACTION_MAX_PCT:
        raise ModelRangeError(
            f"{extracted.typical:.0f} % of the dose dissolved is more than coffee can give "
            f"({EXTRACTION_MAX_PCT:g} %): check strength, yield and dose"
        )
    require("strength", np.asarray(strength.typical), 0.0, STRENGTH_MAX_PCT, "% TDS")
    mg, share = brew.bean.caffeine_mg_per_g, CAFFEINE_EXTRACTED
    caffeine = Spread(mg.low * share.low, mg.typical * share.typical, mg.high * share.high)
    n = brew.count
    return Cupful(
        brew=brew,
        dose_g=n * brew.dose_g,
        yield_g=cup.times(n),
        volume_ml=_ordered(*(_volume(getattr(cup, e), strength.typical) for e in _ENDS)).times(n),
        water_g=water.times(n),
        kept_g=kept.times(n),
        tds_pct=strength,
        extraction_pct=extracted,
        caffeine_mg=caffeine.times(n * brew.dose_g),
        notes=_notes(brew, strength, extracted),
    )


_ENDS = ("low", "typical", "high")
_OPPOSITE = {"low": "high", "typical": "typical", "high": "low"}


def _ordered(*values: float) -> Spread:
    low, typical, high = values
    return Spread(min(values), typical, max(low, high, typical))


def _masses(brew: Brew) -> tuple[Spread, Spread, Spread]:
    """Liquid kept, brew water, and beverage [g] of one brew."""
    kept = brew.method.kept_g_per_g.times(brew.dose_g)
    if brew.yield_g is not None:
        require("yield", np.asarray(brew.yield_g, float), 1.0, 10_000.0, "g")
        cup = Spread.known(brew.yield_g)
        if brew.water_g is None:
            water = Spread(*(brew.yield_g + getattr(kept, e) for e in _ENDS))
            return kept, water, cup
        if brew.yield_g > brew.water_g + 0.3 * brew.dose_g:
            raise BenchError(
                f"a brew cannot yield {brew.yield_g:g} g from {brew.water_g:g} g of water and "
                f"{brew.dose_g:g} g of coffee",
                cure="Check yield_g and water_g",
            )
        return Spread.known(max(brew.water_g - brew.yield_g, 0.0)), Spread.known(brew.water_g), cup
    if brew.water_g is None:
        raise BenchError(
            "a brew needs water_g or yield_g", cure="Give what was poured on, or what is in the cup"
        )
    require("brew water", np.asarray(brew.water_g, float), 1.0, 10_000.0, "g")
    cups = [float(beverage_g(brew.water_g, brew.dose_g, getattr(brew.method.kept_g_per_g, e))) for e in _ENDS]
    return kept, Spread.known(brew.water_g), _ordered(*cups)


def _extraction(brew: Brew, tds: float, water: Spread, cup: Spread, end: str) -> float:
    if brew.method.passes:
        return float(extraction_pct(tds, getattr(cup, end), brew.dose_g))
    return float(steeped_extraction_pct(tds, getattr(water, end), brew.dose_g))


def _strength(brew: Brew, extracted: Spread, water: Spread, cup: Spread, end: str) -> float:
    """Strength [% TDS]; a low extraction meets a large cup, so that the ends are the ends."""
    dissolved_g = float(getattr(extracted, end)) / 100.0 * brew.dose_g
    if brew.method.passes:
        return 100.0 * dissolved_g / float(getattr(cup, _OPPOSITE[end]))
    return 100.0 * dissolved_g / (dissolved_g + float(getattr(water, _OPPOSITE[end])))


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
    """The ingredient a brew makes, by its usual mass, strength and caffeine.

    Solids are the strength; caffeine is the typical of its range (`brewed` has the range).
    """
    made = brewed(brew)
    return Ingredient(
        name=name or f"{brew.method.label} coffee",
        mass_g=made.yield_g.typical,
        solids_pct=made.tds_pct.typical,
        caffeine_mg=round(made.caffeine_mg.typical, 1),
        temp_c=temp_c,
    )
