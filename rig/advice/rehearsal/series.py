"""Whether several durations were meant: a planned series is nobody's bad timing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rig.advice.rehearsal.runs import Rehearsed
from rig.arrays import FloatArray

_WIDEST_BY_FEEL = 0.2
"""No hand that means one duration spreads wider: stopping by feel comes to a tenth (common practice, no source)."""
_APART = 4.0
"""Steps of a plan lie so many spreads within them apart."""
_LEAST_STEP_S = 1.5


def planned_s(duration_s: FloatArray) -> FloatArray | None:
    """(runs,) how long each run was meant to last [s]; None where one duration was meant for all.

    A plan shows in steps that were repeated, wide apart for how closely each was kept; or in durations spread wider
    than any hand that means one. There each run is taken to have lasted as it was meant to.
    """
    durations = np.asarray(duration_s, dtype=np.float64)
    if durations.size < 4:
        return None
    steps = _steps(durations)
    if steps is not None:
        return steps
    # by quartiles, so that a slip or two make no plan
    low, high = np.percentile(durations, [25.0, 75.0])
    wide = (high - low) / 1.349 > _WIDEST_BY_FEEL * float(np.median(durations))
    return durations if wide else None


def _steps(durations: FloatArray) -> FloatArray | None:
    order = np.sort(durations)
    gaps = np.diff(order)
    cuts = np.flatnonzero(gaps >= _LEAST_STEP_S)
    groups = np.split(order, cuts + 1)
    # two pairs come of chance where runs are few
    if len(groups) < 2 or min(g.size for g in groups) < (3 if len(groups) == 2 else 2):
        return None
    within = np.sqrt(sum(float(np.sum((g - g.mean()) ** 2)) for g in groups) / (order.size - len(groups)))
    if gaps[cuts].min() < _APART * within:
        return None
    meant = np.array([np.median(g) for g in groups])
    return np.asarray(meant[np.argmin(np.abs(durations[:, None] - meant), axis=1)])


def as_if_no_plan(r: Rehearsed) -> Rehearsed:
    """The runs as they would have ended, had all been meant to last the usual time."""
    if not r.is_planned:
        return r
    by_plan = r.usual.at(r.plan_s) - r.usual.at(np.array([r.usual_s]))
    return replace(r, results=r.results - by_plan, as_read=r.as_read - by_plan)
