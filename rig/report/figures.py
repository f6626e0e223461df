"""Figures of what was measured and fitted: pure functions from data to `plotly.graph_objects.Figure`.

Courses come from `rig.report.courses`; every figure takes a `Look`: page, print and screen share them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from rig.advice.call.call import Advice, Band
from rig.arrays import FloatArray
from rig.bench import Target
from rig.fitting.result import RunFit, Verdict
from rig.report.comparison_figure import comparison_figure
from rig.report.courses import RunCourse, SetUpCourse
from rig.report.look import LIGHT, Look, Mark, dress, faded, mark, sheet
from rig.report.wording import odds_words

TIME_TITLE = "time on the ice [s]"
TEMP_TITLE = "drink [°C]"
DILUTION_TITLE = "water added ÷ starting volume"
ODDS_TITLE = "lands in the target"


def chill_curves(
    courses: Sequence[SetUpCourse], look: Look = LIGHT, target: Target | None = None
) -> go.Figure:
    """Temperature against time: a line and a 90 % band a set-up, each run a point at its end."""
    figure = sheet(look, TIME_TITLE, TEMP_TITLE)
    _draw_courses(figure, courses, look, lambda c: c.temp_c, lambda r: r.temp_c, "%{y:.1f} °C")
    if target is not None:
        _zone_y(figure, look, (target.serve_temp_c_min, target.serve_temp_c_max))
    return figure


def dilution_curves(
    courses: Sequence[SetUpCourse], look: Look = LIGHT, target: Target | None = None
) -> go.Figure:
    """Dilution against time: a line and a 90 % band a set-up, each run a point at its end."""
    figure = sheet(look, TIME_TITLE, DILUTION_TITLE)
    _draw_courses(
        figure,
        courses,
        look,
        lambda c: c.dilution_by_volume,
        lambda r: r.dilution_by_volume,
        "%{y:.0%}",
    )
    figure.update_yaxes(tickformat=".0%", rangemode="tozero")
    if target is not None and target.dilution_by_volume is not None:
        _zone_y(figure, look, target.dilution_by_volume)
    return figure


def _draw_courses(
    figure: go.Figure,
    courses: Sequence[SetUpCourse],
    look: Look,
    of_course: Callable[[SetUpCourse], Band],
    of_run: Callable[[RunFit], float | None],
    value: str,
) -> None:
    for course in courses:
        style = mark(look, course.place)
        _band(figure, course.duration_s, of_course(course), style, course.label, value)
    for course in courses:
        _run_points(figure, course, mark(look, course.place), look, lambda r: r.duration_s, of_run)


def _band(
    figure: go.Figure,
    time_s: FloatArray,
    band: Band,
    style: Mark,
    name: str,
    value: str,
    row: int | None = None,
) -> None:
    """A median line over its band, one entry in the legend."""
    where = {} if row is None else {"row": row, "col": 1}
    figure.add_scatter(
        x=np.concatenate([time_s, time_s[::-1]]),
        y=np.concatenate([band.p95, band.p05[::-1]]),
        fill="toself",
        fillcolor=style.band(),
        line={"width": 0},
        mode="lines",
        hoverinfo="skip",
        legendgroup=name,
        showlegend=False,
        name=f"{name}, 90 % of runs",
        **where,
    )
    figure.add_scatter(
        x=time_s,
        y=band.p50,
        mode="lines",
        line={"color": style.colour, "dash": style.dash, "width": 3},
        name=name,
        legendgroup=name,
        hovertemplate=f"%{{x:.0f}} s: {value}<extra>%{{fullData.name}}</extra>",
        **where,
    )


def _run_points(
    figure: go.Figure,
    course: SetUpCourse,
    style: Mark,
    look: Look,
    x_of: Callable[[RunFit], float | None],
    y_of: Callable[[RunFit], float | None],
) -> None:
    """The runs as points; a doubtful run is hollow."""
    for verdict in (Verdict.GOOD, Verdict.DOUBTFUL):
        runs = [
            r for r in course.runs if r.verdict is verdict and x_of(r) is not None and y_of(r) is not None
        ]
        if not runs:
            continue
        doubtful = verdict is Verdict.DOUBTFUL
        figure.add_scatter(
            x=[x_of(r) for r in runs],
            y=[y_of(r) for r in runs],
            mode="markers",
            marker={
                "color": look.paper if doubtful else style.colour,
                "symbol": style.symbol,
                "size": 10,
                "line": {"color": style.colour if doubtful else look.paper, "width": 2 if doubtful else 1},
            },
            text=[f"run {r.run}" + (", doubtful" if doubtful else "") for r in runs],
            hovertemplate="%{text}<extra></extra>",
            name=f"{course.label}, {'doubtful ' if doubtful else ''}runs",
            legendgroup=course.label,
            showlegend=False,
        )


def chill_path(
    courses: Sequence[SetUpCourse],
    look: Look = LIGHT,
    target: Target | None = None,
    tick_s: float | None = None,
) -> go.Figure:
    """Dilution against temperature, the way a drink takes; small ticks on the line mark equal times."""
    figure = sheet(look, DILUTION_TITLE, TEMP_TITLE)
    figure.update_xaxes(tickformat=".0%", rangemode="tozero")
    warmest = _warmest(courses)
    for course in courses:
        style, name = mark(look, course.place), course.label
        x, y = course.dilution_by_volume.p50, course.temp_c.p50
        figure.add_scatter(
            x=x,
            y=y,
            mode="lines",
            line={"color": style.colour, "dash": style.dash, "width": 3},
            name=name,
            legendgroup=name,
            customdata=course.duration_s,
            hovertemplate="%{customdata:.0f} s: %{y:.1f} °C, %{x:.0%}<extra>%{fullData.name}</extra>",
        )
        step = tick_s or (5.0 if course.duration_s[-1] <= 60 else 20.0)
        at = _told_apart(np.arange(step, course.duration_s[-1], step), course)
        figure.add_scatter(
            x=np.interp(at, course.duration_s, x),
            y=np.interp(at, course.duration_s, y),
            mode="markers+text",
            marker={"color": style.colour, "symbol": "line-ns-open", "size": 10, "line": {"width": 2}},
            text=[f"{t:.0f} s" for t in at],
            textposition="top right" if course is warmest else "bottom left",
            textfont={"color": style.colour, "size": look.size_px - 3},
            cliponaxis=False,
            hoverinfo="skip",
            legendgroup=name,
            showlegend=False,
            name=f"{name}, time",
        )
        _run_points(figure, course, style, look, lambda r: r.dilution_by_volume, lambda r: r.temp_c)
    if target is not None:
        _box(figure, look, target)
    return figure


def _warmest(courses: Sequence[SetUpCourse]) -> SetUpCourse | None:
    """The path that runs above the others where all have as much water: it has room for labels there. None if alone."""
    if len(courses) < 2:
        return None
    water = [c.dilution_by_volume.p50 for c in courses]
    shared = np.linspace(max(w[0] for w in water), min(w[-1] for w in water), 20)
    return max(courses, key=lambda c: float(np.interp(shared, c.dilution_by_volume.p50, c.temp_c.p50).mean()))


_APART = 0.05


def _told_apart(times: FloatArray, course: SetUpCourse) -> FloatArray:
    """Those of the times at which the path has moved on enough for its labels not to overprint."""
    path = np.column_stack([course.dilution_by_volume.p50, course.temp_c.p50])
    span = np.maximum(np.ptp(path, axis=0), 1e-9)
    kept: list[float] = []
    last = path[0] / span
    for t in times:
        here = np.array([np.interp(t, course.duration_s, path[:, k]) for k in range(2)]) / span
        if np.max(np.abs(here - last)) >= _APART:
            kept.append(float(t))
            last = here
    return np.array(kept)


def odds_figure(advice: Advice, look: Look = LIGHT) -> go.Figure:
    """Odds of landing against duration, with the call and its window."""
    figure = sheet(look, TIME_TITLE, ODDS_TITLE, 320)
    figure.add_scatter(
        x=advice.time_s,
        y=advice.odds_at,
        mode="lines",
        line={"color": look.accent, "width": 3},
        fill="tozeroy",
        fillcolor=faded(look.accent, 0.10),
        name="odds",
        hovertemplate="%{x:.0f} s: %{y:.0%}<extra></extra>",
        showlegend=False,
    )
    figure.update_yaxes(tickformat=".0%", range=[0, 1.05])
    _call_marks(figure, advice, look)
    return figure


def landing_figure(advice: Advice, look: Look = LIGHT) -> go.Figure:
    """Temperature, dilution and odds against duration above each other, the target's windows shaded."""
    figure = make_subplots(rows=3, cols=1, shared_xaxes=True, vertical_spacing=0.05)
    dress(figure, look, 760)
    style = Mark(look.accent, "solid", "circle")
    _band(figure, advice.time_s, advice.temp_c, style, "drink", "%{y:.1f} °C", row=1)
    _band(figure, advice.time_s, advice.dilution_by_volume, style, "dilution", "%{y:.0%}", row=2)
    figure.add_scatter(
        x=advice.time_s,
        y=advice.odds_at,
        mode="lines",
        line={"color": look.accent, "width": 3},
        name="odds",
        hovertemplate="%{x:.0f} s: %{y:.0%}<extra></extra>",
        row=3,
        col=1,
    )
    target = advice.target
    _zone_y(figure, look, (target.serve_temp_c_min, target.serve_temp_c_max), row=1)
    if target.dilution_by_volume is not None:
        _zone_y(figure, look, target.dilution_by_volume, row=2)
    figure.update_layout(showlegend=False)
    figure.update_yaxes(title_text=TEMP_TITLE, row=1)
    figure.update_yaxes(title_text="water ÷ start", tickformat=".0%", row=2)
    figure.update_yaxes(title_text="lands", tickformat=".0%", range=[0, 1.05], row=3)
    figure.update_xaxes(title_text=TIME_TITLE, row=3)
    _call_marks(figure, advice, look)
    return figure


def beyond_runs(advice: Advice) -> list[tuple[float, float, str]]:
    """Where no run bears the curve out: from, to [s], and why in words."""
    end = float(advice.time_s[-1])
    if advice.run_span_s is None:
        return [(0.0, end, "no run of this drink here")]
    low, high = advice.run_span_s
    spans = [(0.0, low, "no run so short"), (high, end, "no run so long")]
    return [s for s in spans if s[1] - s[0] > _LEAST_SHOWN * end]


_LEAST_SHOWN = 0.02


def _call_marks(figure: go.Figure, advice: Advice, look: Look) -> None:
    for start, end, why in beyond_runs(advice):
        figure.add_vrect(x0=start, x1=end, fillcolor=faded(look.quiet, 0.08), line_width=0, layer="below")
        figure.add_annotation(
            x=0.5 * (start + end),
            y=0.0,
            yref="paper",
            yanchor="bottom",
            showarrow=False,
            text=why if end - start > 0.2 * float(advice.time_s[-1]) else "",
            font={"size": look.size_px - 2, "color": look.quiet},
        )
    low, high = advice.window_s
    if advice.feasible:
        # where no duration lands there is no window, only a least bad moment
        figure.add_vrect(x0=low, x1=high, fillcolor=faded(look.landing, 0.16), line_width=0, layer="below")
    figure.add_vline(x=advice.duration_s, line={"color": look.ink, "width": 2, "dash": "dot"})
    figure.add_annotation(
        x=advice.duration_s,
        y=1.0,
        yref="paper",
        yanchor="bottom",
        showarrow=False,
        text=f"<b>{advice.duration_s:.0f} s</b>, {advice.odds:.0%}"
        if advice.feasible
        else f"at best {odds_words(advice.odds)}, at {advice.duration_s:.0f} s",
        font={"size": look.size_px + 2, "color": look.ink},
    )


def add_fitted(figure: go.Figure, course: RunCourse, look: Look) -> None:
    """Add the drink as fitted, and what its probe should show of it."""
    for values, name, dash in (
        (course.temp_c, "drink, fitted", "solid"),
        (course.shown_c, "probe, fitted", "dash"),
    ):
        figure.add_scatter(
            x=course.time_s,
            y=values,
            mode="lines",
            line={"color": look.accent, "dash": dash, "width": 3},
            name=name,
            hovertemplate="%{x:.1f} s: %{y:.1f} °C<extra>%{fullData.name}</extra>",
        )


def _zone_y(
    figure: go.Figure, look: Look, window: tuple[float | None, float | None], row: int | None = None
) -> None:
    """Shade the heights at which a drink lands, on axes held to what is drawn: call it after drawing."""
    if window == (None, None):
        return
    where = {} if row is None else {"row": row, "col": 1}
    axis = "y" if row in (None, 1) else f"y{row}"
    drawn = _span([t.y for t in figure.data if (t.yaxis or "y") == axis], window)
    figure.update_yaxes(range=drawn, **where)
    low, high = window
    figure.add_hrect(
        y0=drawn[0] if low is None else low,
        y1=drawn[1] if high is None else high,
        fillcolor=faded(look.landing, 0.14),
        line={"color": look.landing, "width": 1, "dash": "dot"},
        layer="below",
        **where,
    )


def _box(figure: go.Figure, look: Look, target: Target) -> None:
    """Shade where on a path a drink lands, on axes held to what is drawn."""
    dilution = target.dilution_by_volume or (None, None)
    temp = target.serve_temp_c_min, target.serve_temp_c_max
    x = _span([t.x for t in figure.data], dilution)
    y = _span([t.y for t in figure.data], temp)
    figure.update_xaxes(range=x)
    figure.update_yaxes(range=y)
    edges = [
        span[k] if value is None else value
        for window, span in ((dilution, x), (temp, y))
        for k, value in enumerate(window)
    ]
    figure.add_shape(
        type="rect",
        **dict(zip(("x0", "x1", "y0", "y1"), edges, strict=True)),
        fillcolor=faded(look.landing, 0.18),
        line={"color": look.landing, "width": 1, "dash": "dot"},
        layer="below",
    )


def _span(drawn: Sequence[Iterable[float]], window: tuple[float | None, float | None]) -> tuple[float, float]:
    """A little more than what is drawn and the window that is named."""
    values = np.array([v for series in drawn for v in series] + [w for w in window if w is not None], float)
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    pad = 0.06 * max(high - low, 1e-6)
    return (0.0 if 0.0 <= low < pad else low - pad), high + pad


__all__ = [
    "add_fitted",
    "chill_curves",
    "chill_path",
    "comparison_figure",
    "dilution_curves",
    "landing_figure",
    "odds_figure",
]
