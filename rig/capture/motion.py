"""When motion began and stopped, and its cadence: from the probe's chill, a cadence channel or a key.

Each moment carries its uncertainty; where a trace cannot tell, it is None and a doubt says why.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from rig.arrays import BoolArray, FloatArray
from rig.errors import NotEnoughData

REACTION_S = 0.25
"""How well a person presses a key on the first move; common practice, no source."""


class Source(StrEnum):
    """What a moment was told by."""

    PROBE = "probe"
    CADENCE = "cadence"
    KEY = "key"


@dataclass(frozen=True)
class Moment:
    """An instant [s] with its standard uncertainty [s] and where it comes from."""

    time_s: float
    uncertainty_s: float
    source: Source


@dataclass(frozen=True)
class MotionSpan:
    """Start and stop of motion, either None where it could not be told; doubts in words."""

    start: Moment | None
    stop: Moment | None
    doubts: tuple[str, ...] = ()

    @property
    def duration_s(self) -> float | None:
        """Seconds between the two; None where one is missing."""
        return self.stop.time_s - self.start.time_s if self.start and self.stop else None


def from_keys(start_s: float | None, stop_s: float | None, *, reaction_s: float = REACTION_S) -> MotionSpan:
    """Start and stop as somebody marked them."""
    start, stop = (None if s is None else Moment(s, reaction_s, Source.KEY) for s in (start_s, stop_s))
    return MotionSpan(start, stop)


def agreed(spans: Iterable[MotionSpan]) -> MotionSpan:
    """The most certain start and stop among several spans; a doubt where others contradict them."""
    given = tuple(spans)
    doubts = list(dict.fromkeys(d for s in given for d in s.doubts))
    moments = []
    for what in ("start", "stop"):
        told = sorted((m for s in given if (m := getattr(s, what))), key=lambda m: m.uncertainty_s)
        moments.append(told[0] if told else None)
        for other in told[1:]:
            apart_s = other.time_s - told[0].time_s
            if abs(apart_s) > 3.0 * math.hypot(other.uncertainty_s, told[0].uncertainty_s):
                doubts.append(f"{what} by {other.source} is {apart_s:+.1f} s from that by {told[0].source}")
    return MotionSpan(moments[0], moments[1], tuple(doubts))


# --- from the probe ---------------------------------------------------------------------------------------

BASELINE_S = (5.0, 2.0)
LEAST_FALL_K = 0.5
CALM_SIGMAS = 6.0
CLEAR_T = 8.0
"""A change of slope counts from this many of its standard errors on."""
CLEAR_GAIN = 20.0
"""So much better than a smooth chill must a chill that stops explain the trace (F ratio)."""
LEAST_BREAK = 0.5
"""The stop of motion takes away at least this share of the rate of chill."""
COARSE_S, FINE_S = 0.2, 0.02
SMOOTH_CHILLS_S = tuple(np.geomspace(0.3, 60.0, 10).tolist())


def from_probe(
    time_s: FloatArray, probe_c: FloatArray, *, lag_s: float = 0.0, lag_std_s: float = 0.0
) -> MotionSpan:
    """Onset and end of chill, with the probe's first-order lag taken out; arrays of shape (samples,).

    A change of slope in the drink reaches the reading as slope · (s − τ (1 − e^(−s/τ))), s seconds after it;
    the instant whose fit leaves least is taken, its uncertainty from the profile of the residuals, the
    lag's own and the sampling. The probe must have been in the drink before motion began.
    """
    kept = np.isfinite(time_s) & np.isfinite(probe_c)
    time, temp = np.asarray(time_s[kept], dtype=float), np.asarray(probe_c[kept], dtype=float)
    if time.size < 20:
        return MotionSpan(None, None, ("too few probe readings to see a chill",))
    near_s = _first_fall(time, temp)
    if near_s is None:
        return MotionSpan(None, None, ("no chill in the probe's trace",))
    if near_s - time[0] < BASELINE_S[1]:
        return MotionSpan(None, None, ("the trace begins when the chill is under way",))
    window = _Window(time, temp, near_s - 5.0, near_s + 1.5 + 1.5 * lag_s, lag_s)
    onset = window.best(near_s - 2.0 - 2.0 * lag_s, near_s + 0.1, FINE_S, _onset)
    start = _moment(onset, time, lag_std_s) if onset and onset.change < 0 else None
    stop = _stop(time, temp, start.time_s if start else near_s, lag_s, lag_std_s)
    doubts = [] if start else ["the onset of chill is not clear"]
    if stop is None:
        doubts.append("the probe does not show when motion stopped: the chill had levelled off or went on")
    return MotionSpan(start, stop, tuple(doubts))


def _first_fall(time: FloatArray, temp: FloatArray) -> float | None:
    """When the reading first lies clearly below what it was a few seconds before, and goes on falling."""
    noise_k = float(np.median(np.abs(np.diff(temp)))) / 0.6745 / math.sqrt(2.0)
    threshold_k = max(LEAST_FALL_K, CALM_SIGMAS * noise_k)
    for i in range(3, time.size - 2):
        since = time - time[i]
        earlier = (since >= -BASELINE_S[0]) & (since <= -BASELINE_S[1])
        base = temp[earlier] if np.any(earlier) else temp[: max(1, min(3, i - 1))]
        if np.all(np.median(base) - temp[i : i + 3] > threshold_k):
            return float(time[i])
    return None


@dataclass(frozen=True)
class _Break:
    """A change of slope: its instant, the half-width of its profile, its t-value, slope before and change [K/s]."""

    time_s: float
    half_width_s: float
    t: float
    slope: float
    change: float
    sum_sq: float
    dof: int


_Basis = Callable[[FloatArray, float], list[FloatArray]]


def _step_parts(s: FloatArray, lag_s: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Before and after the instant, what is left of the lag, and a unit change of slope as the probe shows it."""
    before, after = np.clip(s, None, 0.0), np.clip(s, 0.0, None)
    left = np.exp(-after / lag_s) if lag_s > 0 else np.where(s > 0, 0.0, 1.0)
    return before, after, left, after - lag_s * (1.0 - left)


def _onset(s: FloatArray, lag_s: float) -> list[FloatArray]:
    """Level, slope, change of slope; then the curvature of the chill that has begun."""
    _, after, _, ramp = _step_parts(s, lag_s)
    return [np.ones_like(s), s, ramp, after**2 - 2.0 * lag_s * ramp]


def _end(s: FloatArray, lag_s: float) -> list[FloatArray]:
    """Level, slope, change of slope; then the curvature of the chill that ends."""
    before, _, left, ramp = _step_parts(s, lag_s)
    lag = lag_s
    bend = np.where(s < 0, before**2 - 2 * lag * before + 2 * lag**2, 2 * lag**2 * left)
    twist = np.where(
        s < 0, before**3 - 3 * lag * before**2 + 6 * lag**2 * before - 6 * lag**3, -6 * lag**3 * left
    )
    return [np.ones_like(s), s, ramp, bend, twist]


class _Window:
    """A stretch of trace in which a change of slope is looked for."""

    def __init__(self, time: FloatArray, temp: FloatArray, low: float, high: float, lag_s: float) -> None:
        inside = (time >= low) & (time <= high)
        self.t, self.y, self.lag_s = time[inside], temp[inside], lag_s

    def best(self, first: float, last: float, step: float, basis: _Basis) -> _Break | None:
        """The instant whose change of slope leaves least unexplained; None where there is too little trace."""
        if self.t.size < 10:
            return None
        instants = np.arange(first, last + 1e-9, step)
        found = [self._fit(instant, basis) for instant in instants.tolist()]
        left = np.array([f.sum_sq for f in found])
        best = found[int(np.argmin(left))]
        within = instants[left <= best.sum_sq * (1.0 + 1.0 / best.dof) + 1e-15]
        return replace(best, half_width_s=max(float(within[-1] - within[0]) / 2.0, step / 2.0))

    def _fit(self, instant: float, basis: _Basis) -> _Break:
        design = np.column_stack(basis(self.t - instant, self.lag_s))
        weights, sum_sq = _least_squares(design, self.y)
        dof = self.t.size - design.shape[1] - 1
        variance = sum_sq / dof * np.linalg.pinv(design.T @ design)[2, 2]
        t = float(weights[2] / math.sqrt(variance + 1e-18))
        return _Break(instant, math.inf, t, float(weights[1]), float(weights[2]), sum_sq, dof)

    def smooth_sum_sq(self) -> float:
        """What a chill that goes on, level + slope + exponential, leaves unexplained at best."""
        s = self.t - self.t[0]
        designs = (np.column_stack([np.ones_like(s), s, np.exp(-s / chill_s)]) for chill_s in SMOOTH_CHILLS_S)
        return min(_least_squares(d, self.y)[1] for d in designs)


def _least_squares(design: FloatArray, y: FloatArray) -> tuple[FloatArray, float]:
    weights = np.asarray(np.linalg.lstsq(design, y, rcond=None)[0], dtype=float)
    residual = y - design @ weights
    return weights, float(residual @ residual)


def _stop(
    time: FloatArray, temp: FloatArray, start_s: float, lag_s: float, lag_std_s: float
) -> Moment | None:
    """The break of slope that beats a smooth chill by most."""
    chosen: tuple[float, _Break, _Window] | None = None
    for instant in np.arange(start_s + 2.0 + 2.0 * lag_s, time[-1] - 1.0 - lag_s, COARSE_S).tolist():
        low = max(instant - 3.0 - lag_s, start_s + 0.5 + lag_s)
        window = _Window(time, temp, low, instant + 2.0 + 2.0 * lag_s, lag_s)
        found = window.best(instant, instant, COARSE_S, _end)
        if found is None or found.change < LEAST_BREAK * abs(found.slope) or found.slope > 0:
            continue
        gain = (window.smooth_sum_sq() - found.sum_sq) / (found.sum_sq / found.dof)
        if gain > CLEAR_GAIN and (chosen is None or gain > chosen[0]):
            chosen = (gain, found, window)
    if chosen is None:
        return None
    _, coarse, window = chosen
    fine = window.best(coarse.time_s - 0.5, coarse.time_s + 0.5, FINE_S, _end)
    return _moment(fine, time, lag_std_s) if fine else None


def _moment(found: _Break, time: FloatArray, lag_std_s: float) -> Moment | None:
    if abs(found.t) < CLEAR_T:
        return None
    sampling_s = float(np.median(np.diff(time))) / math.sqrt(12.0)
    spread_s = math.sqrt(found.half_width_s**2 + sampling_s**2 + lag_std_s**2)
    return Moment(found.time_s, spread_s, Source.PROBE)


# --- from a cadence channel -------------------------------------------------------------------------------

LONGEST_PAUSE_S = 1.5
SHORTEST_BOUT_S = 1.0


def from_cadence(
    time_s: FloatArray, cadence_hz: FloatArray, *, window_s: float = 0.0, least_hz: float = 0.8
) -> MotionSpan:
    """Start and stop of the longest bout of motion; arrays of shape (samples,).

    `window_s` is the length of trace each cadence was found from, up to its time stamp: a bout shows when
    about half of it is filled, so both moments lie half a window earlier.
    """
    kept = np.isfinite(time_s) & np.isfinite(cadence_hz)
    time, moving = np.asarray(time_s[kept], dtype=float), cadence_hz[kept] >= least_hz
    bouts = _bouts(time, moving)
    if not bouts:
        return MotionSpan(None, None, ("no motion in the cadence channel",))
    first, last = max(bouts, key=lambda b: time[b[1]] - time[b[0]])
    doubts = []
    if len(bouts) > 1:
        doubts.append(f"{len(bouts)} bouts of motion; the longest is taken")
    start = _edge(time, first - 1, first, window_s) if first else None
    stop = _edge(time, last, last + 1, window_s) if last + 1 < time.size else None
    if start is None:
        doubts.append("the cadence channel begins in motion")
    if stop is None:
        doubts.append("the cadence channel ends in motion")
    return MotionSpan(start, stop, tuple(doubts))


def _bouts(time: FloatArray, moving: BoolArray) -> list[tuple[int, int]]:
    """First and last index of each bout, short pauses bridged and short bouts left out."""
    bouts: list[tuple[int, int]] = []
    for i in np.flatnonzero(moving).tolist():
        if bouts and time[i] - time[bouts[-1][1]] <= LONGEST_PAUSE_S:
            bouts[-1] = (bouts[-1][0], i)
        else:
            bouts.append((i, i))
    return [b for b in bouts if time[b[1]] - time[b[0]] >= SHORTEST_BOUT_S]


def _edge(time: FloatArray, before: int, after: int, window_s: float) -> Moment:
    middle_s = (time[before] + time[after]) / 2.0 - window_s / 2.0
    spread_s = math.hypot(time[after] - time[before], window_s) / math.sqrt(12.0)
    return Moment(float(middle_s), spread_s, Source.CADENCE)


@dataclass(frozen=True, eq=False)
class Cadence:
    """Cadence [Hz] at the ends of half-overlapping windows, 0 at rest; shape (windows,)."""

    time_s: FloatArray
    cadence_hz: FloatArray
    window_s: float


SLOWEST_HZ, FASTEST_HZ = 0.8, 12.0
PADDING = 8
HALF_SHARE = 0.3


def cadence(
    time_s: FloatArray, acceleration: FloatArray, *, window_s: float = 2.0, rest_rms: float = 0.5
) -> Cadence:
    """Dominant frequency of an accelerometer's stream, shape (samples,) or (samples, 3), window by window.

    Three axes are turned onto the one that moves most; a magnitude would show twice the cadence. Where half
    the strongest frequency is itself strong, that is the cadence: ice strikes both ends. `rest_rms`, in the
    unit of the acceleration, is what counts as rest. Raises NotEnoughData where the sampling is too slow.
    """
    time = np.asarray(time_s, dtype=float)
    axes = np.asarray(acceleration, dtype=float).reshape(time.size, -1)
    kept = np.isfinite(time) & np.all(np.isfinite(axes), axis=1)
    time, axes = time[kept], axes[kept]
    if time.size < 8 or time[-1] - time[0] < window_s:
        raise NotEnoughData(
            f"cadence needs at least {window_s:g} s of acceleration, found {time.size} readings"
        )
    step_s = float(np.median(np.diff(time)))
    if step_s <= 0 or 0.5 / step_s < 2.0 * SLOWEST_HZ:
        raise NotEnoughData(f"acceleration every {step_s:.3g} s is too slow for a cadence: send 25 a second")
    ends = np.arange(time[0] + window_s, time[-1] + 1e-9, window_s / 2.0)
    even = np.arange(0.0, window_s, step_s)
    found = []
    for end in ends:
        at = end - window_s + even
        part = np.column_stack([np.interp(at, time, axis) for axis in axes.T])
        found.append(_dominant_hz(part - part.mean(axis=0), step_s, rest_rms))
    return Cadence(ends, np.array(found), window_s)


def _dominant_hz(part: FloatArray, step_s: float, rest_rms: float) -> float:
    _, _, directions = np.linalg.svd(part, full_matrices=False)
    signal = part @ directions[0]
    if math.sqrt(float(np.mean(signal**2))) < rest_rms:
        return 0.0
    power = np.abs(np.fft.rfft(signal * np.hanning(signal.size), PADDING * signal.size)) ** 2
    hz = np.fft.rfftfreq(PADDING * signal.size, step_s)
    allowed = np.flatnonzero((hz >= SLOWEST_HZ) & (hz <= FASTEST_HZ))
    peak = int(allowed[np.argmax(power[allowed])])
    half = peak // 2
    near = allowed[np.abs(allowed - half) <= PADDING // 2]
    if near.size and power[near].max() >= HALF_SHARE * power[peak]:
        peak = int(near[np.argmax(power[near])])
    return float(hz[peak] + _offset(power, peak) * (hz[1] - hz[0]))


def _offset(power: FloatArray, peak: int) -> float:
    """Where between its neighbours the top lies, by a parabola through the three logarithms."""
    if not 0 < peak < power.size - 1:
        return 0.0
    low, top, high = np.log(power[peak - 1 : peak + 2] + 1e-300)
    bend = low - 2.0 * top + high
    return float(0.5 * (low - high) / bend) if bend < 0 else 0.0
