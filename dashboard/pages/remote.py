"""A phone as the remote of Live: start, stop and the moment to stop, large enough for a wet thumb."""

from __future__ import annotations

from typing import Any

from dash import Dash, html

from dashboard.controls import aria, carried
from dashboard.page import Here, Page
from dashboard.service import Service


def layout(here: Here) -> Any:
    """What the page's script fills from the drink under way."""
    return html.Div(
        [
            html.Section(
                [
                    html.P("–", id="remote-drink", className="live-drink"),
                    html.H1("Looking for the drink under way …", id="remote-word"),
                    html.P("", id="remote-big", className="live-big"),
                    html.P("", id="remote-second", className="live-second"),
                    html.P("", id="remote-cadence", className="quiet"),
                ],
                id="remote-now",
                role="status",
                **aria(live="polite", label="The drink now"),
            ),
            html.P(id="live-trouble", className="notice mind", role="alert", hidden=True),
            html.Div(id="remote-acts", className="remote-acts"),
            html.Div(
                [
                    html.Button("Make this phone ready", id="remote-ready", className="quiet-do"),
                    html.Button(
                        "Start and stop by this phone's motion", id="remote-feel", className="quiet-do"
                    ),
                    html.P(id="remote-felt", className="quiet", role="status"),
                    html.Ul(id="remote-can", className="quiet", **aria(label="What this phone does")),
                    html.P(
                        "Lay it where nothing is poured, or hold it dry; keep its charger away from water.",
                        className="quiet",
                    ),
                    html.P([carried("Leave the remote", "/live")], className="ways-on"),
                ],
                className="remote-foot",
            ),
            # what the script of Live writes its state into, wherever it runs
            html.Div([html.Div(id="live-wait"), html.Div(id="live-stage")], hidden=True),
        ],
        id="live-remote",
    )


def register(app: Dash, service: Service) -> None:
    """Nothing of its own: it hears and asks as Live does."""


PAGE = Page("/live/remote", "", layout, register, bare=True)
