"""Odds said against true odds: are calls of about 70 % landed seven times in ten?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import plotly.graph_objects as go

WIDTH = 0.1
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
"""Okabe–Ito."""


@dataclass(frozen=True)
class Bin:
    """Calls whose odds, as said, lie within a tenth of each other."""

    low: float
    calls: int
    said: float
    true: float


def bins(pairs: Sequence[tuple[float, float]]) -> list[Bin]:
    """Calls (odds said, odds true) sorted into tenths; empty ones left out."""
    said, true = np.array(pairs, dtype=float).reshape(-1, 2).T
    which = np.minimum((said / WIDTH).astype(int), round(1 / WIDTH) - 1)
    return [
        Bin(
            n * WIDTH, int((which == n).sum()), float(said[which == n].mean()), float(true[which == n].mean())
        )
        for n in np.unique(which)
    ]


def table(found: Sequence[Bin]) -> str:
    """A row a bin."""
    lines = ["| odds said | calls | said, mean | true, mean |", "| --- | --- | --- | --- |"]
    lines += [f"| {b.low:.1f}–{b.low + WIDTH:.1f} | {b.calls} | {b.said:.2f} | {b.true:.2f} |" for b in found]
    return "\n".join(lines)


def figure(pairs_by_label: Mapping[str, Sequence[tuple[float, float]]]) -> go.Figure:
    """Bins about the diagonal, marks as large as their calls are many."""
    drawn = go.Figure()
    drawn.add_scatter(x=[0, 1], y=[0, 1], mode="lines", line={"color": "#888", "dash": "dot"}, name="as said")
    for n, (label, pairs) in enumerate((k, v) for k, v in pairs_by_label.items() if v):
        found = bins(pairs)
        drawn.add_scatter(
            x=[b.said for b in found],
            y=[b.true for b in found],
            mode="lines+markers",
            marker={"size": [5 + 3 * np.sqrt(b.calls) for b in found], "symbol": n},
            line={"color": COLOURS[n % len(COLOURS)]},
            customdata=[b.calls for b in found],
            hovertemplate="said %{x:.2f}, true %{y:.2f}, %{customdata} calls",
            name=label,
        )
    drawn.update_layout(title="Odds said and true odds", xaxis_title="odds said", yaxis_title="true odds")
    drawn.update_xaxes(range=[0, 1])
    drawn.update_yaxes(range=[0, 1], scaleanchor="x")
    return drawn
