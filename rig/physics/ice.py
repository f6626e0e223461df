"""Ice: latent heat, heat capacity, density, conductivity; and the pieces it comes in.

Properties hold for −40…0 °C at ordinary pressure (ModelRangeError outside). Enthalpies count from liquid
water at 0 °C, as in `liquid`. Arrays in, arrays out; a shape is one `IceShape` for the whole batch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import polynomial

from rig.arrays import FloatArray, Floats
from rig.bench import IceShape
from rig.physics import water
from rig.physics.ethanol_water import require

TEMP_RANGE_C = (-40.0, 0.0)

LATENT_HEAT_0C_J_PER_G = 333.43
"""Latent heat at 0 °C and 1 atm [J/g]: IAPWS-95 less IAPWS R10-06(2009)."""

# Straight lines through IAPWS R10-06(2009), −40…0 °C, at 101.325 kPa: within 0.003 J/(g·K) and 0.0003 g/cm³.
_HEAT_CAPACITY = (2.0967, 0.00737)
_DENSITY = (0.91672, -1.43e-4)
# S. Fukusako, Int. J. Thermophys. 11 (1990) 353, from memory.
_CONDUCTIVITY = (2.2156, -1.0046e-2, 3.445e-5)


def _temperature(temp_c: Floats) -> FloatArray:
    temp = np.asarray(temp_c, float)
    require("ice temperature", temp, *TEMP_RANGE_C, "°C")
    return temp


def heat_capacity_j_per_gk(temp_c: Floats) -> FloatArray:
    """Heat capacity of ice [J/(g·K)]; IAPWS R10-06(2009)."""
    return np.asarray(polynomial.polyval(_temperature(temp_c), _HEAT_CAPACITY))


def enthalpy_j_per_g(temp_c: Floats, *, check: bool = True) -> FloatArray:
    """Enthalpy of ice [J/g] above liquid water at 0 °C (so −333.43 at 0 °C); IAPWS R10-06(2009).

    `check=False` skips the range check, for inner loops that pass beyond the range on their way.
    """
    temp = _temperature(temp_c) if check else np.asarray(temp_c, float)
    return np.asarray((_HEAT_CAPACITY[0] + _HEAT_CAPACITY[1] * temp / 2.0) * temp - LATENT_HEAT_0C_J_PER_G)


def latent_heat_j_per_g(temp_c: Floats) -> FloatArray:
    """Heat [J/g] that turns ice into pure, if need be supercooled, water at `temp_c` (−15…0 °C).

    IAPWS-95 less R10-06(2009): 333.43 at 0 °C, falling by about 2.1 per K below.
    """
    temp = np.asarray(temp_c, float)
    require("melting temperature", temp, -15.0, 0.0, "°C")
    return np.asarray(water.enthalpy_j_per_g(temp) - enthalpy_j_per_g(temp))


def density_g_per_cm3(temp_c: Floats) -> FloatArray:
    """Density of ice [g/cm³]; IAPWS R10-06(2009)."""
    return np.asarray(polynomial.polyval(_temperature(temp_c), _DENSITY))


def conductivity_w_per_mk(temp_c: Floats) -> FloatArray:
    """Thermal conductivity of ice [W/(m·K)]; Fukusako 1990, from memory."""
    return np.asarray(polynomial.polyval(_temperature(temp_c), _CONDUCTIVITY))


@dataclass(frozen=True)
class Wetness:
    """Liquid water on ice as it is scooped: typical mass fraction, and its spread as log-sd."""

    fraction: float
    log_sd: float


@dataclass(frozen=True)
class _Form:
    """A piece: volume ÷ edge³, area ÷ edge², usual edge [mm], usual wetness."""

    volume: float
    area: float
    edge_mm: float
    wetness: Wetness


# Geometry: a cube and a ball; a pebble is a cylinder as long as wide; cracked and crushed ice are slabs half
# as thick as wide. Usual edges and wetness: common practice, no source, but that flake ice holds up to 20 %
# liquid water and cubes hardly any (US EPA, WaterSense at Work, 2012, p. 99).
FORMS = {
    IceShape.CUBE: _Form(1.0, 6.0, 28.0, Wetness(0.02, 0.6)),
    IceShape.BLOCK: _Form(1.0, 6.0, 50.0, Wetness(0.01, 0.6)),
    IceShape.SPHERE: _Form(np.pi / 6, np.pi, 55.0, Wetness(0.01, 0.6)),
    IceShape.PEBBLE: _Form(np.pi / 4, 1.5 * np.pi, 10.0, Wetness(0.10, 0.5)),
    IceShape.CRACKED: _Form(0.5, 4.0, 18.0, Wetness(0.06, 0.5)),
    IceShape.CRUSHED: _Form(0.5, 4.0, 6.0, Wetness(0.12, 0.4)),
}


def default_edge_mm(shape: IceShape) -> float:
    """Usual edge or diameter [mm] of a shape whose size nobody gave; common practice, no source."""
    return FORMS[shape].edge_mm


def surface_water(shape: IceShape) -> Wetness:
    """Liquid water that ice of this shape usually carries; common practice, bounded by US EPA 2012."""
    return FORMS[shape].wetness


def piece_mass_g(shape: IceShape, edge_mm: Floats) -> FloatArray:
    """Mass of one piece [g] of that edge or diameter [mm], at 0 °C."""
    edge_cm = _edge(edge_mm) / 10.0
    return np.asarray(FORMS[shape].volume * edge_cm**3 * _DENSITY[0])


def area_m2(shape: IceShape, edge_mm: Floats, mass_g: Floats) -> FloatArray:
    """Surface [m²] of `mass_g` of such pieces, each of that edge: proportional to their mass.

    For ice that shrinks as it melts, its mass m out of m₀ leaves `area_m2(…, m₀) · (m/m₀)^(2/3)`.
    """
    pieces = np.asarray(mass_g, float) / piece_mass_g(shape, edge_mm)
    return np.asarray(pieces * FORMS[shape].area * (_edge(edge_mm) / 1000.0) ** 2)


def core_conductance_w_per_k(
    shape: IceShape, edge_mm: Floats, mass_g: Floats, temp_c: Floats = -5.0
) -> FloatArray:
    """Conductance [W/K] between the surface and the lumped core of `mass_g` of such ice.

    Chosen so that the core's time constant, mass × heat capacity ÷ conductance, is the slowest one of
    conduction in a ball of the same volume per area: R² ÷ (π²·α) with R = 3·volume ÷ area and α = k ÷ (ρ·c)
    (Carslaw and Jaeger, Conduction of Heat in Solids, 1959, § 9.3). Hence mass ÷ ρ · π²·k ÷ R².
    """
    form = FORMS[shape]
    radius_m = 3.0 * form.volume / form.area * _edge(edge_mm) / 1000.0
    volume_m3 = np.asarray(mass_g, float) / density_g_per_cm3(temp_c) * 1e-6
    return np.asarray(volume_m3 * np.pi**2 * conductivity_w_per_mk(temp_c) / radius_m**2)


def _edge(edge_mm: Floats) -> FloatArray:
    edge = np.asarray(edge_mm, float)
    require("edge of an ice piece", edge, 0.5, 300.0, "mm")
    return edge
