"""A run that was only found in files, as a small picture: its curves, and where it was found to start and stop."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray
from rig.report.look import LIGHT
from rig.runs import Trace
from rig.signals.scale import Plateau

WIDTH, HEIGHT, _EDGE = 320.0, 120.0, 8.0
EDGE_SHARE = _EDGE / WIDTH
"""Of the picture's width, what is left free on each side."""
_LEAST_AROUND_S = 10.0
_MOST_POINTS = 240


@dataclass(frozen=True)
class SmallRun:
    """The picture (`svg`), from `first_s` to `last_s` after the start of motion.

    `own_start_s` is that start in the time in which one says it, `stop_s` the stop after it; None where not known.
    """

    svg: str
    first_s: float
    last_s: float
    own_start_s: float
    stop_s: float | None

    @property
    def address(self) -> str:
        """The picture as an address that holds all of it (RFC 2397)."""
        return f"data:image/svg+xml;base64,{base64.b64encode(self.svg.encode()).decode()}"


def small_run(
    trace: Trace, stop_s: float | None, rests: Sequence[Plateau] = (), *, own_start_s: float = 0.0
) -> SmallRun:
    """Probe and scale against seconds, each over its own range; lines stand at the start and, where known, the stop.

    A dot stands in the middle of each rest of the scale, which is a weigh-in.
    """
    time_s = trace.time_s
    first, last = float(time_s[0]), float(max(time_s[-1], time_s[0] + 1e-9))

    def x(at_s: float) -> float:
        return _EDGE + (WIDTH - 2 * _EDGE) * (at_s - first) / (last - first)

    parts = [f'<rect width="{WIDTH:g}" height="{HEIGHT:g}" fill="{LIGHT.paper}"/>']
    marks = [(0.0, LIGHT.ink)] + ([] if stop_s is None else [(stop_s, LIGHT.series[1])])
    parts += [
        f'<line x1="{x(at):.1f}" x2="{x(at):.1f}" y1="0" y2="{HEIGHT:g}" stroke="{colour}" stroke-width="1.5"/>'
        for at, colour in marks
        if first <= at <= last
    ]
    for values, colour, dash in ((trace.scale_g, LIGHT.series[3], "5 3"), (trace.probe_c, LIGHT.accent, "")):
        if values is not None:
            parts.append(_line(time_s, values, x, colour, dash))
            if values is trace.scale_g:
                parts += [_dot(rest, values, x) for rest in rests if first <= rest.start_s <= last]
    inside = "".join(parts)
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}">{inside}</svg>'
    return SmallRun(svg, first, last, own_start_s, stop_s)


def around_motion(trace: Trace, stop_s: float | None) -> Trace:
    """The stretch of a trace around its motion; all of it where the stop is not known."""
    if stop_s is None:
        return trace
    around_s = max(_LEAST_AROUND_S, 0.5 * stop_s)
    cut = slice(*np.searchsorted(trace.time_s, (-around_s, stop_s + around_s)))
    if trace.time_s[cut].size < 2:
        return trace
    others = (None if v is None else v[cut] for v in (trace.scale_g, trace.room_c, trace.cadence_hz))
    return Trace(trace.time_s[cut], {name: v[cut] for name, v in trace.probes_c.items()}, *others)


def _y(value: float, values: FloatArray) -> float:
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    share = 0.5 if high == low else (value - low) / (high - low)
    return HEIGHT - _EDGE - (HEIGHT - 2 * _EDGE) * share


def _line(time_s: FloatArray, values: FloatArray, x: object, colour: str, dash: str) -> str:
    assert callable(x)
    read = np.flatnonzero(np.isfinite(values))
    kept = read[:: max(len(read) // _MOST_POINTS, 1)]
    points = " ".join(f"{x(float(time_s[k])):.1f},{_y(float(values[k]), values):.1f}" for k in kept)
    style = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="2"{style}/>'


def _dot(rest: Plateau, values: FloatArray, x: object) -> str:
    assert callable(x)
    at = 0.5 * (rest.start_s + rest.stop_s)
    return f'<circle cx="{x(at):.1f}" cy="{_y(rest.mass_g, values):.1f}" r="4" fill="{LIGHT.series[3]}"/>'
