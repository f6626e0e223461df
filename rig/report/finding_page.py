"""What one page of the dashboard shows, as a self-contained HTML page to keep, send and print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

import plotly.graph_objects as go
from markupsafe import Markup

from rig.answer_units import LAB_UNITS, AnswerUnits
from rig.report.page import asset, environment
from rig.report.plotting import FiguresOfPage, plotting_script


@dataclass(frozen=True)
class Drawn:
    """A figure under its title, and what it shows in words."""

    title: str
    figure: go.Figure
    note: str = ""


@dataclass(frozen=True)
class Listed:
    """Sentences under a heading."""

    title: str
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class Tabled:
    """A table: the first cell of a row heads it."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


Block = Drawn | Listed | Tabled


@dataclass(frozen=True)
class FindingPage:
    """A finding: a headline that says it, a line below, and the blocks that show it."""

    title: str
    lead: str = ""
    blocks: Sequence[Block] = field(default=())

    @property
    def slug(self) -> str:
        """A name for its file: letters, digits and hyphens."""
        kept = "".join(c if c.isalnum() and c.isascii() else "-" for c in self.title.casefold())
        return "-".join(p for p in kept.split("-") if p)[:60] or "finding"


def render_finding(
    finding: FindingPage, bench_title: str, made_at: datetime, units: AnswerUnits = LAB_UNITS
) -> str:
    """The page as HTML text; opens with no network. The figures' script is in it only where there is one."""
    drawn = any(isinstance(b, Drawn) for b in finding.blocks)
    return (
        environment(units)
        .from_string(asset("finding.html"))
        .render(
            finding=finding,
            kind=lambda block: type(block).__name__,
            bench=bench_title,
            made_at=f"{made_at:%Y-%m-%d %H:%M}",
            style=Markup(asset("page.css")),
            script=plotting_script() if drawn else "",
            figure=FiguresOfPage(units),
        )
    )
