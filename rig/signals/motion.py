"""When motion started and stopped, from whatever channels a run has: cadence first, then the probe, then a scale."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial

import numpy as np

from rig.arrays import FloatArray
from rig.signals.cadence import motion_by_cadence
from rig.signals.chill import start_of_chill
from rig.signals.chill_end import end_of_chill
from rig.signals.moments import MotionSpan
from rig.signals.scale import motion_by_scale

Readings = tuple[FloatArray, FloatArray]
"""Times [s] and values of one channel, both of shape (samples,), NaN where not read."""
APART_S = 1.0
MOST_UNEVEN = 100.0
"""Readings that span so many times as long as they would at their usual pace are not of one drink."""


def start_of_motion(
    *,
    cadence: Readings | None = None,
    probe: Readings | None = None,
    scale: Readings | None = None,
    lag_s: float | None = None,
) -> MotionSpan:
    """The start that the most direct channel shows; a doubt where another contradicts it.

    Where no channel shows a start, the doubts say why and the candidates are when it may have been. The stop is
    there where a cadence or a scale shows it. `lag_s` is the probe's lag where it is known.
    """
    channels = [c for c in (cadence, probe, scale) if c is not None]
    if breaks := next((words for time_s, _ in channels if (words := _breaks_off(time_s))), ""):
        return MotionSpan(None, None, (breaks,))
    spans = [
        shows(*channel)
        for shows, channel in (
            (motion_by_cadence, cadence),
            (partial(start_of_chill, lag_s=lag_s), probe),
            (motion_by_scale, scale),
        )
        if channel is not None
    ]
    if not spans:
        return MotionSpan(None, None, ("no probe, cadence or scale was read",))
    stop = next((s.stop for s in spans if s.stop), None)
    span = next((s for s in spans if s.start), None)
    if span is None or span.start is None:
        reasons = tuple(d for s in spans for d in s.doubts)
        return MotionSpan(None, stop, reasons, tuple(m for s in spans for m in s.candidates))
    doubts = list(span.doubts)
    for other in (s.start for s in spans if s is not span and s.start):
        apart_s = other.time_s - span.start.time_s
        if abs(apart_s) > max(APART_S, 3.0 * math.hypot(other.uncertainty_s, span.start.uncertainty_s)):
            doubts.append(
                f"the {other.source} shows the start {apart_s:+.1f} s from that by {span.start.source}"
            )
    return MotionSpan(span.start, span.stop, tuple(doubts))


def _breaks_off(time_s: FloatArray) -> str:
    """What to say of readings that break off for far longer than they last, as two days in one file do; else ""."""
    time = time_s[np.isfinite(time_s)]
    if time.size < 2:
        return ""
    steps = np.diff(time)
    if time[-1] - time[0] <= MOST_UNEVEN * time.size * float(np.median(steps)):
        return ""
    gap = int(np.argmax(steps))
    return f"the readings break off for {steps[gap] / 60.0:.0f} min at {time[gap]:.1f} s"


def motion_of(
    *,
    cadence: Readings | None = None,
    probe: Readings | None = None,
    scale: Readings | None = None,
    lag_s: float | None = None,
) -> MotionSpan:
    """The start as `start_of_motion` finds it, and the stop; that of a chill where nothing else shows one."""
    span = start_of_motion(cadence=cadence, probe=probe, scale=scale, lag_s=lag_s)
    if span.start is None or span.stop is not None or probe is None:
        return span
    return replace(span, stop=end_of_chill(*probe, span.start.time_s, lag_s or 0.0))
