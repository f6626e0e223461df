"""The only unit conversions: everything inside is g, J, s, °C, W/K; convert once, at the edge.

Exact factors: NIST SP 811 (2008), appendix B; US fluid ounce 29.5735295625 ml, avoirdupois ounce
28.349523125 g, pound 453.59237 g.
"""

from __future__ import annotations

from typing import TypeVar

from rig.arrays import FloatArray

Quantity = TypeVar("Quantity", float, FloatArray)

ZERO_CELSIUS_K = 273.15
GRAMS_PER_OUNCE = 28.349523125
GRAMS_PER_POUND = 453.59237
ML_PER_US_FLUID_OUNCE = 29.5735295625


def celsius_from_fahrenheit(temp_f: Quantity) -> Quantity:
    """Temperature [°C] from [°F]."""
    return (temp_f - 32.0) * 5.0 / 9.0


def fahrenheit_from_celsius(temp_c: Quantity) -> Quantity:
    """Temperature [°F] from [°C]."""
    return temp_c * 9.0 / 5.0 + 32.0


def celsius_from_kelvin(temp_k: Quantity) -> Quantity:
    """Temperature [°C] from [K]."""
    return temp_k - ZERO_CELSIUS_K


def kelvin_from_celsius(temp_c: Quantity) -> Quantity:
    """Temperature [K] from [°C]."""
    return temp_c + ZERO_CELSIUS_K
