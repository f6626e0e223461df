"""The only unit conversions: everything inside is g, J, s, °C, W/K; convert once, at the edge.

Exact factors: NIST SP 811 (2008), appendix B; US fluid ounce 29.5735295625 ml, avoirdupois ounce
28.349523125 g, pound 453.59237 g.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TypeVar

from rig.arrays import FloatArray
from rig.errors import ModelRangeError

Quantity = TypeVar("Quantity", float, FloatArray)

ZERO_CELSIUS_K = 273.15


@dataclass(frozen=True)
class Unit:
    """A unit as it is written: its symbol, the unit it becomes inside, and how: (value − zero) · factor."""

    symbol: str
    becomes: str
    factor: float = 1.0
    zero: float = 0.0

    def inside(self, value: Quantity) -> Quantity:
        """A value, or an array of any shape, in the unit it becomes."""
        return (value - self.zero) * self.factor if self.symbol != self.becomes else value


UNITS: Mapping[str, Unit] = MappingProxyType(
    {
        unit.symbol: unit
        for unit in (
            *(Unit("°C", "°C"), Unit("°F", "°C", 5.0 / 9.0, 32.0), Unit("K", "°C", zero=ZERO_CELSIUS_K)),
            *(Unit("g", "g"), Unit("kg", "g", 1000.0), Unit("mg", "g", 1e-3)),
            *(Unit("oz", "g", 28.349523125), Unit("lb", "g", 453.59237)),
            *(Unit("ml", "ml"), Unit("cl", "ml", 10.0), Unit("l", "ml", 1000.0)),
            Unit("fl oz", "ml", 29.5735295625),
            *(Unit("s", "s"), Unit("ms", "s", 1e-3), Unit("µs", "s", 1e-6)),
            *(Unit("min", "s", 60.0), Unit("h", "s", 3600.0), Unit("d", "s", 86400.0)),
            *(Unit("Hz", "Hz"), Unit("rpm", "Hz", 1.0 / 60.0), Unit("m/s²", "m/s²")),
            *(Unit("", ""), Unit("%RH", "%"), Unit("%", ""), Unit("V", "V"), Unit("mV", "V", 1e-3)),
            *(Unit("A", "A"), Unit("mA", "A", 1e-3), Unit("W", "W"), Unit("Ω", "Ω"), Unit("kΩ", "Ω", 1000.0)),
            *(
                Unit("hPa", "hPa"),
                Unit("kPa", "hPa", 10.0),
                Unit("bar", "hPa", 1000.0),
                Unit("Pa", "hPa", 0.01),
            ),
        )
    }
)
"""Every unit that is read anywhere, by its symbol."""


def celsius_from_kelvin(temp_k: Quantity) -> Quantity:
    """Temperature [°C] from [K]."""
    return temp_k - ZERO_CELSIUS_K


def kelvin_from_celsius(temp_c: Quantity) -> Quantity:
    """Temperature [K] from [°C]."""
    return temp_c + ZERO_CELSIUS_K


_TYPED = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:e[+-]?\d+)?)\s*([^\d\s+\-.,].*)?", re.IGNORECASE)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_SPELLED = {
    "°C": ("c", "°c", "degc"),
    "°F": ("f", "°f", "degf"),
    "K": ("k",),
    "fl oz": ("floz", "oz"),
    "s": ("s", "sec"),
    "": ("",),
    "%": ("%",),
}
"""How units are spelt beside a typed number, where that is not their symbol alone."""


def typed(text: str, unit: str = "") -> float:
    """A number as somebody types it, in `unit`: with a decimal point or comma, alone or with a unit of its kind.

    `4,5`, `−3`, `75 °F`, `2 oz` (fluid ounces where millilitres are wanted).

    Raises
    ------
    ModelRangeError
        Where it is no finite number, carries a unit of another kind, or its comma may mark thousands.
    """
    plain = text.strip().replace("\N{MINUS SIGN}", "-")
    found = _TYPED.fullmatch(plain)
    said = repr(text[:40])
    if found is None:
        raise ModelRangeError(f"{said} is not a number")
    if _THOUSANDS.fullmatch(found[1]):
        whole = found[1].replace(",", "")
        raise ModelRangeError(f"{said} may be {found[1].replace(',', '.')} or {whole}; write which it is")
    value = float(found[1].replace(",", "."))
    if not math.isfinite(value):
        raise ModelRangeError(f"{said} is not a finite number")
    if found[2] is None:
        return value
    spelled = found[2].casefold().replace("º", "°").replace(" ", "").rstrip(".")
    for known in UNITS.values():
        if known.becomes == unit and spelled in _SPELLED.get(known.symbol, (known.symbol.casefold(),)):
            return known.inside(value)
    wanted = f", in {unit}" if unit else ""
    raise ModelRangeError(f"{said} carries {found[2][:20]!r} after its number; give the number{wanted}")


MOST_AS_FRACTION = 3.0
"""Beyond, a typed share of water is a percentage: nothing is served with three times its volume of water."""


def typed_share(text: str) -> tuple[float, bool]:
    """A share as somebody types it, as a fraction, and whether only its size told that it is a percentage.

    `0.3` and `30` and `30 %` are all 0.3.

    Raises
    ------
    ModelRangeError
        As `typed`.
    """
    plain = text.strip()
    value = typed(plain, "")
    if plain.endswith("%"):
        return value / 100.0, False
    return (value / 100.0, True) if abs(value) > MOST_AS_FRACTION else (value, False)
