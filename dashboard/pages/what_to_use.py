"""What to use, what changed, and where differences come from: a page for whoever chooses ice, vessels and recipes."""

from __future__ import annotations

from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from dashboard import wording
from dashboard.controls import aria, ask, choice, figure, names, notice, slider, table, waiting
from dashboard.memoise import memoised
from dashboard.page import Here, Page
from dashboard.params import one, params_of_store
from dashboard.questions.defaults import recipes, techniques
from dashboard.questions.what_to_use import BY, NIGHT, UseQuestion
from dashboard.service import BenchView, Service
from rig.advice.compare.changes import By, WhatChanged
from rig.advice.compare.rank import VARIED
from rig.advice.compare.rank_words import money_heads, money_of
from rig.advice.compare.ranking import Interval, Ranked, Ranking
from rig.advice.compare.shares import shares
from rig.advice.compare.shares_result import Shares
from rig.errors import RigError
from rig.report import wording as words
from rig.report.look import DARK, LIGHT
from rig.report.shares_figure import shares_figure

PATH = "/compare/what-to-use"
_CHOICES = ("vary", "technique", "vessel", "ice", "recipe", "target", "by")
_HEADS = ("Rests on", "Lands", "Time", "At the stop", "Dilution", "Ice put in")
MOST_CHANGES = 6


def layout(here: Here) -> Any:
    """The page with its choices as the address asks.

    Raises
    ------
    RigError
        Where the bench has no run, no fit or no target.
    """
    view, trouble = here.view(), None
    view.fitted()
    try:
        asked = UseQuestion.of(view, here.params)
    except RigError as error:
        asked = UseQuestion.of(view, {})
        trouble = notice(f"{error} Shown is the usual question instead.")
    bench = view.bench
    held = (
        ("technique", "Technique", techniques(view)),
        ("vessel", "Vessel", tuple(bench.vessels)),
        ("ice", "Ice", tuple(bench.ice)),
        ("recipe", "Recipe", recipes(view)),
    )
    return html.Div(
        [
            html.H1("What to use, and why"),
            trouble,
            html.Section(
                [
                    ask(
                        "rank {use-vary}",
                        f"rank {asked.vary}",
                        [choice("use-vary", "What to rank", names(VARIED), asked.vary)],
                    ),
                    ask(
                        "target: {use-target}",
                        f"target: {asked.target}",
                        [choice("use-target", "Target", names(tuple(bench.targets)), asked.target)],
                    ),
                    *(
                        ask(
                            f"{{use-{part}}}",
                            getattr(asked, part),
                            [choice(f"use-{part}", f"{label}, held", names(there), getattr(asked, part))],
                        )
                        for part, label, there in held
                    ),
                    ask(
                        "ice for {use-night} a night",
                        f"ice for {NIGHT.words(asked.night)} a night",
                        [slider("use-night", "Drinks a night, for what ice costs", NIGHT, asked.night)],
                    ),
                ],
                className="asks-row",
                **aria(label="What to rank"),
            ),
            waiting(html.Div(id="use-rank", **aria(live="polite")), "Making each of them many times …"),
            html.H2("What changed"),
            choice("use-by", "Runs by", [(b, By(b).words) for b in BY], asked.by),
            html.Div(id="use-changed", **aria(live="polite")),
            html.H2("Where differences come from"),
            waiting(html.Div(id="use-shares"), "Putting every ice into every vessel …"),
            html.P(dcc.Link("Back to Compare", href="/compare"), className="ways-on"),
            dcc.Store(id="use-bench", data=here.kept),
            dcc.Store(id="use-asked"),
        ]
    )


def register(app: Dash, service: Service) -> None:
    """Connect the choices to the answers."""
    app.clientside_callback(
        ClientsideFunction("chillrig", "asked"),
        Output("use-asked", "data"),
        *(Input(f"use-{k}", "value") for k in (*_CHOICES, "night")),
        State("use-bench", "data"),
    )
    app.clientside_callback(
        ClientsideFunction("chillrig", "shown"),
        Output("use-night-shown", "children"),
        Input("use-night", "value"),
    )

    def read(asked: Any) -> tuple[BenchView, UseQuestion]:
        params = params_of_store(asked)
        view = service.view(service.chosen(one(params, "bench")))
        return view, UseQuestion.of(view, params)

    @app.callback(Output("use-rank", "children"), Input("use-asked", "data"), prevent_initial_call=True)
    def ranked(asked: Any) -> Any:
        try:
            return rank_block(ranking_of(*read(asked)))
        except RigError as error:
            return notice(str(error))

    @app.callback(Output("use-changed", "children"), Input("use-asked", "data"), prevent_initial_call=True)
    def changed(asked: Any) -> Any:
        try:
            view, question = read(asked)
            return changed_block(question.changed(view))
        except RigError as error:
            return notice(str(error), "know")

    @app.callback(
        Output("use-shares", "children"),
        Input("use-asked", "data"),
        Input("theme", "data"),
        prevent_initial_call=True,
    )
    def parted(asked: Any, theme: str) -> Any:
        try:
            view, question = read(asked)
            return shares_block(shares_of(view, question.technique, question.recipe), theme)
        except RigError as error:
            return notice(str(error), "know")


@memoised(16)
def ranking_of(view: BenchView, asked: UseQuestion) -> Ranking:
    """The ranking asked for; the last ones asked are kept."""
    return asked.ranking(view)


@memoised(16)
def shares_of(view: BenchView, technique: str, recipe: str) -> Shares:
    """Where differences come from with one technique and drink; the last ones asked are kept."""
    return shares(view.fitted(), technique=technique, recipe=recipe)


def rank_block(found: Ranking) -> Any:
    """What is sure of the order in words, then every alternative with its numbers."""
    heads = (
        found.varied.capitalize(),
        *_HEADS,
        *(h.replace("\n", " ").capitalize() for h in money_heads(found)),
    )
    first, *others = found.sentences
    return [
        html.P(first, className="lead"),
        html.Ul([html.Li(text) for text in others], className="sentences"),
        table(f"For {words.target_words(found.target)}", heads, [_row(found, r) for r in found.ranked]),
        html.Ul([html.Li(text) for text in found.notes], className="quiet"),
    ]


def _row(found: Ranking, r: Ranked) -> list[Any]:
    water = tuple(100.0 * v for v in r.dilution_by_volume)
    return [
        r.name,
        words.basis_label(r.call.basis),
        [words.of_hundred(r.call.odds), _small(wording.span(100.0 * r.odds[0], 100.0 * r.odds[2], 0, ""))],
        [
            f"{words.seconds(r.call.duration_s)} s",
            _small(wording.span(r.duration_s[0], r.duration_s[2], 0, "s")),
        ],
        _with_range(r.temp_c, 1, "°C"),
        _with_range((water[0], water[1], water[2]), 0, "%"),
        _with_range(r.ice_g, 0, "g"),
        *("–" if c is None else _with_range(c, 2, "") for c in money_of(found, r)),
    ]


def _with_range(values: Interval, digits: int, unit: str) -> list[Any]:
    return [
        wording.number(values[1], digits, unit).strip(),
        _small(wording.span(values[0], values[2], digits, unit)),
    ]


def _small(text: str) -> html.Small:
    return html.Small(f" {text.strip()}", className="quiet")


def changed_block(found: WhatChanged) -> Any:
    """What changed, first what differs; the rest behind a summary."""
    told = [html.Li(text) for text in found.sentences]
    more = told[MOST_CHANGES:]
    return [
        html.Ul(told[:MOST_CHANGES], className="sentences"),
        html.Details([html.Summary(f"{len(more)} more"), html.Ul(more, className="sentences")])
        if more
        else None,
        html.Ul([html.Li(text) for text in found.notes], className="quiet"),
    ]


def shares_block(found: Shares, theme: str) -> Any:
    """One picture of bars, and a sentence for each quantity."""
    told = found.sentences
    return [
        html.Ul([html.Li(text) for text in told], className="sentences"),
        figure(
            "use-shares-figure",
            f"After {found.duration_s:.3g} s",
            " ".join(told),
            shares_figure(found, DARK if theme == "dark" else LIGHT),
            "Bars: the middle of what the runs leave open; lines: 90 % of it.",
        ),
        html.Ul([html.Li(text) for text in found.notes], className="quiet"),
    ]


PAGE = Page(PATH, "", layout, register)
