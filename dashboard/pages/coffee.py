"""The coffee of a recipe: yield, strength, caffeine with its limits beside it, and how long to let it rest."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from dashboard.controls import aria, choice, figure, names, notice, slider, table, waiting
from dashboard.figures.drink import rest_figure
from dashboard.page import Here, Page
from dashboard.pages.recipe import caffeine_limits, parts_of_recipe, usual_instead
from dashboard.params import one, params_of_store
from dashboard.questions.coffee import (
    BEANS,
    COUNT,
    DOSE,
    METHODS,
    OUT,
    REST_CUPS,
    REST_TO,
    ROOM,
    STRENGTH,
    YIELD,
    CoffeeQuestion,
    Poured,
    waits_s,
)
from dashboard.service import Service
from rig.advice.recipe.people import CAFFEINE_SINGLE_MG
from rig.answer_units import true_minus
from rig.brewing import Spread
from rig.errors import RigError
from rig.physics.brew import Cupful
from rig.report.look import DARK, LIGHT, Look

_CHOICES = ("method", "bean", "cup")
_SLIDERS = {
    "dose_g": ("Ground coffee, one brew", DOSE),
    "yield_g": ("In the cup, weighed", YIELD),
    "count": ("Brews", COUNT),
    "tds_pct": ("Strength measured, 0 if not", STRENGTH),
    "out_c": ("Out of the machine", OUT),
    "rest_to_c": ("Rest down to", REST_TO),
    "room_c": ("Room", ROOM),
}


def layout(here: Here) -> Any:
    """The page with its controls as the address asks; needs no bench."""
    trouble = None
    try:
        asked = CoffeeQuestion.of(here.params)
    except RigError as error:
        asked, trouble = CoffeeQuestion.of({}), usual_instead(error)

    def slide(name: str) -> html.Div:
        label, run = _SLIDERS[name]
        value = getattr(asked, name)
        return slider(f"coffee-{name}", label, run, 0.0 if value is None else float(value))

    return html.Div(
        [
            html.H1("Coffee"),
            parts_of_recipe("/recipe/coffee"),
            trouble,
            html.Div(
                [
                    html.Section(
                        waiting(
                            html.Div(id="coffee-head", className="told-head", **aria(live="polite")),
                            "Working it out …",
                        ),
                        className="answer",
                        style={"position": "static"},
                        **aria(label="What is in the cup"),
                    ),
                    html.Section(
                        [
                            html.Fieldset(
                                [
                                    html.Legend("Brew"),
                                    choice(
                                        "coffee-method", "Method", names(tuple(METHODS)), asked.method.label
                                    ),
                                    *(slide(n) for n in ("dose_g", "yield_g", "count", "tds_pct")),
                                    choice("coffee-bean", "Bean", names(tuple(BEANS)), asked.bean.label),
                                ]
                            ),
                            html.Fieldset(
                                [
                                    html.Legend("Rest"),
                                    choice("coffee-cup", "In a", names(REST_CUPS), asked.cup),
                                    *(slide(n) for n in ("out_c", "rest_to_c", "room_c")),
                                ]
                            ),
                        ],
                        className="controls",
                        **aria(label="Brew and rest"),
                    ),
                    html.Section(
                        [
                            html.Div(id="coffee-answer"),
                            waiting(html.Div(id="coffee-rest", **aria(live="polite")), "Letting it rest …"),
                        ],
                        className="more",
                        **aria(label="In numbers, and the rest"),
                    ),
                ],
                className="call-page",
            ),
            dcc.Store(id="coffee-bench", data=here.kept),
            # not asked here, but kept in the address for the way back
            dcc.Store(id="coffee-recipe", data=one(here.params, "recipe")),
            dcc.Store(id="coffee-asked"),
        ]
    )


def register(app: Dash, service: Service) -> None:
    """Connect the controls to the cup."""

    @lru_cache(maxsize=128)
    def rested(asked: CoffeeQuestion) -> Poured:
        return asked.rested()

    app.clientside_callback(
        ClientsideFunction("chillrig", "asked"),
        Output("coffee-asked", "data"),
        *(Input(f"coffee-{k}", "value") for k in (*_CHOICES, *_SLIDERS)),
        State("coffee-recipe", "data"),
        State("coffee-bench", "data"),
    )
    for name in _SLIDERS:
        app.clientside_callback(
            ClientsideFunction("chillrig", "shown"),
            Output(f"coffee-{name}-shown", "children"),
            Input(f"coffee-{name}", "value"),
        )

    @app.callback(
        Output("coffee-head", "children"),
        Output("coffee-answer", "children"),
        Input("coffee-asked", "data"),
        prevent_initial_call=True,
    )
    def answer(asked: Any) -> tuple[Any, Any]:
        try:
            made = CoffeeQuestion.of(params_of_store(asked)).made()
        except RigError as error:
            return notice(true_minus(str(error))), None
        return head_block(made), answer_block(made)

    # the course does not depend on where one stops waiting: that slider only reads it anew
    @app.callback(
        Output("coffee-rest", "children"),
        Input("coffee-asked", "data"),
        Input("theme", "data"),
        prevent_initial_call=True,
    )
    def rest(asked: Any, theme: str) -> Any:
        try:
            question = CoffeeQuestion.of(params_of_store(asked))
            found = rested(replace(question, rest_to_c=REST_TO.low))
        except RigError:
            return None  # told in place of the cup, by the callback above
        return rest_block(found, question, DARK if theme == "dark" else LIGHT)


def _spread(s: Spread, digits: int, unit: str) -> tuple[str, str]:
    ends = "as weighed" if s.is_known else f"{s.low:.{digits}f} to {s.high:.{digits}f} {unit}"
    return f"{s.typical:.{digits}f} {unit}", ends


def head_block(made: Cupful) -> Any:
    """Caffeine and strength, large, the limits beside."""
    caffeine, strength = made.caffeine_mg, made.tds_pct
    over = caffeine.typical > CAFFEINE_SINGLE_MG
    ends = "" if caffeine.is_known else f" ({caffeine.low:.0f} to {caffeine.high:.0f})"
    mark = "△ Above what is held safe at once. " if over else ""
    return [
        html.P(
            f"{made.brew.count} × {made.brew.method.label}, {made.brew.dose_g:g} g each", className="over"
        ),
        html.P([html.B(f"{strength.typical:.1f} %"), " strong"], className="big"),
        html.P(
            f"{made.yield_g.typical:.0f} g in the cup · caffeine {caffeine.typical:.0f} mg{ends}",
            className="window",
        ),
        html.P(f"{mark}{caffeine_limits()}", className="first-caution" if over else "quiet"),
    ]


def answer_block(made: Cupful) -> Any:
    """Everything known of the brew, with its range, and what rests on what."""
    rows = [
        ("In the cup", *_spread(made.yield_g, 0, "g")),
        ("Volume at 20 °C", *_spread(made.volume_ml, 0, "ml")),
        ("Brew water", *_spread(made.water_g, 0, "g")),
        ("Kept by the grounds", *_spread(made.kept_g, 0, "g")),
        ("Strength", *_spread(made.tds_pct, 1, "%")),
        ("Extraction", *_spread(made.extraction_pct, 1, "%")),
        ("Caffeine", *_spread(made.caffeine_mg, 0, "mg")),
    ]
    notes = [html.Li(true_minus(f"{n[0].upper()}{n[1:]}.")) for n in made.notes]
    return [
        table("The brew", ("What", "Usual", "Range"), rows, "told"),
        html.Ul(notes, className="sentences"),
    ]


def rest_block(found: Poured, asked: CoffeeQuestion, look: Look) -> Any:
    """How long to wait, and the course it is read from."""
    if found.rested is None:
        return [html.H2("Rest"), notice(true_minus(found.refused))]
    told = rest_words(found, asked)
    return figure(
        "coffee-resting",
        f"Rest to {asked.rest_to_c:z.0f} °C",
        told,
        rest_figure(found.rested, asked.rest_to_c, look),
        f"{told} Band: still to breezy rooms.",
    )


def rest_words(found: Poured, asked: CoffeeQuestion) -> str:
    """The wait in words."""
    if found.rested is None:
        return found.refused
    if asked.rest_to_c <= asked.room_c:
        return f"No rest gets there: the room is at {asked.room_c:z.0f} °C. Chill it instead."
    soonest, usual, latest = waits_s(found.rested, asked.rest_to_c)
    if usual is None:
        return f"Not in half an hour in the {asked.cup}. A wider or thinner one cools faster."
    return f"About {_clock(usual)} in the {asked.cup} ({_clock(soonest)} to {_clock(latest)})."


def _clock(seconds: float | None) -> str:
    if seconds is None:
        return "over half an hour"
    return f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.0f} min"


PAGE = Page("/recipe/coffee", "", layout, register, needs_bench=False)
