"""Compare for a room: two or three set-ups, a guess before the answer, and stored runs played side by side."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from dash import ALL as EVERY
from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update

from dashboard import wording
from dashboard.controls import aria, carried, choice, figure, notice, waiting
from dashboard.figures.replay import Replay, replay_figure, replays_of
from dashboard.page import Here, Page
from dashboard.pages.compare import comparison_of, courses_of, known, pair_name
from dashboard.params import named, one, params_of_store
from dashboard.questions.compare import CompareQuestion
from dashboard.questions.room import ASKED, MOST_SHOWN, Asked, room_said, winners
from dashboard.service import BenchView, Service
from rig.advice.compare.result import Comparison
from rig.answer_units import true_minus
from rig.errors import RigError
from rig.report.courses import SetUpCourse, short_names
from rig.report.figures import chill_curves, chill_path
from rig.report.look import DARK, LIGHT, Look, mark

SPEEDS = (("1", "real speed"), ("2", "2 ×"), ("4", "4 ×"), ("8", "8 ×"))
_TYPE_PX = 24


def layout(here: Here) -> Any:
    """The question to the room; the answer follows when it is asked for.

    Raises
    ------
    RigError
        Where the bench has no run or no fit, or the address names what is not there.
    """
    view = here.view()
    asked = shown_of(CompareQuestion.of(view, here.params))
    question = Asked(named(here.params, "ask", ASKED, Asked.COLDER, "question"))
    labels = short_names(asked.set_ups)
    guesses = [
        html.Div(
            [
                html.Button(
                    [
                        html.Span(labels[s], className="what"),
                        html.Output("0", id={"type": "room-hands", "k": k}),
                    ],
                    id={"type": "room-up", "k": k},
                    className="guess",
                ),
                html.Button(
                    "one hand less",
                    id={"type": "room-down", "k": k},
                    className="less",
                    **aria(label=f"One hand less for {labels[s]}"),
                ),
            ]
        )
        for k, s in enumerate(asked.set_ups)
    ]
    return html.Div(
        [
            html.P([carried("Leave the room's view", "/compare")], className="ways-on"),
            html.H1(asked.recipe),
            choice("room-ask", "What do you think", [(a, a.words) for a in Asked], question),
            html.P("Hands up. A press on a name counts one hand.", className="lead"),
            html.Div(guesses, className="guesses"),
            html.Button("Show the answer", id="room-reveal", className="do giant"),
            waiting(html.Div(id="room-answer", **aria(live="polite")), "Working it out …"),
            html.Section(
                [
                    html.H2("Play stored runs side by side"),
                    html.Div(
                        [
                            html.Button("Play", id="replay-play", className="do giant"),
                            choice("replay-speed", "Speed", SPEEDS, "1"),
                        ],
                        className="player",
                    ),
                    html.Div(id="replay-stage"),
                ],
                id="room-replay",
                hidden=True,
            ),
            dcc.Store(id="replay-data"),
            dcc.Store(id="replay-played"),
            dcc.Store(id="room-set_up", data=[str(s) for s in asked.set_ups]),
            dcc.Store(id="room-recipe", data=asked.recipe),
            dcc.Store(id="room-target", data=asked.target),
            dcc.Store(id="room-bench", data=here.kept),
            dcc.Store(id="room-asked"),
        ],
        className="projector",
    )


def shown_of(asked: CompareQuestion) -> CompareQuestion:
    """The same with no more set-ups than a room can follow."""
    return replace(asked, set_ups=asked.set_ups[:MOST_SHOWN])


def register(app: Dash, service: Service) -> None:
    """Count hands, show the answer, play."""
    app.clientside_callback(
        ClientsideFunction("chillrig", "hands"),
        Output({"type": "room-hands", "k": EVERY}, "children"),
        Input({"type": "room-up", "k": EVERY}, "n_clicks"),
        Input({"type": "room-down", "k": EVERY}, "n_clicks"),
    )
    app.clientside_callback(
        ClientsideFunction("chillrig", "asked"),
        Output("room-asked", "data"),
        Input("room-ask", "value"),
        *(State(f"room-{k}", "data") for k in ("set_up", "recipe", "target", "bench")),
    )

    @app.callback(
        Output("room-answer", "children"),
        Output("replay-stage", "children"),
        Output("replay-data", "data"),
        Output("room-replay", "hidden"),
        Input("room-reveal", "n_clicks"),
        Input("theme", "data"),
        State({"type": "room-hands", "k": EVERY}, "children"),
        State("room-asked", "data"),
        prevent_initial_call=True,
    )
    def reveal(clicks: Any, theme: str, hands: Any, asked: Any) -> tuple[Any, ...]:
        if not clicks:
            return (no_update,) * 4
        look = replace(DARK if theme == "dark" else LIGHT, size_px=_TYPE_PX)
        try:
            params = params_of_store(asked)
            view = service.view(service.chosen(one(params, "bench")))
            question = shown_of(CompareQuestion.of(view, params))
            ask = Asked(named(params, "ask", ASKED, Asked.COLDER, "question"))
            if len(question.set_ups) < 2:
                return (
                    notice("Choose two or three set-ups on the page Compare, then show them here."),
                    None,
                    None,
                    True,
                )
            courses, found = courses_of(view, question), comparison_of(view, question)
            played = replays_of(view, courses, look)
        except RigError as error:
            return notice(str(error)), None, None, True
        counted = [int(h) if str(h).isdigit() else 0 for h in hands or []]
        return (
            answer_block(view, question, found, courses, ask, counted, look),
            stage_block(played, look) if played else None,
            [p.to_dict() for p in played],
            not played,
        )

    app.clientside_callback(
        ClientsideFunction("chillrig", "play"),
        Output("replay-play", "children"),
        Input("replay-play", "n_clicks"),
        Input("replay-data", "data"),
        Input("replay-speed", "value"),
        prevent_initial_call=True,
    )


def answer_block(
    view: BenchView,
    asked: CompareQuestion,
    found: Comparison,
    courses: tuple[SetUpCourse, ...],
    ask: Asked,
    hands: list[int],
    look: Look,
) -> Any:
    """The answer in giant numbers, how the room did, and the curves behind it."""
    best = winners(found, ask)
    after = "" if found.duration_s is None else f" after {found.duration_s:.0f} s"
    cards = []
    for course in courses:
        summary = next(s for s in found.summaries if s.set_up == course.set_up)
        style, won = mark(look, course.place), course.set_up in best
        temp, water = (None if v is None else v[1] for v in (summary.temp_c, summary.dilution_by_volume))
        told = (
            wording.number(temp, 1, "°C"),
            wording.number(None if water is None else 100 * water, 0, "% water"),
        )
        first, second = told if ask is Asked.COLDER else told[::-1]
        shown = [html.P(first, className="giant-number"), html.P(second, className="giant-second")]
        cards.append(
            html.Div(
                [html.H3(f"{'★ ' if won else ''}{course.label}"), *shown],
                className="giant-card won" if won else "giant-card",
                style={"borderColor": style.colour},
            )
        )
    target = asked.target_of(view)
    said = [f"{pair_name(p)} {known(found, p)}" for p in found.pairs if p.contrasts]
    return [
        html.H2(f"The answer{after}"),
        html.P(room_said(found, ask, courses, hands), className="room-said"),
        html.Div(cards, className="giant-cards"),
        html.Div(
            [
                figure(
                    "room-chill", "Chill", "Temperature against time.", chill_curves(courses, look, target)
                ),
                figure(
                    "room-path",
                    "Chill against dilution",
                    "The way each drink takes.",
                    chill_path(courses, look, target),
                ),
            ],
            className="figures",
        ),
        html.Details(
            [html.Summary("In words"), html.Ul([html.Li(true_minus(t)) for t in said], className="sentences")]
        ),
    ]


def stage_block(played: tuple[Replay, ...], look: Look) -> Any:
    """Where the runs are played: a clock, giant numbers, and curves that grow."""
    cards = [
        html.Div(
            [
                html.H3(p.label),
                html.P(
                    wording.number(float(p.temp_c[0]), 1, "°C"),
                    id=f"replay-temp-{k}",
                    className="giant-number",
                ),
                html.P(
                    wording.number(100 * float(p.dilution_by_volume[0]), 0, "% water"),
                    id=f"replay-water-{k}",
                    className="giant-second",
                ),
                html.P(f"run {p.run}", className="quiet"),
            ],
            className="giant-card",
            style={"borderColor": p.colour},
        )
        for k, p in enumerate(played)
    ]
    return [
        html.P("0.0 s", id="replay-clock", className="giant-clock", role="timer", **aria(live="off")),
        html.Div(cards, className="giant-cards"),
        figure(
            "replay-figure",
            "Drink against time",
            "The runs as they were, drawn while they are played.",
            replay_figure(played, look),
            "Each run's own drink, from its trace and weighing; dilution is water added ÷ starting volume.",
        ),
    ]


PAGE = Page("/compare/projector", "", layout, register, bare=True)
