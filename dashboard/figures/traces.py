"""Traces on the screen: thinned to what a screen can show, and thinned anew when one looks closer."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import cycle
from typing import Any
from uuid import uuid4

import numpy as np
import plotly.graph_objects as go

from rig.arrays import FloatArray
from rig.report.courses import RunCourse
from rig.report.figures import TIME_TITLE, add_fitted
from rig.report.look import Look, faded, sheet
from rig.report.thinning import own_readings, thinned, thinned_close
from rig.runs import Run, Trace

Between = tuple[float, float] | None
Channel = tuple[FloatArray, FloatArray]
"""Times [s] and values of what is drawn as one trace, (samples,) each."""
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


def seen(channel: Channel, between: Between = None, *, line: bool = False) -> dict[str, Any]:
    """What of a channel to draw, as points where few are in sight; with `line` always as a line."""
    time_s, values = channel
    at = thinned(time_s, values) if between is None else thinned_close(time_s, values, between)
    drawn, sight = time_s[at], between or (-np.inf, np.inf)
    few = np.count_nonzero((drawn >= sight[0]) & (drawn <= sight[1])) <= _FEW
    return {"x": drawn, "y": values[at], "mode": "markers" if few and not line else "lines"}


def trace_figure(run: Run, course: RunCourse | None, look: Look) -> go.Figure:
    """A run's probes as read; beside the drink as fitted and what the probe should show, where it was fitted."""
    figure = _zoomed(look, "temperature [°C]")
    symbols = cycle(_SYMBOLS)
    for (name, _), channel in zip(probes_of(run), read_channels(run), strict=True):
        label = f"probe {name}".strip()
        figure.add_scatter(
            **seen(channel),
            marker={"color": look.quiet, "symbol": next(symbols), "size": 6},
            line={"color": look.quiet, "width": 1.5},
            name=f"{label}, as read",
            hovertemplate="%{x:.1f} s: %{y:.1f} °C<extra>" + label + "</extra>",
        )
    if course is not None:
        add_fitted(figure, course, look)
    _mark_events(figure, run, look)
    return figure


def residual_figure(course: RunCourse, look: Look) -> go.Figure:
    """The probe as read less what it should show, while the drink moved."""
    figure = _zoomed(look, "read − fitted [K]", 260)
    apart = residual_channel(course)
    if apart is None:
        return figure
    figure.add_hline(y=0.0, line={"color": look.quiet, "width": 1})
    figure.add_scatter(
        **seen(apart),
        marker={"color": look.accent, "size": 6},
        line={"color": look.accent, "width": 1.5},
        name="residual",
        showlegend=False,
        hovertemplate="%{x:.1f} s: %{y:.2f} K<extra></extra>",
    )
    figure.update_layout(showlegend=False)
    return figure


def overlay_figure(runs: Sequence[Run], look: Look) -> go.Figure:
    """The main probes of several runs over each other, from the start of motion; a run without one is left out."""
    figure = _zoomed(look, "probe [°C]")
    dashes = cycle(("solid", "dash", "dot", "dashdot"))
    for k, run in enumerate(runs):
        dash, channels = next(dashes), read_channels(run)
        if not channels:
            continue
        figure.add_scatter(
            **seen(channels[0], line=True),
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


def read_channels(run: Run) -> list[Channel]:
    """What `trace_figure` draws of a run's probes, in the same order."""
    return [own_readings(_time(run.trace), values) for _, values in probes_of(run)]


def overlay_channels(runs: Sequence[Run]) -> list[Channel]:
    """What `overlay_figure` draws of runs, in the same order."""
    return [channels[0] for run in runs if (channels := read_channels(run))]


def residual_channel(course: RunCourse) -> Channel | None:
    """What `residual_figure` draws: the main probe less what it should show [K]; None without a probe."""
    trace = course.run.trace
    if trace is None or trace.probe_c is None:
        return None
    time_s, read_c = own_readings(trace.time_s, trace.probe_c)
    moved = (time_s >= 0.0) & (time_s <= course.time_s[-1])
    return time_s[moved], read_c[moved] - np.interp(time_s[moved], course.time_s, course.shown_c)


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


def _zoomed(look: Look, y_title: str, height_px: int = 420) -> go.Figure:
    """An empty figure that one looks into closely.

    Where the axes were put they stay while traces are thinned anew (`uirevision`); a figure made anew shows the
    whole again, as its traces do.
    """
    return sheet(look, TIME_TITLE, y_title, height_px).update_layout(uirevision=uuid4().hex)


def _time(trace: Trace | None) -> FloatArray:
    assert trace is not None
    return trace.time_s
