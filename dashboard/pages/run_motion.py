"""When a run's motion started and stopped, said anew: dragged on its small picture, or typed below."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, State, html, no_update

from dashboard.controls import written
from dashboard.figures.small_run import around_motion, small_run
from dashboard.page import Here
from dashboard.pages.changing import pressed
from dashboard.pages.motion_strip import strip_block
from dashboard.pages.run_corrections import shown_anew
from dashboard.questions.correction import moved
from dashboard.service import Service
from rig.errors import RigError
from rig.logbook.store import Logbook
from rig.runs import Run


def layout(here: Here, run: Run) -> Any:
    """The picture and its lines, where this run can be corrected from here and has a trace."""
    if here.service.logbook is None or here.guest or run.trace is None:
        return None
    return html.Details(
        [
            html.Summary("Move its start or its stop"),
            html.Div(motion_block(run), id="run-motion"),
            written("run-move-why", "Why"),
            html.Button("Move them", id="run-move", className="do"),
            html.Div(id="run-move-said", role="status"),
        ],
        className="corrections run-motion",
    )


def motion_block(run: Run) -> list[Any]:
    """What is dragged and what is typed, as the run stands."""
    assert run.trace is not None
    picture = small_run(around_motion(run.trace, run.duration_s), run.duration_s)
    stop = "" if run.duration_s is None else f"{run.duration_s:g}"
    said = f"Curve of run {run.run} around its motion; lines stand at its start and its stop."
    return [
        strip_block(picture, said, "run-starts", "run-lasts"),
        html.Div(
            [
                written(
                    "run-starts", "Starts at [s]", "0", "Seconds of its trace; 0 is its start now.", "decimal"
                ),
                written("run-lasts", "Shaken or stirred for [s]", stop, "Empty: not known.", "decimal"),
            ],
            className="bring-two",
        ),
    ]


def register(app: Dash, service: Service) -> None:
    """Connect the picture to the logbook."""

    @app.callback(
        Output("run-motion", "children"),
        Input("run-changed", "data"),
        State("run-shown", "data"),
        State("run-bench", "data"),
        prevent_initial_call=True,
    )
    def anew(_changed: Any, name: Any, kept: Any) -> Any:
        try:
            run = service.run(service.chosen(None if kept is None else str(kept)), str(name))
        except RigError:
            return no_update  # the run's own block says so
        return no_update if run.trace is None else motion_block(run)

    @app.callback(
        Output("run-move-said", "children"),
        Output("run-history", "children", allow_duplicate=True),
        Output("run-changed", "data", allow_duplicate=True),
        Output("run-move-why", "value"),
        Input("run-move", "n_clicks"),
        State("run-starts", "value"),
        State("run-lasts", "value"),
        State("run-move-why", "value"),
        State("run-shown", "data"),
        State("run-bench", "data"),
        prevent_initial_call=True,
    )
    def move(clicks: Any, starts: Any, lasts: Any, why: Any, name: Any, kept: Any) -> tuple[Any, ...]:
        def make(logbook: Logbook, bench: str) -> str:
            return moved(logbook, bench, str(name), starts, lasts, why)

        def shown(logbook: Logbook, bench: str) -> tuple[Any, ...]:
            return *shown_anew(logbook, bench, name, ["moved", clicks]), ""

        return pressed(clicks, service, kept, make, shown, 4)
