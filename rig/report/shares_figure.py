"""Where differences between drinks come from, as one picture of bars."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go

from rig.advice.compare.shares_result import Share, Shares
from rig.report.look import LIGHT, Look, dress

_BARS = (("end temperature", "", 0), ("dilution", "/", 1))


def shares_figure(found: Shares, look: Look = LIGHT) -> go.Figure:
    """Each part's share of what differs, for end temperature and dilution, with 90 % intervals; the largest on top."""
    figure = go.Figure()
    order = {s.part: k for k, s in enumerate(found.temp_c)}
    parts = sorted(found.temp_c, key=lambda s: -s.share[1])
    both = (found.temp_c, sorted(found.dilution_by_volume, key=lambda s: order[s.part]))
    for (name, pattern, k), shares in zip(_BARS, both, strict=True):
        _bars(figure, shares, name, pattern, look.series[k], look)
    dress(figure, look, 120 + 58 * len(parts))
    figure.update_layout(barmode="group", bargap=0.3, legend={"traceorder": "normal"})
    figure.update_xaxes(title_text="share of what differs [%]", range=[0, 100])
    figure.update_yaxes(categoryorder="array", categoryarray=[s.part.short for s in reversed(parts)])
    return figure


def _bars(
    figure: go.Figure,
    shares: Sequence[Share],
    name: str,
    pattern: str,
    colour: str,
    look: Look,
) -> None:
    middle = [100.0 * s.share[1] for s in shares]
    figure.add_bar(
        y=[s.part.short for s in shares],
        x=middle,
        orientation="h",
        name=name,
        marker={"color": colour, "pattern": {"shape": pattern, "bgcolor": colour, "fgcolor": look.paper}},
        error_x={
            "type": "data",
            "symmetric": False,
            "array": [100.0 * s.share[2] - m for s, m in zip(shares, middle, strict=True)],
            "arrayminus": [m - 100.0 * s.share[0] for s, m in zip(shares, middle, strict=True)],
            "color": look.ink,
            "thickness": 2,
            "width": 5,
        },
        hovertemplate="%{y}: %{x:.0f} %<extra>%{fullData.name}</extra>",
    )
