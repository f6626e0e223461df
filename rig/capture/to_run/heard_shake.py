"""What a run keeps of a shake that was heard or felt while it was recorded: who told its moments, and its cadence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rig.capture.recording.journal import EventKind, Journal
from rig.runs import HEARD, HEARD_HZ, Run, Trace
from rig.signals.moments import Z90, Source

_WORDS = {Source.SOUND: "heard", Source.STRAPPED: "felt by a motion sensor"}


def rhythm_words(cadence_hz: float, std_hz: float, stroke_cv: float) -> str:
    """How fast, and how evenly."""
    uneven = 100.0 * stroke_cv
    even = "even" if uneven < 8.0 else "uneven"
    return (
        f"{cadence_hz:.1f} strokes a second (±{Z90 * std_hz:.1f}), "
        f"{even}: from knock to knock the time varies by {uneven:.0f} %."
    )


def with_heard(run: Run, journal: Journal) -> Run:
    """The run with the cadence that was heard or felt of it, and by what its moments were told, in words.

    A cadence that a sensor read on its own is not written over.
    """
    told = {e.kind: e for e in journal.events(EventKind.START, EventKind.STOP)}
    by = {kind: Source(e.detail.get("by", Source.OPERATOR)) for kind, e in told.items()}
    words = [f"{kind.value} {_WORDS[s]}" for kind, s in by.items() if s in _WORDS]
    if not words:
        return run
    stop = told.get(EventKind.STOP)
    detail = {} if stop is None else stop.detail
    if "cadence_hz" in detail:
        hz = float(detail["cadence_hz"])
        words.append(rhythm_words(hz, float(detail["cadence_std_hz"]), float(detail["stroke_cv"])))
        run = replace(run, trace=_traced(run, hz), extra={**run.extra, HEARD_HZ: f"{hz:.3f}"})
    return replace(run, extra={**run.extra, HEARD: "; ".join(words)})


def _traced(run: Run, cadence_hz: float) -> Trace | None:
    duration_s, trace = run.duration_s, run.trace
    if duration_s is None:
        return trace
    if trace is None or trace.time_s.size == 0:
        return Trace(np.array([0.0, duration_s]), cadence_hz=np.full(2, cadence_hz))
    if trace.cadence_hz is not None:
        return trace
    moved = (trace.time_s >= 0.0) & (trace.time_s <= duration_s)
    return replace(trace, cadence_hz=np.where(moved, cadence_hz, 0.0))
