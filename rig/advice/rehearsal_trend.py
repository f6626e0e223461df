"""What changes from run to run within a session, and how steady the hand's rhythm is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from scipy import stats

from rig.arrays import FloatArray
from rig.runs import Run, Trace

LEAST_RUNS = 4
_CONFIDENCE = 0.90


@dataclass(frozen=True)
class Drift:
    """Change of a quantity per run within its session, robust against single odd runs.

    `quantity` names the unit; `per_run` with its interval at 90 %; `runs` over `sessions` of two runs or more.
    """

    quantity: str
    per_run: float
    low: float
    high: float
    runs: int
    sessions: int

    @property
    def is_clear(self) -> bool:
        """The interval leaves out zero."""
        return self.low > 0.0 or self.high < 0.0

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "quantity": self.quantity,
            "per_run": round(self.per_run, 5),
            "low": round(self.low, 5),
            "high": round(self.high, 5),
            "is_clear": self.is_clear,
            "runs": self.runs,
            "sessions": self.sessions,
        }


def drift(quantity: str, values: FloatArray, sessions: Sequence[str | None]) -> Drift | None:
    """Slope per run within sessions: median of the slopes of all pairs of runs of one session.

    Theil–Sen (P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379); over several sessions the slopes are pooled and the
    variance of Kendall's score adds up, as for seasons (Hirsch, Slack & Smith, Water Resources Res. 18 (1982)
    107; R. O. Gilbert, Statistical Methods for Environmental Pollution Monitoring, 1987, ch. 17).

    Parameters
    ----------
    values
        (runs,) in the order they were made; NaN left out, but counted as a run of its session.
    sessions
        Each run's session.

    Returns
    -------
    None where no session has enough runs.
    """
    grouped: dict[str | None, list[tuple[int, float]]] = {}
    for session, value in zip(sessions, np.asarray(values, float), strict=True):
        group = grouped.setdefault(session, [])
        group.append((len(group), float(value)))
    sound = [[(k, v) for k, v in group if np.isfinite(v)] for group in grouped.values()]
    sound = [group for group in sound if len(group) > 1]
    runs = sum(len(group) for group in sound)
    pairs = sorted((b - a) / (j - i) for group in sound for (i, a), (j, b) in combinations(group, 2))
    if runs < LEAST_RUNS or not pairs:
        return None
    variance = sum(_score_variance([v for _, v in group]) for group in sound)
    half = float(stats.norm.ppf(0.5 + _CONFIDENCE / 2)) * np.sqrt(variance)
    count = len(pairs)
    below = max(round((count - half) / 2.0) - 1, 0)
    above = min(round((count + half) / 2.0), count - 1)
    return Drift(quantity, float(np.median(pairs)), pairs[below], pairs[above], runs, len(sound))


def _score_variance(values: Sequence[float]) -> float:
    """Variance of Kendall's score, ties allowed for (Sen 1968, equation 2.6)."""
    n = len(values)
    ties = np.unique(values, return_counts=True)[1].astype(float)
    whole = n * (n - 1) * (2 * n + 5)
    return float(whole - np.sum(ties * (ties - 1) * (2 * ties + 5))) / 18.0


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


_RAMP_S = 1.0
_LEAST_READINGS = 5


def cadence(run: Run, duration_s: float) -> Cadence | None:
    """The rhythm of a run from its trace, without the first second; None where none was recorded."""
    trace: Trace | None = run.trace
    if trace is None or trace.cadence_hz is None:
        return None
    beat = np.isfinite(trace.cadence_hz) & (trace.cadence_hz > 0)
    beat &= (trace.time_s >= _RAMP_S) & (trace.time_s <= duration_s)
    time, hz = trace.time_s[beat], trace.cadence_hz[beat]
    if hz.size < _LEAST_READINGS:
        return None
    slope, level = np.polyfit(time, hz, 1)
    mean = float(hz.mean())
    start, end = level + slope * time[0], level + slope * time[-1]
    within = float(np.std(hz - (level + slope * time), ddof=2)) / mean
    return Cadence(run.run, mean, within, float(end / start) - 1.0)


@dataclass(frozen=True)
class Steadiness:
    """The rhythm over all runs that recorded it.

    `within_cv`: root mean square of the runs' own; `between_cv`: spread of their means ÷ mean, None below two
    runs; `change`: median change over a run; `hand_with_rate`: rank correlation of a run's rhythm with how fast
    it chilled, None below six runs (Spearman).
    """

    runs: tuple[Cadence, ...]
    mean_hz: float
    within_cv: float
    between_cv: float | None
    change: float
    hand_with_rate: float | None

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "mean_hz": round(self.mean_hz, 3),
            "within_cv": round(self.within_cv, 4),
            "between_cv": None if self.between_cv is None else round(self.between_cv, 4),
            "change": round(self.change, 4),
            "hand_with_rate": None if self.hand_with_rate is None else round(self.hand_with_rate, 3),
            "runs": [c.to_dict() for c in self.runs],
        }


_LEAST_FOR_RANKS = 6


def steadiness(runs: Sequence[Run], duration_s: FloatArray, rate: FloatArray) -> Steadiness | None:
    """The rhythm of runs, (runs,) each; `rate` is how fast each chilled, as log of the usual.

    None where no run recorded its cadence.
    """
    found = [(cadence(r, float(d)), x) for r, d, x in zip(runs, duration_s, rate, strict=True)]
    kept = [(c, x) for c, x in found if c is not None]
    if not kept:
        return None
    means = np.array([c.mean_hz for c, _ in kept])
    chill = np.array([x for _, x in kept])
    tells = len(kept) >= _LEAST_FOR_RANKS and np.ptp(means) > 0 and np.ptp(chill) > 0
    return Steadiness(
        runs=tuple(c for c, _ in kept),
        mean_hz=float(means.mean()),
        within_cv=float(np.sqrt(np.mean([c.within_cv**2 for c, _ in kept]))),
        between_cv=float(means.std(ddof=1) / means.mean()) if len(kept) > 1 else None,
        change=float(np.median([c.change for c, _ in kept])),
        hand_with_rate=float(stats.spearmanr(means, chill).statistic) if tells else None,
    )
