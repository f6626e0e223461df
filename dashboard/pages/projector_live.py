"""Live for a room: where the drink stands and when to stop, the guesses of a class, and who was near."""

from __future__ import annotations

from typing import Any

from dash import Dash, html

from dashboard.classroom.served import register as serve_class
from dashboard.controls import aria, carried
from dashboard.page import Here, Page
from dashboard.pages.live import ROOM
from dashboard.service import Service

# as the script has it first, so that the wall below stays where it is
_SOUND = (
    html.Span("No sound yet: the browser waits for a press"),
    html.Button("Turn the sound on", id="wall-tone", className="do"),
)


def layout(here: Here) -> Any:
    """The wall; the page's script fills it from the drink under way and the guesses of the class."""
    return html.Div(
        [
            html.Div(
                [
                    html.P([carried("Leave the room's view", "/live")], className="ways-on"),
                    html.Div(_SOUND, id="wall-sound", className="wall-sound"),
                ],
                className="wall-top",
            ),
            html.Div(
                [
                    html.Div(
                        [
                            html.Section(
                                [
                                    html.P("–", id="wall-drink", className="over"),
                                    html.H1("Waiting for a drink", id="wall-state"),
                                    html.P("", id="wall-big", className="wall-big"),
                                    html.P("", id="wall-second", className="wall-second"),
                                ],
                                id="wall-now",
                                role="status",
                                **aria(live="polite", label="The drink now"),
                            ),
                            html.Section(id="wall-near", **aria(label="Who was near")),
                            html.Section(id="wall-before", **aria(label="The drinks before")),
                        ]
                    ),
                    html.Section(id="wall-side", **aria(label="The class")),
                ],
                className="wall",
            ),
            html.P(id="live-trouble", className="notice mind", role="alert", hidden=True),
            # what the script of Live writes its state into, wherever it runs
            html.Div([html.Div(id="live-wait"), html.Div(id="live-stage")], hidden=True),
        ],
        id="live-room",
        className="projector",
    )


def register(app: Dash, service: Service) -> None:
    """Serve the class that guesses what the room of Live makes."""
    serve_class(app.server, app.server.extensions[ROOM])


PAGE = Page("/live/projector", "", layout, register, bare=True)
