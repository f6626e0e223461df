"""Compare: how set-ups chill and dilute the same drink, and which differences are real."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from dashboard import wording
from dashboard.controls import aria, choice, figure, names, notice, several, table, waiting
from dashboard.desk import BenchView, Desk
from dashboard.params import Params, one, params_of_store
from dashboard.questions.compare import CompareQuestion
from dashboard.questions.usual import OWN, recipes
from rig.advice.compare import compare
from rig.advice.compare_result import Comparison
from rig.advice.compare_words import short_names
from rig.errors import RigError
from rig.report import wording as words
from rig.report.courses import SetUpCourse, set_up_courses
from rig.report.figures import chill_curves, chill_path, comparison_figure, dilution_curves
from rig.report.look import DARK, LIGHT

DRAWS = 256
TABLE_HEADS = ("Pair", "Quantity", "First less second", "95 % interval", "Verdict")


def layout(view: BenchView, bench: str | None, params: Params) -> Any:
    """The page with its choices as the address asks.

    Raises
    ------
    RigError
        Where the bench has no run or no fit.
    """
    trouble = None
    try:
        asked = CompareQuestion.of(view, params)
    except RigError as error:
        asked, trouble = (
            CompareQuestion.of(view, {}),
            notice(f"{error} Shown is the usual comparison instead."),
        )
    targets = [(OWN, "none"), *names(tuple(view.bench.targets))]
    return html.Div(
        [
            html.H1("Compare"),
            trouble,
            html.Section(
                [
                    choice("compare-recipe", "Recipe", names(recipes(view)), asked.recipe),
                    several(
                        "compare-set_up",
                        "Set-ups",
                        names([str(s) for s in view.fitted().set_ups]),
                        [str(s) for s in asked.set_ups],
                    ),
                    choice("compare-target", "Target", targets, asked.target),
                ],
                className="controls",
                **aria(label="What to compare"),
            ),
            waiting(html.Div(id="compare-answer", **aria(live="polite")), "Comparing the set-ups …"),
            dcc.Store(id="compare-bench", data=bench),
            dcc.Store(id="compare-asked"),
        ]
    )


def register(app: Dash, desk: Desk) -> None:
    """Connect the choices to the comparison."""

    @lru_cache(maxsize=16)
    def courses_of(view: BenchView, asked: CompareQuestion) -> tuple[SetUpCourse, ...]:
        return set_up_courses(view.fitted(), asked.set_ups, asked.recipe, draws=DRAWS)

    @lru_cache(maxsize=16)
    def comparison_of(view: BenchView, asked: CompareQuestion) -> Comparison:
        return compare(
            view.fitted(), set_ups=asked.set_ups, recipe=asked.recipe, target=asked.target_of(view)
        )

    app.clientside_callback(
        ClientsideFunction("chillrig", "asked"),
        Output("compare-asked", "data"),
        *(Input(f"compare-{k}", "value") for k in ("recipe", "set_up", "target")),
        State("compare-bench", "data"),
    )

    @app.callback(
        Output("compare-answer", "children"),
        Input("compare-asked", "data"),
        Input("theme", "data"),
        prevent_initial_call=True,
    )
    def answer(asked: Any, theme: str) -> Any:
        try:
            params = params_of_store(asked)
            view = desk.view(desk.chosen(one(params, "bench")))
            question = CompareQuestion.of(view, params)
            if not question.set_ups:
                return html.P(
                    "Choose a set-up to see how it chills, two or more to compare.", className="state"
                )
            drawn = course_figures(view, question, courses_of(view, question), theme)
            if len(question.set_ups) == 1:
                return [
                    html.Div(drawn, className="figures"),
                    html.P("Choose a second set-up to compare with.", className="quiet"),
                ]
            found = comparison_of(view, question)
        except RigError as error:
            return notice(str(error))
        return [
            sentences_block(found),
            html.Div([*drawn, averages_figure(view, found, theme)], className="figures"),
            numbers_block(found),
        ]


def sentences_block(found: Comparison) -> Any:
    """What is known, pair by pair, in words; then the pairs nothing can be said of."""
    said = [p for p in found.pairs if p.not_comparable is None]
    unsaid = [p for p in found.pairs if p.not_comparable is not None]
    parts: list[Any] = []
    if said:
        parts += [
            html.H2("What differs"),
            html.Ul([html.Li(p.sentence) for p in said], className="sentences"),
        ]
    if unsaid:
        listed = [
            html.Li([html.B(" against ".join(short_names(p.a, p.b))), f": {p.not_comparable}"])
            for p in unsaid
        ]
        parts += [html.H2("Not comparable, and why"), html.Ul(listed, className="sentences")]
    return html.Section(parts)


def course_figures(
    view: BenchView, asked: CompareQuestion, courses: tuple[SetUpCourse, ...], theme: str
) -> Any:
    """Chill, dilution, and the path from one to the other, each set-up with its band."""
    look, target = DARK if theme == "dark" else LIGHT, asked.target_of(view)
    who = ", ".join(c.label for c in courses)
    ends = "; ".join(
        f"{c.label} after {c.duration_s[-1]:.0f} s: {wording.number(float(c.temp_c.p50[-1]), 1, '°C')}, "
        f"dilution {words.percent(float(c.dilution_by_volume.p50[-1]))}"
        for c in courses
    )
    band = "Line: the middle run. Band: 90 % of runs. Points: runs made; hollow where doubtful."
    goal = " Green: the target." if target is not None else ""
    return [
        figure(
            "compare-chill",
            "Chill",
            f"Temperature against time for {who}. {ends}.",
            chill_curves(courses, look, target),
            band + goal,
        ),
        figure(
            "compare-dilution",
            "Dilution",
            f"Dilution against time for {who}. {ends}.",
            dilution_curves(courses, look, target),
            "Water added ÷ starting volume. " + band + goal,
        ),
        figure(
            "compare-path",
            "Chill against dilution",
            f"The way each drink takes from warm and strong to cold and thin. {ends}.",
            chill_path(courses, look, target),
            "The way a drink takes; ticks mark equal times." + goal,
        ),
    ]


def averages_figure(view: BenchView, found: Comparison, theme: str) -> Any:
    """The average drink of each set-up with its interval."""
    averages = "; ".join(
        f"{s.set_up}: {wording.number(s.temp_c[1], 1, '°C')}" for s in found.summaries if s.temp_c is not None
    )
    return figure(
        "compare-averages",
        "The average drink of each set-up",
        f"Averages with intervals. {averages}.",
        comparison_figure(found, DARK if theme == "dark" else LIGHT, view.fitted().set_ups),
        "Bars: 90 % intervals of the average drink; single drinks scatter more.",
    )


def numbers_block(found: Comparison) -> Any:
    """Every contrast as numbers, and what to keep in mind."""
    rows = [
        (
            " against ".join(short_names(p.a, p.b)),
            wording.quantity_name(found, c.quantity),
            *wording.difference(c),
            wording.JUDGED[c.verdict],
        )
        for p in found.pairs
        for c in p.contrasts
    ]
    heading = html.Summary(f"All {len(rows)} differences as numbers")
    remarks = [f"{s.set_up}: {'; '.join(s.notes)}." for s in found.summaries if s.notes]
    return html.Section(
        [
            html.Details([heading, table("Differences", TABLE_HEADS, rows)]) if rows else None,
            html.Ul([html.Li(text) for text in (*found.notes, *remarks)], className="quiet"),
        ]
    )
