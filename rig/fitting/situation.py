"""From a run, or a question about one, to the inputs of the melt model: one row per run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from rig.arrays import FloatArray
from rig.bench import Bench
from rig.fitting.priors import (
    AIR_W_PER_M2K,
    CONDUCTIVITY_POWER,
    HANDS_C,
    HELD_FILM_G_PER_M2,
    LATE_G,
    LOADING_POWER,
    LOGARITHMIC,
    MOTIONS,
    RAMP_S,
    SHIELD_PER_K,
    THICKNESS_POWER,
    TYPICAL_ICE_MASS_G,
    TYPICAL_ROOM_C,
    UNCHECKED_SCALE_G,
    USUAL_LOADING,
    WASH_S,
    P,
    ice_nominal,
    vessel_nominal,
)
from rig.physics.conductivity import conductivity_at_0_c
from rig.physics.liquid import Liquid
from rig.physics.melt import DrinkCurves, MeltInputs, drink_curves
from rig.physics.recipe_liquid import liquid_from_recipe
from rig.runs import Run, SetUp

SPREADS = ("drink_temp_std_k", "ice_temp_std_k", "ice_mass_std_g", "vessel_temp_std_k")
"""How sure a situation is of its values, where those stand in for what nobody stated."""
NOT_NOTED = ("cadence_log_ratio", *SPREADS)
NOT_ASKED = ("probe_std_k", "scale_std_g", *NOT_NOTED)
"""What a situation knows beside what a call is asked with: of the instruments and the hand, and its spreads."""


@dataclass(frozen=True)
class Situation:
    """What is known of a drink before it meets the ice; None means not stated.

    `probe_std_k` and `scale_std_g` are what a calibration leaves unknown of the probe that watches it and of the
    scale that weighed it; None where they are not calibrated. `cadence_log_ratio` is the logarithm of the hand's
    cadence over what is usual for the technique on this bench; None where nobody counts it. The `SPREADS` are
    standard deviations of values that are usual, not measured; None where a value is as sure as a stated one, or
    left to the nominal spread.
    """

    technique: str
    vessel: str
    ice: str
    recipe: str
    drink_temp_c: float | None = None
    drink_mass_g: float | None = None
    ice_mass_g: float | None = None
    ice_temp_c: float | None = None
    vessel_temp_c: float | None = None
    room_temp_c: float | None = None
    probe_std_k: float | None = None
    scale_std_g: float | None = None
    cadence_log_ratio: float | None = None
    drink_temp_std_k: float | None = None
    ice_temp_std_k: float | None = None
    ice_mass_std_g: float | None = None
    vessel_temp_std_k: float | None = None

    @property
    def set_up(self) -> SetUp:
        """The set-up it belongs to."""
        return SetUp(self.technique, self.vessel, self.ice)

    @property
    def asked(self) -> dict[str, Any]:
        """What a call is asked with, by keyword."""
        return {name: value for name, value in vars(self).items() if name not in NOT_ASKED}

    @staticmethod
    def of(run: Run) -> Situation:
        """The situation of a run that was made."""
        return Situation(
            **{f.name: getattr(run, f.name) for f in fields(Situation) if f.name not in NOT_NOTED}
        )


@dataclass(frozen=True)
class Nominals:
    """Expected inputs of a batch of situations; arrays of shape (runs,), `spread` (runs, parameters).

    `spread` holds the standard deviation of what was not measured, or measured with error, in the input
    columns of `P`; zero elsewhere. `start_volume_ml` is the sum of the ingredients' volumes at 20 °C.
    """

    curves: DrinkCurves
    inputs: MeltInputs
    wet_fraction: FloatArray
    hands_w_per_k: FloatArray
    held_back_g: FloatArray
    drink_mass_g: FloatArray
    drink_mass_sd_g: FloatArray
    start_volume_ml: FloatArray
    ethanol_g: FloatArray
    longest_s: FloatArray
    duller: FloatArray
    spread: FloatArray

    def __len__(self) -> int:
        return int(self.drink_mass_g.size)


def nominals(bench: Bench, situations: Sequence[Situation]) -> Nominals:
    """Expected inputs of each situation from the bench's descriptions.

    Raises
    ------
    NotFound
        A name that the bench does not hold.
    ModelRangeError
        A recipe or start temperature outside the range of the liquid properties.
    """
    drinks = {name: liquid_from_recipe(bench.recipe(name)) for name in {s.recipe for s in situations}}
    rows: dict[str, list[float]] = {f.name: [] for f in fields(MeltInputs)}
    side: dict[str, list[float]] = {
        k: [] for k in ("wet", "hands", "held", "mass", "mass_sd", "volume", "ethanol", "longest", "scale")
    }
    spread = np.zeros((len(situations), len(P)))
    liquids = []
    vessels = {name: vessel_nominal(bench.vessel(name)) for name in {s.vessel for s in situations}}
    ices = {
        (name, temp_c): ice_nominal(bench.ice_type(name), temp_c)
        for name, temp_c in {(s.ice, s.ice_temp_c) for s in situations}
    }
    for row, s in enumerate(situations):
        motion = MOTIONS[bench.motion(s.technique)]
        vessel, ice = vessels[s.vessel], ices[s.ice, s.ice_temp_c]
        drink = drinks[s.recipe]
        recipe_mass = float(np.sum(drink.liquid.mass_g))
        mass = s.drink_mass_g if s.drink_mass_g is not None else recipe_mass
        scale = mass / recipe_mass
        liquids.append((drink.liquid, scale))
        room = s.room_temp_c if s.room_temp_c is not None else TYPICAL_ROOM_C
        vessel_temp = s.vessel_temp_c if s.vessel_temp_c is not None else room
        ice_temp = s.ice_temp_c if s.ice_temp_c is not None else ice.temp_c
        ice_mass = s.ice_mass_g if s.ice_mass_g is not None else TYPICAL_ICE_MASS_G
        drink_temp = s.drink_temp_c if s.drink_temp_c is not None else drink.mixed_temp_c(room)
        area = ice.area_m2_per_g * ice_mass
        rows["drink_temp_c"].append(drink_temp)
        rows["ice_mass_g"].append(ice_mass)
        rows["ice_temp_c"].append(min(ice_temp, 0.0))
        rows["surface_water_g"].append(ice.wet_fraction * ice_mass)
        rows["vessel_temp_c"].append(vessel_temp)
        rows["room_temp_c"].append(room)
        wetted = (mass / ice_mass / USUAL_LOADING) ** LOADING_POWER
        rows["ice_w_per_k"].append(motion.film_w_per_m2k * ice.rate_factor * area * wetted)
        rows["breakage_per_s"].append(motion.breakage_per_s)
        rows["core_w_per_k"].append(ice.core_w_per_k_per_g * ice_mass)
        rows["inner_j_per_k"].append(vessel.inner_share * vessel.heat_capacity_j_per_k)
        rows["outer_j_per_k"].append((1.0 - vessel.inner_share) * vessel.heat_capacity_j_per_k)
        rows["film_w_per_k"].append(motion.wall_film_w_per_m2k * vessel.area_m2)
        rows["wall_w_per_k"].append(vessel.wall_w_per_k)
        rows["room_w_per_k"].append(AIR_W_PER_M2K * vessel.area_m2)
        rows["power_w"].append(motion.power_w)
        rows["ramp_s"].append(RAMP_S)
        rows["wash_s"].append(WASH_S)
        rows["shield_per_k"].append(SHIELD_PER_K)
        rows["thickness_power"].append(THICKNESS_POWER)
        side["wet"].append(ice.wet_fraction)
        side["hands"].append(motion.hands_w_per_k)
        film = 0.0 if vessel.includes_ice_film else HELD_FILM_G_PER_M2 * area
        side["held"].append(vessel.held_back_g + film)
        side["mass"].append(mass)
        weighed_sd = UNCHECKED_SCALE_G if s.scale_std_g is None else s.scale_std_g
        side["mass_sd"].append(weighed_sd if s.drink_mass_g is not None else 0.02 * mass)
        side["volume"].append(float(drink.starting_volume_ml) * scale)
        side["ethanol"].append(float(np.sum(drink.liquid.ethanol_g)) * scale)
        side["longest"].append(motion.longest_s)
        spread[row, P.DRINK_TEMP] = 0.4 if s.drink_temp_c is not None else (2.0 if drink.states_temp else 4.0)
        spread[row, P.ICE_TEMP] = 0.8 if s.ice_temp_c is not None else ice.temp_sd_k * 1.5
        spread[row, P.ICE_MASS] = 0.01 if s.ice_mass_g is not None else 0.25
        spread[row, P.VESSEL_TEMP] = 1.0 if s.vessel_temp_c is not None else 2.5
        own = {
            P.DRINK_TEMP: s.drink_temp_std_k,
            P.ICE_TEMP: s.ice_temp_std_k,
            P.ICE_MASS: None if s.ice_mass_std_g is None else s.ice_mass_std_g / ice_mass,
            P.VESSEL_TEMP: s.vessel_temp_std_k,
        }
        for column, sd in own.items():
            if sd is not None:
                spread[row, column] = sd
    liquid = Liquid(
        *(
            np.array([float(np.sum(getattr(q, name))) * k for q, k in liquids])
            for name in ("ethanol_g", "sugar_g", "water_g", "solids_g")
        )
    )
    curves = drink_curves(liquid)
    dullness = duller(liquid)
    rows["ice_w_per_k"] = list(np.array(rows["ice_w_per_k"]) * np.exp(-CONDUCTIVITY_POWER * dullness))
    inputs = MeltInputs(**{name: np.array(values, dtype=float) for name, values in rows.items()})
    return Nominals(
        curves=curves,
        inputs=inputs,
        wet_fraction=np.array(side["wet"]),
        hands_w_per_k=np.array(side["hands"]),
        duller=dullness,
        held_back_g=np.array(side["held"]),
        drink_mass_g=np.array(side["mass"]),
        drink_mass_sd_g=np.array(side["mass_sd"]),
        start_volume_ml=np.array(side["volume"]),
        ethanol_g=np.array(side["ethanol"]),
        longest_s=np.array(side["longest"]),
        spread=spread,
    )


def inputs_for(nominal: Nominals, parameters: FloatArray, rows: np.ndarray) -> MeltInputs:
    """Melt inputs of lanes whose parameters are given.

    Parameters
    ----------
    parameters
        (lanes, parameters), columns as in `P`.
    rows
        (lanes,) which situation each lane belongs to.
    """
    x = nominal.inputs.take(rows)
    up = np.exp(np.clip(parameters[:, :LOGARITHMIC], -5.0, 5.0))
    ice = x.ice_mass_g * np.exp(parameters[:, P.ICE_MASS])
    bulk = ice / x.ice_mass_g
    hands = nominal.hands_w_per_k[rows] * up[:, P.HANDS]
    around = x.room_w_per_k + hands
    return x.with_values(
        drink_temp_c=np.clip(x.drink_temp_c + parameters[:, P.DRINK_TEMP], -10.0, 95.0),
        ice_mass_g=ice,
        ice_temp_c=_softly_below_zero(x.ice_temp_c + parameters[:, P.ICE_TEMP]),
        surface_water_g=np.minimum(nominal.wet_fraction[rows] * up[:, P.WET], 0.5) * ice,
        vessel_temp_c=x.vessel_temp_c + parameters[:, P.VESSEL_TEMP],
        ice_w_per_k=_through_bed(x.ice_w_per_k * bulk * up[:, P.RATE], nominal.drink_mass_g[rows]),
        breakage_per_s=x.breakage_per_s * up[:, P.BREAKAGE],
        core_w_per_k=x.core_w_per_k * bulk * up[:, P.CORE],
        inner_j_per_k=x.inner_j_per_k * up[:, P.VESSEL],
        outer_j_per_k=x.outer_j_per_k * up[:, P.VESSEL],
        film_w_per_k=x.film_w_per_k * up[:, P.FILM],
        power_w=x.power_w * up[:, P.POWER],
        ramp_s=x.ramp_s * up[:, P.RAMP],
        wash_s=x.wash_s * up[:, P.WASH],
        wall_w_per_k=x.wall_w_per_k * up[:, P.WALL],
        room_w_per_k=around,
        room_temp_c=(x.room_w_per_k * x.room_temp_c + hands * HANDS_C) / around,
        thickness_power=x.thickness_power + parameters[:, P.THICKNESS],
        shield_per_k=x.shield_per_k * up[:, P.SHIELD],
    )


_HALF_WAY, _USUAL_THICKENING = 0.25, 1.0


def thicker(curves: DrinkCurves) -> FloatArray:
    """Logarithm of each drink's viscosity, half way through its dilution, over a usual drink's; (runs,)."""
    return np.asarray([np.polyval(c, _HALF_WAY) for c in curves.thickening]) - _USUAL_THICKENING


_USUAL_CONDUCTIVITY_W_PER_MK = 0.47


def duller(liquid: Liquid) -> FloatArray:
    """Logarithm of a usual drink's conductivity over each drink's, half way through its dilution; (runs,)."""
    water = _HALF_WAY / (1.0 - _HALF_WAY) * liquid.mass_g
    return np.asarray(-np.log(conductivity_at_0_c(liquid.plus_water(water)) / _USUAL_CONDUCTIVITY_W_PER_MK))


_BED_PER_S = 5.0


def _through_bed(ice_w_per_k: FloatArray, drink_mass_g: FloatArray) -> FloatArray:
    """Conductance in series with the liquid's own way through the bed of ice, some 0.2 s."""
    return 1.0 / (1.0 / ice_w_per_k + 1.0 / (_BED_PER_S * 3.8 * drink_mass_g))


_SOFT_K = 0.3


def _softly_below_zero(temp_c: FloatArray) -> FloatArray:
    """Ice is never above 0 °C; smooth, so that slopes near 0 °C stay usable."""
    return -_softly_positive(-temp_c, _SOFT_K)


SOFT_G = 0.15
"""Within so much of nothing, liquid held back and late water give way; one of x grams has slope 1 − exp(−x ÷ this)."""


def held_back_g(nominal_g: FloatArray | float, parameters: FloatArray) -> FloatArray:
    """Liquid that stays on ice and vessel [g], (…,) from parameters (…, parameters); never less than nothing."""
    return _softly_positive(nominal_g + parameters[..., P.HELD], SOFT_G)


def late_water_g(parameters: FloatArray) -> FloatArray:
    """Water that joins between the stop and the glass [g], (…,) from parameters (…, parameters); never negative."""
    return _softly_positive(LATE_G + parameters[..., P.LATE], SOFT_G)


def _softly_positive(value: FloatArray, width: float) -> FloatArray:
    return np.asarray(width * np.logaddexp(0.0, value / width))
