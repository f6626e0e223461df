"""The only unit conversions: everything inside is g, J, s, °C, W/K; convert once, at the edge.

Exact factors: NIST SP 811 (2008), appendix B; US fluid ounce 29.5735295625 ml, avoirdupois ounce
28.349523125 g, pound 453.59237 g.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TypeVar

from rig.arrays import FloatArray

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
