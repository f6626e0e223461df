"""Live: one drink from the empty vessel to the kept run, with the moment to stop seen and heard."""

from __future__ import annotations

import json
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from dashboard.controls import carried, choice, names, notice, several, written
from dashboard.live import hearing, stream
from dashboard.live.question import Devices, LiveQuestion, Probe, World, techniques
from dashboard.live.room import NO_LOGBOOK, LiveRoom
from dashboard.page import Here, Page
from dashboard.params import address, params_of_query
from dashboard.questions.rhythm import usual_hz
from dashboard.service import Service
from rig.bench import Bench
from rig.capture.devices.ports import every_device
from rig.errors import RigError
from rig.runs import YES

ROOM = "chillrig.live"
"""Under which name the server keeps the room."""
_ASKED = (
    "recipe",
    "technique",
    "vessel",
    "ice",
    "target",
    "devices",
    "port",
    "probe",
    "speed",
    "world",
    "blind",
    "operator",
    "session",
)
CAUTIONS = (
    "Wet hands and mains do not go together: run the computer on its battery, or keep its charger and every plug "
    "out of reach of splashes. Probes and scales by USB only. A hot drink in a sealed vessel builds pressure: vent it "
    "before you shake."
)


def layout(here: Here) -> Any:
    """The choice of a drink, and the stage that the page's script fills while one is recorded.

    Raises
    ------
    RigError
        A bench that nothing can be made on.
    """
    bench, trouble = here.service.bench(here.bench), None
    try:
        asked = LiveQuestion.of(here.bench, bench, here.params)
    except RigError as error:
        asked, trouble = LiveQuestion.of(here.bench, bench, params_of_query("")), notice(str(error))
    return html.Div(
        [
            html.H1("Live"),
            trouble,
            notice(NO_LOGBOOK) if here.service.logbook is None else None,
            html.Div(id="live-idle", className="live-idle"),
            html.Div(_choices(bench, asked, here.service), id="live-choice", hidden=True),
            html.Div(id="live-stage", hidden=True),
            html.P("Looking for the drink under way …", id="live-wait", className="waiting", role="status"),
            html.P(id="live-trouble", className="notice mind", role="alert", hidden=True),
            _hearing(here.guest),
            _remotes(here.guest),
            html.Div(
                [
                    html.P(
                        [
                            carried("This phone as the remote", "/live/remote"),
                            carried("For the room: projector view", "/live/projector"),
                            dcc.Link("By hand, with no probe", href=address("/by-hand", bench=here.kept)),
                            dcc.Link(
                                "Bring in tables of a logger", href=address("/runs/bring-in", bench=here.kept)
                            ),
                        ],
                        className="ways-on",
                    ),
                    html.Details([html.Summary("Before you start: water and mains"), html.P(CAUTIONS)]),
                ],
                className="live-foot",
            ),
            dcc.Store(id="live-asked"),
            dcc.Store(id="live-bench", data=here.kept),
        ],
        id="live",
        **{"data-bench": here.bench, "data-usual-hz": json.dumps(usual_hz(here))},  # type: ignore[arg-type]
    )


def _hearing(guest: bool) -> Any:
    """The microphone: what it is for, what leaves the page, and where it cannot be had."""
    if guest:
        return None
    return html.Details(
        [
            html.Summary("No probe? Hear the shake"),
            html.P(
                "Lay it beside the shaker. Press, rest, shake, rest, press again: start, stop and cadence are heard, "
                "and go with the drink under way.",
            ),
            html.Button("Hear the shake", id="hear-toggle", className="do"),
            html.P(id="hear-said", className="live-missing", role="status"),
            html.Div(
                [
                    written("hear-run", "The run it belongs to"),
                    html.Button("Note its seconds there", id="hear-keep", className="quiet-do"),
                ],
                id="hear-note",
                hidden=True,
            ),
            html.P(
                "No sound is recorded and none leaves this page: only how loud it is where ice rings, one number for "
                "four thousandths of a second. On another screen a browser gives its microphone only to a page with "
                "a certificate; there, record with the phone itself: chillrig hear take.wav",
                className="quiet",
            ),
        ],
        className="live-hear",
    )


def _remotes(guest: bool) -> Any:
    """Whether other screens may start and stop; nothing on those themselves."""
    if guest:
        return None
    return html.Details(
        [
            html.Summary("A phone as the remote"),
            html.P(
                "Share the dashboard (chillrig dashboard --share), open it on the phone with the code that is then "
                "told, and there choose Live and This phone as the remote. Other screens only watch until you let "
                "them start and stop."
            ),
            html.Button("Let phones start and stop", id="live-remotes", className="do"),
            html.P(
                "It holds for every screen that was let in by a screen's code, until this dashboard is closed or you "
                "take it back; a class's phones never can.",
                className="quiet",
            ),
        ],
        className="live-hear",
    )


def _choices(bench: Bench, asked: LiveQuestion, service: Service) -> list[Any]:
    ports = [(d.address, d.in_words) for d in every_device(service.devices)]
    targets = [*names(tuple(bench.targets)), ("", "none: only watch")]
    speeds = [(f"{s:g}", "real speed" if s == 1 else f"{s:g} × speed") for s in (1.0, 2.0, 4.0)]
    if f"{asked.speed:g}" not in dict(speeds):
        speeds.append((f"{asked.speed:g}", f"{asked.speed:g} × speed"))
    return [
        html.P("Or another drink", className="live-or"),
        html.Div(
            [
                html.Button("Weigh in", id="live-begin", className="do giant"),
                html.Button("Hear the tone", id="live-tone", className="quiet-do"),
            ],
            className="live-begin",
        ),
        html.Div(
            [
                choice("live-recipe", "Drink", names(tuple(bench.recipes)), asked.recipe),
                choice("live-technique", "Technique", names(techniques(bench)), asked.technique),
                choice("live-vessel", "Vessel", names(tuple(bench.vessels)), asked.vessel),
                choice("live-ice", "Ice", names(tuple(bench.ice)), asked.ice),
                choice("live-target", "Target", targets, asked.target),
                choice("live-devices", "Devices", [(d.value, d.words) for d in Devices], asked.devices),
                html.Div(
                    [
                        several("live-port", "Which of them", ports, asked.ports),
                        html.P(
                            "None marked: all that can be understood. The first that reads a temperature is the "
                            "drink's probe."
                            if ports
                            else "Nothing is plugged in that this computer lists.",
                            className="quiet",
                        ),
                    ],
                    className="only-plugged",
                ),
                choice(
                    "live-probe", "Probe before the start", [(p.value, p.words) for p in Probe], asked.probe
                ),
                html.Div(
                    [
                        choice("live-speed", "Simulated drink runs at", speeds, f"{asked.speed:g}"),
                        choice(
                            "live-world",
                            "and chills",
                            [(w.value, w.words) for w in World],
                            asked.world,
                        ),
                    ],
                    className="only-simulated",
                ),
                choice(
                    "live-blind",
                    "The call and the numbers are",
                    (("no", "shown, and called"), (YES, "hidden: stop by feel")),
                    YES if asked.blind else "no",
                ),
                written("live-operator", "Operator", asked.operator),
                written("live-session", "Session", asked.session),
            ],
            className="live-choices",
        ),
    ]


def register(app: Dash, service: Service) -> None:
    """Serve what screens hear, and keep the choice in the address."""
    room = app.server.extensions[ROOM] = LiveRoom(service)
    stream.register(app.server, room)
    hearing.register(app.server, room)
    app.clientside_callback(
        ClientsideFunction("chillrig", "asked"),
        Output("live-asked", "data"),
        *(Input(f"live-{k}", "value") for k in _ASKED),
        State("live-bench", "data"),
    )


PAGE = Page("/live", "Live", layout, register)
