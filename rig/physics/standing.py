"""A drink that stands in a cup, with or without ice: what cup, ice and room do to it, for many lanes at once.

One model serves hot coffee at rest and a cold drink being drunk. State of a lane: masses and enthalpy of the
liquid, mass and enthalpy of the ice, temperature of the cup. Whatever leaves one joins another by the same
number, so that mass and energy are conserved to rounding, whatever the step; the temperature is read back
from the enthalpy with the liquid's own properties. The step sets accuracy only: Heun's method, order 2.

The ice's surface is at the freezing point of the drink, its core warms through the conductance of `ice`.
Left out: frost on a frozen glass, hands around it, foam's insulation, freezing of a drink without ice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.bench import IceShape
from rig.errors import ModelRangeError
from rig.physics import ice as ice_physics
from rig.physics import water
from rig.physics.cup import Cup
from rig.physics.liquid import (
    TEMP_RANGE_C,
    Liquid,
    enthalpy_j,
    freezing_point_c,
    heat_capacity_j_per_gk,
    require_in_range,
    volume_ml,
)
from rig.physics.room_air import SPREAD, Exchange, Room, at_side, at_top, latent_heat_j_per_g

CONTACT_W_PER_M2K = 300.0
CONTACT_SPREAD = (0.35, 2.0)
"""Film between a still drink and glass or ice: 100 to 600 W/(m²·K), an engineering range from memory."""
_LEAST_ICE_SHARE = 0.003
_LONGEST_STEP_S, _STEP_TIMES_RATE = 12.0, 0.25
_ICE_G_PER_ML = 0.9167
_TABLE_C = np.arange(-18.0, 99.0)
"""Where exchange with the room is worked out once: it depends on the surface's temperature alone."""


@dataclass(frozen=True)
class GlassIce:
    """Ice that stands in a drink: solid mass [g], temperature [°C], and the pieces it comes in."""

    mass_g: float
    temp_c: float = -5.0
    shape: IceShape = IceShape.BLOCK
    edge_mm: float = 50.0
    surface_water_g: float = 0.0


@dataclass(frozen=True, eq=False)
class Standing:
    """A drink in a cup; every array has shape (lanes,), those of `liquid` too.

    `heat_in_j` is all that came from the room so far, the enthalpy of vapour that joined or left
    included; `vapour_g` that vapour (negative: evaporated).
    """

    liquid: Liquid
    enthalpy_j: FloatArray
    temp_c: FloatArray
    ice_g: FloatArray
    ice_j: FloatArray
    cup_temp_c: FloatArray
    heat_in_j: FloatArray
    vapour_g: FloatArray

    @property
    def ice_temp_c(self) -> FloatArray:
        """Mean temperature of the ice [°C]; NaN where there is none."""
        a, b = ice_physics.enthalpy_j_per_g(0.0), ice_physics.heat_capacity_j_per_gk(0.0)
        slope = (b - ice_physics.heat_capacity_j_per_gk(-1.0)) / 2.0
        h = np.where(self.ice_g > 0.0, self.ice_j / np.where(self.ice_g > 0.0, self.ice_g, 1.0) - a, np.nan)
        return np.asarray(2.0 * h / (b + np.sqrt(np.maximum(b * b + 4.0 * slope * h, 0.0))))

    def total_j(self, cup: Cup) -> FloatArray:
        """Enthalpy [J] of drink, ice and cup together."""
        return np.asarray(self.enthalpy_j + self.ice_j + cup.heat_capacity_j_per_k * self.cup_temp_c)

    def without(self, share: Floats) -> Standing:
        """What is left in the cup after a sip of that share of the liquid; ice stays."""
        rest = 1.0 - np.asarray(share, float)
        parts = Liquid(*(getattr(self.liquid, f.name) * rest for f in fields(Liquid)))
        return replace(self, liquid=parts, enthalpy_j=self.enthalpy_j * rest)


@dataclass(frozen=True, eq=False)
class Conditions:
    """Around the drink. The scales multiply exchange with the room and contact with cup and ice; (lanes,)."""

    room: Room
    room_scale: Floats = 1.0
    contact_scale: Floats = 1.0
    covered: bool = False


def poured(
    liquid: Liquid,
    temp_c: Floats,
    cup_temp_c: Floats,
    ice: GlassIce | None = None,
    lanes: Sequence[int] = (),
) -> Standing:
    """A drink at the moment it is in the cup, water on the ice mixed in; arrays broadcast to (lanes,).

    Raises
    ------
    ModelRangeError
        Where drink, cup or ice lie outside the range the properties are known in.
    """
    require_in_range(liquid, temp_c)
    require_in_range(liquid, cup_temp_c)
    extra = 0.0 if ice is None else ice.surface_water_g
    shape = np.broadcast_shapes(
        liquid.mass_g.shape, np.shape(temp_c), np.shape(cup_temp_c), tuple(lanes), (1,)
    )
    parts = Liquid(*(np.array(np.broadcast_to(getattr(liquid, f.name), shape)) for f in fields(Liquid)))
    if np.any(parts.mass_g <= 0.0):
        raise ModelRangeError("there is no drink in the cup: its mass must be above 0 g")
    temp = np.broadcast_to(np.asarray(temp_c, float), shape)
    enthalpy = enthalpy_j(parts, temp)
    parts = parts.plus_water(extra)
    ice_g = np.full(shape, 0.0 if ice is None else ice.mass_g)
    ice_j = ice_g * (0.0 if ice is None else ice_physics.enthalpy_j_per_g(ice.temp_c))
    zero = np.zeros(shape)
    cup_temp = np.array(np.broadcast_to(np.asarray(cup_temp_c, float), shape))
    start = Standing(parts, np.asarray(enthalpy), temp, ice_g, ice_j, cup_temp, zero, zero)
    return replace(start, temp_c=_temperature(start))


def stand(
    state: Standing, cup: Cup, around: Conditions, duration_s: float, ice: GlassIce | None = None
) -> Standing:
    """The same drink `duration_s` later.

    Raises
    ------
    ModelRangeError
        Where it would leave −15…95 °C on its way.
    """
    if duration_s < 0.0 or not np.isfinite(duration_s):
        raise ModelRangeError(f"a time to stand must be 0 s or more, found {duration_s:g} s")
    if duration_s == 0.0:
        return state
    rule = _Rule(cup, around, ice)
    steps = int(np.ceil(duration_s / rule.step_s(state)))
    dt = duration_s / steps
    for _ in range(steps):
        first = rule.rates(state, dt)
        second = rule.rates(_moved(state, first, dt), dt)
        state = rule.tidied(_moved(state, 0.5 * (first + second), dt))
    if np.any((state.temp_c < TEMP_RANGE_C[0]) | (state.temp_c > TEMP_RANGE_C[1])):
        raise ModelRangeError(
            f"the drink in the {cup.name} leaves {TEMP_RANGE_C[0]:g}…{TEMP_RANGE_C[1]:g} °C, where it is known"
        )
    return state


def _moved(state: Standing, rates: FloatArray, dt: float) -> Standing:
    """One step of rates: liquid J and g of water, ice g and J, cup K, heat from the room J, vapour g."""
    d = rates * dt
    moved = Standing(
        liquid=replace(state.liquid, water_g=state.liquid.water_g + d[1]),
        enthalpy_j=state.enthalpy_j + d[0],
        temp_c=state.temp_c,
        ice_g=state.ice_g + d[2],
        ice_j=state.ice_j + d[3],
        cup_temp_c=state.cup_temp_c + d[4],
        heat_in_j=state.heat_in_j + d[5],
        vapour_g=state.vapour_g + d[6],
    )
    return replace(moved, temp_c=_temperature(moved))


def _temperature(state: Standing) -> FloatArray:
    """Temperature [°C] at which the liquid has its enthalpy: Newton from the last one."""
    temp = state.temp_c
    for _ in range(3):
        slope = state.liquid.mass_g * heat_capacity_j_per_gk(state.liquid, temp, check=False)
        step = (state.enthalpy_j - enthalpy_j(state.liquid, temp, check=False)) / np.maximum(slope, 1e-9)
        temp = np.asarray(temp + step)
        if np.all(np.abs(step) < 1e-5):
            break
    return temp


class _Rule:
    """Rates of change, with what stays fixed worked out once."""

    def __init__(self, cup: Cup, around: Conditions, ice: GlassIce | None) -> None:
        self.cup, self.around = cup, around
        self.film = CONTACT_W_PER_M2K * np.asarray(around.contact_scale, float)
        piece = ice or GlassIce(0.0)
        self.start_g = max(piece.mass_g, 1e-9)
        self.ice_w_per_k = self.film * ice_physics.area_m2(piece.shape, piece.edge_mm, piece.mass_g)
        self.core_w_per_k = ice_physics.core_conductance_w_per_k(piece.shape, piece.edge_mm, piece.mass_g)
        self.side, self.top = at_side(_TABLE_C, around.room, cup.height_m), self._top(_TABLE_C)

    def step_s(self, state: Standing) -> float:
        """A step short against the fastest exchange."""
        liquid = state.liquid.mass_g * 3.5
        contact = self.cup.contact_w_per_k(self.cup.capacity_ml, self.film)
        by_liquid = float(np.max((contact + self.ice_w_per_k) / liquid))
        fastest = max(by_liquid, float(np.max(contact / self.cup.heat_capacity_j_per_k)))
        return float(min(_LONGEST_STEP_S, _STEP_TIMES_RATE / fastest))

    def rates(self, s: Standing, dt: float) -> FloatArray:
        """Shape (7, lanes), in the order `_moved` takes them."""
        ml = volume_ml(s.liquid, 20.0, check=False) + s.ice_g / _ICE_G_PER_ML
        contact = self.cup.contact_w_per_k(ml, self.film)
        from_cup = contact * (s.cup_temp_c - s.temp_c)
        scale = np.asarray(self.around.room_scale, float)
        side_w = scale * self.cup.outside_m2 * np.interp(s.cup_temp_c, _TABLE_C, self.side.heat_w_per_m2)
        vapour = scale * self.cup.mouth_m2 * np.interp(s.temp_c, _TABLE_C, self.top.water_g_per_m2s)
        top_w = scale * self.cup.mouth_m2 * np.interp(s.temp_c, _TABLE_C, self.top.heat_w_per_m2)
        # The latent heat is in the surface's heat; the water itself takes its liquid's enthalpy along.
        top_w = top_w + vapour * water.enthalpy_j_per_g(s.temp_c)
        melting, into_ice, brought_w = self._ice(s, dt)
        out = np.zeros((7, *s.temp_c.shape))
        out[0] = from_cup + top_w - into_ice + brought_w
        out[1] = melting + vapour
        out[2] = -melting
        out[3] = into_ice - brought_w
        out[4] = (side_w - from_cup) / self.cup.heat_capacity_j_per_k
        out[5] = side_w + top_w
        out[6] = vapour
        return out

    def _top(self, surface_c: FloatArray) -> Exchange:
        diameter_m = self.cup.diameter_mm / 1000.0
        if not self.around.covered:
            return at_top(surface_c, self.around.room, diameter_m)
        # Air under the lid and air above it in series: half the exchange, and no vapour leaves.
        lid = at_side(surface_c, self.around.room, diameter_m)
        dry = lid.heat_w_per_m2 - lid.water_g_per_m2s * latent_heat_j_per_g(surface_c)
        return Exchange(np.asarray(0.5 * dry), np.zeros_like(surface_c))

    def _ice(self, s: Standing, dt: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Melt [g/s], heat from liquid into ice [W], enthalpy that the melt brings to the liquid [W]."""
        there = s.ice_g > 0.0
        if not np.any(there):
            nothing = np.zeros_like(s.ice_g)
            return nothing, nothing, nothing
        left = np.where(there, s.ice_g / self.start_g, 0.0)
        surface = freezing_point_c(s.liquid, check=False)
        core = np.where(there, s.ice_temp_c, 0.0)
        # Near the end of a drink most of the ice stands dry; the share it wets is a plain proportion.
        wetted = np.minimum(1.0, s.liquid.mass_g / np.maximum(s.ice_g, 1e-9))
        into_ice = self.ice_w_per_k * np.cbrt(left) ** 2 * wetted * (s.temp_c - surface)
        most = 0.5 * s.ice_g * 2.05 / dt
        into_core = np.minimum(self.core_w_per_k * np.cbrt(left), most) * (surface - core)
        melt_j = water.enthalpy_j_per_g(surface)
        core_j = np.where(there, s.ice_j / np.where(there, s.ice_g, 1.0), ice_physics.enthalpy_j_per_g(0.0))
        melting = np.where(there, (into_ice - into_core) / (melt_j - core_j), 0.0)
        return np.asarray(melting), np.asarray(into_ice), np.asarray(melting * melt_j)

    def tidied(self, s: Standing) -> Standing:
        """The last crumb of ice joins the liquid, with its cold."""
        gone = (s.ice_g != 0.0) & (s.ice_g < _LEAST_ICE_SHARE * self.start_g)
        if not np.any(gone):
            return s
        crumb_g, crumb_j = np.where(gone, s.ice_g, 0.0), np.where(gone, s.ice_j, 0.0)
        joined = replace(
            s,
            liquid=s.liquid.plus_water(crumb_g),
            enthalpy_j=s.enthalpy_j + crumb_j,
            ice_g=s.ice_g - crumb_g,
            ice_j=s.ice_j - crumb_j,
        )
        return replace(joined, temp_c=_temperature(joined))


TYPICAL_LANE = 4


def spread(room: Room, *, covered: bool = False) -> Conditions:
    """Nine lanes over the ranges of room and contact; lane `TYPICAL_LANE` is the usual one."""
    rooms, contacts = np.meshgrid(
        [SPREAD[0], 1.0, SPREAD[1]], [CONTACT_SPREAD[0], 1.0, CONTACT_SPREAD[1]], indexing="ij"
    )
    return Conditions(room, rooms.ravel(), contacts.ravel(), covered)


@dataclass(frozen=True, eq=False)
class Band:
    """A quantity at its usual value and at the ends of its range; arrays of one shape."""

    low: FloatArray
    typical: FloatArray
    high: FloatArray

    @classmethod
    def over(cls, lanes: FloatArray) -> Band:
        """From the nine lanes of `spread`, on the last axis."""
        return cls(lanes.min(axis=-1), np.asarray(lanes[..., TYPICAL_LANE]), lanes.max(axis=-1))

    def at(self, index: int) -> tuple[float, float, float]:
        """Low, typical and high at one place, as plain numbers."""
        return float(self.low[index]), float(self.typical[index]), float(self.high[index])
