"""A shake that was heard or felt: in words, and as plain values."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rig.capture.to_run.heard_shake import rhythm_words
from rig.runs import HEARD_HZ
from rig.signals.moments import Z90
from rig.signals.sound import HeardShake

if TYPE_CHECKING:
    from rig.logbook.store import Logbook


def lasted_words(heard: HeardShake) -> str:
    """How long, and from when to when."""
    return (
        f"Shaken for {heard.duration_s:.1f} s (±{Z90 * heard.duration_std_s:.1f}), "
        f"from {heard.start.time_s:.1f} to {heard.stop.time_s:.1f} s"
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


def cadence_words(heard: HeardShake) -> str:
    """How fast, and how evenly."""
    return rhythm_words(heard.cadence_hz, heard.cadence_std_hz, heard.stroke_cv)


def note_on(logbook: Logbook, bench: str, run: str, heard: HeardShake, why: str) -> None:
    """Note what was heard on its run: how long it lasted, and its cadence, which the fit learns from.

    Raises
    ------
    RigError
        There is no such run, or the logbook does not take it.
    """
    extra = {**logbook.run(bench, run).extra, HEARD_HZ: f"{heard.cadence_hz:.2f}"}
    logbook.edit_run(bench, run, {"duration_s": round(heard.duration_s, 1), "extra": extra}, why)
