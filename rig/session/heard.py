"""A shake that was heard: in words, as plain values, and as what a run keeps of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from rig.runs import Run, Trace
from rig.signals.sound import HeardShake

_Z90 = 1.645
"""Half a 90 % interval in standard deviations."""
NEAR_S = 3.0
"""A shake that begins further from the start that was pressed is another one's."""
HEARD = "heard"
"""Under this name a run's `extra` says what was heard of it, in words."""


def lasted_words(heard: HeardShake) -> str:
    """How long, and from when to when."""
    return (
        f"Shaken for {heard.duration_s:.1f} s (±{_Z90 * heard.duration_std_s:.1f}), "
        f"from {heard.start.time_s:.1f} to {heard.stop.time_s:.1f} s"
    )


def cadence_words(heard: HeardShake) -> str:
    """How fast, and how evenly."""
    uneven = 100.0 * heard.stroke_cv
    even = "even" if uneven < 8.0 else "uneven"
    return (
        f"{heard.cadence_hz:.1f} strokes a second (±{_Z90 * heard.cadence_std_hz:.1f}), "
        f"{even}: from knock to knock the time varies by {uneven:.0f} %."
    )


def plain(heard: HeardShake) -> dict[str, Any]:
    """Stable keys, units in the names."""
    start, stop = heard.start, heard.stop
    return {
        "start_s": round(start.time_s, 3),
        "stop_s": round(stop.time_s, 3),
        "edge_std_s": round(start.uncertainty_s, 3),
        "duration_s": round(heard.duration_s, 3),
        "cadence_hz": round(heard.cadence_hz, 3),
        "cadence_std_hz": round(heard.cadence_std_hz, 3),
        "stroke_cv": round(heard.stroke_cv, 4),
    }


def with_heard(run: Run, heard: HeardShake, off_s: float) -> Run:
    """The run with the start, stop and cadence that were heard.

    Its trace starts anew at the first knock; a cadence that a sensor read is not written over.

    Parameters
    ----------
    off_s
        How long after the start that was pressed the first knock came [s].
    """
    duration_s = round(heard.duration_s, 2)
    words = f"start {off_s:+.1f} s from the press, {lasted_words(heard)}; {cadence_words(heard)}"
    return replace(
        run,
        duration_s=duration_s,
        trace=_traced(run.trace, heard, duration_s, off_s),
        extra={**run.extra, HEARD: words},
    )


def _traced(trace: Trace | None, heard: HeardShake, duration_s: float, off_s: float) -> Trace:
    if trace is None or trace.time_s.size == 0:
        return Trace(np.array([0.0, duration_s]), cadence_hz=np.full(2, heard.cadence_hz))
    time_s = trace.time_s - off_s
    if trace.cadence_hz is not None:
        return replace(trace, time_s=time_s)
    moved = (time_s >= 0.0) & (time_s <= duration_s)
    return replace(trace, time_s=time_s, cadence_hz=np.where(moved, heard.cadence_hz, 0.0))
