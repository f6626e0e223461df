"""Cadence: from an accelerometer's stream to strokes a second, and from those to when motion began and stopped."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from rig.arrays import BoolArray, FloatArray
from rig.errors import NotEnoughData
from rig.signals.moments import Moment, MotionSpan, Source

LONGEST_PAUSE_S = 1.5
SHORTEST_BOUT_S = 1.0


def motion_by_cadence(time_s: FloatArray, cadence_hz: FloatArray, *, least_hz: float = 0.8) -> MotionSpan:
    """Start and stop of the longest bout of motion; arrays of shape (samples,), NaN where not read.

    A channel that begins in motion is taken to start it with its first reading.
    """
    read = np.isfinite(time_s) & np.isfinite(cadence_hz)
    time, moving = np.asarray(time_s[read], dtype=float), cadence_hz[read] >= least_hz
    bouts = _bouts(time, moving)
    if not bouts:
        return MotionSpan(None, None, ("the cadence channel shows no motion",))
    first, last = max(bouts, key=lambda b: time[b[1]] - time[b[0]])
    doubts = []
    if len(bouts) > 1:
        doubts.append(f"{len(bouts)} bouts of motion; the longest is taken")
    start = _edge(time, max(first - 1, 0), first)
    stop = _edge(time, last, last + 1) if last + 1 < time.size else None
    if first == 0:
        doubts.append("the cadence channel begins in motion, which is taken to start with it")
    return MotionSpan(replace(start, grounds="first stroke of the cadence"), stop, tuple(doubts))


def _bouts(time: FloatArray, moving: BoolArray) -> list[tuple[int, int]]:
    """First and last index of each bout, short pauses bridged and short bouts left out."""
    bouts: list[tuple[int, int]] = []
    for i in np.flatnonzero(moving).tolist():
        if bouts and time[i] - time[bouts[-1][1]] <= LONGEST_PAUSE_S:
            bouts[-1] = (bouts[-1][0], i)
        else:
            bouts.append((i, i))
    return [b for b in bouts if time[b[1]] - time[b[0]] >= SHORTEST_BOUT_S]


def _edge(time: FloatArray, before: int, after: int) -> Moment:
    apart_s = max(float(time[after] - time[before]), float(np.median(np.diff(time))))
    return Moment(float(time[before] + time[after]) / 2.0, apart_s / math.sqrt(12.0), Source.CADENCE)


@dataclass(frozen=True, eq=False)
class Cadence:
    """Cadence [Hz] at the middles of half-overlapping windows, 0 at rest; shape (windows,)."""

    time_s: FloatArray
    cadence_hz: FloatArray


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
        found.append(_dominant_hz(part, step_s, rest_rms))
    return Cadence(ends - window_s / 2.0, np.array(found))


def main_axis(acceleration: FloatArray) -> FloatArray:
    """Acceleration (samples, axes) about its mean, along the direction that moves most, (samples,)."""
    part = acceleration - acceleration.mean(axis=0)
    _, _, directions = np.linalg.svd(part, full_matrices=False)
    return np.asarray(part @ directions[0])


def _dominant_hz(part: FloatArray, step_s: float, rest_rms: float) -> float:
    signal = main_axis(part)
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
