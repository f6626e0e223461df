"""How fast a hand moved: the cadence of each run, and what is usual for a technique."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.arrays import FloatArray
from rig.runs import HEARD_HZ, Run


@dataclass(frozen=True)
class Cadence:
    """The rhythm of one run: mean strokes a second, their spread within it and their change over it.

    `within_cv`: standard deviation around its trend ÷ mean; `change`: end over start along the trend, less 1.
    """

    run: str
    mean_hz: float
    within_cv: float
    change: float

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "run": self.run,
            "mean_hz": round(self.mean_hz, 3),
            "within_cv": round(self.within_cv, 4),
            "change": round(self.change, 4),
        }


RAMP_S = 1.0
"""The first second of a motion, in which it builds up, says nothing of its cadence."""
_LEAST_READINGS = 5


def cadence(run: Run, duration_s: float) -> Cadence | None:
    """The rhythm of a run from its trace, without the first second; None where none was recorded."""
    strokes = _strokes(run, duration_s)
    if strokes is None:
        return None
    time, hz = strokes
    slope, level = np.polyfit(time, hz, 1)
    mean = float(hz.mean())
    start, end = level + slope * time[0], level + slope * time[-1]
    within = float(np.std(hz - (level + slope * time), ddof=2)) / mean
    return Cadence(run.run, mean, within, float(end / start) - 1.0)


def _strokes(run: Run, duration_s: float) -> tuple[FloatArray, FloatArray] | None:
    """Times [s] and strokes a second after the first second, (readings,) each; None where there are hardly any."""
    trace = run.trace
    if trace is None or trace.cadence_hz is None:
        return None
    beat = np.isfinite(trace.cadence_hz) & (trace.cadence_hz > 0)
    beat &= (trace.time_s >= RAMP_S) & (trace.time_s <= duration_s)
    time, hz = trace.time_s[beat], trace.cadence_hz[beat]
    return None if hz.size < _LEAST_READINGS else (time, hz)


def mean_cadence_hz(run: Run) -> float | None:
    """Strokes a second of a run, as its trace has it or as it was heard; None where nobody knows."""
    strokes = _strokes(run, run.duration_s) if run.duration_s else None
    if strokes is not None:
        return float(strokes[1].mean())
    try:
        heard = float(run.extra[HEARD_HZ])
    except (KeyError, ValueError):
        return None
    return heard if np.isfinite(heard) and heard > 0.0 else None


def usual_cadence_hz(runs: Sequence[Run], session: str | None = None) -> dict[str, float]:
    """Strokes a second that are usual by technique: the median of a session's runs where it has any, else of all."""
    known = [(r, hz) for r in runs if (hz := mean_cadence_hz(r)) is not None]
    out = {}
    for technique in dict.fromkeys(r.technique for r, _ in known):
        of_all = [hz for r, hz in known if r.technique == technique]
        own = [hz for r, hz in known if r.technique == technique and session and r.session == session]
        out[technique] = float(np.median(own or of_all))
    return out


@dataclass(frozen=True)
class UsualCadence:
    """A technique's usual cadence: the median over `runs` runs, and how far its logarithm scatters among them."""

    median_hz: float
    log_sd: float
    runs: int


_PRIOR_LOG_SD, _PRIOR_RUNS = 0.08, 4.0
"""How far one person's cadence scatters from run to run, held by a prior worth so many runs (common practice, no
source)."""


def usual_cadences(runs: Sequence[Run]) -> dict[str, UsualCadence]:
    """By technique; those that nobody counted are left out."""
    median = usual_cadence_hz(runs)
    away: dict[str, list[float]] = {technique: [] for technique in median}
    for run in runs:
        hz = mean_cadence_hz(run)
        if hz is not None:
            away[run.technique].append(float(np.log(hz / median[run.technique])))
    return {
        technique: UsualCadence(median[technique], _log_sd(values), len(values))
        for technique, values in away.items()
    }


def _log_sd(away: Sequence[float]) -> float:
    total = _PRIOR_RUNS * _PRIOR_LOG_SD**2 + float(np.square(away).sum())
    return float(np.sqrt(total / (_PRIOR_RUNS + len(away))))
