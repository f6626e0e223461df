"""Live for a room: giant numbers and two curves, and a guess taken before they are shown."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard.controls import aria, carried
from dashboard.page import Here, Page


def layout(here: Here) -> Any:
    """The stage for a room; the page's script fills it from the drink under way."""
    return html.Div(
        [
            html.P([carried("Leave the room's view", "/live")], className="ways-on"),
            html.H1("How cold will it be when we stop?"),
            html.P("Hands up. A press on an answer counts one hand.", className="lead", id="room-live-lead"),
            html.Div(id="room-live-guesses", className="guesses"),
            html.P("–", id="room-live-clock", className="giant-clock", role="timer", **aria(live="off")),
            html.Button("Show the drink", id="room-live-reveal", className="do giant"),
            html.Div(id="live-stage", hidden=True),
            html.P(
                "Waiting for a drink on the page Live …", id="live-wait", className="waiting", role="status"
            ),
        ],
        id="live-room",
        className="projector",
    )


PAGE = Page("/live/projector", "", layout, bare=True)
