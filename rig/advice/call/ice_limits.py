"""What this ice can do to this drink at all, by heat alone: no hand and no patience goes beyond it.

Bounds of the steady enthalpy balance (`physics.balance`): no heat of motion, hands or room, and of the vessel only
the wall that the drink touches, so that a real drink ends warmer and with more water.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.arrays import FloatArray
from rig.bench import Target
from rig.brewing import Spread
from rig.errors import ModelRangeError
from rig.fitting.prediction import liquid_of, parameter_draws
from rig.fitting.result import Fit
from rig.fitting.situation import Situation, inputs_for
from rig.physics.balance import Charge, ice_needed_g, melt_for_temperature, rest_temperature_c, settle

_DRAWS, _SEED = 64, 23
_ENOUGH_WITHIN_K = 0.5
"""Ice is enough that brings the drink so near to the coldest it could become."""
_HOT_C = 30.0
"""Below this a rest before the ice is no question: the room is not much cooler."""


@dataclass(frozen=True)
class IceLimits:
    """Bounds for one drink on one ice, each over what is not known of start, ice and vessel (90 %).

    `coldest_c`: the lowest temperature [°C] this ice can bring it to. `least_dilution`: the least water added ÷
    starting volume that the target's temperature costs, None where it asks for none or the ice cannot reach it.
    `enough_ice_g`: ice beyond which more hardly makes it colder. `rest_to_c`: how far a hot drink must cool before
    the ice to meet temperature and dilution together; None where that is no question.
    """

    coldest_c: Spread
    least_dilution: Spread | None
    enough_ice_g: float
    rest_to_c: float | None

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names."""
        return {
            "coldest_c": _listed(self.coldest_c, 2),
            "least_dilution_by_volume": None
            if self.least_dilution is None
            else _listed(self.least_dilution, 4),
            "enough_ice_g": round(self.enough_ice_g),
            "rest_to_c": None if self.rest_to_c is None else round(self.rest_to_c, 1),
        }


def ice_limits(fit: Fit, situation: Situation, target: Target) -> IceLimits | None:
    """The bounds for a drink with nothing left open (`calling.answerable`); None beyond the range of the properties."""
    draws = parameter_draws(fit, situation, _DRAWS, _SEED)
    inputs = inputs_for(draws.nominal, draws.parameters, draws.rows)
    volume_ml = float(draws.nominal.start_volume_ml[0])
    liquid = liquid_of(fit, situation, float(draws.nominal.drink_mass_g[0]))
    try:
        charge = Charge.of(
            liquid,
            inputs.drink_temp_c,
            inputs.ice_mass_g - inputs.surface_water_g,
            inputs.ice_temp_c,
            inputs.surface_water_g,
            inputs.inner_j_per_k,
            inputs.vessel_temp_c,
        )
        coldest = _spread(settle(charge).temp_c)
        least = _least_dilution(charge, target, volume_ml, coldest)
        typical = Charge.of(liquid, *(float(np.median(v)) for v in _terms(charge)))
        enough = float(ice_needed_g(typical, _ENOUGH_WITHIN_K))
        rest = None if least is None else _rest(typical, target, volume_ml)
        return IceLimits(coldest, least, enough, rest)
    except ModelRangeError:
        return None


def _terms(charge: Charge) -> tuple[FloatArray, ...]:
    return (
        charge.drink_temp_c,
        charge.ice_mass_g,
        charge.ice_temp_c,
        charge.surface_water_g,
        charge.vessel_j_per_k,
        charge.vessel_temp_c,
    )


def _least_dilution(charge: Charge, target: Target, volume_ml: float, coldest_c: Spread) -> Spread | None:
    if target.serve_temp_c_max is None or target.serve_temp_c_max < coldest_c.low:
        return None
    least_g = melt_for_temperature(charge, target.serve_temp_c_max).least_g
    reached = np.isfinite(least_g)
    return _spread(least_g[reached] / volume_ml) if np.mean(reached) > 0.5 else None


def _rest(typical: Charge, target: Target, volume_ml: float) -> float | None:
    start = float(typical.drink_temp_c)
    if target.serve_temp_c_max is None or target.dilution_by_volume is None or start < _HOT_C:
        return None
    most_g = target.dilution_by_volume[1] * volume_ml
    rest = float(rest_temperature_c(typical, target.serve_temp_c_max, most_g))
    return rest if rest < start else None


def _spread(values: FloatArray) -> Spread:
    low, middle, high = np.percentile(values, [5.0, 50.0, 95.0])
    return Spread(float(low), float(middle), float(high))


def _listed(spread: Spread, digits: int) -> dict[str, float]:
    return {
        "p05": round(spread.low, digits),
        "p50": round(spread.typical, digits),
        "p95": round(spread.high, digits),
    }
