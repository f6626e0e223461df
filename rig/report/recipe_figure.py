"""One recipe on every bench, as one picture of points."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go

from rig.advice.compare.overview import RecipeSeen
from rig.report.look import LIGHT, Look, dress, mark

GAIN_TITLE = "gained on the ice [% of the drink’s mass]"


def recipe_figure(seen: Sequence[RecipeSeen], look: Look = LIGHT) -> go.Figure:
    """What the recipe gains on each bench, a mark for each technique; lines: one standard deviation from run to run."""
    figure = go.Figure()
    for place, technique in enumerate(dict.fromkeys(r.technique for r in seen)):
        style, mine = mark(look, place), [r for r in seen if r.technique == technique]
        figure.add_scatter(
            x=[r.gain_pct for r in mine],
            y=[_row(r) for r in mine],
            error_x={"type": "data", "array": [r.spread_pct or 0.0 for r in mine], "color": style.colour},
            mode="markers",
            marker={"color": style.colour, "symbol": style.symbol, "size": 11},
            name=technique,
            text=[f"{r.runs} run{'s' if r.runs > 1 else ''}" for r in mine],
            hovertemplate="%{y}: %{x:.1f} %, %{text}<extra>%{fullData.name}</extra>",
        )
    rows = list(dict.fromkeys(_row(r) for r in seen))
    dress(figure, look, 150 + 34 * len(rows))
    figure.update_xaxes(title_text=GAIN_TITLE)
    figure.update_yaxes(categoryorder="array", categoryarray=rows[::-1])
    return figure


def _row(r: RecipeSeen) -> str:
    return f"{r.bench} · {r.ice}"
