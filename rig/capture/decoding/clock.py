"""When a sample was taken, from the board's tick and the moment its line arrived.

Arrival = a + b · tick + delay, and a delay is never negative. Of all lines below the points the one nearest to
them (least summed distance) is an edge of their lower convex hull: the one above the mean tick. It needs no
model of the delays, which are polled, buffered and stalled at will.

Few or slow lines say little of the drift, and an edge between two late ones may be steeper than any board's error.
The drift taken as known, which is none where nothing is remembered, is kept until the lines speak against it: the
same line is the likeliest one where delays are exponential, so that (lines − 2) · ln(mean delay below the known
drift's line ÷ mean delay below the likeliest one) is the evidence for its drift, in natural units of likelihood.

Source: S. B. Moon, P. Skelly, D. Towsley, "Estimation and removal of clock skew from network delay
measurements", IEEE INFOCOM 1999 (the linear programme; its solution along the hull follows from it).
A constant delay cannot be told from an offset; only the known time a line takes on the wire is taken off.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from rig.arrays import BoolArray, FloatArray, IntArray
from rig.capture.decoding.readings import COUNT_LIMIT

WIDEST_DRIFT_PPM = 6000.0
"""Ceramic resonators are off by up to 0.5 %; a crystal's 100 ppm must not be assumed."""
KNOWN_DRIFT_SPREAD_PPM = 10.0
"""How far a board's drift strays from the one remembered from its last long run."""
FEWEST_FIT_POINTS = 20
DRIFT_EVIDENCE = 8.0
"""Evidence for another drift than the known one, from which on it is believed: odds of some 3,000 to 1, for lines
that a timer polls are not as independent as the ratio takes them. Chosen on simulated boards of 0 to 3,000 ppm
and 3 to 300 s."""
JUMP_S = 10.0
"""Tick and arrival that part by more than this within one step belong to two clocks."""
WINDOW_S = 300.0
"""Recordings of more than two windows are fitted window by window, so that a drift may wander."""
FEWEST_COUNTS = 20
STEADY_BLOCKS = 8
_LEAST_S = 1e-6
"""Delays below a microsecond say nothing."""
WIDEST_PERIOD_PPM = 20_000.0
"""How far off the period may be that is read from the first and last arrivals."""


class Method(StrEnum):
    """How a segment's instants were found."""

    LINE = "line below the arrivals"
    OFFSET = "earliest arrival, drift taken as known"
    ARRIVAL = "arrival stamps as they are"


@dataclass(frozen=True)
class Segment:
    """Lines `start` to `stop` (exclusive) that share one run of the board's clock.

    `origin_s` is the host instant of the segment's first tick; `drift_ppm` how much faster the host's clock
    runs than the board's; `jitter_s` the median delay that was taken away.
    """

    start: int
    stop: int
    method: Method
    origin_s: float
    drift_ppm: float
    jitter_s: float


@dataclass(frozen=True, eq=False)
class ClockFit:
    """Host instants [s] of the samples, shape (lines,), and the segments they come from.

    `odd` marks lines whose own tick contradicts both neighbours; they carry their arrival.
    """

    time_s: FloatArray
    segments: tuple[Segment, ...]
    odd: BoolArray


def wire_s_per_byte(baud: float | None) -> float:
    """Seconds a byte takes at `baud` with 8N1's ten bits; 0 where there is no UART in between."""
    return 0.0 if baud is None else 10.0 / baud


def align(
    tick_ms: npt.ArrayLike,
    arrival_s: npt.ArrayLike,
    *,
    line_bytes: npt.ArrayLike = 0,
    baud: float | None = None,
    known_drift_ppm: float | None = None,
) -> ClockFit:
    """Host instants of samples whose lines carry the board's milliseconds.

    `tick_ms` and `arrival_s` have shape (lines,), in order of arrival; ticks are unsigned 32-bit and may wrap.
    A smaller step back, or a jump, is a reboot and starts a segment with its own fit. `line_bytes` (scalar or
    per line, line end included) and `baud` give the time on the wire. `known_drift_ppm` is a drift remembered
    from a long run of the same board. Raises ValueError where the shapes differ.
    """
    sent_s = _sent(arrival_s, line_bytes, baud)
    tick = np.asarray(tick_ms, dtype=np.int64)
    if tick.shape != sent_s.shape:
        raise ValueError(f"{tick.size} ticks but {sent_s.size} arrivals")
    known, spread_ppm = _known(known_drift_ppm)
    odd = _odd(tick)
    time_s, segments = sent_s.copy(), []
    for rows in _runs_of_one_clock(tick, sent_s, np.flatnonzero(~odd)):
        x_s = _unwrapped(tick[rows]) / 1000.0
        line = _hull_of(x_s, sent_s[rows]).line(known, spread_ppm)
        time_s[rows] = _wandering(x_s, sent_s[rows], line, spread_ppm)
        segments.append(_segment(rows, line, sent_s[rows] - time_s[rows], x_s[0]))
    return ClockFit(time_s, tuple(segments), odd)


def align_counter(
    arrival_s: npt.ArrayLike,
    count: npt.ArrayLike | None = None,
    *,
    line_bytes: npt.ArrayLike = 0,
    baud: float | None = None,
) -> ClockFit:
    """Host instants for devices without a tick that send at a steady rate.

    `count` is the device's own line count where it has one, else every line is taken as the next. Where the
    delays show that the rate wanders or uncounted lines are missing, the arrivals stay as they are and the
    segment's method says so.
    """
    sent_s = _sent(arrival_s, line_bytes, baud)
    number = np.arange(sent_s.size) if count is None else np.asarray(count, dtype=np.int64)
    if number.shape != sent_s.shape:
        raise ValueError(f"{number.size} counts but {sent_s.size} arrivals")
    odd = _odd(number)
    time_s, segments = sent_s.copy(), []
    kept = np.flatnonzero(~odd)
    for rows in _split(kept, _unwrapped_step(number[kept]) < 0):
        steps = _unwrapped(number[rows])
        found = _steady_line(steps, sent_s[rows])
        if found is None:
            segments.append(
                Segment(int(rows[0]), int(rows[-1]) + 1, Method.ARRIVAL, sent_s[rows[0]], 0.0, 0.0)
            )
            continue
        line, x_s = found
        time_s[rows] = line.at(x_s)
        segments.append(_segment(rows, line, sent_s[rows] - time_s[rows], x_s[0]))
    return ClockFit(time_s, tuple(segments), odd)


class LiveClock:
    """The same fit as `align`, with only what has arrived so far; for the live plot and the live call.

    The newest instant is good to a few ms within seconds; earlier answers are not revised, so a time axis
    may step back by the delay that a later line has exposed. Refit with `align` when the run has stopped.
    """

    def __init__(self, *, baud: float | None = None, known_drift_ppm: float | None = None) -> None:
        self._baud = baud
        self._known, self._spread_ppm = _known(known_drift_ppm)
        self._hull = _Hull()
        self._last: tuple[int, float] | None = None
        self._x_ms = 0
        self.segments = 0

    def add(self, tick_ms: int, arrival_s: float, line_bytes: int = 0) -> float:
        """The host instant [s] at which the sample of this line was taken."""
        sent_s = arrival_s - wire_s_per_byte(self._baud) * line_bytes
        step_ms = 0
        if self._last is not None:
            step_ms = int(_wrapped_step(np.int64(tick_ms - self._last[0])))
            fresh = _new_clock(np.float64(step_ms), np.float64(sent_s - self._last[1]))
        if self._last is None or fresh:
            self._hull, self._x_ms, step_ms = _Hull(), 0, 0
            self.segments += 1
        self._x_ms += step_ms
        self._last = (tick_ms, sent_s)
        self._hull.push(self._x_ms / 1000.0, sent_s)
        return float(self._hull.line(self._known, self._spread_ppm).at(self._x_ms / 1000.0))


@dataclass(frozen=True)
class _Line:
    """Host instant = y0 + (x − x0) + intercept + slope · (x − x0); near slope 1 that keeps the digits."""

    x0: float
    y0: float
    intercept: float
    slope: float
    method: Method

    def at(self, x_s: FloatArray | float) -> FloatArray | float:
        x = x_s - self.x0
        return self.y0 + (x + (self.intercept + self.slope * x))


class _Hull:
    """Lower convex hull of (x, y − x), grown point by point at rising x."""

    def __init__(self) -> None:
        self._x: list[float] = []
        self._y: list[float] = []
        self._sum_x = self._sum_y = 0.0
        self._points = 0
        self._origin = (0.0, 0.0)

    def push(self, x_s: float, y_s: float) -> None:
        if not self._points:
            self._origin = (x_s, y_s)
        x = x_s - self._origin[0]
        y = (y_s - self._origin[1]) - x
        self._points += 1
        self._sum_x += x
        self._sum_y += y
        xs, ys = self._x, self._y
        if xs and x == xs[-1]:
            if y >= ys[-1]:
                return
            del xs[-1], ys[-1]
        while len(xs) > 1 and (ys[-1] - ys[-2]) * (x - xs[-2]) >= (y - ys[-2]) * (xs[-1] - xs[-2]):
            del xs[-1], ys[-1]
        xs.append(x)
        ys.append(y)

    def line(self, known: float, spread_ppm: float) -> _Line:
        """The line below the points with their own slope where they are clear about it, else with the known one.

        Their own is held within `spread_ppm` of the known one.
        """
        if self._points < FEWEST_FIT_POINTS or len(self._x) < 2:
            return self._below(known, Method.OFFSET)
        slope = self._nearest()
        with_known, with_own = self._mean_delay(known), self._mean_delay(slope)
        if (self._points - 2) * math.log(
            max(with_known, _LEAST_S) / max(with_own, _LEAST_S)
        ) <= DRIFT_EVIDENCE:
            return self._below(known, Method.OFFSET)
        return self._below(_within(slope, known, spread_ppm), Method.LINE)

    def steady_line(self) -> _Line:
        """The line below the points, whatever its slope: where x is only nominally in seconds."""
        return self._below(_within(self._nearest(), 0.0, WIDEST_PERIOD_PPM), Method.LINE)

    def _nearest(self) -> float:
        """The slope of the line below the points that is nearest to them: of the edge above their mean."""
        k = min(max(bisect_left(self._x, self._sum_x / self._points) - 1, 0), len(self._x) - 2)
        return (self._y[k + 1] - self._y[k]) / (self._x[k + 1] - self._x[k])

    def _least(self, slope: float) -> float:
        return min(y - slope * x for x, y in zip(self._x, self._y, strict=True))

    def _mean_delay(self, slope: float) -> float:
        return (self._sum_y - slope * self._sum_x) / self._points - self._least(slope)

    def _below(self, slope: float, method: Method) -> _Line:
        return _Line(*self._origin, self._least(slope), slope, method)


def _within(slope: float, known: float, spread_ppm: float) -> float:
    return min(max(slope, known - spread_ppm * 1e-6), known + spread_ppm * 1e-6)


def _known(drift_ppm: float | None) -> tuple[float, float]:
    """The slope to begin with, and how far [ppm] the true one may lie from it: nothing remembered is no drift."""
    if drift_ppm is None:
        return 0.0, WIDEST_DRIFT_PPM
    return drift_ppm * 1e-6, KNOWN_DRIFT_SPREAD_PPM


def _sent(arrival_s: npt.ArrayLike, line_bytes: npt.ArrayLike, baud: float | None) -> FloatArray:
    arrival = np.asarray(arrival_s, dtype=float)
    return np.asarray(arrival - wire_s_per_byte(baud) * np.asarray(line_bytes), dtype=float)


def _wrapped_step(step: IntArray | np.int64) -> IntArray | np.int64:
    """A step back by more than half the range is a wrap; any smaller one is really a step back."""
    return step + COUNT_LIMIT * (step < -(COUNT_LIMIT // 2))


def _unwrapped_step(count: IntArray) -> IntArray:
    return np.asarray(_wrapped_step(np.diff(count)), dtype=np.int64)


def _unwrapped(count: IntArray) -> FloatArray:
    return np.concatenate(([0.0], np.cumsum(_unwrapped_step(count), dtype=float)))


def _odd(count: IntArray) -> BoolArray:
    """Counts without which their two neighbours would be in order: one damaged figure, not a reboot."""
    odd = np.zeros(count.size, dtype=bool)
    if count.size < 3:
        return odd
    step = _unwrapped_step(count)
    across = np.asarray(_wrapped_step(count[2:] - count[:-2]), dtype=np.int64)
    odd[1:-1] = ((step[:-1] < 0) | (step[1:] < 0)) & (across >= 0)
    return odd


def _new_clock(
    step_ms: FloatArray | np.float64, sent_step_s: FloatArray | np.float64
) -> BoolArray | np.bool_:
    return (step_ms < 0) | (np.abs(step_ms / 1000.0 - sent_step_s) > JUMP_S + 0.01 * step_ms / 1000.0)


def _runs_of_one_clock(tick: IntArray, sent_s: FloatArray, kept: IntArray) -> list[IntArray]:
    step_ms = _unwrapped_step(tick[kept]).astype(float)
    return _split(kept, np.asarray(_new_clock(step_ms, np.diff(sent_s[kept]))))


def _split(rows: IntArray, new: BoolArray) -> list[IntArray]:
    return [part for part in np.split(rows, np.flatnonzero(new) + 1) if part.size]


def _segment(rows: IntArray, line: _Line, delay_s: FloatArray, first_x_s: float) -> Segment:
    return Segment(
        start=int(rows[0]),
        stop=int(rows[-1]) + 1,
        method=line.method,
        origin_s=float(line.at(first_x_s)),
        drift_ppm=line.slope * 1e6,
        jitter_s=float(np.median(delay_s)),
    )


def _hull_of(x_s: FloatArray, y_s: FloatArray) -> _Hull:
    hull = _Hull()
    for x, y in zip(x_s.tolist(), y_s.tolist(), strict=True):
        hull.push(x, y)
    return hull


def _wandering(x_s: FloatArray, sent_s: FloatArray, whole: _Line, spread_ppm: float) -> FloatArray:
    """Instants on the whole line; in a long segment on lines of half-overlapping windows, blended linearly."""
    x = x_s - x_s[0]
    if x[-1] <= 2 * WINDOW_S:
        return np.asarray(whole.at(x_s))
    hops = int(np.ceil(2 * x[-1] / WINDOW_S))
    hop_s = x[-1] / hops
    blended = np.zeros_like(x)
    for centre in np.arange(hops + 1) * hop_s:
        low = min(max(centre - hop_s, 0.0), x[-1] - 2 * hop_s)
        inside = (x >= low) & (x <= low + 2 * hop_s)
        if np.count_nonzero(inside) < FEWEST_FIT_POINTS:
            return np.asarray(whole.at(x_s))
        line = _hull_of(x_s[inside], sent_s[inside]).line(whole.slope, spread_ppm)
        weight = np.clip(1.0 - np.abs(x - centre) / hop_s, 0.0, None)
        blended += np.where(weight > 0, weight * (line.at(x_s) - x_s), 0.0)
    return np.asarray(x_s + blended)


def _steady_line(steps: FloatArray, sent_s: FloatArray) -> tuple[_Line, FloatArray] | None:
    """The line below the arrivals of a steady sender, with its nominal times; None where it is not steady."""
    if steps.size < FEWEST_COUNTS or np.any(np.diff(steps) <= 0):
        return None
    tenth = max(2, steps.size // 10)
    period_s = float(
        (np.median(sent_s[-tenth:]) - np.median(sent_s[:tenth]))
        / (np.median(steps[-tenth:]) - np.median(steps[:tenth]))
    )
    if not period_s > 0:
        return None
    x_s = steps * period_s
    line = _hull_of(x_s, sent_s).steady_line()
    delay = sent_s - line.at(x_s)
    # A steady sender's lines get through at once every now and then, all along; its least delays stay low.
    least = [float(np.min(block)) for block in np.array_split(delay, STEADY_BLOCKS)]
    scatter = float(np.median(np.abs(np.diff(sent_s) - period_s * np.diff(steps))))
    return (line, x_s) if max(least) <= 0.002 + scatter else None
