"""Where the spread of a rehearsal comes from: clock, scale, ice, start or hand; and what steadying one would gain.

Each run's departures from the usual run go through the fitted model: its slopes at the usual run, and for the
duration the usual course itself. What they do not come to is not explained. The variance of a part is that
of its contributions, plus what the runs' own data leave open of them (law of total variance), so that hand and
ice, which a trace tells apart only in part, share fairly. Intervals: bootstrap over runs, each time with
departures drawn from what is left open (Efron, Ann. Statist. 7 (1979) 1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from scipy import stats
from scipy.stats import norm

from rig.advice.call.odds import RESULTS, Result, lands
from rig.advice.rehearsal.runs import Rehearsed
from rig.arrays import FloatArray
from rig.bench import Target
from rig.fitting.priors import P
from rig.fitting.sampling import standard_normal

LEAST_RUNS = 5
"""With fewer runs a split of their spread would be chance."""
_BOOTSTRAP, _LANDING_DRAWS = 200, 512
_AIMS = np.linspace(-0.4, 0.4, 33)
SURE = 0.8


class Part(StrEnum):
    """Where spread comes from."""

    WEIGHING = "weighing"
    TIMING = "timing"
    START = "start"
    ICE = "ice"
    HAND = "hand"
    UNEXPLAINED = "not explained"

    @property
    def covers(self) -> str:
        """What belongs to it."""
        return _COVERS[self]


_COVERS = {
    Part.WEIGHING: "how much drink went in",
    Part.TIMING: "how long it was shaken or stirred",
    Part.START: "how warm drink and vessel were before the ice",
    Part.ICE: "how much ice, how cold, how wet",
    Part.HAND: "how fast it chilled beyond all that: how hard and how steadily it was shaken or stirred",
    Part.UNEXPLAINED: "what none of these account for, the errors of probe and scale among it",
}
PARTS = tuple(Part)
_COLUMNS = {
    Part.START: (P.DRINK_TEMP, P.VESSEL_TEMP),
    Part.ICE: (P.ICE_MASS, P.ICE_TEMP, P.WET),
    Part.HAND: (P.RATE,),
}


@dataclass(frozen=True)
class ShareOfSpread:
    """One part of the spread: the standard deviation it alone would make, and its share of the variance."""

    part: Part
    sd: float
    share: float
    low: float
    high: float

    def to_dict(self) -> dict[str, Any]:
        """Stable keys; `sd` is in the unit of its result."""
        return {
            "part": self.part.value,
            "covers": self.part.covers,
            "sd": round(self.sd, 5),
            "share": round(self.share, 4),
            "low": round(self.low, 4),
            "high": round(self.high, 4),
        }


@dataclass(frozen=True)
class Spread:
    """Mean and standard deviation of one result over `runs` runs, with its interval, and the parts of it.

    `sd_low`, `sd_high` from the chi-squared law. `together`: variance observed over the sum of the parts';
    well below one where parts made up for each other, above where they added up. `parts` is empty with too
    few runs.
    """

    result: Result
    runs: int
    mean: float
    sd: float
    sd_low: float
    sd_high: float
    together: float
    parts: tuple[ShareOfSpread, ...]

    def to_dict(self) -> dict[str, Any]:
        """Stable keys; `result` names the unit."""
        numbers = {n: _number(getattr(self, n)) for n in ("mean", "sd", "sd_low", "sd_high", "together")}
        return {
            "result": self.result.value,
            "runs": self.runs,
            **numbers,
            "parts": [p.to_dict() for p in self.parts],
        }


def _number(value: float) -> float | None:
    return round(value, 5) if np.isfinite(value) else None


@dataclass(frozen=True)
class Gain:
    """How much more often drinks would land: with a part held steady, or (`part` None) with another duration.

    `odds` now and then by a normal law through these runs; `low`, `high`: interval of the gain; `best_share`:
    in how many of the bootstrap's samples this was the most rewarding. `duration_s`: the duration to aim at.
    """

    part: Part | None
    odds_now: float
    odds: float
    low: float
    high: float
    best_share: float
    duration_s: float | None = None

    @property
    def gain(self) -> float:
        """Odds then less odds now."""
        return self.odds - self.odds_now

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "part": "aim" if self.part is None else self.part.value,
            "odds_now": round(self.odds_now, 4),
            "odds": round(self.odds, 4),
            "gain": round(self.gain, 4),
            "gain_low": round(self.low, 4),
            "gain_high": round(self.high, 4),
            "best_share": round(self.best_share, 3),
            "duration_s": None if self.duration_s is None else round(self.duration_s, 1),
        }


def contributions(r: Rehearsed, departures: FloatArray) -> FloatArray:
    """(…, runs, parts but the unexplained, results): how far each part took each run from the usual one.

    Parameters
    ----------
    departures
        (…, runs, parameters).
    """
    at = np.array([np.interp(r.usual_s, r.usual.duration_s, v) for v in r.usual.by_drink_mass])
    slope = _slope_at(r)
    out: FloatArray = np.empty((*departures.shape[:-1], len(PARTS) - 1, len(RESULTS)))
    out[..., PARTS.index(Part.WEIGHING), :] = (r.drink_mass_g - np.median(r.drink_mass_g))[:, None] * at
    out[..., PARTS.index(Part.TIMING), :] = r.usual.at(r.duration_s) - r.usual.at(r.plan_s)
    for part, columns in _COLUMNS.items():
        out[..., PARTS.index(part), :] = departures[..., list(columns)] @ slope[:, list(columns)].T
    return out


def _slope_at(r: Rehearsed) -> FloatArray:
    """(results, parameters) at the usual duration."""
    return np.array(
        [
            [np.interp(r.usual_s, r.usual.duration_s, one) for one in by_time.T]
            for by_time in r.usual.by_parameter
        ]
    )


@dataclass(frozen=True, eq=False)
class Split:
    """Covariances (parts, results, results) of all parts; `samples` the same of each bootstrap sample.

    `mean` (results,) and `means` (samples, results) of the runs.
    """

    covariance: FloatArray
    samples: FloatArray
    mean: FloatArray
    means: FloatArray


def split(r: Rehearsed, seed: int = 5) -> Split:
    """Split the covariance of results by part."""
    rng = np.random.default_rng(seed)
    made = contributions(r, r.departures)
    whole = np.concatenate([made, _unexplained(r, made)[:, None]], axis=1)
    slope = _slope_at(r)
    open_now = np.zeros((len(PARTS), len(RESULTS), len(RESULTS)))
    for part, columns in _COLUMNS.items():
        c, s = list(columns), slope[:, list(columns)]
        open_now[PARTS.index(part)] = s @ r.left_open[:, c][:, :, c].mean(axis=0) @ s.T
    values, vectors = np.linalg.eigh(r.left_open)
    root = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    noise = rng.normal(size=(_BOOTSTRAP, len(r), len(P)))
    drawn = contributions(r, r.departures + np.einsum("rpq,brq->brp", root, noise))
    rest = np.broadcast_to(whole[:, -1:], (_BOOTSTRAP, *whole[:, -1:].shape))
    drawn = np.concatenate([drawn, rest], axis=2)
    rows = _resampled(rng, len(r))
    taken = drawn[np.arange(_BOOTSTRAP)[:, None], rows]
    return Split(
        covariance=_covariances(whole) + open_now,
        samples=_covariances(taken),
        mean=r.as_read.mean(axis=0),
        means=r.as_read[rows].mean(axis=1),
    )


def _resampled(rng: np.random.Generator, runs: int) -> np.ndarray:
    """Rows (samples, runs) drawn with replacement; samples of fewer than three different runs have no spread."""
    drawn = rng.integers(0, runs, (4 * _BOOTSTRAP, runs))
    different = np.array([len(set(row)) for row in drawn.tolist()])
    return np.asarray(drawn[different >= 3][:_BOOTSTRAP])


def _unexplained(r: Rehearsed, made: FloatArray) -> FloatArray:
    explained = made.sum(axis=1)
    away = r.as_read - explained
    return np.asarray(away - away.mean(axis=0))


def _covariances(contribution: FloatArray) -> FloatArray:
    """(…, parts, results, results) from (…, runs, parts, results)."""
    away = contribution - contribution.mean(axis=-3, keepdims=True)
    return np.asarray(np.einsum("...rpa,...rpb->...pab", away, away) / (away.shape[-3] - 1))


def spreads(r: Rehearsed, parts: Split | None) -> tuple[Spread, ...]:
    """Mean and spread of every result, with its parts where they could be told (`parts` not None)."""
    out = []
    n = len(r)
    for k, result in enumerate(RESULTS):
        mean, sd = float(r.as_read[:, k].mean()), float(r.as_read[:, k].std(ddof=1)) if n > 1 else np.nan
        low, high = (sd * np.sqrt((n - 1) / stats.chi2.ppf(q, n - 1)) for q in (0.975, 0.025))
        listed: tuple[ShareOfSpread, ...] = ()
        together = np.nan
        if parts is not None:
            variance = parts.covariance[:, k, k]
            share = _shares(variance)
            ends = np.percentile(_shares(parts.samples[:, :, k, k]), [5.0, 95.0], axis=0)
            whole = float(variance.sum())
            together = sd**2 / whole if whole > 0.0 else np.nan
            listed = tuple(
                ShareOfSpread(
                    part, float(np.sqrt(variance[p])), float(share[p]), float(ends[0, p]), float(ends[1, p])
                )
                for p, part in enumerate(PARTS)
            )
        out.append(Spread(result, n, mean, sd, float(low), float(high), float(together), listed))
    return tuple(out)


def _shares(variance: FloatArray) -> FloatArray:
    """Shares (…, parts) of a variance; of one that is nothing, as the strength of a drink without alcohol, nothing."""
    whole = variance.sum(axis=-1, keepdims=True)
    shares: FloatArray = np.divide(variance, whole, out=np.zeros_like(variance), where=whole > 0.0)
    return shares


def gains(r: Rehearsed, parts: Split, target: Target) -> tuple[Gain, ...]:
    """What steadying each part, or aiming at another duration, would gain; most rewarding first."""
    z = standard_normal(_LANDING_DRAWS, len(RESULTS), seed=8)
    kept = [p for p in PARTS if p is not Part.UNEXPLAINED]
    usual = r.usual.at(np.array([r.usual_s]))
    shifts = r.usual.at(r.usual_s * (1.0 + _AIMS)) - usual

    def odds(mean: FloatArray, covariance: FloatArray) -> FloatArray:
        values, vectors = np.linalg.eigh(covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]
        return np.asarray(lands(mean[..., None, :] + z @ np.swapaxes(root, -1, -2), target).mean(axis=-1))

    def tried(mean: FloatArray, covariance: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Odds now (…,), with each part steady (…, parts), and at other durations (…, aims)."""
        whole = covariance.sum(axis=-3)
        steady = np.stack([odds(mean, whole - covariance[..., PARTS.index(p), :, :]) for p in kept], axis=-1)
        aimed = np.stack([odds(mean + s, whole) for s in shifts], axis=-1)
        return odds(mean, whole), steady, aimed

    now, steady, aimed = tried(parts.mean, parts.covariance)
    now_b, steady_b, aimed_b = tried(parts.means, parts.samples)
    aim = _middle_of_best(aimed)
    all_b = np.column_stack([steady_b, aimed_b[:, aim]]) - now_b[:, None]
    best = np.bincount(np.argmax(all_b, axis=1), minlength=all_b.shape[1]) / len(all_b)
    ends = np.percentile(all_b, [5.0, 95.0], axis=0)
    found = [
        Gain(
            part=part,
            odds_now=float(now),
            odds=float(then),
            low=float(ends[0, k]),
            high=float(ends[1, k]),
            best_share=float(best[k]),
            duration_s=None if part is not None else float(r.usual_s * (1.0 + _AIMS[aim])),
        )
        for k, (part, then) in enumerate(zip([*kept, None], [*steady, aimed[aim]], strict=True))
    ]
    return tuple(sorted(found, key=lambda g: -g.odds))


def _middle_of_best(odds: Sequence[float] | FloatArray) -> int:
    """The middle of the aims that are as good as the best: on a flat top the very peak is chance."""
    near = np.flatnonzero(np.asarray(odds) >= np.max(odds) - 0.01)
    return int(near[near.size // 2])


def runs_more(n: int, ahead: float) -> int | None:
    """How many more runs would likely tell the most rewarding part from the next; None where hardly any would.

    Parameters
    ----------
    n
        Runs there are.
    ahead
        Mean lead of the first over the second in standard errors, which shrink as 1/√runs.
    """
    if ahead <= 0.25:
        return None
    needed = int(np.ceil(n * (norm.ppf(SURE) / ahead) ** 2))
    return max(needed - n, 0)
