"""Rehearsal: how often the drink lands, why it does not, and what to practise."""

from __future__ import annotations

from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from dashboard.controls import aria, ask, carried, choice, figure, names, notice, several, table, waiting
from dashboard.figures.rehearsal import CHARTED, Played, chart_figure, spread_figure, together_figure
from dashboard.memoise import memoised
from dashboard.page import Here, Page
from dashboard.pages.recipe import usual_instead
from dashboard.params import address, one, params_of_store
from dashboard.questions.defaults import OWN, recipes
from dashboard.questions.rehearsal import RehearsalQuestion, sessions
from dashboard.rehearsal_words import (
    RUN_HEADS,
    by_feel_words,
    cadence_words,
    chart_words,
    drift_words,
    landed_words,
    part_rows,
    rate_words,
    run_rows,
    session_rows,
)
from dashboard.service import BenchView, Service
from rig.advice.rehearsal.control_chart import ControlChart
from rig.advice.rehearsal.rehearsal import Practice
from rig.answer_units import true_minus
from rig.errors import RigError
from rig.report.courses import run_course
from rig.report.finding_page import Block, Drawn, FindingPage, Listed, Tabled
from rig.report.look import DARK, LIGHT, Look
from rig.report.wording import target_words
from rig.runs import YES

FIRST_CHARTS = ("temp_c", "dilution_by_volume", "overrun_pct", "duration_s", "cadence_hz")
PART_HEADS = ("Part", "What it covers", "Of temperature", "Of dilution", "Were it steady, would land")
SESSION_HEADS = ("Session", "Runs", "Landed", "Spread of temperature", "Spread of dilution")
_CHOICES = ("set_up", "recipe", "session", "target")


def layout(here: Here) -> Any:
    """The page with its choices as the address asks; what to practise comes first.

    Raises
    ------
    RigError
        Where the bench has no run or no fit.
    """
    view, trouble = here.view(), None
    try:
        asked = RehearsalQuestion.of(view, here.params)
    except RigError as error:
        asked = RehearsalQuestion.of(view, {})
        trouble = usual_instead(error)
    return html.Div(
        [
            html.H1("Rehearsal"),
            trouble,
            html.Section(
                _controls(view, asked, here.kept),
                className="asks-row",
                **aria(label="Which runs, and where they should land"),
            ),
            html.Div(
                [
                    html.Section(
                        waiting(
                            html.Div(id="rehearsal-head", className="told-head", **aria(live="polite")),
                            "Looking through the runs …",
                        ),
                        className="answer",
                        **aria(label="What to practise"),
                    ),
                    html.Section(
                        waiting(html.Div(id="rehearsal-figures"), "Drawing …"),
                        className="drawn",
                        **aria(label="Why"),
                    ),
                    html.Section(
                        [_replay(), html.Div(id="rehearsal-rest")],
                        className="below",
                        **aria(label="Run by run"),
                    ),
                ],
                className="asked-page",
            ),
            html.P(
                carried("Keep this page as one file", "/keep/rehearsal", download=True), className="ways-on"
            ),
            dcc.Store(id="rehearsal-bench", data=here.kept),
            dcc.Store(id="rehearsal-asked"),
            dcc.Store(id="rehearsal-answered"),
            dcc.Store(id="rehearsal-runs"),
        ]
    )


def _controls(view: BenchView, asked: RehearsalQuestion, kept: str | None) -> list[Any]:
    there = sessions(view)
    chosen = there if asked.sessions is None else asked.sessions
    targets = [*names(tuple(view.bench.targets)), (OWN, "no target")]
    by_session = several("rehearsal-session", "Sessions", names(there), chosen)
    return [
        ask(
            "{rehearsal-recipe}",
            asked.recipe,
            [choice("rehearsal-recipe", "Recipe", names(recipes(view)), asked.recipe)],
        ),
        ask(
            "{rehearsal-set_up}",
            str(asked.set_up),
            [
                choice(
                    "rehearsal-set_up",
                    "Set-up",
                    names([str(s) for s in view.fitted().set_ups]),
                    str(asked.set_up),
                )
            ],
        ),
        ask("sessions: {rehearsal-session}", f"sessions: all {len(there)}", [by_session])
        if len(there) > 1
        else html.Div(dcc.Store(id="rehearsal-session"), hidden=True),
        ask(
            "target: {rehearsal-target}",
            f"target: {asked.target or 'none'}",
            [choice("rehearsal-target", "Should land in", targets, asked.target)],
        ),
        dcc.Link("Which runs to make next", href=_asked_of("/rehearsal/next-runs", asked, kept))
        if view.bench.targets
        else None,
        dcc.Link("Rehearse blind", href=_asked_of("/live", asked, kept, blind=YES)),
        dcc.Link("blind by hand", href=_asked_of("/by-hand", asked, kept, blind=YES)),
    ]


def _asked_of(path: str, asked: RehearsalQuestion, kept: str | None, **more: str) -> str:
    """Another page, asked of the same drink."""
    s = asked.set_up
    return address(
        path,
        technique=s.technique,
        vessel=s.vessel,
        ice=s.ice,
        recipe=asked.recipe,
        target=asked.target,
        bench=kept,
        **more,
    )


def _replay() -> html.Section:
    return html.Section(
        [
            html.H2("Best and worst run together"),
            html.Button("Play both", id="rehearsal-play", className="do"),
            html.Div(id="rehearsal-stage"),
        ],
        id="rehearsal-replay",
        hidden=True,
    )


def register(app: Dash, service: Service) -> None:
    """Connect the choices to the rehearsal."""

    @memoised(16)
    def practice_of(view: BenchView, asked: RehearsalQuestion) -> Practice:
        return asked.answer(view)

    @memoised(16)
    def drawn(view: BenchView, asked: RehearsalQuestion, theme: str) -> tuple[Any, Any, Any, bool]:
        found = practice_of(view, asked)
        played, look = best_and_worst(view, found), DARK if theme == "dark" else LIGHT
        stage = stage_block(found, played, look) if played else None
        return figures_block(found, look), stage, [p.to_dict() for p in played], not played

    service.usually(lambda view, theme: drawn(view, RehearsalQuestion.of(view, {}), theme))

    def read(asked: Any) -> tuple[BenchView, RehearsalQuestion]:
        params = params_of_store(asked)
        view = service.view(service.chosen(one(params, "bench")))
        return view, RehearsalQuestion.of(view, params)

    app.clientside_callback(
        ClientsideFunction("chillrig", "asked"),
        Output("rehearsal-asked", "data"),
        *(Input(f"rehearsal-{k}", "value") for k in _CHOICES),
        State("rehearsal-bench", "data"),
    )
    app.clientside_callback(
        ClientsideFunction("rehearsal", "play"),
        Output("rehearsal-play", "children"),
        Input("rehearsal-play", "n_clicks"),
        State("rehearsal-runs", "data"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("rehearsal-head", "children"),
        Output("rehearsal-rest", "children"),
        Output("rehearsal-answered", "data"),
        Input("rehearsal-asked", "data"),
        prevent_initial_call=True,
    )
    def answer(asked: Any) -> tuple[Any, Any, Any]:
        try:
            found = practice_of(*read(asked))
        except RigError as error:
            return notice(str(error)), None, None
        return head_block(found), rest_block(found), asked

    # drawn after the words are out; a switch of light and dark draws anew only this
    @app.callback(
        Output("rehearsal-figures", "children"),
        Output("rehearsal-stage", "children"),
        Output("rehearsal-runs", "data"),
        Output("rehearsal-replay", "hidden"),
        Input("rehearsal-answered", "data"),
        Input("theme", "data"),
        prevent_initial_call=True,
    )
    def draw(asked: Any, theme: str) -> tuple[Any, Any, Any, bool]:
        if asked is None:
            return None, None, [], True
        try:
            return drawn(*read(asked), theme)
        except RigError:
            return None, None, [], True  # told in place of the answer, by the callback above


def head_block(found: Practice) -> Any:
    """What to practise, then how often it lands, to be read across a room."""
    parts: list[Any] = [
        html.P(f"{found.recipe} · {found.set_up}", className="over"),
        html.H2("What to practise"),
        *(html.P(true_minus(t), className="room-said") for t in found.practise),
    ]
    if found.by_feel is not None:
        parts += [html.H3("By feel"), *(html.P(true_minus(t)) for t in by_feel_words(found.by_feel))]
    if found.more_runs:
        parts.append(html.P(f"{found.more_runs} more runs would make this surer.", className="quiet"))
    if found.capability is None:
        return [*parts, html.P("Choose a target to see how often it lands.", className="quiet")]
    big, small = rate_words(found.capability)
    parts += [
        html.H2("How often it lands"),
        html.P([html.B(big), " landed"], className="big"),
        html.P(small, className="window"),
        html.P(landed_words(found), className="quiet"),
    ]
    return parts


def figures_block(found: Practice, look: Look) -> Any:
    """Where the spread comes from, and the runs in a row."""
    parts: list[Any] = []
    rows = part_rows(found)
    if rows:
        said = "; ".join(f"{r[0]}: {r[2]} of temperature, {r[3]} of dilution" for r in rows)
        parts.append(
            figure(
                "rehearsal-spread",
                "Where the spread comes from",
                said,
                spread_figure(found.spreads, look),
                "Whiskers hold 90 %. A part is what would be left of the spread if only it varied.",
            )
        )
    charts = [c for name in FIRST_CHARTS for c in found.charts if c.quantity == name]
    drawn = [_chart(c, look) for c in charts]
    return [*parts, html.Div(drawn, className="figures")]


def _chart(chart: ControlChart, look: Look) -> Any:
    words = chart_words(chart)
    return figure(
        f"rehearsal-chart-{chart.quantity}",
        f"{CHARTED[chart.quantity].name.capitalize()}, run by run",
        " ".join(words),
        chart_figure(chart, look),
        " ".join(words),
    )


def rest_block(found: Practice) -> Any:
    """Parts in words, drift, rhythm, sessions, and every run with where it went wrong."""
    rows = part_rows(found)
    parts: list[Any] = []
    if rows:
        parts.append(table("Parts of the spread, with 90 % intervals", PART_HEADS, rows, "told"))
    parts += [html.H2("From run to run"), _sentences(drift_words(found))]
    parts += [html.H2("Rhythm"), html.P(cadence_words(found.cadence))]
    if len(found.sessions) > 1:
        parts.append(table("Session by session", SESSION_HEADS, session_rows(found), "told"))
    listed = run_rows(found)
    parts.append(
        html.Details([html.Summary(f"All {len(listed)} runs"), table("Runs", RUN_HEADS, listed, "told")])
    )
    if found.notes:
        parts += [html.H2("Keep in mind"), _sentences(found.notes)]
    return parts


def _sentences(said: Any) -> html.Ul:
    return html.Ul([html.Li(true_minus(t)) for t in said], className="sentences")


def best_and_worst(view: BenchView, found: Practice) -> tuple[Played, ...]:
    """The best and the worst run to replay; none where there is no target or only one run."""
    if found.best is None or found.worst is None or found.best == found.worst:
        return ()
    told = {r.run: {True: "landed", False: "missed", None: "not known"}[r.landed] for r in found.runs}
    return tuple(
        Played.of(f"{which}: {run}, {told[run]}", run_course(view.fitted(), run))
        for which, run in (("best", found.best), ("worst", found.worst))
    )


def stage_block(found: Practice, played: tuple[Played, ...], look: Look) -> Any:
    """Both runs inside the target, and why the worst missed."""
    why = next((r.why for r in found.runs if r.run == found.worst), "")
    ends = "; ".join(
        true_minus(
            f"{p.label}: {p.temp_c[-1]:z.1f} °C, {p.dilution_pct[-1]:.0f} % after {p.time_s[-1]:.0f} s"
        )
        for p in played
    )
    return figure(
        "rehearsal-together",
        "Both against time",
        f"{ends}.",
        together_figure(played, found.target, look),
        f"Green: the target. {f'{found.worst}: {true_minus(why)}.' if why else 'Both landed.'}",
    )


def finding(here: Here) -> FindingPage:
    """The rehearsal, to keep."""
    view = here.view()
    found = RehearsalQuestion.of(view, here.params).answer(view)
    charts = [c for name in FIRST_CHARTS for c in found.charts if c.quantity == name]
    played, rows = best_and_worst(view, found), part_rows(found)
    felt = () if found.by_feel is None else by_feel_words(found.by_feel)
    blocks: list[Block] = [Listed("What to practise", tuple(true_minus(t) for t in (*found.practise, *felt)))]
    if rows:
        blocks += [
            Drawn("Where the spread comes from", spread_figure(found.spreads, LIGHT), "Whiskers hold 90 %."),
            Tabled("Parts of the spread", PART_HEADS, rows),
        ]
    blocks += [
        Drawn(
            f"{CHARTED[c.quantity].name.capitalize()}, run by run",
            chart_figure(c, LIGHT),
            " ".join(chart_words(c)),
        )
        for c in charts
    ]
    if played:
        blocks.append(
            Drawn("Best and worst run", together_figure(played, found.target, LIGHT), "Green: the target.")
        )
    blocks += [
        Listed("From run to run", drift_words(found)),
        Listed("Rhythm", (cadence_words(found.cadence),)),
        Tabled("Runs", RUN_HEADS, run_rows(found)),
    ]
    if found.notes:
        blocks.append(Listed("Keep in mind", tuple(true_minus(t) for t in found.notes)))
    rate = "" if found.capability is None else f"{' '.join(rate_words(found.capability))}. "
    target = "No target." if found.target is None else f"Target: {target_words(found.target)}."
    return FindingPage(f"Rehearsal: {found.recipe}", f"{found.set_up}. {rate}{target}", blocks)


PAGE = Page("/rehearsal", "Rehearsal", layout, register, finding)
