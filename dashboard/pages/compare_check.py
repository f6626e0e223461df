"""The part of Compare that holds the tool against the bench's own runs."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, State, html

from dashboard.controls import figure, notice, table
from dashboard.figures.self_check import MOST_SET_UPS, self_check_figure
from dashboard.service import BenchView, Service
from dashboard.wording import number
from rig.advice.check.residual_bias import MeanResidual
from rig.advice.check.self_check import SelfCheck, check_own_runs
from rig.advice.check.self_check_words import (
    LANDED_BY,
    calls_sentence,
    coverage_sentence,
    leaning_sentence,
    odds_sentence,
    sentence,
    warnings,
)
from rig.errors import RigError
from rig.logbook.store import Logbook
from rig.report.finding_page import Block, Drawn, Listed
from rig.report.look import DARK, LIGHT

TITLE = "Held against its own runs"
NOTE = (
    "Each run as the others foretell it. A spread is what the fit says single runs scatter by; nine in ten lie in "
    "the green band; △ where they lie to one side. Below: how often odds came true, with 95 % intervals."
)
HEADS = ("Set-up", "Runs", "Weighing", "In points", "End temperature")


def check_of(view: BenchView, logbook: Logbook | None) -> SelfCheck:
    """The check of a bench and of the calls kept on it.

    Raises
    ------
    RigError
        There is no fit; the logbook cannot be read.
    """
    return check_own_runs(view.fitted(), logbook, view.name)


def register(app: Dash, service: Service) -> None:
    """Fill the part once the page is there, beside the comparison."""

    @app.callback(Output("compare-check", "children"), Input("theme", "data"), State("compare-bench", "data"))
    def show(theme: str, bench: str | None) -> Any:
        try:
            view = service.view(service.chosen(bench))
            return check_block(check_of(view, service.logbook), theme)
        except RigError as error:
            return notice(str(error))


def check_block(check: SelfCheck, theme: str) -> Any:
    """Picture and sentence, then what they rest on."""
    if check.together is None:
        return [html.H2(TITLE), html.P(sentence(check), className="state")]
    look = DARK if theme == "dark" else LIGHT
    words: list[Any] = [html.P(html.B(text)) for text in said(check)]
    words += [html.P(text) for text in warnings(check)]
    if check.leanings:
        words.append(html.Ul([html.Li(leaning_sentence(x)) for x in check.leanings], className="sentences"))
    else:
        words.append(html.P("No set-up's runs lie to one side by more than chance."))
    drawn = self_check_figure(check, look)
    return [
        html.Div(
            [
                figure("compare-check-figure", TITLE, " ".join(said(check)), drawn, note(check)),
                html.Div(words),
            ],
            className="figures",
        ),
        html.Details(
            [
                html.Summary("How it is counted, and each set-up in numbers"),
                html.Ul([html.Li(text) for text in counted(check)], className="sentences"),
                table("Measured less foretold, ± one standard error", HEADS, number_rows(check)),
            ]
        ),
    ]


def said(check: SelfCheck) -> list[str]:
    """The sentence, and what became of the calls that are kept."""
    return [text for text in (sentence(check), calls_sentence(check.calls)) if text]


def note(check: SelfCheck) -> str:
    """What the picture shows."""
    count = len({m.set_up for m in check.means if m.set_up is not None})
    if count <= MOST_SET_UPS:
        return NOTE
    return f"{NOTE} Drawn are the {MOST_SET_UPS} set-ups of {count} that lie furthest out."


def counted(check: SelfCheck) -> list[str]:
    """Bands, odds and what counts as landed, each in a sentence."""
    bands = [
        f"{name} in the 90 % band: {coverage_sentence(found)}"
        for name, found in (("Weighings", check.weighing), ("End temperatures", check.temperature))
        if found is not None
    ]
    odds = [] if check.odds is None else [odds_sentence(check.odds)]
    kept = check.calls.score
    calls = [] if kept is None else [f"Of the calls kept: {odds_sentence(kept)}"]
    return [*bands, *odds, *calls, *([LANDED_BY] if odds or calls else [])]


def number_rows(check: SelfCheck) -> list[tuple[str, ...]]:
    """Mean residuals as cells under HEADS."""
    rows: dict[str, dict[str, MeanResidual]] = {}
    for m in check.means:
        name = "All set-ups" if m.set_up is None else str(m.set_up)
        rows.setdefault(name if m.recipe is None else f"{name}, {m.recipe}", {})[m.observation.value] = m
    return [
        (
            name,
            str(max(m.runs for m in both.values())),
            _mean(both.get("weighing"), "g"),
            number(both["weighing"].points, 1, "ml to 100 ml") if "weighing" in both else "–",
            _mean(both.get("temperature"), "K"),
        )
        for name, both in rows.items()
    ]


def _mean(m: MeanResidual | None, unit: str) -> str:
    if m is None:
        return "–"
    error = "" if m.standard_error != m.standard_error else f" ± {m.standard_error:.1f}"
    return f"{number(m.mean, 1, '').strip()}{error} {unit}{' △' if m.leans else ''}"


def kept_blocks(check: SelfCheck) -> list[Block]:
    """The same for a page to keep."""
    if check.together is None:
        return []
    leanings = [leaning_sentence(x) for x in check.leanings]
    return [
        Drawn(TITLE, self_check_figure(check, LIGHT), note(check)),
        Listed("How far it holds", (*said(check), *warnings(check), *leanings, *counted(check))),
    ]
