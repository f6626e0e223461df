"""A shake that was heard or felt: in words, and as plain values."""

from __future__ import annotations

from typing import Any

from rig.capture.to_run.heard_shake import rhythm_words
from rig.signals.sound import HeardShake

_Z90 = 1.645
"""Half a 90 % interval in standard deviations."""


def lasted_words(heard: HeardShake) -> str:
    """How long, and from when to when."""
    return (
        f"Shaken for {heard.duration_s:.1f} s (±{_Z90 * heard.duration_std_s:.1f}), "
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
