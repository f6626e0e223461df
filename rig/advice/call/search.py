"""Where a call is looked for, which moment is called, what ends its window, and what lies beyond the runs."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from rig.advice.call.odds import LATE, Limit, OddsCurve
from rig.arrays import BoolArray, FloatArray
from rig.fitting.prediction import Basis, BasisKind, Prediction
from rig.fitting.priors import MOTIONS
from rig.fitting.result import Fit
from rig.fitting.situation import Situation

NEAR_BEST = 0.90
"""A window holds the durations whose odds are at least this share of the best."""
_FLAT_TOP, _AS_GOOD = 0.98, 0.99
_STEP_S, _FINE_S = 0.25, 30.0
_FEW, _NEVER, _HOPELESS = 0.005, 1e-9, 0.01
MEASURED_WITHIN = 1.2
"""So much longer or shorter than the runs, as a factor, and a call no longer counts as measured."""
_BEYOND_SPREAD = 0.3

Span = tuple[float, float]


def durations(fit: Fit, technique: str) -> FloatArray:
    """The durations a call is looked for at [s]: as long as the technique can sensibly last, or as a run of it did."""
    made = [m.duration_s[1] for (s, _), m in fit.measured.items() if s.technique == technique]
    longest = max(MOTIONS[fit.bench.motion(technique)].longest_s, *made, 0.0)
    count = int(np.ceil(longest / _STEP_S))
    if count <= 240:
        return np.asarray(np.arange(1, count + 1) * _STEP_S, dtype=float)
    fine = np.arange(_STEP_S, _FINE_S + 0.5 * _STEP_S, _STEP_S)
    return np.concatenate([fine, np.linspace(_FINE_S, longest, 181)[1:]])


@dataclass(frozen=True)
class Moment:
    """The duration called [s], and the durations around it whose odds are nearly as good."""

    duration_s: float
    window_s: Span


def best_moment(times: FloatArray, curve: OddsCurve, span_s: Span | None = None) -> Moment:
    """The moment to call.

    On a top that ends because a longer go would miss, the middle of the stretch within 2 % of the best: the very
    peak of a flat top is chance, and the middle forgives slips on both sides. Of a stretch that reaches beyond the
    runs, `span_s`, the part that they bear out. Where nothing is lost by going on, the earliest moment whose odds are
    as good as any (within 1 %): every further second only adds water. Where nothing ever lands, the moment at which a
    drink is as far from done as it is past it.
    """
    odds = curve.odds
    if odds.max() <= _NEVER:
        at = _between(times, curve)
        return Moment(at, (at, at))
    smooth = np.minimum(gaussian_filter1d(odds, 1.5), odds.max())
    peak = int(np.argmax(smooth))
    low, high = _stretch(times, smooth, peak, _FLAT_TOP * smooth[peak])
    best = 0.5 * sum(_borne_out((low, high), span_s))
    if high >= times[-1] or _late(curve).max() < _FEW:
        best = _first_at(times, smooth, _AS_GOOD * smooth[peak])
    around = int(np.argmin(np.abs(times - best)))
    low, high = _stretch(times, smooth, around, NEAR_BEST * smooth[peak])
    return Moment(best, (min(low, best), max(high, best)))


def _borne_out(stretch: Span, span_s: Span | None) -> Span:
    """The part of a stretch that runs bear out; all of it where they bear out none."""
    if span_s is None:
        return stretch
    low = max(stretch[0], span_s[0] / MEASURED_WITHIN)
    high = min(stretch[1], span_s[1] * MEASURED_WITHIN)
    return (low, high) if low <= high else stretch


def _between(times: FloatArray, curve: OddsCurve) -> float:
    early = np.max([np.zeros_like(times), *(m for k, m in curve.misses.items() if k not in LATE)], axis=0)
    late = np.max([np.zeros_like(times), *(m for k, m in curve.misses.items() if k in LATE)], axis=0)
    balance = np.abs(early - late)
    return float(np.median(times[balance <= balance.min() + _FEW]))


def _late(curve: OddsCurve) -> FloatArray:
    """At most what share of draws a longer go has made miss, (times,): one may miss in several ways."""
    return sum((m for limit, m in curve.misses.items() if limit in LATE), np.zeros_like(curve.odds))


def _first_at(times: FloatArray, odds: FloatArray, level: float) -> float:
    k = int(np.argmax(odds >= level))
    return float(times[0] if k == 0 else np.interp(level, odds[k - 1 : k + 1], times[k - 1 : k + 1]))


def _stretch(times: FloatArray, odds: FloatArray, at: int, level: float) -> Span:
    """Where odds stay above a level without a break around index `at`."""
    below = np.flatnonzero(odds[:at] < level)
    above = np.flatnonzero(odds[at:] < level)
    low, high = float(times[0]), float(times[-1])
    if below.size:
        k = int(below[-1])
        low = float(np.interp(level, odds[k : k + 2], times[k : k + 2]))
    if above.size and above[0] > 0:
        k = at + int(above[0])
        high = float(np.interp(-level, -odds[k - 1 : k + 1], times[k - 1 : k + 1]))
    return low, high


_NOTHING_EARLY = "nothing: any earlier is as good"
_NOTHING_LATE = "nothing within the durations looked at"
_ONLY_WATER = "nothing: longer only adds water"


def limited_by(times: FloatArray, curve: OddsCurve, moment: Moment) -> dict[str, str]:
    """What ends the window on each side, in plain words: the limit whose misses grow most from the call to there.

    Where nothing ever lands there is no window: what stands in the way early on, and at the end.
    """
    low, high = moment.window_s
    if curve.odds.max() < _HOPELESS:
        return _in_the_way(times, curve)
    early, late = _NOTHING_EARLY, _NOTHING_LATE
    if low > times[0]:
        early = _grown(times, curve, moment.duration_s, low, "before") or _NOTHING_EARLY
    if high < times[-1]:
        late = _grown(times, curve, moment.duration_s, high, "after") or _NOTHING_LATE
    elif moment.duration_s < times[-1] and _late(curve).max() < _FEW:
        late = _ONLY_WATER
    return {"early": early, "late": late}


def _grown(times: FloatArray, curve: OddsCurve, from_s: float, to_s: float, side: str) -> str | None:
    grown = {
        limit: float(np.interp(to_s, times, m) - np.interp(from_s, times, m))
        for limit, m in curve.misses.items()
    }
    limit = max(grown, key=lambda k: grown[k], default=None)
    return None if limit is None or grown[limit] <= 0.0 else f"{limit.value} {side} {to_s:.0f} s"


def _in_the_way(times: FloatArray, curve: OddsCurve) -> dict[str, str]:
    def worst(at: int, among: list[Limit]) -> str:
        limit = max(among, key=lambda k: float(curve.misses[k][at]))
        return f"{limit.value} at {times[at]:.0f} s"

    by_stopping = [k for k in curve.misses if k not in LATE] or list(curve.misses)
    return {"early": worst(times.size // 4, by_stopping), "late": worst(times.size - 1, list(curve.misses))}


# --- beyond the runs ---------------------------------------------------------------------------------


def run_span_s(fit: Fit, situation: Situation) -> Span | None:
    """Shortest and longest run of this drink on this set-up [s]; None where there is none."""
    found = fit.measured.get((situation.set_up, situation.recipe))
    return None if found is None else found.duration_s


def beyond(times: FloatArray, span_s: Span | None) -> FloatArray:
    """How far durations lie outside the runs, as the logarithm of a factor, (times,); infinite with no run."""
    if span_s is None:
        return np.full(times.shape, np.inf)
    low, high = span_s
    return np.asarray(np.log(np.maximum(np.maximum(times / high, low / times), 1.0)))


def extrapolated(times: FloatArray, span_s: Span | None) -> BoolArray:
    """Which durations no run of this drink on this set-up bears out, (times,)."""
    return np.asarray(beyond(times, span_s) > 0.0)


def widened(prediction: Prediction, span_s: Span | None) -> Prediction:
    """The same draws, spread further apart around their median the further a duration lies from the runs.

    By a third of the spread for every factor e in time, and no more than for a factor 2 before the shortest, where
    the start holds the drink. How a curve goes on outside its runs is known only from the model, whose own misfit was
    learned within them. A drink with no run there is as uncertain as the fit has it.
    """
    if span_s is None:
        return prediction
    times = prediction.duration_s
    away = beyond(times, span_s)
    more = _BEYOND_SPREAD * np.where(times < span_s[0], np.minimum(away, np.log(2.0)), away)

    some = more > 0.0

    def apart(draws: FloatArray) -> FloatArray:
        out, away = draws.copy(), draws[:, some]
        out[:, some] += more[some] * (away - np.median(away, axis=0))
        return out

    added = np.maximum(apart(prediction.added_g), 0.0)
    last = max(int(np.searchsorted(times, span_s[1], side="right")) - 1, 0)
    added[:, last:] = np.maximum.accumulate(added[:, last:], axis=1)
    return replace(
        prediction,
        temp_c=apart(prediction.temp_c),
        added_g=added,
        dilution_by_volume=added / prediction.start_volume_ml,
    )


def basis_at(basis: Basis, technique: str, duration_s: float, span_s: Span | None) -> Basis:
    """What a call at this duration rests on: beyond the runs it says so, and far beyond it is not measured."""
    if span_s is None or not extrapolated(np.array([duration_s]), span_s)[0]:
        return basis
    low, high = span_s
    spans = f"of {low:.0f} s" if round(low) == round(high) else f"from {low:.0f} to {high:.0f} s"
    told = (*basis.extrapolated, f"a {technique} of {duration_s:.0f} s, run {spans}")
    far = float(beyond(np.array([duration_s]), span_s)[0]) > np.log(MEASURED_WITHIN)
    kind = BasisKind.TRANSFERRED if far and basis.kind is BasisKind.MEASURED else basis.kind
    return replace(basis, kind=kind, extrapolated=told)
