"""Set-ups side by side: one panel a quantity compared, one mark a set-up."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from rig.advice.compare.compare import Comparison, SetUpSummary
from rig.answer_units import true_minus
from rig.report.courses import short_names
from rig.report.look import LIGHT, Look, dress, mark, places, sheet
from rig.runs import SetUp


def comparison_figure(
    comparison: Comparison, look: Look = LIGHT, everyone: Sequence[SetUp] = ()
) -> go.Figure:
    """The average drink of each set-up with its 90 % interval, one panel a quantity compared.

    `everyone` is all set-ups of the fit, so that each keeps the mark it has on the other figures.
    """
    panels = [
        (title, shape, unit, [(s, v) for s in comparison.summaries if (v := value(s)) is not None])
        for title, shape, unit, value in _compared(comparison)
    ]
    panels = [p for p in panels if p[3]]
    if not panels:
        return sheet(look, "", "", 120)
    figure = make_subplots(
        rows=(len(panels) + 1) // 2,
        cols=min(len(panels), 2),
        shared_yaxes=True,
        horizontal_spacing=0.05,
        vertical_spacing=0.16,
        subplot_titles=[p[0] for p in panels],
    )
    labels = {k: _two_lines(v) for k, v in short_names([s.set_up for s in comparison.summaries]).items()}
    known = places(everyone, [s.set_up for s in comparison.summaries])
    for k, (_, shape, unit, points) in enumerate(panels):
        row, column = 1 + k // 2, 1 + k % 2
        for summary, (low, middle, high) in points:
            style = mark(look, known[summary.set_up])
            name = labels[summary.set_up]
            figure.add_scatter(
                x=[middle],
                y=[name],
                error_x={
                    "type": "data",
                    "symmetric": False,
                    "array": [high - middle],
                    "arrayminus": [middle - low],
                    "color": style.colour,
                    "thickness": 3,
                    "width": 8,
                },
                mode="markers",
                marker={"color": style.colour, "symbol": style.symbol, "size": 13},
                name=name,
                hovertemplate=f"%{{x:{shape}}}{unit}<extra>%{{fullData.name}}</extra>",
                row=row,
                col=column,
            )
        figure.update_xaxes(tickformat=shape, ticksuffix=unit, nticks=4, tickangle=0, row=row, col=column)
    dress(figure, look, (110 + 48 * len(labels)) * ((len(panels) + 1) // 2) + 60)
    figure.update_layout(showlegend=False, margin={"t": 50})
    figure.update_annotations(font={"size": look.size_px, "color": look.ink})
    figure.update_yaxes(
        categoryorder="array", categoryarray=[labels[s.set_up] for s in reversed(comparison.summaries)]
    )
    return figure


def _two_lines(name: str) -> str:
    parts = name.split(" · ")
    return "<br>".join([" · ".join(parts[:-1]), parts[-1]]) if len(parts) == 3 else name


_Triple = tuple[float, float, float]


def _compared(c: Comparison) -> list[tuple[str, str, str, Callable[[SetUpSummary], _Triple | None]]]:
    """Title, number format, unit and value of each panel."""
    after = "" if c.duration_s is None else f"after {c.duration_s:.0f} s"
    goal = "" if c.target_temp_c is None else true_minus(f"{c.target_temp_c:z.1f} °C")
    return [
        (f"temperature {after}", ".1f", " °C", lambda s: s.temp_c),
        (f"dilution {after}", ".0%", "", lambda s: s.dilution_by_volume),
        (f"time to {goal}", ".0f", " s", lambda s: s.time_to_target_s),
        (f"dilution at {goal}", ".0%", "", lambda s: s.dilution_at_target),
    ]
