"""How much air a motion brings, drawn: as stated, as measured runs have shown, or as is usual in the trade."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rig.advice.call.texture import air_of
from rig.arrays import FloatArray
from rig.bench import Motion
from rig.fitting.result import Fit

_NINETY = 2.0 * 1.6449
"""Widths of a 90 % range in standard deviations."""
USUAL_PLATEAU_PCT: dict[Motion | None, tuple[float, float]] = {
    Motion.SHAKE: (5.0, 60.0),
    Motion.BLEND: (20.0, 150.0),
    Motion.STIR: (0.2, 4.0),
    Motion.SWIRL: (0.2, 4.0),
    Motion.BUILD: (0.1, 2.0),
    None: (1.0, 50.0),
}
"""Overrun a motion tends to [%], 90 % ranges (common practice, no source: no series of shaken coffee is published)."""
USUAL_TIME_S = (3.0, 12.0)


@dataclass(frozen=True, eq=False)
class AirDraws:
    """Plateau [%] and time constant [s] of the overrun, (lanes,), and what they rest on, in words."""

    plateau_pct: FloatArray
    time_s: FloatArray
    words: str


def spread_draws(low: float, high: float, normal: FloatArray) -> FloatArray:
    """Draws of a positive quantity whose 90 % range is given, (lanes,), by the log-normal law."""
    middle, sd = 0.5 * np.log(low * high), np.log(high / low) / _NINETY
    return np.asarray(np.exp(middle + sd * normal))


def air_draws(
    fit: Fit,
    technique: str,
    recipe: str,
    stated_pct: float | None,
    normal: Callable[[int], FloatArray],
) -> AirDraws:
    """Air of a technique in a recipe; `normal` gives standard normal draws by number."""
    time = spread_draws(*USUAL_TIME_S, normal(4))
    if stated_pct is not None:
        return AirDraws(np.full(time.shape, float(stated_pct)), time, "overrun tends to what is stated")
    air = air_of(fit, technique, recipe)
    if air.fit is not None:
        (low, _, high), (soon, _, late) = air.fit.plateau_pct, air.fit.time_constant_s
        plateau = spread_draws(float(low), float(high), normal(3)) + float(air.fit.scatter_pct) * normal(6)
        words = f"overrun from {len(air.runs)} runs with foam measured"
        return AirDraws(np.maximum(plateau, 0.0), spread_draws(float(soon), float(late), normal(4)), words)
    usual = USUAL_PLATEAU_PCT[fit.bench.motion(technique)]
    return AirDraws(spread_draws(*usual, normal(3)), time, "overrun as is usual, not measured")
