"""How long a drink was moved, against its technique and what was recorded."""

from __future__ import annotations

import numpy as np

from rig.arrays import FloatArray
from rig.consistency.objection import DURATIONS_S, PROBE, Objection, View, beyond
from rig.runs import Trace

_LEAST_FALL_K = 12.0
_FAR_BEYOND = (4.0, 10.0)
"""A recording that ends so many times and seconds earlier than the motion is not of that motion."""
_FEWEST_OF_A_TRACE = 10


def durations(v: View) -> list[Objection]:
    """How long it was moved, against the technique and what was recorded."""
    duration, trace = v.run.duration_s, v.run.trace
    if duration is None:
        return []
    out = []
    span = DURATIONS_S[v.motion]
    far = beyond(span, duration)
    if far is not None:
        much = "short" if duration < span.usual_least else "long"
        what = f"{duration:.6g} s is very {much} for {v.run.technique!r}"
        out.append(Objection(("duration_s",), what, "Check the duration and its unit, s", far))
    if trace is not None and trace.time_s.size >= _FEWEST_OF_A_TRACE:
        last = float(trace.time_s[-1])
        if last > 1.0 and duration > 1.5 * last + 3.0:
            what = f"the duration is {duration:.6g} s, but the trace ends at {last:.4g} s"
            cure = "Check the duration, and whether the trace is this run's"
            far_off = duration > _FAR_BEYOND[0] * last + _FAR_BEYOND[1]
            out.append(Objection(("duration_s", PROBE), what, cure, far_off))
        shown = {
            "cadence": (_cadence_until_s(trace), "shows motion"),
            "probe": (_chill_until_s(v.probe()), "goes on falling"),
        }
        for name, (until_s, does) in shown.items():
            if until_s is not None and until_s > _AFTER[name][0] * duration + _AFTER[name][1]:
                what = f"the duration is {duration:.6g} s, but the {name} {does} until {until_s:.4g} s"
                out.append(Objection(("duration_s",), what, "Check the duration", False))
    return out


_MOVING_HZ, _CHILLED = 0.5, 0.9
_AFTER = {"cadence": (1.5, 2.0), "probe": (3.0, 10.0)}
"""Motion may be shown until so many times the duration and so many seconds more: a slow probe lags behind it."""


def _cadence_until_s(trace: Trace) -> float | None:
    """When the cadence channel last shows motion [s]."""
    if trace.cadence_hz is None:
        return None
    moved = trace.time_s[np.nan_to_num(trace.cadence_hz) > _MOVING_HZ]
    return float(moved[-1]) if moved.size else None


def _chill_until_s(probe: tuple[FloatArray, FloatArray] | None) -> float | None:
    """When a probe had shown nine tenths of its whole fall [s]; None where it fell by little."""
    if probe is None:
        return None
    time_s, temp_c = probe
    fall = temp_c[0] - temp_c.min()
    if fall < _LEAST_FALL_K:
        return None
    return float(time_s[np.argmax(temp_c <= temp_c[0] - _CHILLED * fall)])
