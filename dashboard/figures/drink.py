"""A drink against its glass, at rest, sip by sip, and its foam against duration."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from dashboard.questions.glass import InGlass
from dashboard.questions.texture import Foamed
from rig.advice.recipe.recipe_work import Properties
from rig.arrays import FloatArray
from rig.physics.cooling import Rested
from rig.physics.cup import GlassState
from rig.physics.standing import Band
from rig.report.look import Look, Mark, dress, faded, sheet

STATE_WORDS = {
    GlassState.ROOM: "room-warm glass",
    GlassState.CHILLED: "chilled glass",
    GlassState.FROZEN: "frozen glass",
}
_DASHES = ("solid", "dash", "dot")


def wash_line_figure(found: Properties, look: Look) -> go.Figure:
    """The drink at the least, middle and most dilution as bars against the rim of the glass."""
    figure = go.Figure()
    rim = found.wash_line[0].glass_ml
    drinks = [w.drink_ml for w in found.wash_line]
    labels = [
        f"{100 * s.dilution_by_volume:.0f} % water<br>{ml:.0f} ml"
        for s, ml in zip(found.after, drinks, strict=True)
    ]
    colours = [look.accent if w.fits else look.series[1] for w in found.wash_line]
    figure.add_bar(
        x=drinks,
        y=labels,
        orientation="h",
        marker={
            "color": colours,
            "pattern": {
                "shape": ["" if w.fits else "/" for w in found.wash_line],
                "bgcolor": colours,
                "fgcolor": look.paper,
            },
        },
        hoverinfo="skip",
        showlegend=False,
    )
    dress(figure, look, 130 + 60 * len(labels))
    figure.update_xaxes(title_text="in the glass [ml]", range=[0.0, 1.15 * max(rim, *drinks)])
    figure.update_yaxes(type="category", categoryorder="array", categoryarray=labels[::-1])
    figure.add_vline(x=rim, line={"color": look.ink, "width": 3})
    figure.add_annotation(
        x=rim, y=1.0, yref="paper", yanchor="bottom", text=f"rim, {rim:.0f} ml", showarrow=False
    )
    figure.update_layout(margin={"t": 40})
    return figure


def rest_figure(rested: Rested, to_c: float, look: Look) -> go.Figure:
    """Temperature at rest against minutes with its range, and the temperature to wait for."""
    figure = sheet(look, "at rest [min]", "coffee [°C]", 420)
    _band(figure, rested.time_s / 60.0, rested.temp_c, Mark(look.accent, "solid", "circle"), "coffee")
    figure.add_hline(y=to_c, line={"color": look.series[1], "width": 2, "dash": "dash"})
    figure.update_layout(showlegend=False)
    return figure


def sips_figure(served: Mapping[GlassState, InGlass], look: Look) -> go.Figure:
    """Temperature and water added, sip by sip, one line a state of the glass."""
    figure = make_subplots(rows=2, cols=1, shared_xaxes=True, vertical_spacing=0.06)
    dress(figure, look, 620)
    for k, (state, s) in enumerate(served.items()):
        style = Mark(look.series[k], _DASHES[k], ("circle", "square", "diamond")[k])
        for row, band in ((1, s.temp_c), (2, _times(s.added_by_volume, 100.0))):
            _band(figure, s.time_s / 60.0, band, style, STATE_WORDS[state], row=row, range_=s.has_range)
    figure.update_yaxes(title_text="sip [°C]", row=1)
    # condensation alone is a tenth of a percent, and should not look like a flood
    most = max(float(np.max(100.0 * s.added_by_volume.high)) for s in served.values())
    figure.update_yaxes(title_text="water added [%]", range=[-0.2, max(5.0, 1.08 * most)], row=2)
    figure.update_xaxes(title_text="since the pour [min]", rangemode="tozero", row=2)
    return figure


def _times(band: Band, factor: float) -> Band:
    return Band(band.low * factor, band.typical * factor, band.high * factor)


def _band(
    figure: go.Figure,
    x: FloatArray,
    band: Band,
    style: Mark,
    name: str,
    row: int | None = None,
    range_: bool = True,
) -> None:
    where = {} if row is None else {"row": row, "col": 1}
    if range_:
        figure.add_scatter(
            x=np.concatenate([x, x[::-1]]),
            y=np.concatenate([band.high, band.low[::-1]]),
            fill="toself",
            fillcolor=style.band(),
            line={"width": 0},
            mode="lines",
            hoverinfo="skip",
            showlegend=False,
            legendgroup=name,
            name=f"{name}, range",
            **where,
        )
    figure.add_scatter(
        x=x,
        y=band.typical,
        mode="lines" if row is None else "lines+markers",
        line={"color": style.colour, "dash": style.dash, "width": 3},
        marker={"symbol": style.symbol, "size": 9},
        name=name,
        legendgroup=name,
        showlegend=row in (None, 1),
        hovertemplate="%{x:.1f} min: %{y:.1f}<extra>%{fullData.name}</extra>",
        **where,
    )


def foam_figure(foamed: Foamed, look: Look) -> go.Figure:
    """Foam against duration: the runs, and the rise fitted to them with the range of a next run."""
    figure = sheet(look, "time on the ice [s]", "foam ÷ drink [%]", 420)
    if foamed.time_s.size:
        low = np.maximum(foamed.mean_pct - 1.645 * foamed.sd_pct, 0.0)
        figure.add_scatter(
            x=np.concatenate([foamed.time_s, foamed.time_s[::-1]]),
            y=np.concatenate([foamed.mean_pct + 1.645 * foamed.sd_pct, low[::-1]]),
            fill="toself",
            fillcolor=faded(look.accent, 0.16),
            line={"width": 0},
            mode="lines",
            hoverinfo="skip",
            name="90 % of runs",
        )
        figure.add_scatter(
            x=foamed.time_s,
            y=foamed.mean_pct,
            mode="lines",
            line={"color": look.accent, "width": 3},
            name="fitted rise",
            hovertemplate="%{x:.0f} s: %{y:.0f} %<extra></extra>",
        )
    figure.add_scatter(
        x=foamed.duration_s,
        y=foamed.foam_pct,
        mode="markers",
        marker={"color": look.ink, "size": 9},
        text=list(foamed.runs),
        hovertemplate="run %{text}: %{y:.0f} %<extra></extra>",
        name="runs",
    )
    figure.update_yaxes(rangemode="tozero")
    figure.update_layout(showlegend=False)
    return figure
