"""A drink that nobody makes, in the bench's own world: one draw from its fit, hands, ice and probe of its own.

So a simulated drink lands as often as the call says, and starts at the temperature that its recipe has.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rig.advice.call.calling import answerable
from rig.advice.call.search import durations
from rig.arrays import FloatArray
from rig.bench import Motion
from rig.capture.devices.simulated.drink import Instruments, MadeUp, make_drink
from rig.fitting.live_fit import rehearse_run
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.physics.recipe_liquid import liquid_from_recipe

SIMULATED = "simulated"
"""The session that a simulated run belongs to where none is named."""
SIMULATED_BECAUSE = "simulated devices: no drink was made"
"""Why a simulated run is in no fit."""
_DRAWS, _SCRAMBLE = 256, 31
_EARLY_S = np.arange(0.05, 0.25, 0.05)
_START_K, _ICE_SHARE, _POUR_SHARE = 1.0, 0.03, 0.01
"""How far start, ice and pour scatter where nobody stated them (common practice, no source)."""
_NOISE_K, _STEP_K, _SCALE_NOISE_G = 0.08, 0.0625, 0.1
_SHORTEST_LAG_S = 0.2
_CADENCE_HZ = {Motion.SHAKE: 3.2, Motion.STIR: 1.8, Motion.BLEND: 180.0, Motion.SWIRL: 1.5}
_USUAL_VESSEL_G = 300.0


@dataclass(frozen=True, eq=False)
class DrawnDrink:
    """One draw of a fit as a drink to be made; `time_s`, `course_c`, `water_g` (times,) its course."""

    seed: int
    drink_mass_g: float
    ice_mass_g: float
    vessel_mass_g: float
    cadence_hz: float
    instruments: Instruments
    held_back_g: float
    time_s: FloatArray
    course_c: FloatArray
    water_g: FloatArray

    def temp_c(self, moved_s: float) -> float:
        """Its temperature after so much motion [°C]."""
        return float(np.interp(moved_s, self.time_s, self.course_c))

    def added_g(self, moved_s: float) -> float:
        """Water that the ice has given after so much motion [g]."""
        return float(np.interp(moved_s, self.time_s, self.water_g))

    def strained_g(self, moved_s: float) -> float:
        """What reaches the glass after so much motion [g]."""
        return self.drink_mass_g + self.added_g(moved_s) - self.held_back_g


def as_simulated(run: Mapping[str, Any]) -> dict[str, Any]:
    """Fields of a run about to be recorded, marked so that it is seen among the runs and never in a fit."""
    return {**run, "session": run.get("session") or SIMULATED, "excluded_because": SIMULATED_BECAUSE}


def drawn_drink(fit: Fit, asked: Situation, seed: int) -> DrawnDrink:
    """The drink of this seed in the world of a fit; the same fit, question and seed give the same drink.

    Raises
    ------
    NotFound, ModelRangeError
        A name that is not on the bench; a value outside the model's range.
    """
    rng = np.random.default_rng([seed, 7])
    usual = answerable(fit, asked)
    recipe_g = float(np.sum(liquid_from_recipe(fit.bench.recipe(asked.recipe)).liquid.mass_g))
    start, ice = usual.assumed["drink_temp_c"], usual.assumed["ice_mass_g"]
    apart = np.clip(rng.normal(size=3), -2.0, 2.0)
    made = replace(
        asked,
        drink_temp_c=asked.drink_temp_c or start.value + min(start.std, _START_K) * apart[0],
        ice_mass_g=asked.ice_mass_g or ice.value + min(ice.std, _ICE_SHARE * ice.value) * apart[1],
        drink_mass_g=recipe_g * (1.0 + _POUR_SHARE * apart[2]),
    )
    assert made.drink_mass_g is not None and made.ice_mass_g is not None
    times = np.concatenate([_EARLY_S, durations(fit, asked.technique)])
    drawn = rehearse_run(fit, answerable(fit, made).situation, times, draws=_DRAWS, seed=_SCRAMBLE)
    row, p = int(rng.integers(_DRAWS)), drawn.prediction
    start_c = float(drawn.start_c[row])
    return DrawnDrink(
        seed=seed,
        drink_mass_g=made.drink_mass_g,
        ice_mass_g=made.ice_mass_g,
        vessel_mass_g=fit.bench.vessel(asked.vessel).mass_g or _USUAL_VESSEL_G,
        cadence_hz=_CADENCE_HZ.get(fit.bench.motion(asked.technique) or Motion.STIR, 1.8),
        instruments=Instruments(
            probe_lag_s=max(float(drawn.lag_s[row]), _SHORTEST_LAG_S),
            probe_offset_k=float(drawn.offset_k[row]),
            probe_noise_k=_NOISE_K,
            probe_step_k=_STEP_K,
            scale_noise_g=_SCALE_NOISE_G,
        ),
        held_back_g=float(p.held_back_g[row]),
        time_s=np.concatenate([[0.0], times]),
        course_c=np.concatenate([[start_c], p.temp_c[row]]),
        water_g=np.concatenate([[0.0], p.added_g[row]]),
    )


def simulated_drink(fit: Fit, asked: Situation, seed: int, world: int | None) -> MadeUp:
    """The drink of this seed as it is asked for: in the bench's own world, or in another one of that number.

    Raises
    ------
    NotFound, ModelRangeError
        As `drawn_drink`.
    """
    if world is None:
        return drawn_drink(fit, asked, seed)
    return make_drink(
        seed,
        fit.bench.recipe(asked.recipe),
        motion=fit.bench.motion(asked.technique) or Motion.SHAKE,
        vessel=asked.vessel,
        ice=fit.bench.ice_type(asked.ice),
        drink_temp_c=answerable(fit, asked).start.value,
        ice_mass_g=asked.ice_mass_g,
        world=world,
    )
