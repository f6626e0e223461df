"""Runs: every drink made, what came of it, and whether it can be believed."""

from __future__ import annotations

from collections import Counter
from typing import Any
from urllib.parse import quote

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from dashboard import wording
from dashboard.controls import aria, choice, names, notice, table
from dashboard.desk import BenchView, Desk
from dashboard.params import Params, address, one, params_of_store
from dashboard.questions.runs import ALL, FILTERS, PAGE_ROWS, RunsQuestion, run_filters
from rig.errors import RigError
from rig.fitting.result import Verdict
from rig.runs import Run

HEADS = (
    "Run",
    "Made",
    "Set-up",
    "Recipe",
    "Moved",
    "Drink, start",
    "Drink, end",
    "Dilution",
    "Strained",
    "Verdict",
)


def layout(view: BenchView, bench: str | None, params: Params) -> Any:
    """The list with its filters as the address asks."""
    trouble = None
    try:
        asked = RunsQuestion.of(view, params)
    except RigError as error:
        asked, trouble = RunsQuestion.of(view, {}), notice(f"{error} Shown are all runs instead.")
    filters = run_filters(view)
    # a filter that offers no choice is hidden, yet keeps its place in the question
    chips = [
        html.Div(
            choice(f"runs-{k}", k.capitalize(), [(ALL, "all"), *names(v)], getattr(asked, k)),
            hidden=len(v) < 2,
        )
        for k, v in filters.items()
    ]
    narrowed = any(getattr(asked, k) != ALL for k in filters)
    return html.Div(
        [
            html.H1("Runs"),
            html.P(summary(view), className="lead"),
            trouble,
            notice(view.lacking) if view.fit is None else None,
            html.Details([html.Summary("Filter"), html.Div(chips, className="filters")], open=narrowed),
            html.Div(id="runs-list", children=list_block(view, bench, asked), **aria(live="polite")),
            dcc.Store(id="runs-bench", data=bench),
            dcc.Store(id="runs-asked"),
        ]
    )


def register(app: Dash, desk: Desk) -> None:
    """Connect the filters to the list."""
    app.clientside_callback(
        ClientsideFunction("chillrig", "asked"),
        Output("runs-asked", "data"),
        *(Input(f"runs-{k}", "value") for k in FILTERS),
        State("runs-bench", "data"),
        prevent_initial_call=True,
    )

    @app.callback(Output("runs-list", "children"), Input("runs-asked", "data"), prevent_initial_call=True)
    def listed(asked: Any) -> Any:
        try:
            params = params_of_store(asked)
            bench = one(params, "bench")
            view = desk.view(desk.chosen(bench))
            return list_block(view, bench, RunsQuestion.of(view, params))
        except RigError as error:
            return notice(str(error))


def summary(view: BenchView) -> str:
    """How many runs there are and how many can be believed."""
    runs = len(view.book.runs)
    counts = Counter(r.verdict for r in view.found.values())
    parts = [f"{counts[v]} {v.value}" for v in Verdict if counts[v]]
    told = f": {', '.join(parts)}" if parts else ""
    return f"{view.bench.title}. {runs} run{'' if runs == 1 else 's'}{told}."


def list_block(view: BenchView, bench: str | None, asked: RunsQuestion) -> Any:
    """One page of the runs that pass the filters."""
    chosen = asked.chosen(view)
    if not view.book.runs:
        return html.P(
            "No runs yet. Make one and note it on the run sheet, or import a bench.", className="state"
        )
    if not chosen:
        return html.P("No run passes these filters. Set one of them back to all.", className="state")
    first = (asked.page - 1) * PAGE_ROWS
    rows = chosen[first : first + PAGE_ROWS]
    if not rows:
        return html.P(f"There is no page {asked.page} of these runs.", className="state")
    shown = f"{len(chosen)} runs" if len(chosen) != 1 else "1 run"
    if len(rows) < len(chosen):
        shown = f"Runs {first + 1} to {first + len(rows)} of {len(chosen)}"
    return [
        table(shown, HEADS, [row(view, bench, r) for r in rows], "runs"),
        _pager(bench, asked, len(chosen)),
    ]


def row(view: BenchView, bench: str | None, run: Run) -> tuple[Any, ...]:
    """One run as cells: what was noted, what the fit makes of it, and the verdict as a mark and a word."""
    found = view.found.get(run.run)
    start = run.drink_temp_c if found is None or found.start_temp_c is None else found.start_temp_c
    water = None if found is None or found.dilution_by_volume is None else 100.0 * found.dilution_by_volume
    return (
        dcc.Link(run.run, href=address(f"/runs/{quote(run.run, safe='')}", bench=bench)),
        wording.when(run.started_at),
        str(run.set_up),
        run.recipe,
        wording.number(run.duration_s, 1, "s"),
        wording.number(start, 1, "°C"),
        wording.number(None if found is None else found.temp_c, 1, "°C"),
        wording.number(water, 0, "%"),
        wording.number(run.strained_mass_g, 1, "g"),
        verdict_mark(None if found is None else found.verdict),
    )


def verdict_mark(verdict: Verdict | None) -> html.Span:
    """The verdict as a mark and its word."""
    if verdict is None:
        return html.Span("○ not fitted", className="verdict not-fitted")
    return html.Span(
        f"{wording.MARKS[verdict]} {verdict.value}", className=f"verdict {verdict.value.replace(' ', '-')}"
    )


def _pager(bench: str | None, asked: RunsQuestion, count: int) -> Any:
    last = -(-count // PAGE_ROWS)
    if last == 1:
        return None
    here = {k: getattr(asked, k) for k in FILTERS}
    links = [
        dcc.Link(words, href=address("/runs", bench=bench, page=str(page), **here))
        for page, words in ((asked.page - 1, "Earlier runs"), (asked.page + 1, "Later runs"))
        if 1 <= page <= last
    ]
    return html.P(links, className="pager")
