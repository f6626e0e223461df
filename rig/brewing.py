"""A brew of coffee as plain values: what was weighed of it, and what that comes to by mass alone.

The sums are exact on masses: extraction = strength × beverage ÷ dose where water passes through the coffee,
and what the grounds keep is lost to the cup. What nobody measured is filled in with a range: `Spread`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any

from rig.errors import BenchError, ModelRangeError, NotFound, Place

DOSE_G, WATER_G = (1.0, 5_000.0), (1.0, 50_000.0)
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

    def plus(self, other: Spread) -> Spread:
        """The sum, low ends with low ends: both may be off the same way."""
        return Spread(self.low + other.low, self.typical + other.typical, self.high + other.high)

    @property
    def is_known(self) -> bool:
        """True where there is no range."""
        return self.low == self.high


def ordered(low: float, typical: float, high: float) -> Spread:
    """A spread whose ends may have come in either order."""
    return Spread(min(low, typical, high), typical, max(low, typical, high))


class BrewMethod(Enum):
    """How coffee and water meet; liquid kept by the grounds [g/g], extraction [%], bounds as in `Spread`.

    Kept: drip 1.8–2.3, espresso puck 1.0–1.2 g/g (from memory); pressed by hand and steeped as drip, a
    capsule as a puck, stove-top between (common practice, no source). Extraction: 18–22 % for filter (the
    Specialty Coffee Association's brewing standard) and espresso; the others common practice, no source.
    Then in the cup per gram of coffee [g/g] and strength [% TDS], each as (what cannot be less, usual from,
    usual to, what cannot be more) (common practice, no source).
    """

    ESPRESSO = (
        "espresso",
        Spread(1.0, 1.1, 1.2),
        Spread(18.0, 20.0, 22.0),
        True,
        (0.5, 1.0, 3.0, 15.0),
        (1.0, 7.0, 12.0, 20.0),
    )
    CAPSULE = (
        "capsule",
        Spread(1.0, 1.2, 1.5),
        Spread(18.0, 22.0, 26.0),
        True,
        (1.0, 3.0, 12.0, 40.0),
        (0.5, 2.0, 6.0, 15.0),
    )
    STOVE_TOP = (
        "stove-top",
        Spread(1.0, 1.4, 2.0),
        Spread(16.0, 19.0, 23.0),
        True,
        (0.8, 3.0, 8.0, 20.0),
        (0.8, 2.0, 6.0, 15.0),
    )
    FILTER = (
        "filter",
        Spread(1.8, 2.0, 2.3),
        Spread(18.0, 20.0, 22.0),
        True,
        (1.0, 10.0, 16.0, 40.0),
        (0.4, 1.1, 1.6, 8.0),
    )
    PRESSED = (
        "pressed",
        Spread(1.7, 2.0, 2.3),
        Spread(16.0, 19.0, 22.0),
        True,
        (0.8, 3.0, 16.0, 40.0),
        (0.4, 1.1, 5.0, 12.0),
    )
    STEEPED = (
        "steeped",
        Spread(1.8, 2.1, 2.5),
        Spread(16.0, 19.0, 22.0),
        False,
        (0.8, 4.0, 16.0, 40.0),
        (0.4, 1.1, 4.0, 12.0),
    )
    COLD_BREW = (
        "cold brew",
        Spread(1.8, 2.2, 2.8),
        Spread(15.0, 18.0, 21.0),
        False,
        (0.8, 3.0, 13.0, 30.0),
        (0.4, 1.2, 4.0, 12.0),
    )

    def __init__(
        self,
        label: str,
        kept_g_per_g: Spread,
        extraction_pct: Spread,
        passes: bool,
        cup_g_per_g: tuple[float, float, float, float],
        strength_pct: tuple[float, float, float, float],
    ) -> None:
        self.label, self.kept_g_per_g = label, kept_g_per_g
        self.extraction_pct, self.passes = extraction_pct, passes
        self.cup_g_per_g, self.strength_pct = cup_g_per_g, strength_pct


def brew_method(text: str) -> BrewMethod:
    """The method that a word of the trade names, however it is spelt: `coldbrew`, `Cold-Brew`, `moka pot`.

    Raises
    ------
    NotFound
        Where it names none.
    """
    plain = _plain(text)
    by_name = {_plain(m.label): m for m in BrewMethod}
    by_name |= {_plain(word): m for m, words in _ALSO.items() for word in words}
    if plain not in by_name:
        raise NotFound("brew method", text, [m.label for m in BrewMethod])
    return by_name[plain]


def _plain(text: str) -> str:
    return "".join(c for c in text.casefold() if c.isalnum())


_ALSO = {
    BrewMethod.ESPRESSO: ("shot", "ristretto", "lungo", "double espresso", "espresso shot"),
    BrewMethod.CAPSULE: ("pod",),
    BrewMethod.STOVE_TOP: ("moka", "moka pot", "stovetop pot"),
    BrewMethod.FILTER: ("filter coffee", "drip", "pour-over", "batch brew"),
    BrewMethod.PRESSED: ("hand press", "pressed by hand"),
    BrewMethod.STEEPED: ("immersion", "french press", "cafetière", "cupping"),
    BrewMethod.COLD_BREW: ("cold brewed", "cold drip", "cold brew coffee", "cold brew concentrate"),
}


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

    def times(self, factor: float) -> Brew:
        """The same brew with everything weighed multiplied; strength stays."""
        return replace(
            self,
            dose_g=self.dose_g * factor,
            water_g=None if self.water_g is None else self.water_g * factor,
            yield_g=None if self.yield_g is None else self.yield_g * factor,
        )


@dataclass(frozen=True)
class Weighed:
    """What a brew comes to by mass, all brews together; strength and extraction [%] are of each."""

    kept_g: Spread
    water_g: Spread
    yield_g: Spread
    tds_pct: Spread
    extraction_pct: Spread
    caffeine_mg: Spread


def weighed(brew: Brew) -> Weighed:
    """Masses, strength, extraction and caffeine of a brew, measured where it says so, with a range where not.

    Raises
    ------
    BenchError
        Neither water nor yield given, or a yield above the water.
    ModelRangeError
        A dose outside 1…500 g, a strength above 25 %, or an extraction above what coffee can give.
    """
    _within("dose of coffee", brew.dose_g, *DOSE_G, "g")
    if not 1 <= brew.count <= 100:
        raise ModelRangeError(f"1 to 100 brews make a drink, found {brew.count}")
    kept, water, cup = _masses(brew)
    _as_the_method_gives(brew, cup)
    if brew.tds_pct is not None:
        _within("strength", brew.tds_pct, 0.1, STRENGTH_MAX_PCT, "% TDS")
        strength = Spread.known(brew.tds_pct)
        extracted = ordered(*(_extraction(brew, brew.tds_pct, water, cup, end) for end in ENDS))
    else:
        extracted = brew.method.extraction_pct
        strength = ordered(*(_strength(brew, extracted, water, cup, end) for end in ENDS))
    if extracted.typical > EXTRACTION_MAX_PCT:
        raise ModelRangeError(
            f"{extracted.typical:.0f} % of the dose dissolved is more than coffee can give "
            f"({EXTRACTION_MAX_PCT:g} %): check strength, yield and dose"
        )
    _within("strength", strength.typical, 0.0, STRENGTH_MAX_PCT, "% TDS")
    mg, share = brew.bean.caffeine_mg_per_g, CAFFEINE_EXTRACTED
    caffeine = Spread(mg.low * share.low, mg.typical * share.typical, mg.high * share.high)
    n = brew.count
    return Weighed(
        kept.times(n), water.times(n), cup.times(n), strength, extracted, caffeine.times(n * brew.dose_g)
    )


_WEIGHED = ("dose_g", "water_g", "yield_g", "tds_pct")


def brew_from_table(table: object) -> tuple[Brew, tuple[str, ...]]:
    """A brew from its TOML table, and the keys that are not known.

    Raises
    ------
    BenchError
        A value that is missing, of the wrong kind or impossible; `place.column` names its key.
    """
    if not isinstance(table, dict) or not {"method", "dose_g"} <= set(table):
        raise BenchError(
            "a brew is a table with method and dose_g",
            cure='Write brew = { method = "espresso", dose_g = 18, yield_g = 40 }',
        )
    values: dict[str, Any] = {}
    beans: dict[object, Bean] = {b.label: b for b in Bean}
    try:
        values["method"] = brew_method(str(table["method"]))
    except NotFound:
        known = ", ".join(m.label for m in BrewMethod)
        raise _refused("method", f"method {table['method']!r} is not one of {known}") from None
    if "bean" in table:
        if table["bean"] not in beans:
            raise _refused("bean", f"bean {table['bean']!r} is not one of {', '.join(map(str, beans))}")
        values["bean"] = beans[table["bean"]]
    for key in (*_WEIGHED, "count"):
        value = table.get(key, 1)
        if isinstance(value, bool) or not isinstance(value, int if key == "count" else int | float):
            raise _refused(key, f"{key} must be a {'whole ' * (key == 'count')}number, found {value!r}")
        if not (math.isfinite(value) and value > 0):
            raise _refused(key, f"{key} must be above zero, found {value:g}")
        if key in table:
            values[key] = value if key == "count" else float(value)
    made = Brew(**values)
    try:
        weighed(made)
    except ModelRangeError as error:
        about = {"yield": "yield_g", "dose": "dose_g", "strength": "tds_pct", "dissolved": "tds_pct"}
        key = next((k for word, k in about.items() if word in str(error) and k in table), "dose_g")
        raise _refused(key, str(error)) from error
    return made, tuple(k for k in table if k not in (*_WEIGHED, "method", "bean", "count"))


def _refused(key: str, what: str) -> BenchError:
    return BenchError(what, Place(column=key))


ENDS = ("low", "typical", "high")
_OPPOSITE = {"low": "high", "typical": "typical", "high": "low"}


def _masses(brew: Brew) -> tuple[Spread, Spread, Spread]:
    """Liquid kept, brew water, and beverage [g] of one brew."""
    kept = brew.method.kept_g_per_g.times(brew.dose_g)
    if brew.yield_g is not None:
        _within("yield", brew.yield_g, *WATER_G, "g")
        cup = Spread.known(brew.yield_g)
        if brew.water_g is None:
            return kept, Spread.known(brew.yield_g).plus(kept), cup
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
    _within("brew water", brew.water_g, *WATER_G, "g")
    cups = [brew.water_g - getattr(kept, end) for end in ENDS]
    if min(cups) <= 0.0:
        raise ModelRangeError("the grounds keep all of the water: use more water or less coffee")
    return kept, Spread.known(brew.water_g), ordered(*cups)


def _extraction(brew: Brew, tds: float, water: Spread, cup: Spread, end: str) -> float:
    """Share of the dose that dissolved [%]; where coffee steeps in all its water, the kept part counts."""
    if brew.method.passes:
        return float(tds * getattr(cup, end) / brew.dose_g)
    part = tds / 100.0
    return float(100.0 * part * getattr(water, end) / ((1.0 - part) * brew.dose_g))


def _strength(brew: Brew, extracted: Spread, water: Spread, cup: Spread, end: str) -> float:
    """Strength [% TDS]; a low extraction meets a large cup, so that the ends are the ends."""
    dissolved_g = float(getattr(extracted, end)) / 100.0 * brew.dose_g
    if brew.method.passes:
        return 100.0 * dissolved_g / float(getattr(cup, _OPPOSITE[end]))
    return 100.0 * dissolved_g / (dissolved_g + float(getattr(water, _OPPOSITE[end])))


def _as_the_method_gives(brew: Brew, cup: Spread) -> None:
    """Refuse a cup or a strength that no brew of this method has, with the usual range."""
    least, low, high, most = brew.method.cup_g_per_g
    if not least <= cup.typical / brew.dose_g <= most:
        raise ModelRangeError(
            f"yield of {cup.typical:.6g} g from a dose of {brew.dose_g:g} g is no {brew.method.label}: usually "
            f"{low:g} to {high:g} g a gram of coffee, here {low * brew.dose_g:.4g} to {high * brew.dose_g:.4g} g"
        )
    if brew.tds_pct is None:
        return
    least, low, high, most = brew.method.strength_pct
    if not least <= brew.tds_pct <= most:
        raise ModelRangeError(
            f"strength of {brew.tds_pct:g} % TDS is not that of {brew.method.label}: usually {low:g} to {high:g} %"
        )


def coffee_density_g_per_ml(tds_pct: float) -> float:
    """Black coffee at 20 °C [g/ml] by its strength, as its solids count in `rig.physics.liquid`."""
    return _WATER_G_PER_ML / (1.0 - _SOLIDS_SHRINK * tds_pct / 100.0)


_WATER_G_PER_ML, _SOLIDS_SHRINK = 0.9982, 0.3312


def _within(what: str, value: float, low: float, high: float, unit: str) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        raise ModelRangeError(f"{what} {value:g} {unit} is outside {low:g} to {high:g} {unit}")
