"""The making of a drink as one list of steps, run through by the models for any number of lanes at once.

    made = run([Rest(120, cup), BlendForAir(10, power_w=60), AddIce(150, -16), Agitate("shake", 12, rates),
                Strain(2.5), OverIce(ice), PourInto(glass, 4), Drink(10)], Start.of(liquid, 75))

Each stage carries masses, temperature, dilution, ABV and overrun, and a ledger: what is inside plus what left
is what came in, in mass and in energy, to rounding. The melt model's own error of closure (its liquid
properties are polynomials) stands in the ledger by name, `model_error_j`, and is small.

No step knows of fits: rates are plain parameters, as arrays of lanes where they differ.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Protocol

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.errors import BenchError, ModelRangeError
from rig.physics import ice as ice_physics
from rig.physics.cup import Cup
from rig.physics.glass import FIRST_SIP_S, require_fits, sips
from rig.physics.liquid import Liquid, enthalpy_j, heat_capacity_j_per_gk, require_in_range
from rig.physics.melt import MeltInputs, drink_curves, simulate, steps_for
from rig.physics.one_rate import rising
from rig.physics.room_air import Room
from rig.physics.stage import LooseIce, Stage, Start, Wall, glass_ice_j, together, wide
from rig.physics.standing import Conditions, GlassIce, Standing, poured, stand

__all__ = [
    "AddIce",
    "Agitate",
    "BlendForAir",
    "Drink",
    "OverIce",
    "PourInto",
    "Rest",
    "Stage",
    "Start",
    "Step",
    "Strain",
    "aerated",
    "run",
]


class Step(Protocol):
    """Anything that turns one stage into the next."""

    def apply(self, s: Stage, around: Conditions) -> Stage:
        """The stage after this step."""
        ...


def run(
    steps: Sequence[Step], start: Start, around: Conditions | None = None, lanes: int = 1
) -> tuple[Stage, ...]:
    """Every stage from the start on, one more than there are steps.

    Parameters
    ----------
    steps
        In the order in which they are done.
    around
        Room, and (lanes,) scales on exchange with it and on contact with cup and ice; a usual room if None.

    Raises
    ------
    BenchError
        Steps in an order that cannot be, told by number and name.
    ModelRangeError
        A drink, an ice or a duration outside the range of the models.
    """
    conditions = around or Conditions(Room())
    stages = [start.stage(lanes)]
    for number, step in enumerate(steps, start=1):
        try:
            stages.append(step.apply(stages[-1], conditions))
        except BenchError as error:
            raise BenchError(
                f"step {number} ({type(step).__name__}): {error.what}", cure=error.cure
            ) from error
    return tuple(stages)


@dataclass(frozen=True)
class Rest:
    """Let the drink stand in a cup, without ice."""

    duration_s: float
    cup: Cup
    cup_temp_c: float | None = None
    covered: bool = False

    def apply(self, s: Stage, around: Conditions) -> Stage:
        """The drink afterwards, out of that cup again."""
        _require_no_ice(s, "rest before the ice goes in")
        cup_c = around.room.temp_c if self.cup_temp_c is None else self.cup_temp_c
        before = poured(s.liquid, s.temp_c, cup_c, lanes=s.temp_c.shape)
        after = stand(before, self.cup, replace(around, covered=self.covered), self.duration_s)
        c = self.cup.heat_capacity_j_per_k
        ledger = s.booked(
            heat_in_j=after.heat_in_j,
            brought_j=c * before.cup_temp_c,
            left_j=c * after.cup_temp_c,
            brought_g=after.vapour_g,
        )
        return replace(
            s, step="rest", elapsed_s=s.elapsed_s + self.duration_s, liquid=after.liquid,
            enthalpy_j=after.enthalpy_j, temp_c=after.temp_c, ledger=ledger,
        )  # fmt: skip


@dataclass(frozen=True)
class BlendForAir:
    """Blend without ice: the motor's heat ends in drink and jar, which share it; air goes in.

    `power_w` is what reaches the liquid; a blender gives tens to hundreds of watts (common practice).
    """

    duration_s: float
    power_w: Floats = 60.0
    overrun_plateau_pct: Floats = 0.0
    overrun_time_s: Floats = 5.0
    jar_j_per_k: Floats = 0.0
    jar_temp_c: Floats = 21.0

    def apply(self, s: Stage, around: Conditions) -> Stage:
        """The drink afterwards, out of the jar."""
        _require_no_ice(s, "blend for air before the ice goes in; with ice it is Agitate")
        lanes = s.temp_c.size
        jar, jar_c = wide(self.jar_j_per_k, lanes), wide(self.jar_temp_c, lanes)
        heat = wide(self.power_w, lanes) * self.duration_s
        total = s.enthalpy_j + jar * jar_c + heat
        temp = s.temp_c
        for _ in range(6):
            slope = s.liquid.mass_g * heat_capacity_j_per_gk(s.liquid, temp, check=False) + jar
            temp = temp - (enthalpy_j(s.liquid, temp, check=False) + jar * temp - total) / slope
        require_in_range(s.liquid, temp)
        return replace(
            s, step="blend for air", elapsed_s=s.elapsed_s + self.duration_s,
            enthalpy_j=total - jar * temp, temp_c=temp,
            overrun_pct=aerated(s.overrun_pct, self.duration_s, self.overrun_plateau_pct, self.overrun_time_s),
            ledger=s.booked(heat_in_j=heat, brought_j=jar * jar_c, left_j=jar * temp),
        )  # fmt: skip


@dataclass(frozen=True)
class AddIce:
    """Ice into the vessel, weighed with the water on it; more of it mixes with what is there."""

    mass_g: Floats
    temp_c: Floats
    surface_water_g: Floats = 0.0

    def apply(self, s: Stage, around: Conditions) -> Stage:
        """The drink with ice at its side; nothing has melted yet."""
        lanes = s.temp_c.size
        new = LooseIce(*(wide(v, lanes) for v in (self.mass_g, self.temp_c, self.surface_water_g)))
        if np.any(new.mass_g <= 0.0) or np.any(new.surface_g > 0.9 * new.mass_g):
            raise ModelRangeError("ice must weigh more than 0 g, at most nine tenths of it water")
        brought = new.enthalpy_j
        both = new if s.ice is None else together(s.ice, new)
        return replace(s, step="add ice", ice=both, ledger=s.booked(brought_j=brought, brought_g=new.mass_g))


@dataclass(frozen=True, eq=False)
class Agitate:
    """Shake, stir, blend or swirl on the ice, by the melt model.

    `rates` are the melt model's inputs, (lanes,) or (1,); what drink, ice and (on a second go) vessel are by
    now takes the place of what they say. The overrun rises towards its plateau (see `foam.fit_overrun`).
    """

    technique: str
    duration_s: float
    rates: MeltInputs
    overrun_plateau_pct: Floats = 0.0
    overrun_time_s: Floats = 5.0

    def apply(self, s: Stage, around: Conditions) -> Stage:
        """The drink on what ice is left."""
        if s.ice is None:
            raise BenchError(f"there is no ice to {self.technique} on", cure="Put AddIce before it")
        if self.duration_s <= 0.0:
            raise ModelRangeError(f"to {self.technique} takes more than 0 s, found {self.duration_s:g} s")
        lanes = s.temp_c.size
        x = MeltInputs(*(wide(getattr(self.rates, f.name), lanes) for f in fields(MeltInputs)))
        vessel = s.vessel or Wall(x.inner_j_per_k + x.outer_j_per_k, x.vessel_temp_c)
        x = x.with_values(
            drink_temp_c=s.temp_c, ice_mass_g=s.ice.mass_g, ice_temp_c=s.ice.temp_c,
            surface_water_g=s.ice.surface_g, vessel_temp_c=vessel.temp_c,
        )  # fmt: skip
        curves = drink_curves(s.liquid)
        duration = np.full(lanes, self.duration_s)
        course = simulate(curves, x, duration, steps_for(x, curves, duration))
        added, temp = course.added_g[-1], course.temp_c[-1]
        liquid = s.liquid.plus_water(added)
        core = np.clip(course.core_temp_c[-1], ice_physics.TEMP_RANGE_C[0], 0.0)
        left = LooseIce(s.ice.mass_g - added, core, np.zeros(lanes))
        walls = x.inner_j_per_k * course.inner_wall_c[-1] + x.outer_j_per_k * course.outer_wall_c[-1]
        outside = x.power_w * (1.0 - np.exp(-course.time_s / x.ramp_s)) + x.room_w_per_k * (
            x.room_temp_c - course.outer_wall_c
        )
        heat = 0.5 * ((outside[1:] + outside[:-1]) * np.diff(course.time_s, axis=0)).sum(axis=0)
        brought = vessel.enthalpy_j if s.vessel is None else np.zeros(lanes)
        after = replace(
            s, step=self.technique, elapsed_s=s.elapsed_s + self.duration_s, liquid=liquid,
            enthalpy_j=enthalpy_j(liquid, temp), temp_c=temp, ice=left,
            vessel=Wall(vessel.j_per_k, walls / vessel.j_per_k),
            overrun_pct=aerated(s.overrun_pct, self.duration_s, self.overrun_plateau_pct, self.overrun_time_s),
        )  # fmt: skip
        error = after.inside_j - s.inside_j - brought - heat
        return replace(after, ledger=s.booked(heat_in_j=heat, brought_j=brought, model_error_j=error))


@dataclass(frozen=True)
class Strain:
    """Away from ice and vessel; `held_back_g` of the drink stays on them."""

    held_back_g: Floats = 0.0

    def apply(self, s: Stage, around: Conditions) -> Stage:
        """The drink alone."""
        held = np.broadcast_to(np.asarray(self.held_back_g, float), s.temp_c.shape)
        kept = 1.0 - held / s.liquid.mass_g
        if np.any(kept <= 0.0) or np.any(held < 0.0):
            raise ModelRangeError(f"{np.max(held):g} g held back leave nothing of the drink")
        liquid = Liquid(*(getattr(s.liquid, f.name) * kept for f in fields(Liquid)))
        after = replace(
            s, step="strain", liquid=liquid, enthalpy_j=s.enthalpy_j * kept, share=s.share * kept,
            ice=None, vessel=None,
        )  # fmt: skip
        ledger = s.booked(left_j=s.inside_j - after.inside_j, left_g=s.inside_g - after.inside_g)
        return replace(after, ledger=ledger)


@dataclass(frozen=True)
class OverIce:
    """Ice in the glass it is poured over."""

    ice: GlassIce

    def apply(self, s: Stage, around: Conditions) -> Stage:
        """The drink with that ice waiting in the glass."""
        g = self.ice.mass_g + self.ice.surface_water_g
        ledger = s.booked(brought_j=glass_ice_j(self.ice), brought_g=g)
        return replace(s, step="over ice", glass_ice=self.ice, ledger=ledger)


@dataclass(frozen=True)
class PourInto:
    """Into the glass it is drunk from; they share their heat while it stands."""

    cup: Cup
    cup_temp_c: float

    def apply(self, s: Stage, around: Conditions) -> Stage:
        """The drink in the glass, at the moment of the pour."""
        _require_no_ice(s, "strain before pouring, or count the ice as OverIce")
        require_fits(self.cup, s.volume_ml, 0.0 if s.glass_ice is None else s.glass_ice.mass_g)
        lanes = s.temp_c.size
        glass = Wall(np.full(lanes, self.cup.heat_capacity_j_per_k), np.full(lanes, float(self.cup_temp_c)))
        return replace(
            s, step=f"pour into {self.cup.name}", cup=self.cup, glass=glass,
            ledger=s.booked(brought_j=glass.enthalpy_j),
        )  # fmt: skip


@dataclass(frozen=True)
class Drink:
    """Drink it up in even sips."""

    minutes: float
    count: int = 12
    first_sip_s: float = FIRST_SIP_S

    def apply(self, s: Stage, around: Conditions) -> Stage:
        """The last sip; `sips` holds them all."""
        if s.cup is None or s.glass is None:
            raise BenchError("there is no glass to drink from", cure="Put PourInto before it")
        start = poured(s.liquid, s.temp_c, s.glass.temp_c, s.glass_ice)
        made = sips(start, s.cup, around, self.minutes, self.count, s.glass_ice, first_sip_s=self.first_sip_s)
        end: Standing = made.left
        earlier_j, earlier_g = made.drunk_j[:-1].sum(axis=0), made.drunk_g[:-1].sum(axis=0)
        after = replace(
            s, step="drink", elapsed_s=s.elapsed_s + 60.0 * self.minutes, liquid=end.liquid,
            enthalpy_j=end.enthalpy_j, temp_c=end.temp_c, share=s.share / self.count, sips=made,
            glass=Wall(s.glass.j_per_k, end.cup_temp_c), glass_ice=None,
            ice=None if s.glass_ice is None else _ice_left(end),
        )  # fmt: skip
        ledger = s.booked(heat_in_j=end.heat_in_j, left_j=earlier_j, left_g=earlier_g, brought_g=end.vapour_g)
        return replace(after, ledger=ledger)


def aerated(overrun_pct: Floats, duration_s: Floats, plateau_pct: Floats, time_s: Floats) -> FloatArray:
    """Overrun [%] after so long of a motion that carries it towards a plateau, never back down."""
    now, plateau = np.asarray(overrun_pct, float), np.asarray(plateau_pct, float)
    share = rising(np.asarray(duration_s, float) / np.asarray(time_s, float))
    return np.asarray(now + np.maximum(plateau - now, 0.0) * share)


def _require_no_ice(s: Stage, cure: str) -> None:
    if s.ice is not None:
        raise BenchError("the drink is still on its ice", cure=cure[0].upper() + cure[1:])


def _ice_left(end: Standing) -> LooseIce:
    there = end.ice_g > 0.0
    temp = np.where(there, end.ice_temp_c, 0.0)
    return LooseIce(end.ice_g, temp, np.zeros_like(end.ice_g))
