"""Traces on the screen: thinned to what a screen can show, and thinned anew when one looks closer."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import cycle
from typing import Any

import numpy as np
import plotly.graph_objects as go

from rig.arrays import FloatArray
from rig.report.courses import RunCourse
from rig.report.figures import TIME_TITLE, add_fitted
from rig.report.look import Look, faded, sheet
from rig.report.thinning import thinned
from rig.runs import Run, Trace

Between = tuple[float, float] | None
_SYMBOLS = ("circle-open", "square-open", "diamond-open", "triangle-up-open")
_FEW = 400
"""Up to so many samples in sight are drawn as points; more as a line."""


def between_of(relayout: Any) -> Between:
    """The stretch of time that a figure was zoomed to; None for all of it or where nothing was said of it."""
    if not isinstance(relayout, dict):
        return None
    ends = [relayout.get(f"xaxis.range[{k}]") for k in (0, 1)]
    if not all(isinstance(e, int | float) and not isinstance(e, bool) and np.isfinite(e) for e in ends):
        return None
    low, high = (float(e) for e in ends if e is not None)
    return (low, high) if low < high else None


def asks_anew(relayout: Any) -> bool:
    """Whether a figure was zoomed, or set back to all of it."""
    return isinstance(relayout, dict) and bool({"xaxis.range[0]", "xaxis.autorange"} & relayout.keys())


def seen(time_s: FloatArray, values: FloatArray, between: Between = None) -> dict[str, Any]:
    """What of a channel to draw, and as points or as a line."""
    at = thinned(time_s, values, between_s=between)
    few = at.size <= _FEW
    return {"x": time_s[at], "y": values[at], "mode": "markers" if few else "lines"}


def trace_figure(run: Run, course: RunCourse | None, look: Look, between: Between = None) -> go.Figure:
    """A run's probes as read; beside the drink as fitted and what the probe should show, where it was fitted."""
    figure = sheet(look, TIME_TITLE, "temperature [°C]")
    symbols = cycle(_SYMBOLS)
    for name, values in probes_of(run):
        label = f"probe {name}".strip()
        figure.add_scatter(
            **seen(_time(run.trace), values, between),
            marker={"color": look.quiet, "symbol": next(symbols), "size": 6},
            line={"color": look.quiet, "width": 1.5},
            name=f"{label}, as read",
            hovertemplate="%{x:.1f} s: %{y:.1f} °C<extra>" + label + "</extra>",
        )
    if course is not None:
        add_fitted(figure, course, look)
    _mark_events(figure, run, look)
    return figure


def residual_figure(run: Run, course: RunCourse, look: Look, between: Between = None) -> go.Figure:
    """The probe as read less what it should show, while the drink moved."""
    figure = sheet(look, TIME_TITLE, "read − fitted [K]", 260)
    trace = course.run.trace
    if trace is None or trace.probe_c is None:
        return figure
    moved = (trace.time_s >= 0.0) & (trace.time_s <= course.time_s[-1])
    time_s = trace.time_s[moved]
    apart = trace.probe_c[moved] - np.interp(time_s, course.time_s, course.shown_c)
    figure.add_hline(y=0.0, line={"color": look.quiet, "width": 1})
    figure.add_scatter(
        **seen(time_s, apart, between),
        marker={"color": look.accent, "size": 6},
        line={"color": look.accent, "width": 1.5},
        name="residual",
        showlegend=False,
        hovertemplate="%{x:.1f} s: %{y:.2f} K<extra></extra>",
    )
    figure.update_layout(showlegend=False)
    return figure


def overlay_figure(runs: Sequence[Run], look: Look, between: Between = None) -> go.Figure:
    """The main probes of several runs over each other, from the start of motion; a run without one is left out."""
    figure = sheet(look, TIME_TITLE, "probe [°C]")
    dashes = cycle(("solid", "dash", "dot", "dashdot"))
    for k, run in enumerate(runs):
        dash, probes = next(dashes), probes_of(run)
        if not probes:
            continue
        drawn = seen(_time(run.trace), probes[0][1], between)
        figure.add_scatter(
            **drawn | {"mode": "lines"},
            line={"color": look.series[k % len(look.series)], "dash": dash, "width": 2.5},
            name=run.run,
            hovertemplate="%{x:.1f} s: %{y:.1f} °C<extra>%{fullData.name}</extra>",
        )
    figure.update_layout(showlegend=True)
    return figure


def probes_of(run: Run) -> list[tuple[str, FloatArray]]:
    """The probes of a run by name, the main one first."""
    if run.trace is None:
        return []
    main = run.trace.probe_c
    return sorted(run.trace.probes_c.items(), key=lambda item: item[1] is not main)


def events_of(run: Run) -> tuple[tuple[float, str], ...]:
    """What happened when: start, stop, and every mark that was set while recording, in order of time."""
    out = [(0.0, "start")]
    if run.duration_s is not None:
        out.append((run.duration_s, "stop"))
    for key, text in run.extra.items():
        if key.startswith("mark at ") and key.endswith(" s"):
            try:
                out.append((float(key[len("mark at ") : -len(" s")]), text or "mark"))
            except ValueError:
                continue  # a note of that name is no mark
    return tuple(sorted(out))


def _mark_events(figure: go.Figure, run: Run, look: Look) -> None:
    for time_s, what in events_of(run):
        figure.add_vline(x=time_s, line={"color": faded(look.quiet, 0.8), "width": 1, "dash": "dot"})
        figure.add_annotation(
            x=time_s,
            y=1.0,
            yref="paper",
            yanchor="top",
            xanchor="left",
            showarrow=False,
            text=what[:40],
            font={"size": look.size_px - 3, "color": look.quiet},
        )


def _time(trace: Trace | None) -> FloatArray:
    assert trace is not None
    return trace.time_s
