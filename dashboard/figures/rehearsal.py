"""What a rehearsal shows: where the spread comes from, runs in a row with their limits, two runs together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from rig.advice.call.odds import Result
from rig.advice.rehearsal.control_chart import ControlChart
from rig.advice.rehearsal.parts import Spread
from rig.arrays import FloatArray
from rig.bench import Target
from rig.report.courses import RunCourse
from rig.report.figures import TEMP_TITLE, TIME_TITLE
from rig.report.look import Look, dress, faded

FRAMES = 160
"""Moments kept of a run that is replayed."""


@dataclass(frozen=True)
class Charted:
    """How a quantity is written on a chart: its name, its unit, and what to multiply it with."""

    name: str
    unit: str
    scale: float
    digits: int


CHARTED = {
    "temp_c": Charted("temperature", "°C", 1.0, 1),
    "dilution_by_volume": Charted("dilution", "%", 100.0, 1),
    "overrun_pct": Charted("overrun", "%", 1.0, 0),
    "duration_s": Charted("duration", "s", 1.0, 1),
    "chill_rate_log": Charted("rate of chilling", "% off the usual", 100.0, 0),
    "cadence_hz": Charted("rhythm", "strokes/s", 1.0, 2),
    "drink_temp_c": Charted("start temperature", "K", 1.0, 2),
    "ice_temp_c": Charted("ice temperature", "K", 1.0, 2),
    "vessel_temp_c": Charted("vessel temperature", "K", 1.0, 2),
}


def spread_figure(spreads: Sequence[Spread], look: Look) -> go.Figure:
    """Share of each part in the spread of temperature and of dilution, with its 90 % interval."""
    figure = go.Figure()
    shown = [s for s in spreads if s.result in (Result.TEMP_C, Result.DILUTION) and s.parts]
    for k, spread in enumerate(shown):
        parts = spread.parts[::-1]
        share = np.array([p.share for p in parts])
        figure.add_bar(
            y=[p.part.value for p in parts],
            x=100.0 * share,
            orientation="h",
            name=CHARTED[spread.result.value].name,
            marker={
                "color": look.series[k],
                "pattern": {"shape": ("", "/")[k], "bgcolor": look.series[k], "fgcolor": look.paper},
            },
            error_x={
                "type": "data",
                "symmetric": False,
                "array": 100.0 * np.maximum([p.high - p.share for p in parts], 0.0),
                "arrayminus": 100.0 * np.maximum([p.share - p.low for p in parts], 0.0),
                "color": look.ink,
                "thickness": 2,
                "width": 5,
            },
            hovertemplate="%{y}: %{x:.0f} %<extra>%{fullData.name}</extra>",
        )
    dress(figure, look, 460)
    figure.update_layout(barmode="group", bargap=0.3, legend={"traceorder": "reversed"})
    figure.update_xaxes(title_text="share of the spread [%]", range=[0, 100])
    return figure


def chart_figure(chart: ControlChart, look: Look) -> go.Figure:
    """Runs in the order they were made, with their limits; odd ones by shape."""
    said = CHARTED[chart.quantity]
    figure = go.Figure()
    dress(figure, look, 320)
    is_odd = np.array([r in chart.odd for r in chart.runs])
    figure.add_scatter(
        x=list(chart.runs),
        y=said.scale * chart.values,
        mode="lines+markers",
        line={"color": look.quiet, "width": 1.5},
        marker={
            "color": np.where(is_odd, look.series[1], look.accent).tolist(),
            "symbol": np.where(is_odd, "diamond", "circle").tolist(),
            "size": np.where(is_odd, 15, 9).tolist(),
        },
        name=said.name,
        showlegend=False,
        hovertemplate=f"%{{x}}: %{{y:.{said.digits}f}} {said.unit}<extra></extra>",
    )
    dotted = {"color": look.series[1], "width": 2, "dash": "dash"}
    middle = {"color": look.ink, "width": 1.5, "dash": "dot"}
    for value, line in ((chart.lower, dotted), (chart.upper, dotted), (chart.centre, middle)):
        figure.add_hline(y=said.scale * value, line=line)
    held = _held([said.scale * chart.values], (said.scale * chart.lower, said.scale * chart.upper))
    figure.update_yaxes(title_text=f"{said.name} [{said.unit}]", range=held)
    figure.update_xaxes(type="category", title_text="run, in the order made", nticks=12)
    return figure


@dataclass(frozen=True, eq=False)
class Played:
    """A run to be replayed: its name with its part in it, and its course; (moments,) each."""

    label: str
    time_s: FloatArray
    temp_c: FloatArray
    dilution_pct: FloatArray

    @classmethod
    def of(cls, label: str, course: RunCourse) -> Played:
        """A run's own course at evenly spaced moments."""
        at = np.linspace(course.time_s[0], course.time_s[-1], FRAMES)
        return cls(
            label,
            at,
            np.interp(at, course.time_s, course.temp_c),
            100.0 * np.interp(at, course.time_s, course.dilution_by_volume),
        )

    def to_dict(self) -> dict[str, Any]:
        """For the page's script: the two lines of this run."""
        names = ("time_s", "temp_c", "dilution_pct")
        return {n: [round(float(v), 3) for v in getattr(self, n)] for n in names}


def together_figure(played: Sequence[Played], target: Target | None, look: Look) -> go.Figure:
    """The runs' temperature and dilution against time, the target shaded; two traces a run, in order."""
    figure = make_subplots(rows=2, cols=1, shared_xaxes=True, vertical_spacing=0.05)
    dress(figure, look, 640)
    for k, p in enumerate(played):
        style = {"color": look.series[k], "dash": ("solid", "dash")[k % 2], "width": 5}
        for row, values in ((1, p.temp_c), (2, p.dilution_pct)):
            figure.add_scatter(
                x=p.time_s,
                y=values,
                mode="lines",
                line=style,
                name=p.label,
                legendgroup=p.label,
                showlegend=row == 1,
                hoverinfo="skip",
                row=row,
                col=1,
            )
    longest = max(float(p.time_s[-1]) for p in played)
    windows: tuple[tuple[float | None, float | None], ...] = ((None, None), (None, None))
    if target is not None:
        water = target.dilution_by_volume
        windows = (
            (target.serve_temp_c_min, target.serve_temp_c_max),
            (None, None) if water is None else (100.0 * water[0], 100.0 * water[1]),
        )
    drawn = ([p.temp_c for p in played], [p.dilution_pct for p in played])
    for row, (courses, window) in enumerate(zip(drawn, windows, strict=True), start=1):
        low, high = _held(courses, window)
        figure.update_yaxes(range=[low, high], row=row)
        if window != (None, None):
            figure.add_hrect(
                y0=low if window[0] is None else window[0],
                y1=high if window[1] is None else window[1],
                fillcolor=faded(look.landing, 0.16),
                line={"color": look.landing, "width": 1, "dash": "dot"},
                layer="below",
                row=row,
                col=1,
            )
    figure.update_xaxes(range=[0.0, 1.02 * longest])
    figure.update_xaxes(title_text=TIME_TITLE, row=2)
    figure.update_yaxes(title_text=TEMP_TITLE, row=1)
    figure.update_yaxes(title_text="dilution [%]", row=2)
    return figure


def _held(values: Sequence[FloatArray], window: tuple[float | None, float | None]) -> tuple[float, float]:
    whole = np.concatenate([*values, [w for w in window if w is not None]])
    low, high = float(np.min(whole)), float(np.max(whole))
    pad = 0.08 * max(high - low, 1e-6)
    return low - pad, high + pad
