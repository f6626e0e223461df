"""What changes from run to run, and how steady the hand's rhythm is.

A page of runs asks after several quantities at once, so that each alone must be sure of more than one time in twenty:
the drifts of a page share a false alarm of `FALSE_ALARM` between them (Holm), which with that of its charts
(`rig.advice.rehearsal.control_chart`) is one page in twenty where nothing has changed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from scipy import stats

from rig.advice.evidence.statistics import holm
from rig.arrays import FloatArray
from rig.fitting.cadence import Cadence, cadence
from rig.runs import Run

LEAST_RUNS = 4
FALSE_ALARM = 0.025
"""How often all drifts of a page together may be called clear where nothing drifts."""
_CONFIDENCE = 0.90


@dataclass(frozen=True)
class Drift:
    """Change of a quantity per run, robust against single odd runs.

    `quantity` names the unit; `per_run` within sessions, with its interval at 90 %; `runs` over `sessions` of two
    runs or more. `p_value`: the chance of so steady a change where nothing changes, adjusted for all drifts that
    were looked for together.
    """

    quantity: str
    per_run: float
    low: float
    high: float
    runs: int
    sessions: int
    p_value: float

    @property
    def is_clear(self) -> bool:
        """Surer than all drifts of a page together may be wrong."""
        return self.p_value <= FALSE_ALARM

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "quantity": self.quantity,
            "per_run": round(self.per_run, 5),
            "low": round(self.low, 5),
            "high": round(self.high, 5),
            "p_value": round(self.p_value, 5),
            "is_clear": self.is_clear,
            "runs": self.runs,
            "sessions": self.sessions,
        }


def drifts(quantities: Mapping[str, FloatArray], sessions: Sequence[str | None]) -> tuple[Drift, ...]:
    """Slope per run of several quantities, looked for together.

    The slope is the median of those of all pairs of runs of one session: Theil–Sen (P. K. Sen, J. Am. Stat. Assoc.
    63 (1968) 1379), pooled over sessions as over seasons (Hirsch, Slack & Smith, Water Resources Res. 18 (1982) 107;
    R. O. Gilbert, Statistical Methods for Environmental Pollution Monitoring, 1987, ch. 17). Whether there is one is
    asked of Kendall's score within sessions and, with three sessions or more, of the line through their means as
    well: a jump from one session to another is no drift, but a slow one goes on through all of them. The two are
    independent and count alike (Stouffer).

    Parameters
    ----------
    quantities
        (runs,) each, in the order they were made; NaN left out, but counted as a run of its session.
    sessions
        Each run's session.

    Returns
    -------
    None of a quantity that never varies, or where no session has enough runs.
    """
    found = [d for name, values in quantities.items() if (d := _alone(name, values, sessions)) is not None]
    adjusted = holm(np.array([d.p_value for d in found])) if found else ()
    return tuple(Drift(**{**vars(d), "p_value": float(p)}) for d, p in zip(found, adjusted, strict=True))


def _alone(quantity: str, values: FloatArray, sessions: Sequence[str | None]) -> Drift | None:
    """The drift of one quantity, its p-value not adjusted."""
    grouped: dict[str | None, list[tuple[int, float]]] = {}
    for session, value in zip(sessions, np.asarray(values, float), strict=True):
        group = grouped.setdefault(session, [])
        group.append((len(group), float(value)))
    sound = [[(k, v) for k, v in group if np.isfinite(v)] for group in grouped.values()]
    sound = [group for group in sound if len(group) > 1]
    runs = sum(len(group) for group in sound)
    pairs = sorted((b - a) / (j - i) for group in sound for (i, a), (j, b) in combinations(group, 2))
    variance = sum(_score_variance([v for _, v in group]) for group in sound)
    if runs < LEAST_RUNS or not pairs or variance <= 0.0:
        return None
    half = float(stats.norm.ppf(0.5 + _CONFIDENCE / 2)) * np.sqrt(variance)
    count = len(pairs)
    below = max(round((count - half) / 2.0) - 1, 0)
    above = min(round((count + half) / 2.0), count - 1)
    score = float(np.sum(np.sign(pairs)))
    # Kendall's score goes in steps: one less keeps the normal law on the safe side
    within = float(np.sign(score)) * max(abs(score) - 1.0, 0.0) / np.sqrt(variance)
    between = _between(np.asarray(values, float), sessions)
    z = within if between is None else (within + between) / np.sqrt(2.0)
    p = 2.0 * float(stats.norm.sf(abs(z)))
    return Drift(quantity, float(np.median(pairs)), pairs[below], pairs[above], runs, len(sound), p)


def _between(values: FloatArray, sessions: Sequence[str | None]) -> float | None:
    """How clearly sessions' means lie on a rising or falling line, as a standard normal; None below three."""
    places, means = [], []
    for name in dict.fromkeys(sessions):
        mine = np.array([k for k, s in enumerate(sessions) if s == name and np.isfinite(values[k])])
        if mine.size:
            places.append(float(mine.mean()))
            means.append(float(values[mine].mean()))
    if len(means) < 3 or np.ptp(means) == 0.0 or np.ptp(places) == 0.0:
        return None
    line = stats.linregress(places, means)
    one_sided = float(stats.t.sf(abs(line.slope / line.stderr), len(means) - 2)) if line.stderr > 0.0 else 0.0
    return float(np.sign(line.slope) * stats.norm.isf(max(one_sided, 1e-12)))


def _score_variance(values: Sequence[float]) -> float:
    """Variance of Kendall's score, ties allowed for (Sen 1968, equation 2.6)."""
    n = len(values)
    ties = np.unique(values, return_counts=True)[1].astype(float)
    whole = n * (n - 1) * (2 * n + 5)
    return float(whole - np.sum(ties * (ties - 1) * (2 * ties + 5))) / 18.0


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
