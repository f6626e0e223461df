"""What the cadence of a hand does to a drink that no probe watches: its draws for a hand of any cadence."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot

import numpy as np

from rig.advice.call.search import Span, widened
from rig.arrays import FloatArray
from rig.fitting.cadence import UsualCadence
from rig.fitting.prediction import Prediction, predict_all
from rig.fitting.priors import P
from rig.fitting.random_effects import Owner
from rig.fitting.result import Fit
from rig.fitting.sampling import standard_normal
from rig.fitting.situation import Situation
from rig.signals.moments import Z90, Rhythm

AS_USUAL = 0.03
"""A cadence nearer to the usual one than this, as a logarithm, is as usual."""
LEAST_MOVED_S = 0.25
"""A stop that moves by less is where it was."""
FARTHEST_SD = 4.0
"""A cadence further from the usual one than so many of its scatters is taken to be there: nothing is known beyond."""


@dataclass(frozen=True)
class CadencePower:
    """Heat transfer goes as cadence to this power: its mean and standard deviation."""

    mean: float
    std: float

    @property
    def helps(self) -> bool:
        """Whether its 90 % range leaves out zero."""
        return abs(self.mean) > Z90 * self.std


def cadence_power(fit: Fit, technique: str) -> CadencePower:
    """What a fit has learned of a technique that is in its `cadences`."""
    k = fit.random_effects.index()[P.RATE, Owner.CADENCE, (technique,)]
    return CadencePower(float(fit.posterior.effects[k]), float(np.sqrt(fit.posterior.covariance[k, k])))


@dataclass(frozen=True, eq=False)
class HandDraws:
    """The same draws of a run for the usual cadence and for one quicker by its scatter; between and beyond, in line.

    `off` (draws,) are standard normals by which each draw takes the cadence as heard wrongly.
    """

    usual: UsualCadence
    power: CadencePower
    as_usual: Prediction
    quicker: Prediction
    off: FloatArray

    def departure(self, rhythm: Rhythm) -> tuple[float, float]:
        """Logarithm of a cadence over the usual one, and its standard uncertainty, of what is heard and what is usual.

        A cadence that is not well heard yet counts for little. The hand is taken to go on as it has by now.
        """
        sd = self.usual.log_sd
        std = rhythm.cadence_std_hz / rhythm.cadence_hz
        share = sd**2 / (sd**2 + std**2)
        seen = float(
            np.clip(np.log(rhythm.cadence_hz / self.usual.median_hz), -FARTHEST_SD * sd, FARTHEST_SD * sd)
        )
        return share * seen, float(np.sqrt(share)) * std

    def at(self, rhythm: Rhythm) -> Prediction:
        """The draws for a hand that moves like that."""
        log_ratio, std = self.departure(rhythm)
        share = ((log_ratio + std * self.off) / self.usual.log_sd)[:, None]

        def between(name: str) -> FloatArray:
            usual: FloatArray = getattr(self.as_usual, name)
            return np.asarray(usual + share * (getattr(self.quicker, name) - usual))

        added = np.maximum(between("added_g"), 0.0)
        p = self.as_usual
        return replace(
            p, temp_c=between("temp_c"), added_g=added, dilution_by_volume=added / p.start_volume_ml
        )

    def words(self, rhythm: Rhythm, moved_s: float | None) -> str:
        """What that cadence does to the stop, which it has moved by so many seconds."""
        log_ratio, std = self.departure(rhythm)
        usually = f"{rhythm.cadence_hz:.1f} strokes a second, usually {self.usual.median_hz:.1f}"
        if abs(log_ratio) < AS_USUAL:
            return f"as quick as usual ({usually})"
        what = f"{'quicker' if log_ratio > 0.0 else 'slower'} than usual ({usually})"
        if moved_s is None:
            return what
        if abs(moved_s) < LEAST_MOVED_S:
            if not self.power.helps:
                return f"{what}: on this bench the cadence does not help the call, so the stop stays"
            return f"{what}: that does not move the stop"
        moved = f"{what}: stop {abs(moved_s):.1f} s {'earlier' if moved_s < 0.0 else 'later'}"
        if not self.power.helps:
            return f"{moved}, though the runs of this bench cannot tell yet whether cadence helps"
        off_s = Z90 * abs(moved_s) * hypot(self.power.std / self.power.mean, std / log_ratio)
        return f"{moved} (±{max(off_s, 0.1):.1f} s)"


def hand_draws(
    fit: Fit, situation: Situation, duration_s: FloatArray, span_s: Span | None, *, draws: int, seed: int
) -> HandDraws | None:
    """A situation's draws by cadence, at durations [s]; None where no run of its technique had its strokes counted."""
    usual = fit.cadences.get(situation.technique)
    if usual is None:
        return None
    hands = [replace(situation, cadence_log_ratio=x) for x in (0.0, usual.log_sd)]
    as_usual, quicker = (
        widened(p, span_s) for p in predict_all(fit, hands, duration_s, draws=draws, seed=seed)
    )
    off = standard_normal(draws, 1, seed + 1)[:, 0]
    return HandDraws(usual, cadence_power(fit, situation.technique), as_usual, quicker, off)


def uncounted_words(rhythm: Rhythm) -> str:
    """What a cadence does to the stop on a bench that has none to hold it against."""
    return (
        f"{rhythm.cadence_hz:.1f} strokes a second: no earlier run here has its strokes counted, "
        "so the cadence does not help this call yet"
    )
