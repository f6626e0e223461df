"""A fit held against its own runs: how far each lay from what was foretold, and odds against what happened."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots
from scipy.stats import norm

from rig.advice.check.reliability import Reliability
from rig.advice.check.residual_bias import Observation
from rig.advice.check.self_check import BAND, SelfCheck
from rig.arrays import FloatArray
from rig.report.courses import short_names
from rig.report.look import LIGHT, Look, dress, faded, mark, places
from rig.runs import SetUp

MOST_SET_UPS = 12
"""Set-ups that are drawn; of more, those that lie furthest from what was foretold."""
_FAR = 4.0
_ROW_PX, _ODDS_PX, _AXES_PX = 58, 260, 120
_NAMES = {Observation.WEIGHING: "weighing", Observation.TEMPERATURE: "end temperature"}
_LIFT = {Observation.WEIGHING: 0.02, Observation.TEMPERATURE: -0.24}


def self_check_figure(check: SelfCheck, look: Look = LIGHT) -> go.Figure:
    """One strip a set-up, its runs in spreads from what was foretold; below, landed against odds said."""
    rows = _rows(check)
    scored = [
        (name, found)
        for name, found in (("runs left out", check.odds), ("calls kept", check.calls.score))
        if found is not None
    ]
    strips_px = _ROW_PX * max(len(rows), 1)
    heights = [strips_px, _ODDS_PX] if scored else [strips_px]
    total_px = sum(heights) + _AXES_PX * len(heights)
    figure = make_subplots(
        rows=len(heights),
        cols=1,
        row_heights=[h / sum(heights) for h in heights],
        vertical_spacing=_AXES_PX / total_px if scored else 0.0,
    )
    dress(figure, look, total_px)
    _strips(figure, check, rows, look)
    if scored:
        _odds(figure, scored, look)
    small = {"size": look.size_px - 2}
    figure.update_xaxes(title_font=small, tickfont=small)
    figure.update_yaxes(tickfont=small)
    figure.update_layout(margin={"l": 24, "r": 16}, legend={"font": small})
    return figure


def _rows(check: SelfCheck) -> list[SetUp]:
    """The set-ups drawn, from the top."""
    far: dict[SetUp, float] = {}
    for m in check.means:
        if m.set_up is not None and m.recipe is None:
            error = m.standard_error if m.standard_error > 0.0 else np.inf
            far[m.set_up] = max(far.get(m.set_up, 0.0), abs(m.mean) / error)
    kept = sorted(far, key=lambda s: -far[s])[:MOST_SET_UPS]
    return sorted(kept)


def _strips(figure: go.Figure, check: SelfCheck, rows: Sequence[SetUp], look: Look) -> None:
    left, half = check.left, float(norm.ppf(0.5 + BAND / 2))
    lean = {x.set_up for x in check.leanings}
    known, names = places(sorted(set(left.set_ups)), rows), short_names(rows)
    colour = {s: mark(look, known[s]).colour for s in rows}
    for observation, residual, sd, unit in (
        (Observation.WEIGHING, left.strained_residual_g, left.strained_sd_g, "g"),
        (Observation.TEMPERATURE, left.temp_residual_k, left.temp_sd_k, "K"),
    ):
        mine = [k for k, s in enumerate(left.set_ups) if s in colour and np.isfinite(residual[k])]
        z = residual[mine] / sd[mine]
        own = [colour[left.set_ups[k]] for k in mine]
        hollow = observation is Observation.TEMPERATURE
        figure.add_scatter(
            x=np.clip(z, -_FAR, _FAR),
            y=[_LIFT[observation] - rows.index(left.set_ups[k]) for k in mine],
            mode="markers",
            marker={
                "color": look.paper if hollow else own,
                "symbol": [_symbol(v, "diamond" if hollow else "circle") for v in z],
                "size": 10,
                "line": {"color": own if hollow else look.paper, "width": 2 if hollow else 1},
            },
            text=[_hover(left.runs[k], residual[k], v, unit) for k, v in zip(mine, z, strict=True)],
            hovertemplate="%{text}<extra>%{fullData.name}</extra>",
            name=_NAMES[observation],
            row=1,
            col=1,
        )
    for k, set_up in enumerate(rows):
        leans = set_up in lean
        figure.add_annotation(
            x=0.0,
            xref="x domain",
            xanchor="left",
            y=-k + 0.36,
            yref="y",
            showarrow=False,
            text=f"<b>△ {names[set_up]}</b>" if leans else names[set_up],
            font={"size": look.size_px - 3, "color": look.ink if leans else look.quiet},
        )
    _means(figure, check, rows, look)
    figure.add_shape(
        type="rect",
        x0=-half,
        x1=half,
        y0=0.0,
        y1=1.0,
        xref="x",
        yref="y domain",
        fillcolor=faded(look.landing, 0.2),
        line={"width": 0},
        layer="below",
    )
    figure.add_vline(x=0.0, line={"color": look.quiet, "width": 1}, row=1, col=1)
    figure.update_yaxes(
        range=[-len(rows) + 0.5, 0.6],
        showticklabels=False,
        ticks="",
        showgrid=False,
        row=1,
        col=1,
    )
    figure.update_xaxes(
        title_text="spreads from what was foretold",
        range=[-_FAR - 0.3, _FAR + 0.3],
        tickvals=[-4, -2, 0, 2, 4],
        ticktext=["−4", "−2", "0", "2", "4"],
        row=1,
        col=1,
    )


def _means(figure: go.Figure, check: SelfCheck, rows: Sequence[SetUp], look: Look) -> None:
    """A tick at the mean of each set-up's runs."""
    sd = {
        Observation.WEIGHING: check.left.strained_sd_g,
        Observation.TEMPERATURE: check.left.temp_sd_k,
    }
    means = [m for m in check.means if m.set_up in rows and m.recipe is None]
    spread = [
        float(np.nanmean(sd[m.observation][[s == m.set_up for s in check.left.set_ups]])) for m in means
    ]
    figure.add_scatter(
        x=[float(np.clip(m.mean / s, -_FAR, _FAR)) for m, s in zip(means, spread, strict=True)],
        y=[-rows.index(m.set_up) + _LIFT[m.observation] for m in means if m.set_up is not None],
        mode="markers",
        marker={"symbol": "line-ns-open", "size": 15, "color": look.ink, "line": {"width": 3}},
        hoverinfo="skip",
        name="mean of its runs",
        row=1,
        col=1,
    )


def _symbol(z: float, near: str) -> str:
    """A run beyond the sheet points to where it lies."""
    return near if abs(z) <= _FAR else ("triangle-right" if z > 0 else "triangle-left")


def _hover(run: str, residual: float, z: float, unit: str) -> str:
    return f"run {run}: {residual:+.1f} {unit}, {z:+.1f} spreads".replace("-", "−")


def _odds(figure: go.Figure, scored: Sequence[tuple[str, Reliability]], look: Look) -> None:
    figure.add_scatter(
        x=[0.0, 1.0],
        y=[0.0, 1.0],
        mode="lines",
        line={"color": look.quiet, "dash": "dot", "width": 2},
        hoverinfo="skip",
        showlegend=False,
        name="as said",
        row=2,
        col=1,
    )
    for n, (name, found) in enumerate(scored):
        colour = (look.accent, look.series[1])[n]
        rate = np.array([b.landed.rate for b in found.bins])
        figure.add_scatter(
            x=[b.said for b in found.bins],
            y=rate,
            mode="markers",
            marker={"color": colour, "symbol": ("circle", "square")[n], "size": _sizes(found)},
            error_y=_whiskers(found, rate, colour),
            text=[
                f"{b.about}: {b.landed.hits} of {b.landed.runs} landed; said {100 * b.said:.0f} % on average"
                for b in found.bins
            ],
            hovertemplate="%{text}<extra>%{fullData.name}</extra>",
            name=name,
            showlegend=len(scored) > 1,
            row=2,
            col=1,
        )
    figure.update_xaxes(title_text="odds said", range=[-0.04, 1.04], tickformat=".0%", row=2, col=1)
    figure.update_yaxes(range=[-0.06, 1.06], tickformat=".0%", row=2, col=1)
    # above the axis and not beside it: a phone has no room there
    figure.add_annotation(
        text="landed",
        x=0.0,
        xref="x2 domain",
        xanchor="left",
        y=1.0,
        yref="y2 domain",
        yanchor="bottom",
        showarrow=False,
        font={"size": look.size_px - 2, "color": look.ink},
    )


def _sizes(found: Reliability) -> FloatArray:
    """Larger where more runs stand behind it."""
    runs = np.array([b.landed.runs for b in found.bins], float)
    return np.asarray(8.0 + 12.0 * np.sqrt(runs / runs.max()))


def _whiskers(found: Reliability, rate: FloatArray, colour: str) -> dict[str, Any]:
    return {
        "type": "data",
        "symmetric": False,
        "array": np.array([b.landed.high for b in found.bins]) - rate,
        "arrayminus": rate - np.array([b.landed.low for b in found.bins]),
        "color": faded(colour, 0.6),
        "thickness": 2,
        "width": 4,
    }
