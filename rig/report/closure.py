"""Whether a run's weighing and its temperatures agree: the heat balance of one run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.arrays import FloatArray
from rig.errors import ModelRangeError
from rig.fitting.observations import strained_mass_g
from rig.fitting.prediction import liquid_of
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.physics.balance import SURPLUS_CAUSES, Charge, heat_closure
from rig.physics.melt import simulate, steps_for
from rig.report.courses import FittedInputs, fitted_inputs

WEIGHED_TO_G = 3.0
"""A gram on the scale and two held back."""
WATER_UNSURE = 0.06
"""How well the chill tells its water, as a share of it: wetness of the ice, heat in the vessel."""


@dataclass(frozen=True)
class Closure:
    """The water that a run's weighing shows, beside what its chill can pay for; all in g.

    The water by the stop is `strained_g` less `drink_g`, with `held_back_g` that stayed behind, less `late_g`
    that joined only after it; `drink_weighed` is False where the recipe tells the drink's mass.
    `surplus_g`: that water beyond the range (negative: short of it). `closes`: within what weighing can tell.
    """

    strained_g: float
    drink_g: float
    held_back_g: float
    late_g: float
    drink_weighed: bool
    least_g: float
    most_g: float
    surplus_g: float
    closes: bool

    @property
    def measured_g(self) -> float:
        """Water that had joined by the stop [g]."""
        return self.strained_g - self.drink_g + self.held_back_g - self.late_g

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "strained_mass_g": round(self.strained_g, 2),
            "drink_mass_g": round(self.drink_g, 2),
            "held_back_g": round(self.held_back_g, 2),
            "late_water_g": round(self.late_g, 2),
            "measured_water_g": round(self.measured_g, 2),
            "paid_for_least_g": round(self.least_g, 2),
            "paid_for_most_g": round(self.most_g, 2),
            "surplus_g": round(self.surplus_g, 2),
            "closes": self.closes,
        }

    def sentence(self) -> str:
        """The balance in words."""
        text = f"{self._parts()}. Its chill pays for {self.least_g:.0f} to {self.most_g:.0f} g"
        if self.closes:
            return f"{text}: the heat closes."
        if self.surplus_g > 0:
            return f"{text}: {self.surplus_g:.0f} g too much. Usually {'; or '.join(SURPLUS_CAUSES)}."
        return (
            f"{text}: {-self.surplus_g:.0f} g too little. Usually liquid left behind or spilled, "
            "or a run stopped early."
        )

    def _parts(self) -> str:
        """From the scales to the water by the stop, each part said; the parts add up as they are printed."""
        strained, drink, late = round(self.strained_g), round(self.drink_g), round(self.late_g)
        water = round(self.measured_g)
        held = water - (strained - drink) + late
        by = "weighed" if self.drink_weighed else "by its recipe"
        parts = f"{strained} g strained less {drink} g of drink ({by}) is {strained - drink} g of water"
        if held:
            parts += f"; {'with' if held > 0 else 'less'} about {abs(held)} g held back on ice and vessel"
        if late:
            parts += f"; less about {late} g that joined after the stop, while it was strained"
        return parts if not (held or late) else f"{parts}: {water} g by the stop"


def _gains_j(own: FittedInputs, duration_s: float, end_temp_c: float) -> float:
    """Heat of motion, and what hands and air give to a wall that goes from its start to the drink's end [J]."""
    x = own.inputs
    wall_c = 0.5 * (float(x.vessel_temp_c[0]) + end_temp_c)
    around_w = float(x.room_w_per_k[0]) * (float(x.room_temp_c[0]) - wall_c)
    return (float(x.power_w[0]) + around_w) * duration_s


def closure(fit: Fit, name: str) -> Closure | None:
    """The heat balance of a fitted run; None where nothing was weighed or a temperature is out of range.

    The end temperature is the run's own, as fitted from its trace; where it has none it follows from the
    model, and the balance then says little more than the weighing's own residual.

    Raises
    ------
    NotFound
        Where no run of that name was fitted.
    """
    # its own departures were fitted to this weighing and so cannot judge it
    own = fitted_inputs(fit, name, own_departures=False)
    weighed = strained_mass_g(own.run)
    found = next(r for r in fit.runs if r.run == name)
    if weighed is None or found.temp_c is None or found.start_temp_c is None:
        return None
    x, mass_g = own.inputs, float(own.nominal.drink_mass_g[0])
    liquid = liquid_of(fit, Situation.of(own.run), mass_g)
    surface = float(x.surface_water_g[0])
    duration = np.array([found.duration_s or 1.0])
    # what joins between the stop and the glass is not paid for by the chill up to the stop
    parts = float(weighed), mass_g, float(own.held_back_g), float(own.late_g)
    measured = parts[0] - parts[1] + parts[2] - parts[3]
    unsure_g = np.hypot(WEIGHED_TO_G, WATER_UNSURE * measured)
    try:
        charge = Charge.of(
            liquid,
            found.start_temp_c,
            x.ice_mass_g[0] - surface,
            x.ice_temp_c[0],
            surface,
            _vessel_j_per_k(own, duration, found.temp_c),
            x.vessel_temp_c[0],
            _gains_j(own, float(duration[0]), found.temp_c),
        )
        balance = heat_closure(charge, found.temp_c, measured, uncertainty_g=unsure_g)
    except ModelRangeError:
        return None
    return Closure(
        *parts,
        drink_weighed=own.run.drink_mass_g is not None,
        least_g=float(balance.least_g),
        most_g=float(balance.most_g),
        surplus_g=float(balance.surplus_g),
        closes=bool(balance.closes),
    )


def _vessel_j_per_k(own: FittedInputs, duration_s: FloatArray, end_temp_c: float) -> float:
    """The vessel's heat capacity [J/K] as far as it has followed the drink: a thick wall lags behind it."""
    x, curves = own.inputs, own.nominal.curves
    course = simulate(curves, x, duration_s, steps_for(x, curves, duration_s))
    start = float(x.vessel_temp_c[0])
    if abs(start - end_temp_c) < 1.0:
        return float(x.inner_j_per_k[0] + x.outer_j_per_k[0])
    inner, outer = course.inner_wall_c[-1, 0], course.outer_wall_c[-1, 0]
    given_j = x.inner_j_per_k[0] * (start - inner) + x.outer_j_per_k[0] * (start - outer)
    return float(max(given_j / (start - end_temp_c), 0.0))
