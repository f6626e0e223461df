"""Shake time: how long to move this drink on this ice, with what odds, and what would help."""

from __future__ import annotations

import json
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html
from flask import Response, request
from plotly.utils import PlotlyJSONEncoder

from dashboard import wording
from dashboard.ahead import AHEAD, FORETOLD, DrinksAhead
from dashboard.answers import complete, make_call
from dashboard.call_blocks import answer_block, facts, figures_block, head_block, levers_block
from dashboard.call_log import CallKeeper
from dashboard.controls import Usual, aria, ask, carried, choice, names, notice, slider, waiting
from dashboard.memoise import memoised
from dashboard.page import Here, Page
from dashboard.params import one, params_of_store
from dashboard.questions.call import CONDITIONS, CallQuestion, scales, sliders_of_target, usual_conditions
from dashboard.questions.defaults import OWN, techniques
from dashboard.service import BenchView, Service
from rig.advice.call.ahead import foretell
from rig.advice.call.call import Advice
from rig.answer_units import true_minus
from rig.errors import RigError
from rig.report import wording as words
from rig.report.figures import landing_figure
from rig.report.finding_page import Block, Drawn, FindingPage, Listed, Tabled
from rig.report.look import LIGHT

_CHOICES = ("technique", "vessel", "ice", "recipe", "target")
_OF_TARGET = ("serve_temp_c_max", "dilution_low", "dilution_high")
_SLIDERS = (*CONDITIONS, *_OF_TARGET)
IN_FULL = "told-twice in-full"
"""Class of the answer while it is the one worked out in full."""


def layout(here: Here) -> Any:
    """The page with its controls as the address asks; its answers follow from callbacks."""
    view, trouble = here.view(), None
    try:
        asked = CallQuestion.of(view, here.params)
    except RigError as error:
        asked, trouble = CallQuestion.of(view, {}), notice(f"{error} Shown is the usual drink instead.")
    return html.Div(
        [
            html.H1("Shake time"),
            trouble,
            html.Section(_controls(view, asked), className="asks-row", **aria(label="Drink, ice and target")),
            html.Div(
                [
                    html.Section(
                        html.Div(
                            [
                                waiting(
                                    html.Div(id="call-head", **aria(live="polite")), "Working out the call …"
                                ),
                                html.Div(id="call-foretold", **aria(hidden="true")),
                            ],
                            id="call-told",
                            className=IN_FULL,
                        ),
                        className="answer",
                        **aria(label="The call"),
                    ),
                    html.Section(
                        waiting(html.Div(id="call-figures"), "Drawing …"),
                        className="drawn",
                        **aria(label="The drink against time"),
                    ),
                    html.Section(
                        [
                            waiting(html.Div(id="call-answer"), "Working out the call …"),
                            waiting(html.Div(id="call-levers"), "Trying what would help …"),
                        ],
                        className="more",
                        **aria(label="Why, and what would help"),
                    ),
                ],
                className="asked-page",
            ),
            html.P(
                [
                    carried("Technique card to print", "/card"),
                    carried("Technique card as PDF", "/card.pdf"),
                    carried("Keep this page as one file", "/keep/shake-time", download=True),
                ],
                className="ways-on",
            ),
            dcc.Store(id="call-bench", data=here.kept),
            dcc.Store(id="call-targets", data={t: sliders_of_target(view, t) for t in view.bench.targets}),
            dcc.Store(id="call-asked"),
            dcc.Store(id="call-answered"),
            dcc.Store(id="call-rested"),
        ]
    )


def _controls(view: BenchView, asked: CallQuestion) -> list[Any]:
    bench, run_of = view.bench, scales(view)
    targets = [*names(tuple(bench.targets)), (OWN, "my own")]

    usual = usual_conditions(view, asked.drink)

    def stands(name: str) -> float:
        value = getattr(asked, name)
        return float(usual[name] if value is None else value)

    def slide(name: str, label: str) -> html.Div:
        at = Usual(usual[name], getattr(asked, name) is None) if name in usual else None
        return slider(f"call-{name}", label, run_of[name], stands(name), at)

    def told(name: str) -> str:
        return run_of[name].words(stands(name))

    s = asked.drink
    return [
        ask(
            "{call-recipe} at {call-drink_temp_c}",
            f"{s.recipe} at {told('drink_temp_c')}",
            [
                choice("call-recipe", "Recipe", names(tuple(bench.recipes)), asked.recipe),
                slide("drink_temp_c", "Drink before the ice"),
            ],
        ),
        ask(
            "{call-technique} in {call-vessel}",
            f"{s.technique} in {s.vessel}",
            [
                choice("call-technique", "Technique", names(techniques(view)), asked.technique),
                choice("call-vessel", "Vessel", names(tuple(bench.vessels)), asked.vessel),
            ],
        ),
        ask(
            "{call-ice_mass_g} {call-ice} at {call-ice_temp_c}",
            f"{told('ice_mass_g')} {s.ice} at {told('ice_temp_c')}",
            [
                choice("call-ice", "Ice", names(tuple(bench.ice)), asked.ice),
                slide("ice_mass_g", "Ice, weighed"),
                slide("ice_temp_c", "Ice temperature"),
            ],
        ),
        ask(
            "into {call-target}: {call-serve_temp_c_max} or colder, {call-dilution_low} to {call-dilution_high}",
            f"into {asked.target or 'my own'}: {told('serve_temp_c_max')} or colder, {told('dilution_low')} to "
            f"{told('dilution_high')}",
            [
                choice("call-target", "Lands in", targets, asked.target),
                slide("serve_temp_c_max", "Serve at or below"),
                slide("dilution_low", "Dilution from"),
                slide("dilution_high", "Dilution to"),
                html.P("Dilution is water added ÷ starting volume.", className="quiet"),
            ],
        ),
    ]


def register(app: Dash, service: Service) -> None:
    """Connect the page to its bench."""
    calls, drinks = CallKeeper(service), DrinksAhead()
    app.server.extensions[AHEAD] = drinks

    @memoised(64)
    def call_of(view: BenchView, asked: CallQuestion) -> Advice:
        with drinks.asking_in_full():
            return make_call(view, asked)

    @memoised(16)
    def drawn(view: BenchView, asked: CallQuestion, theme: str) -> Any:
        return figures_block(call_of(view, asked), theme)

    service.usually(lambda view, theme: drawn(view, CallQuestion.of(view, {}), theme))
    service.usually(lambda view, theme: drinks.begin_usual(view))

    @memoised(32)
    def complete_call_of(view: BenchView, asked: CallQuestion) -> Advice:
        return complete(view, call_of(view, asked))

    def read(asked: Any) -> tuple[BenchView, CallQuestion]:
        params = params_of_store(asked)
        view = service.view(service.chosen(one(params, "bench")))
        return view, CallQuestion.of(view, params)

    boxes = [f"{k}-usual" for k in CONDITIONS]
    asks = [Input(f"call-{k}", "value") for k in (*_CHOICES, *_SLIDERS, *boxes)]
    app.clientside_callback(
        ClientsideFunction("chillrig", "asked"),
        Output("call-asked", "data"),
        *asks,
        State("call-bench", "data"),
    )
    app.clientside_callback(
        ClientsideFunction("chillrig", "inFullCame"),
        Input("call-answered", "data"),
        prevent_initial_call=True,
    )
    # what would help is tried once the call is out, so that the two do not slow each other
    app.clientside_callback(
        ClientsideFunction("chillrig", "rested"),
        Output("call-rested", "data"),
        Input("call-answered", "data"),
    )
    app.clientside_callback(
        ClientsideFunction("chillrig", "targetSliders"),
        *(Output(f"call-{k}", "value") for k in _OF_TARGET),
        Input("call-target", "value"),
        State("call-targets", "data"),
        prevent_initial_call=True,
    )
    for name in _SLIDERS:
        app.clientside_callback(
            ClientsideFunction("chillrig", "shown"),
            Output(f"call-{name}-shown", "children"),
            Input(f"call-{name}", "value"),
        )

    @app.callback(
        Output("call-head", "children"),
        Output("call-answer", "children"),
        Output("call-answered", "data"),
        Input("call-asked", "data"),
        prevent_initial_call=True,
    )
    def answer(asked: Any) -> tuple[Any, Any, Any]:
        try:
            view, question = read(asked)
            call = call_of(view, question)
        except RigError as error:
            return notice(str(error)), None, None
        calls.keep(view, call)
        return head_block(call), answer_block(call), asked

    # asked past Dash, whose own rounds take longer than the answer
    def foretold() -> Response:
        try:
            view, question = read(request.get_json(silent=True))
            ahead = drinks.of(view, question.drink) if service.ahead else None
            told = (
                None
                if ahead is None
                else head_block(foretell(ahead, question.situation, question.target_of(view)))
            )
        except RigError:
            told = None  # told by the call in full
        return Response(json.dumps(told, cls=PlotlyJSONEncoder), mimetype="application/json")

    app.server.add_url_rule(FORETOLD, view_func=foretold, methods=["POST"])

    # drawn after the number is out, which the bar waits for; a switch of light and dark draws anew only this
    @app.callback(
        Output("call-figures", "children"),
        Input("call-answered", "data"),
        Input("theme", "data"),
        prevent_initial_call=True,
    )
    def draw(asked: Any, theme: str) -> Any:
        if asked is None:
            return None
        try:
            return drawn(*read(asked), theme)
        except RigError:
            return None  # told in place of the call, by the callback above

    @app.callback(Output("call-levers", "children"), Input("call-rested", "data"), prevent_initial_call=True)
    def help_with(asked: Any) -> Any:
        try:
            view, question = read(asked)
            return levers_block(complete_call_of(view, question))
        except RigError:
            return None  # told in place of the call, by the callback above

    for name in CONDITIONS:
        app.clientside_callback(
            ClientsideFunction("chillrig", "asUsual"),
            Output(f"call-{name}", "value"),
            Output(f"call-{name}-usual", "value"),
            Input(f"call-{name}", "value"),
            Input(f"call-{name}-usual", "value"),
            Input(f"call-{name}-at", "data"),
            prevent_initial_call=True,
        )

    # another drink or ice stands where that one usually does: what was asked of the one before is no question of it
    @app.callback(
        *(Output(f"call-{name}-at", "data") for name in CONDITIONS),
        *(Input(f"call-{k}", "value") for k in ("technique", "vessel", "ice", "recipe")),
        State("call-bench", "data"),
        prevent_initial_call=True,
    )
    def stand(technique: str, vessel: str, ice: str, recipe: str, bench: Any) -> list[Any]:
        names = {"technique": technique, "vessel": vessel, "ice": ice, "recipe": recipe, "bench": bench}
        params = params_of_store(names)
        view = service.view(service.chosen(one(params, "bench")))
        usual = usual_conditions(view, CallQuestion.of(view, params).drink)
        changed = {t["prop_id"] for t in ctx.triggered}
        belongs_to = dict.fromkeys(CONDITIONS, "call-ice.value") | {"drink_temp_c": "call-recipe.value"}
        return [{"value": usual[name], "reset": belongs_to[name] in changed} for name in CONDITIONS]


def finding(here: Here) -> FindingPage:
    """The call, to keep."""
    view = here.view()
    call = complete(view, make_call(view, CallQuestion.of(view, here.params)))
    s = call.situation
    helps = tuple(
        true_minus(f"{f.what}: lands {words.odds_words(f.odds)} at {words.seconds(f.duration_s)} s.")
        for f in call.levers
    )
    blocks: list[Block] = [
        Listed(
            "The call",
            (
                f"{words.landing(call)}.",
                words.limits(call) if call.feasible else wording.why_not(call),
                words.basis_sentence(call.basis),
            ),
        ),
        Drawn(
            "Chill, dilution and odds against time", landing_figure(call, LIGHT), "Bands hold 90 % of runs."
        ),
        Tabled("What it promises", ("", "Value", "Remark"), tuple(facts(call))),
        *([Listed("What would help", helps)] if helps else []),
        *([Listed("Mind", tuple(true_minus(c) for c in call.cautions))] if call.cautions else []),
    ]
    assumed, target = words.assumptions(call.filled), words.target_words(call.target)
    lead = f"{s.recipe} · {s.vessel} · {s.ice}. {assumed}. Target: {target}."
    return FindingPage(words.headline(call), lead, blocks)


PAGE = Page("/shake-time", "Shake time", layout, register, finding)
