"""A run's small picture with two handles on it: where motion starts and where it stops, dragged or typed.

What is dragged is written into the lines below, and what is typed there moves the handles (`assets/motion_strip.js`).
"""

from __future__ import annotations

import json
from typing import Any

from dash import html

from dashboard.controls import aria
from dashboard.figures.small_run import EDGE_SHARE, HEIGHT, WIDTH, SmallRun

Id = str | dict[str, Any]


def strip_block(picture: SmallRun, said: str, start: Id, duration: Id) -> html.Div:
    """The picture, said in words too; `start` and `duration` are the lines in which the same is typed."""
    facts = {
        "first": picture.first_s,
        "last": picture.last_s,
        "own": picture.own_start_s,
        "stop": picture.stop_s,
        "edge": EDGE_SHARE,
        "fields": {"start": _named(start), "duration": _named(duration)},
    }
    told: dict[str, Any] = {"data-facts": json.dumps(facts)}
    handles = [
        html.Div(
            html.Span(word, className="strip-grip"),
            className=f"strip-handle strip-{name}",
            role="slider",
            tabIndex=0,
            hidden=True,
            **aria(label=label),
        )
        for name, word, label in (("start", "start", "Motion starts"), ("stop", "stop", "Motion stops"))
    ]
    # with its size, so that its place is free before it is drawn
    drawn = html.Img(src=picture.address, alt=said, width=int(WIDTH), height=int(HEIGHT), draggable="false")
    return html.Div([drawn, *handles], className="strip", **told)


def _named(id_: Id) -> dict[str, Any]:
    """An id as Dash takes it, and as it stands in the page."""
    at = id_ if isinstance(id_, str) else json.dumps(id_, sort_keys=True, separators=(",", ":"))
    return {"id": id_, "at": at}
