"""Steady enthalpy balance of a drink, its ice and its vessel: enthalpy in = enthalpy out.

Batched: every argument broadcasts with every other and with the masses of the liquid. A `Charge` holds the
terms. Water added is melt plus the water on the ice. Every function raises ModelRangeError where drink, ice
or result leave the range the properties are known in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from rig.arrays import BoolArray, FloatArray, Floats
from rig.errors import ModelRangeError
from rig.physics import ice
from rig.physics.liquid import (
    ETHANOL_MAX_PCT,
    MIXING_ENTHALPY_RELATIVE_SD,
    SUGAR_MAX_BRIX,
    TEMP_RANGE_C,
    Liquid,
    enthalpy_j,
    freezing_point_c,
    require_in_range,
)

SURPLUS_CAUSES = (
    "ice chips passed the strainer and melted later",
    "the ice was wet: water on its surface counts as dilution but cools little",
    "the vessel was warm, heavier than stated, or warmed by the hands",
)
"""What usually adds more water than the chill can pay for."""

_HALVINGS = 52
_ICE_STEPS = 160


@dataclass(frozen=True, eq=False)
class Charge:
    """What meets in the vessel; build it with `Charge.of`. Arrays, all broadcastable.

    `ice_mass_g` is solid ice alone, `surface_water_g` the liquid at 0 °C that comes with it; `gain_j` is heat
    from outside (motion, hands, room); `mixing_scale` as in `liquid.mixing_enthalpy_j`.
    """

    liquid: Liquid
    drink_temp_c: FloatArray
    ice_mass_g: FloatArray
    ice_temp_c: FloatArray
    surface_water_g: FloatArray
    vessel_j_per_k: FloatArray
    vessel_temp_c: FloatArray
    gain_j: FloatArray
    mixing_scale: FloatArray

    @classmethod
    def of(
        cls,
        liquid: Liquid,
        drink_temp_c: Floats,
        ice_mass_g: Floats,
        ice_temp_c: Floats,
        surface_water_g: Floats = 0.0,
        vessel_j_per_k: Floats = 0.0,
        vessel_temp_c: Floats = 20.0,
        gain_j: Floats = 0.0,
        *,
        mixing_scale: Floats = 1.0,
    ) -> Charge:
        """A charge from plain numbers or arrays; ModelRangeError where drink or ice are outside the range."""
        require_in_range(liquid, drink_temp_c)
        ice.enthalpy_j_per_g(ice_temp_c)
        terms = (drink_temp_c, ice_mass_g, ice_temp_c, surface_water_g, vessel_j_per_k, vessel_temp_c, gain_j)
        return cls(liquid, *(np.asarray(term, float) for term in (*terms, mixing_scale)))

    @property
    def shape(self) -> tuple[int, ...]:
        """The common shape of the batch."""
        return np.broadcast_shapes(
            self.liquid.mass_g.shape, *(np.shape(v) for k, v in vars(self).items() if k != "liquid")
        )

    def heat_j(self, drink_temp_c: FloatArray) -> FloatArray:
        """Enthalpy [J] of all that meets, its drink at `drink_temp_c`."""
        return np.asarray(
            self.liquid_heat_j(0.0, drink_temp_c)
            + self.ice_mass_g * ice.enthalpy_j_per_g(self.ice_temp_c)
            + self.vessel_j_per_k * self.vessel_temp_c
            + self.gain_j
        )

    def liquid_heat_j(self, added_g: Floats, temp_c: Floats) -> FloatArray:
        """Enthalpy [J] of the drink with `added_g` of water in it at `temp_c`."""
        return enthalpy_j(
            self.liquid.plus_water(added_g), temp_c, mixing_scale=self.mixing_scale, check=False
        )

    def end_heat_j(self, melt_g: FloatArray, temp_c: FloatArray, ice_temp_c: FloatArray) -> FloatArray:
        """Enthalpy [J] at the end: drink and vessel at `temp_c`, the ice left at `ice_temp_c`."""
        return np.asarray(
            self.liquid_heat_j(self.surface_water_g + melt_g, temp_c)
            + (self.ice_mass_g - melt_g) * ice.enthalpy_j_per_g(ice_temp_c, check=False)
            + self.vessel_j_per_k * temp_c
        )

    def freezing_c(self, melt_g: FloatArray) -> FloatArray:
        """Freezing point [°C] of the drink with `melt_g` of ice melted into it."""
        return freezing_point_c(self.liquid.plus_water(self.surface_water_g + melt_g), check=False)


@dataclass(frozen=True, eq=False)
class SteadyState:
    """Where drink, ice and vessel come to rest; all arrays of the batch's shape.

    `added_g` is melt plus surface water; `melt_g` is negative where very cold ice froze water on.
    """

    temp_c: FloatArray
    melt_g: FloatArray
    added_g: FloatArray
    ice_left_g: FloatArray
    all_melted: BoolArray


def settle(charge: Charge) -> SteadyState:
    """The end state: the cold floor of this charge, and its dilution.

    Either ice is left, the drink lies on its freezing curve and ice and vessel are as cold as the drink; or
    all ice has melted and the mix is warmer than its freezing point.
    """
    state, known = _steady(charge)
    if not np.all(known):
        raise ModelRangeError(
            f"the steady state of {np.count_nonzero(~known)} of {known.size} charges lies outside "
            f"{TEMP_RANGE_C[0]:g}…{TEMP_RANGE_C[1]:g} °C, {ETHANOL_MAX_PCT:g} wt % ethanol, "
            f"{SUGAR_MAX_BRIX:g} °Brix: the ice is too cold, or too much heat comes in"
        )
    return state


def _steady(charge: Charge) -> tuple[SteadyState, BoolArray]:
    """The steady state, and where it lies within the range of the properties."""
    heat = charge.heat_j(charge.drink_temp_c)
    zero = np.zeros(charge.shape)

    def with_ice(melt_g: FloatArray) -> FloatArray:
        temp = charge.freezing_c(melt_g)
        return charge.end_heat_j(melt_g, temp, temp) - heat

    def without_ice(temp_c: FloatArray) -> FloatArray:
        return charge.end_heat_j(charge.ice_mass_g, temp_c, temp_c) - heat

    most = zero + charge.ice_mass_g
    all_melted = with_ice(most) < 0.0
    least = zero - _freezable_g(charge)
    melt = most if np.all(all_melted) else np.where(all_melted, most, _root(with_ice, least, most))
    freezing = zero + charge.freezing_c(melt)
    hottest = zero + TEMP_RANGE_C[1]
    temp = freezing
    if np.any(all_melted):
        temp = np.where(all_melted, _root(without_ice, freezing, hottest), freezing)
    known = np.where(all_melted, without_ice(hottest) >= 0.0, with_ice(least) <= 0.0) & (
        temp >= TEMP_RANGE_C[0]
    )
    state = SteadyState(
        temp_c=temp,
        melt_g=melt,
        added_g=np.asarray(melt + charge.surface_water_g),
        ice_left_g=np.asarray(most - melt),
        all_melted=np.asarray(all_melted),
    )
    return state, known


def _freezable_g(charge: Charge) -> FloatArray:
    """Water [g] that may freeze out before what is left is stronger or sweeter than properties reach."""
    part = charge.liquid
    needed = np.maximum(
        part.ethanol_g * (100.0 / ETHANOL_MAX_PCT - 1.0), part.sugar_g * (100.0 / SUGAR_MAX_BRIX - 1.0)
    )
    return np.asarray(np.maximum(part.water_g + charge.surface_water_g - needed, 0.0))


def _root(rising: Callable[[FloatArray], FloatArray], low: FloatArray, high: FloatArray) -> FloatArray:
    """Where a rising function crosses zero in each lane, by halving; the nearer end where it does not."""
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        beyond = rising(middle) > 0.0
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    return np.asarray(0.5 * (low + high))


@dataclass(frozen=True, eq=False)
class WaterNeeded:
    """Water added [g] by the time the drink is at a given temperature; arrays of the batch's shape.

    The range spans what the ice that is left does meanwhile: nothing (it keeps its own temperature, as in a
    quick shake), or all it can (it ends at the drink's, at most 0 °C). Cold ice that warms saves melt;
    ice at 0 °C that cools with the drink costs some. NaN where this ice cannot bring it there.
    """

    least_g: FloatArray
    most_g: FloatArray


def melt_for_temperature(charge: Charge, target_temp_c: Floats) -> WaterNeeded:
    """The least dilution, and the most, that bring the drink (and the vessel) to `target_temp_c`.

    Just the surface water where that and the vessel are cold enough alone.
    """
    target = np.asarray(target_temp_c, float)
    require_in_range(charge.liquid, target)
    idle, warmed = _water_at(charge, target, 0.0), _water_at(charge, target, 1.0)
    return WaterNeeded(least_g=np.fmin(idle, warmed), most_g=np.fmax(idle, warmed))


def _water_at(charge: Charge, target_temp_c: FloatArray, warmed_share: float) -> FloatArray:
    """Water added [g] at a temperature, the ice left having gone that share of its way; NaN if it cannot."""
    added = np.maximum(_paid_g(charge, target_temp_c, warmed_share), charge.surface_water_g)
    melt = np.asarray(added - charge.surface_water_g)
    # Melt at its upper end means that the ice did not suffice; the slack keeps the freezing curve reachable.
    enough = melt < charge.ice_mass_g * (1.0 - 1e-9)
    return np.where(enough & (charge.freezing_c(melt) <= target_temp_c + 1e-6), added, np.nan)


def _paid_g(charge: Charge, end_temp_c: FloatArray, warmed_share: float) -> FloatArray:
    """Water [g] that the chill to `end_temp_c` pays for; below the surface water where some freezes on."""
    heat = charge.heat_j(charge.drink_temp_c)

    ice_end = _ice_end_c(charge, end_temp_c, warmed_share)

    def surplus_j(melt_g: FloatArray) -> FloatArray:
        return charge.end_heat_j(melt_g, end_temp_c, ice_end) - heat

    zero = np.zeros(np.broadcast_shapes(charge.shape, end_temp_c.shape))
    melt = _root(surplus_j, zero - _freezable_g(charge), zero + charge.ice_mass_g)
    return np.asarray(melt + charge.surface_water_g)


def unpaid_heat_j(charge: Charge, end_temp_c: Floats, added_g: Floats) -> tuple[FloatArray, FloatArray]:
    """Heat [J] that lacks for `added_g` of water by the end temperature, at the least and at the most.

    Positive where the water is more than the chill pays for, negative where it is less; the range is that of
    `WaterNeeded`. Without the solving that tells how much water would be right.
    """
    end, added = np.asarray(end_temp_c, float), np.asarray(added_g, float)
    melt, heat = np.asarray(added - charge.surface_water_g), charge.heat_j(charge.drink_temp_c)
    lacking = [charge.end_heat_j(melt, end, _ice_end_c(charge, end, share)) - heat for share in (0.0, 1.0)]
    return np.minimum(*lacking), np.maximum(*lacking)


def _ice_end_c(charge: Charge, drink_temp_c: FloatArray, warmed_share: float) -> FloatArray:
    # Melt dilutes the film on the ice faster than alcohol diffuses back in (Lewis number of order 100), so
    # the ice is not as cold as the drink's freezing point before the drink itself is.
    own = charge.ice_temp_c
    return np.asarray(own + warmed_share * (np.minimum(drink_temp_c, 0.0) - own))


def rest_temperature_c(
    charge: Charge, target_temp_c: Floats, added_g: Floats, *, warmed_share: float = 0.0
) -> FloatArray:
    """How cool [°C] the drink must be before the ice, to reach `target_temp_c` within `added_g` of water.

    The drink temperature of the charge itself plays no part. `warmed_share` is how far the ice that is left
    goes from its own temperature to the drink's, at most 0 °C: 0 in a quick shake, 1 given time. 95 °C, the
    end of the range, where no rest is needed; NaN where no rest helps: the target lies below the diluted
    drink's freezing point, or the water is more than the ice can give or less than what is on it.
    """
    target, added = np.asarray(target_temp_c, float), np.asarray(added_g, float)
    require_in_range(charge.liquid, target)
    melt = np.asarray(added - charge.surface_water_g)
    end = charge.end_heat_j(melt, target, _ice_end_c(charge, target, warmed_share))
    shape = np.broadcast_shapes(charge.shape, target.shape, added.shape)
    coolest = np.zeros(shape) + np.maximum(freezing_point_c(charge.liquid), TEMP_RANGE_C[0])
    hottest = np.zeros(shape) + TEMP_RANGE_C[1]
    rest = np.where(
        charge.heat_j(hottest) <= end, hottest, _root(lambda t: charge.heat_j(t) - end, coolest, hottest)
    )
    possible = (
        (melt >= 0.0)
        & (melt <= charge.ice_mass_g)
        & (charge.freezing_c(melt) <= target + 1e-6)
        & (charge.heat_j(coolest) <= end)
    )
    return np.where(possible, rest, np.nan)


def ice_needed_g(charge: Charge, within_k: Floats) -> FloatArray:
    """The least ice [g], its surface water not counted, that ends within `within_k` of the cold floor.

    The charge holds as much ice as the vessel does; less of it brings that much less surface water. The cold
    floor is the lowest steady temperature that any such part reaches. Solved on 160 steps of mass.
    """
    batch = np.broadcast_shapes(charge.shape, np.shape(within_k))
    parts = np.linspace(0.0, 1.0, _ICE_STEPS + 1).reshape(-1, *(1,) * len(batch))
    masses = parts * np.broadcast_to(charge.ice_mass_g, batch)
    state = settle(replace(charge, ice_mass_g=masses, surface_water_g=parts * charge.surface_water_g))
    wanted_c = state.temp_c.min(axis=0) + np.asarray(within_k, float)
    first = np.argmax(state.temp_c <= wanted_c, axis=0)
    after_g, after_c = (np.take_along_axis(v, first[None], axis=0)[0] for v in (masses, state.temp_c))
    before = np.maximum(first - 1, 0)
    before_g, before_c = (np.take_along_axis(v, before[None], axis=0)[0] for v in (masses, state.temp_c))
    step_c = np.where(before_c > after_c, before_c - after_c, 1.0)
    return np.asarray(
        np.where(first > 0, before_g + (after_g - before_g) * (before_c - wanted_c) / step_c, 0.0)
    )


@dataclass(frozen=True, eq=False)
class HeatClosure:
    """Whether the water that was added is the water that the chill can pay for.

    `least_g` to `most_g` is what the chill pays for, with the ice that is left idle or warmed through and the
    heat of mixing one standard uncertainty either way. `surplus_g` is how far the measured water lies
    above (negative: below) that range, zero within. `closes` where that is within the uncertainty given.
    Where it is above, `SURPLUS_CAUSES` lists the usual reasons.
    """

    least_g: FloatArray
    most_g: FloatArray
    surplus_g: FloatArray
    closes: BoolArray


def heat_closure(
    charge: Charge, end_temp_c: Floats, added_g: Floats, *, uncertainty_g: Floats = 3.0
) -> HeatClosure:
    """Compare the measured water added with what the chill from start to end temperature pays for.

    `uncertainty_g` is how much the measured water may be off (by default a gram on the scale and two held
    back). Where the ice cannot bring the drink to the end temperature, all of it counts as melted.
    """
    end, added = np.asarray(end_temp_c, float), np.asarray(added_g, float)
    require_in_range(charge.liquid, end)
    charges = [
        replace(charge, mixing_scale=charge.mixing_scale * (1.0 + sign * MIXING_ENTHALPY_RELATIVE_SD))
        for sign in (-1.0, 1.0)
    ]
    paid = [_paid_g(c, end, share) for c in charges for share in (0.0, 1.0)]
    least, most = np.minimum.reduce(paid), np.maximum.reduce(paid)
    surplus = np.maximum(added - most, 0.0) - np.maximum(least - added, 0.0)
    closes = np.abs(surplus) <= np.asarray(uncertainty_g, float)
    return HeatClosure(least, most, np.asarray(surplus), np.asarray(closes))
