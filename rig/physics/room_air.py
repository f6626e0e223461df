"""What a room does to the side and the top of a cup: free convection, radiation, vapour; arrays in and out.

Heat is counted into the surface: positive where the room is warmer or water condenses, negative where the cup
loses heat or water evaporates. Known for surfaces of −15…98 °C in still rooms of 5…45 °C; ±35 % is usual
between cups, draughts and correlations, and is what `SPREAD` says.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.physics.ethanol_water import require
from rig.physics.sealed import ATMOSPHERE_KPA
from rig.physics.water import saturation_kpa
from rig.units import kelvin_from_celsius

SPREAD = (0.7, 1.4)
"""Exchange with a room over what is computed here, the 90 % range of still to breezy (common practice)."""
ROOM_RANGE_C = (5.0, 45.0)

_GRAVITY = 9.81
_GAS_J_PER_GK = 0.28705
_VAPOUR_J_PER_GK = 0.46152
_AIR_J_PER_GK = 1.007
_EMISSIVITY = 0.93  # water, glass, glazed ceramic: 0.9 to 0.96 (Incropera & DeWitt, table A.11, from memory)
_STEFAN_BOLTZMANN = 5.670374e-8


@dataclass(frozen=True)
class Room:
    """The air around a cup: temperature [°C] and relative humidity [0…1]."""

    temp_c: float = 21.0
    humidity: float = 0.5

    def __post_init__(self) -> None:
        require("room temperature", np.asarray(self.temp_c, float), *ROOM_RANGE_C, "°C")
        require("relative humidity", np.asarray(self.humidity, float), 0.0, 1.0, "of 1")

    @property
    def vapour_kpa(self) -> FloatArray:
        """Pressure of the water vapour in the room [kPa]."""
        return np.asarray(self.humidity * saturation_kpa(self.temp_c))


def latent_heat_j_per_g(temp_c: Floats) -> FloatArray:
    """Heat of evaporation of water [J/g], a line through IAPWS-95 within 0.5 % from 0 to 95 °C."""
    return np.asarray(2502.0 - 2.40 * np.asarray(temp_c, float))


@dataclass(frozen=True, eq=False)
class _Air:
    conductivity_w_per_mk: FloatArray
    viscosity_m2_per_s: FloatArray
    diffusivity_m2_per_s: FloatArray
    density_kg_per_m3: FloatArray


def _air(film_c: FloatArray) -> _Air:
    """Dry air at 1 atm: Sutherland's viscosity, and a power law through Incropera & DeWitt's table A.4."""
    k = kelvin_from_celsius(film_c)
    density = ATMOSPHERE_KPA / (_GAS_J_PER_GK * k)
    conductivity = 0.0263 * (k / 300.0) ** 0.86
    return _Air(
        conductivity,
        1.458e-6 * k**1.5 / (k + 110.4) / density,
        conductivity / (density * 1000.0 * _AIR_J_PER_GK),
        density,
    )


def vertical_film_w_per_m2k(surface_c: Floats, air_c: Floats, height_m: Floats) -> FloatArray:
    """Free convection on an upright wall [W/(m²·K)].

    Churchill and Chu, Int. J. Heat Mass Transfer 18 (1975) 1323: Nu = {0.825 + 0.387·Ra^(1/6) ÷
    [1 + (0.492/Pr)^(9/16)]^(8/27)}², Ra below 10¹².
    """
    surface, ambient, height = (np.asarray(x, float) for x in (surface_c, air_c, height_m))
    film = 0.5 * (surface + ambient)
    air = _air(film)
    buoyancy = _GRAVITY * np.abs(surface - ambient) / kelvin_from_celsius(film)
    rayleigh = buoyancy * height**3 / (air.viscosity_m2_per_s * air.diffusivity_m2_per_s)
    prandtl = air.viscosity_m2_per_s / air.diffusivity_m2_per_s
    nusselt = (0.825 + 0.387 * rayleigh ** (1 / 6) / (1.0 + (0.492 / prandtl) ** (9 / 16)) ** (8 / 27)) ** 2
    return np.asarray(nusselt * air.conductivity_w_per_mk / height)


def top_film_w_per_m2k(surface_c: Floats, room: Room, diameter_m: Floats) -> FloatArray:
    """Free convection over a round liquid surface [W/(m²·K)], its vapour's buoyancy included.

    McAdams, Heat Transmission (1954), with a quarter of the diameter as length: Nu = 0.54·Ra^(1/4) where
    the air at the surface rises, 0.27·Ra^(1/4) where it lies still, at least that of conduction (Nu 1).
    """
    surface, ambient = np.asarray(surface_c, float), np.asarray(room.temp_c, float)
    length = np.asarray(diameter_m, float) / 4.0
    film = 0.5 * (surface + ambient)
    air = _air(film)

    def virtual(temp_c: FloatArray, vapour_kpa: FloatArray) -> FloatArray:
        return np.asarray(kelvin_from_celsius(temp_c) * (1.0 + 0.378 * vapour_kpa / ATMOSPHERE_KPA))

    lift = virtual(surface, saturation_kpa(surface)) - virtual(ambient, room.vapour_kpa)
    buoyancy = _GRAVITY * np.abs(lift) / kelvin_from_celsius(film)
    rayleigh = buoyancy * length**3 / (air.viscosity_m2_per_s * air.diffusivity_m2_per_s)
    nusselt = np.maximum(np.where(lift > 0.0, 0.54, 0.27) * rayleigh**0.25, 1.0)
    return np.asarray(nusselt * air.conductivity_w_per_mk / length)


def radiation_w_per_m2k(surface_c: Floats, room_c: Floats) -> FloatArray:
    """Radiation between a surface and its room [W/(m²·K)], emissivity 0.93 (Stefan and Boltzmann's law)."""
    s, r = kelvin_from_celsius(np.asarray(surface_c, float)), kelvin_from_celsius(np.asarray(room_c, float))
    return np.asarray(_EMISSIVITY * _STEFAN_BOLTZMANN * (s**2 + r**2) * (s + r))


def vapour_g_per_m2s(surface_c: Floats, room: Room, film_w_per_m2k: FloatArray) -> FloatArray:
    """Water that condenses on a wet surface [g/(m²·s)]; negative: evaporates.

    Chilton and Colburn's analogy with heat, and Stefan's flow for strong vapour (Bird, Stewart & Lightfoot,
    Transport Phenomena, § 18.2 and 22.3, from memory); diffusivity 2.6·10⁻⁵ m²/s at 25 °C.
    """
    surface = np.asarray(surface_c, float)
    kelvin = kelvin_from_celsius(0.5 * (surface + np.asarray(room.temp_c, float)))
    air = _air(0.5 * (surface + np.asarray(room.temp_c, float)))
    lewis = air.diffusivity_m2_per_s / (2.6e-5 * (kelvin / 298.15) ** 1.75)
    speed = film_w_per_m2k / (air.density_kg_per_m3 * 1000.0 * _AIR_J_PER_GK) / lewis ** (2 / 3)
    dry = np.maximum(ATMOSPHERE_KPA - saturation_kpa(surface), 1.0)
    drive = np.log(dry / (ATMOSPHERE_KPA - room.vapour_kpa))
    return np.asarray(speed * ATMOSPHERE_KPA / (_VAPOUR_J_PER_GK * kelvin) * 1000.0 * drive)


@dataclass(frozen=True, eq=False)
class Exchange:
    """Heat into a surface [W/m²] and water onto it [g/(m²·s)], the vapour's latent heat in the heat."""

    heat_w_per_m2: FloatArray
    water_g_per_m2s: FloatArray


def at_side(surface_c: FloatArray, room: Room, height_m: Floats) -> Exchange:
    """At a cup's outside: dry where warm; where colder than the dew point, water condenses and runs off."""
    film = vertical_film_w_per_m2k(surface_c, room.temp_c, height_m)
    water = np.maximum(vapour_g_per_m2s(surface_c, room, film), 0.0)
    sensible = (film + radiation_w_per_m2k(surface_c, room.temp_c)) * (room.temp_c - surface_c)
    return Exchange(np.asarray(sensible + water * latent_heat_j_per_g(surface_c)), water)


_SKIN_PASSES = 5


def at_top(liquid_c: FloatArray, room: Room, diameter_m: Floats) -> Exchange:
    """At a drink's surface, whose skin is cooler than the drink below where it loses heat.

    Below a cooling skin heat rises by Nu = 0.14·Ra^(1/3) (Globe and Dropkin's power; McAdams 1954), for
    water 203 W/(m²·K^(4/3)) at 20 °C and 426 at 75 °C. A cold drink is taken as mixed by sips and melt.
    """
    bulk = np.asarray(liquid_c, float)
    rising = 203.0 + 4.05 * (np.clip(bulk, 0.0, 95.0) - 20.0)
    skin = bulk
    for k in range(_SKIN_PASSES):
        found = _wet(skin, room, diameter_m)
        drop = (np.maximum(-found.heat_w_per_m2, 0.0) / rising) ** 0.75
        skin = bulk - drop if k == 0 else 0.5 * (skin + bulk - drop)
    return _wet(skin, room, diameter_m)


def _wet(surface_c: FloatArray, room: Room, diameter_m: Floats) -> Exchange:
    film = top_film_w_per_m2k(surface_c, room, diameter_m)
    water = vapour_g_per_m2s(surface_c, room, film)
    sensible = (film + radiation_w_per_m2k(surface_c, room.temp_c)) * (room.temp_c - surface_c)
    return Exchange(np.asarray(sensible + water * latent_heat_j_per_g(surface_c)), water)
