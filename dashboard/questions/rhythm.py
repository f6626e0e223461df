"""The cadence that is usual where a drink is made: of its session, where that has any measured, else of the bench."""

from __future__ import annotations

from collections.abc import Mapping

from dashboard.page import Here
from dashboard.params import one
from dashboard.service import Working
from rig.fitting.cadence import usual_cadence_hz


def usual_hz(here: Here) -> Mapping[str, float]:
    """Shakes a second by technique, from runs that have it measured; nothing before the bench is read."""
    seen = here.seen()
    if isinstance(seen, Working):
        return {}
    return usual_cadence_hz(seen.book.used_runs(), one(here.params, "session"))
