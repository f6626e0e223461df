"""Guide: the first run, probe and scale, weighing, the words, and how the call comes about."""

from __future__ import annotations

import re
from typing import Any

from dash import dcc, html

from dashboard.controls import aria
from dashboard.page import Here, Page
from rig.guide import chapters


def layout(here: Here) -> Any:
    """The guide's chapters, and a way to each; the text is that of `chillrig guide`."""
    told = chapters()
    ways = [html.Li(html.A(head, href=f"#{place_of(head)}")) for head in told]
    return html.Article(
        [
            html.H1("Guide"),
            html.Nav(html.Ul(ways), className="guide-ways", **aria(label="Chapters")),
            *(
                html.Section(
                    [html.H2(head, id=place_of(head)), dcc.Markdown(text, link_target="_self")],
                    **aria(labelledby=place_of(head)),
                )
                for head, text in told.items()
            ),
        ],
        className="guide",
    )


def place_of(heading: str) -> str:
    """Where a chapter is on the page."""
    return re.sub(r"[^a-z]+", "-", heading.lower()).strip("-")


PAGE = Page("/guide", "Guide", layout, needs_bench=False)
