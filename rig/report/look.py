"""How figures look: colours that colour-blind eyes tell apart, and a second cue that needs no colour.

Colours: Okabe & Ito, "Color Universal Design" (2008).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import plotly.graph_objects as go

from rig.runs import SetUp

_BLUE, _SKY, _GREEN, _YELLOW = "#0072B2", "#56B4E9", "#009E73", "#F0E442"
_ORANGE, _VERMILION, _PURPLE = "#E69F00", "#D55E00", "#CC79A7"

_DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
_SYMBOLS = ("circle", "square", "diamond", "triangle-up", "triangle-down", "pentagon", "hexagon", "star")


@dataclass(frozen=True)
class Look:
    """Colours and type of a page's figures; `series` are told apart in this order."""

    ink: str
    quiet: str
    grid: str
    paper: str
    accent: str
    landing: str
    series: tuple[str, ...]
    font: str = "system-ui, 'Segoe UI', 'Noto Sans', 'DejaVu Sans', sans-serif"
    size_px: int = 16


LIGHT = Look(
    ink="#1a1d21",
    quiet="#5a6068",
    grid="#e3e5e8",
    paper="#ffffff",
    accent=_BLUE,
    landing=_GREEN,
    series=(_BLUE, _VERMILION, _GREEN, _PURPLE, _ORANGE, _SKY, "#1a1d21"),
)
DARK = Look(
    ink="#f2f3f5",
    quiet="#a9afb8",
    grid="#343941",
    paper="#15181c",
    accent=_SKY,
    landing=_GREEN,
    series=(_SKY, _ORANGE, _GREEN, _PURPLE, _VERMILION, _YELLOW, "#f2f3f5"),
)


@dataclass(frozen=True)
class Mark:
    """How one series is drawn."""

    colour: str
    dash: str
    symbol: str

    def band(self, opacity: float = 0.16) -> str:
        """The colour, thinned for a band."""
        return faded(self.colour, opacity)


def places(everyone: Sequence[SetUp], drawn: Sequence[SetUp]) -> dict[SetUp, int]:
    """The place of each set-up drawn: among all of its fit, so that it keeps its mark on every figure.

    Where those are more than there are colours, among those that are drawn together.
    """
    known = list(dict.fromkeys([*everyone, *drawn]))
    if len(known) > len(LIGHT.series):
        known = [s for s in known if s in set(drawn)]
    return {s: k for k, s in enumerate(known)}


def mark(look: Look, place: int) -> Mark:
    """The mark of a set-up: no two have one colour; dash and symbol tell apart where colour does not.

    Beyond the palette its colours come again, each time greyer.
    """
    turn, which = divmod(place, len(look.series))
    return Mark(
        _blended(look.series[which], look.quiet, 1.0 - 0.6**turn),
        _DASHES[place % len(_DASHES)],
        _SYMBOLS[place % len(_SYMBOLS)],
    )


def _blended(colour: str, other: str, share: float) -> str:
    """A `#rrggbb` colour with so much of another in it."""
    parts = ([int(c[k : k + 2], 16) for k in (1, 3, 5)] for c in (colour, other))
    return "#" + "".join(f"{round(a + share * (b - a)):02x}" for a, b in zip(*parts, strict=True))


def faded(colour: str, opacity: float) -> str:
    """A `#rrggbb` colour as rgba text."""
    red, green, blue = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
    return f"rgba({red},{green},{blue},{opacity:g})"


def sheet(look: Look, x_title: str, y_title: str, height_px: int = 420) -> go.Figure:
    """An empty figure in our look with one pair of axes."""
    figure = go.Figure()
    dress(figure, look, height_px)
    figure.update_xaxes(title_text=x_title, rangemode="tozero")
    figure.update_yaxes(title_text=y_title)
    return figure


def dress(figure: go.Figure, look: Look, height_px: int = 420) -> None:
    """Give a figure our type, colours, margins and legend; titles of axes stay as they are."""
    axis: dict[str, Any] = {
        "gridcolor": look.grid,
        "linecolor": look.quiet,
        "zeroline": False,
        "ticks": "outside",
        "tickcolor": look.quiet,
        "automargin": True,
        "title_standoff": 10,
    }
    figure.update_layout(
        template=go.layout.Template(),
        font={"family": look.font, "size": look.size_px, "color": look.ink},
        paper_bgcolor=look.paper,
        plot_bgcolor=look.paper,
        height=height_px,
        margin={"l": 70, "r": 24, "t": 24, "b": 60},
        legend={"orientation": "h", "yanchor": "bottom", "y": 1.02, "x": 0, "bgcolor": "rgba(0,0,0,0)"},
        hoverlabel={"font": {"family": look.font, "size": look.size_px}},
    )
    figure.update_xaxes(**axis)
    figure.update_yaxes(**axis)
