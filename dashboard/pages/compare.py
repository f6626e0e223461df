"""Compare: how set-ups chill and dilute the same drink, and which differences are real."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from dashboard import wording
from dashboard.controls import aria, ask, carried, choice, figure, names, notice, several, table, waiting
from dashboard.memoise import memoised
from dashboard.page import Here, Page
from dashboard.pages import compare_check
from dashboard.params import one, params_of_store
from dashboard.questions.compare import CompareQuestion
from dashboard.questions.defaults import OWN, recipes
from dashboard.service import BenchView, Service
from rig.advice.compare.compare import compare
from rig.advice.compare.result import Comparison, PairComparison
from rig.advice.compare.words import sentence, short_names
from rig.answer_units import true_minus
from rig.errors import NotEnoughData, RigError
from rig.report import wording as words
from rig.report.calls import Foreseen
from rig.report.courses import SetUpCourse, side_by_side
from rig.report.courses import short_names as short_set_ups
from rig.report.figures import chill_curves, chill_path, comparison_figure, dilution_curves
from rig.report.finding_page import Block, Drawn, FindingPage, Listed, Tabled
from rig.report.look import DARK, LIGHT
from rig.runs import SetUp

BAND = "Line: half of all runs lie above it. Band: 90 % of runs. Dots: runs made; hollow where doubtful."
TABLE_HEADS = (
    "Pair",
    "Quantity",
    "First less second",
    "95 % interval",
    "Matters from",
    "Chance if equal",
    "Verdict",
)


def layout(here: Here) -> Any:
    """The page with its choices as the address asks.

    Raises
    ------
    RigError
        Where the bench has no run or no fit.
    """
    view, trouble = here.view(), None
    try:
        asked = CompareQuestion.of(view, here.params)
    except RigError as error:
        asked, trouble = (
            CompareQuestion.of(view, {}),
            notice(f"{error} Shown is the usual comparison instead."),
        )
    targets = [(OWN, "no target"), *names(tuple(view.bench.targets))]
    return html.Div(
        [
            html.H1("Compare"),
            trouble,
            html.Section(
                [
                    ask(
                        "{compare-recipe}",
                        asked.recipe,
                        [choice("compare-recipe", "Recipe", names(recipes(view)), asked.recipe)],
                    ),
                    ask(
                        "set-ups: {compare-set_up}",
                        how_many(asked.set_ups, view.fitted().set_ups),
                        [
                            several(
                                "compare-set_up",
                                "Set-ups",
                                names([str(s) for s in view.fitted().set_ups]),
                                [str(s) for s in asked.set_ups],
                            )
                        ],
                    ),
                    ask(
                        "target: {compare-target}",
                        f"target: {asked.target or 'none'}",
                        [choice("compare-target", "Target", targets, asked.target)],
                    ),
                ],
                className="asks-row",
                **aria(label="What to compare"),
            ),
            waiting(html.Div(id="compare-answer", **aria(live="polite")), "Comparing the set-ups …"),
            html.Section(id="compare-check", **aria(label=compare_check.TITLE)),
            html.P(
                [
                    dcc.Link(
                        "Rank for a target, what changed, where it comes from", href="/compare/what-to-use"
                    ),
                    dcc.Link("All benches at a glance", href="/compare/all-benches") if here.kept else None,
                    carried("Show it to a room", "/compare/projector"),
                    carried("Keep this page as one file", "/keep/compare", download=True),
                ],
                className="ways-on",
            ),
            dcc.Store(id="compare-bench", data=here.kept),
            dcc.Store(id="compare-asked"),
        ]
    )


def how_many(chosen: Sequence[SetUp], there: Sequence[SetUp]) -> str:
    """The set-ups chosen, as the page's script says it."""
    if len(chosen) == 1:
        return f"set-ups: {chosen[0]}"
    return (
        f"set-ups: all {len(there)}"
        if len(chosen) == len(there)
        else f"set-ups: {len(chosen)} of {len(there)}"
    )


@memoised(16)
def foreseen_of(view: BenchView, asked: CompareQuestion) -> tuple[Foreseen, ...]:
    """Courses and calls asked for; the last ones asked are kept."""
    return asked.foreseen(view)


def courses_of(view: BenchView, asked: CompareQuestion) -> tuple[SetUpCourse, ...]:
    """The courses asked for."""
    return side_by_side(view.fitted(), [f.course for f in foreseen_of(view, asked)])


def calls_of(view: BenchView, asked: CompareQuestion) -> list[tuple[str, str]]:
    """How long on each set-up into the target, best odds first: its name, and its call in words."""
    calls = [c for f in foreseen_of(view, asked) for c in f.calls.values()]
    names_of = short_set_ups([c.asked.set_up for c in calls])
    ranked = sorted(calls, key=lambda c: -c.odds)
    return [
        (
            names_of[c.asked.set_up],
            f"{words.headline(c)} · {words.basis_label(c.basis)}. {words.assumptions(c.filled)}.",
        )
        for c in ranked
    ]


@memoised(16)
def comparison_of(view: BenchView, asked: CompareQuestion) -> Comparison:
    """The comparison asked for; the last ones asked are kept."""
    return compare(view.fitted(), set_ups=asked.set_ups, recipe=asked.recipe, target=asked.target_of(view))


@memoised(16)
def answer_block(view: BenchView, asked: CompareQuestion, theme: str) -> Any:
    """What is said and drawn of a comparison.

    Raises
    ------
    RigError
        Where the set-ups cannot be compared.
    """
    if not asked.set_ups:
        return html.P("Choose a set-up to see how it chills, two or more to compare.", className="state")
    first, *others = course_figures(view, asked, courses_of(view, asked), theme)
    if len(asked.set_ups) == 1:
        said: list[Any] = [html.P("Choose a second set-up to compare with.", className="quiet")]
        rest: list[Any] = []
    else:
        found = comparison_of(view, asked)
        said, rest = [sentences_block(found)], [numbers_block(found)]
        others.append(averages_figure(view, found, theme))
    return [
        html.Div(
            [
                html.Section(first, className="drawn", **aria(label="The picture")),
                html.Section([*said, calls_block(view, asked)], className="answer", **aria(label="In words")),
            ],
            className="picture-first",
        ),
        html.Div(others, className="figures"),
        *rest,
    ]


def register(app: Dash, service: Service) -> None:
    """Connect the choices to the comparison."""
    compare_check.register(app, service)
    service.usually(lambda view, theme: answer_block(view, CompareQuestion.of(view, {}), theme))
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
            view = service.view(service.chosen(one(params, "bench")))
            return answer_block(view, CompareQuestion.of(view, params), theme)
        except RigError as error:
            return notice(str(error))


def calls_block(view: BenchView, asked: CompareQuestion) -> Any:
    """How long on each set-up, where a target is chosen."""
    target, told = asked.target_of(view), calls_of(view, asked)
    if target is None or not told:
        return None
    listed = [html.Li([html.B(f"{name}: "), text]) for name, text in told]
    heading = html.H2(f"How long into {words.target_words(target)}")
    return html.Section([heading, html.Ul(listed, className="sentences")])


def sentences_block(found: Comparison) -> Any:
    """What is known, pair by pair, in words; then what cannot be said, and which runs would tell."""
    said = [p for p in found.pairs if p.not_comparable is None]
    parts: list[Any] = []
    if said:
        listed = [html.Li([html.B(pair_name(p)), html.Span(f" {known(found, p)}")]) for p in said]
        parts += [html.H2("What differs"), html.Ul(listed, className="sentences")]
    unsaid = words.not_comparable(found)
    if unsaid:
        parts += [
            html.H2("Not comparable, and why"),
            html.Ul([html.Li(text) for text in unsaid], className="sentences"),
        ]
    return html.Section(parts)


def pair_name(pair: PairComparison) -> str:
    """The two of a pair by what sets them apart."""
    return true_minus(f"{' against '.join(short_names(pair.a, pair.b))}:")


def known(found: Comparison, pair: PairComparison) -> str:
    """What is known of a pair, in sentences, without its name and what is not known."""
    runs = pair.runs_a, pair.runs_b
    whole = sentence(pair.a, pair.b, runs, pair.contrasts, (), found.duration_s, found.target_temp_c)
    return whole[len(" against ".join(short_names(pair.a, pair.b))) + 2 :]


def course_figures(
    view: BenchView, asked: CompareQuestion, courses: tuple[SetUpCourse, ...], theme: str
) -> Any:
    """The path from warm and strong to cold and thin, then chill and dilution, each set-up with its band."""
    look, target = DARK if theme == "dark" else LIGHT, asked.target_of(view)
    who = ", ".join(c.label for c in courses)
    ends = "; ".join(
        f"{c.label} after {c.duration_s[-1]:.0f} s: {wording.number(float(c.temp_c.p50[-1]), 1, '°C')}, "
        f"dilution {words.percent(float(c.dilution_by_volume.p50[-1]))}"
        for c in courses
    )
    band = BAND
    goal = " Green: the target." if target is not None else ""
    return [
        figure(
            "compare-path",
            "Chill against dilution",
            f"The way each drink takes from warm and strong to cold and thin. {ends}.",
            chill_path(courses, look, target),
            "The way a drink takes; ticks mark equal times." + goal,
        ),
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
    rows = number_rows(found)
    heading = html.Summary(f"All {len(rows)} differences as numbers")
    return html.Section(
        [
            html.Details([heading, table("Differences", TABLE_HEADS, rows)]) if rows else None,
            html.Ul([html.Li(text) for text in remarks(found)], className="quiet"),
        ]
    )


def number_rows(found: Comparison) -> list[tuple[str, ...]]:
    """Every contrast as cells under TABLE_HEADS."""
    return [
        (
            pair_name(p).rstrip(":"),
            wording.quantity_name(found, c.quantity),
            *wording.difference(c),
            wording.margin(c),
            wording.chance(c.p_adjusted),
            wording.JUDGED[c.verdict],
        )
        for p in found.pairs
        for c in p.contrasts
    ]


def remarks(found: Comparison) -> list[str]:
    """What to keep in mind, with what each set-up's own notes add to the reasons given above."""
    own = [f"{s.set_up}: {note}." for s in found.summaries for note in s.notes]
    told = " ".join(words.not_comparable(found))
    return [true_minus(t) for t in (*found.notes, *(o for o in own if true_minus(o[-60:-1]) not in told))]


def finding(here: Here) -> FindingPage:
    """The comparison, to keep.

    Raises
    ------
    RigError
        Where fewer than two set-ups are chosen.
    """
    view = here.view()
    asked = CompareQuestion.of(view, here.params)
    if len(asked.set_ups) < 2:
        raise NotEnoughData("a comparison to keep needs two set-ups; choose them on the page Compare")
    found, courses, target = comparison_of(view, asked), courses_of(view, asked), asked.target_of(view)
    calls = tuple(f"{name}: {text}" for name, text in calls_of(view, asked))
    blocks: list[Block] = [
        Listed("How long", calls),
        Listed(
            "What differs", tuple(f"{pair_name(p)} {known(found, p)}" for p in found.pairs if p.contrasts)
        ),
        Listed("Not comparable, and why", words.not_comparable(found)),
        Drawn("Chill", chill_curves(courses, LIGHT, target), BAND),
        Drawn("Dilution", dilution_curves(courses, LIGHT, target), f"Water added ÷ starting volume. {BAND}"),
        Drawn("Chill against dilution", chill_path(courses, LIGHT, target), "Ticks mark equal times."),
        Drawn(
            "The average drink of each set-up",
            comparison_figure(found, LIGHT, view.fitted().set_ups),
            "Bars: 90 % intervals of the average drink; single drinks scatter more.",
        ),
        Tabled("All differences as numbers", TABLE_HEADS, tuple(number_rows(found))),
        *compare_check.kept_blocks(compare_check.check_of(view, here.service.logbook)),
        Listed("Keep in mind", tuple(remarks(found))),
    ]
    shown = [b for b in blocks if not isinstance(b, Listed) or b.sentences]
    return FindingPage(f"Compare: {asked.recipe}", ", ".join(str(s) for s in asked.set_ups), shown)


PAGE = Page("/compare", "Compare", layout, register, finding)
