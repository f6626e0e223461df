"""What a drink is between two steps of its making, and the books that are kept of mass and energy."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.physics import ice as ice_physics
from rig.physics.cup import Cup
from rig.physics.foam import foamed_volume_ml
from rig.physics.glass import Sips
from rig.physics.liquid import Liquid, abv_pct, enthalpy_j, require_in_range, volume_ml
from rig.physics.standing import GlassIce

Ledger = dict[str, FloatArray]
_LEDGER = ("heat_in_j", "brought_j", "left_j", "model_error_j", "brought_g", "left_g")


@dataclass(frozen=True, eq=False)
class LooseIce:
    """Ice in the shaker: mass with the water on it, temperature of its core, water on it; (lanes,) each."""

    mass_g: FloatArray
    temp_c: FloatArray
    surface_g: FloatArray

    @property
    def enthalpy_j(self) -> FloatArray:
        """Above liquid water at 0 °C [J]; the water on it counts none."""
        return np.asarray((self.mass_g - self.surface_g) * ice_physics.enthalpy_j_per_g(self.temp_c))


@dataclass(frozen=True, eq=False)
class Wall:
    """A vessel or glass with its temperature, (lanes,)."""

    j_per_k: FloatArray
    temp_c: FloatArray

    @property
    def enthalpy_j(self) -> FloatArray:
        """Above 0 °C [J]."""
        return np.asarray(self.j_per_k * self.temp_c)


@dataclass(frozen=True, eq=False)
class Stage:
    """A drink after a step; arrays of shape (lanes,).

    `share` is how much of the drink at the start is still here; `start_g` and `start_ml` what it was.
    `ledger` holds, since the start: heat from outside, enthalpy and mass brought in (ice, vessel, glass,
    vapour) and left behind, and the melt model's error of closure.
    """

    step: str
    elapsed_s: float
    liquid: Liquid
    enthalpy_j: FloatArray
    temp_c: FloatArray
    overrun_pct: FloatArray
    share: FloatArray
    start_g: FloatArray
    start_ml: FloatArray
    ledger: Ledger
    ice: LooseIce | None = None
    vessel: Wall | None = None
    glass: Wall | None = None
    cup: Cup | None = None
    glass_ice: GlassIce | None = None
    sips: Sips | None = None

    @property
    def added_g(self) -> FloatArray:
        """Water added since the start to what is still here [g]; negative where more evaporated."""
        return np.asarray(self.liquid.mass_g - self.share * self.start_g)

    @property
    def dilution_by_volume(self) -> FloatArray:
        """Water added ÷ starting volume."""
        return np.asarray(self.added_g / (self.share * self.start_ml))

    @property
    def abv_pct(self) -> FloatArray:
        """Alcohol by volume of the liquid, its air not counted [% vol]."""
        return abv_pct(self.liquid)

    @property
    def volume_ml(self) -> FloatArray:
        """Volume with its air in [ml]."""
        return foamed_volume_ml(volume_ml(self.liquid), self.overrun_pct)

    @property
    def inside_j(self) -> FloatArray:
        """Enthalpy [J] of drink, ice, vessel and glass."""
        parts = [p.enthalpy_j for p in (self.ice, self.vessel, self.glass) if p is not None]
        if self.glass_ice is not None:
            parts.append(np.asarray(glass_ice_j(self.glass_ice)))
        return np.asarray(self.enthalpy_j + sum(parts))

    @property
    def inside_g(self) -> FloatArray:
        """Mass [g] of drink and ice."""
        loose = 0.0 if self.ice is None else self.ice.mass_g
        in_glass = 0.0 if self.glass_ice is None else self.glass_ice.mass_g + self.glass_ice.surface_water_g
        return np.asarray(self.liquid.mass_g + loose + in_glass)

    def booked(self, **entries: Floats) -> Ledger:
        """The ledger with these added."""
        return {k: np.asarray(v + np.asarray(entries.get(k, 0.0), float)) for k, v in self.ledger.items()}


@dataclass(frozen=True, eq=False)
class Start:
    """The drink before anything is done to it; arrays broadcast to (lanes,)."""

    liquid: Liquid
    temp_c: FloatArray
    starting_volume_ml: FloatArray

    @classmethod
    def of(cls, liquid: Liquid, temp_c: Floats, starting_volume_ml: Floats | None = None) -> Start:
        """From masses and temperature; the starting volume is the trade's sum of pours where given."""
        require_in_range(liquid, temp_c)
        ml = volume_ml(liquid) if starting_volume_ml is None else np.asarray(starting_volume_ml, float)
        return cls(liquid, np.asarray(temp_c, float), ml)

    def stage(self, lanes: int) -> Stage:
        """The first stage, with every array (lanes,)."""
        parts = Liquid(*(wide(getattr(self.liquid, f.name), lanes) for f in fields(Liquid)))
        temp, zero = wide(self.temp_c, lanes), np.zeros(lanes)
        return Stage(
            "start", 0.0, parts, enthalpy_j(parts, temp), temp, zero, zero + 1.0, parts.mass_g,
            wide(self.starting_volume_ml, lanes), dict.fromkeys(_LEDGER, zero),
        )  # fmt: skip


def wide(value: Floats, lanes: int) -> FloatArray:
    """A value for every lane, as an array of its own."""
    return np.array(np.broadcast_to(np.asarray(value, float), (lanes,)))


def together(a: LooseIce, b: LooseIce) -> LooseIce:
    """Two lots of ice as one, their enthalpy kept."""
    mass, surface = a.mass_g + b.mass_g, a.surface_g + b.surface_g
    per_gram = (a.enthalpy_j + b.enthalpy_j) / (mass - surface)
    return LooseIce(mass, _ice_temp_c(per_gram), surface)


def _ice_temp_c(enthalpy_j_per_g: FloatArray) -> FloatArray:
    """Temperature [°C] of ice by its enthalpy: Newton on the quadratic."""
    temp = np.zeros_like(enthalpy_j_per_g)
    for _ in range(8):
        off = ice_physics.enthalpy_j_per_g(temp, check=False) - enthalpy_j_per_g
        temp = np.minimum(temp - off / ice_physics.heat_capacity_j_per_gk(temp), 0.0)
    return np.asarray(temp)


def glass_ice_j(ice: GlassIce) -> float:
    """Enthalpy [J] of ice in the glass above liquid water at 0 °C; the water on it counts none."""
    return float(ice.mass_g * ice_physics.enthalpy_j_per_g(ice.temp_c))
