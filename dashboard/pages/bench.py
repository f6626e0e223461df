"""Bench: everything on it, what was done to it, and the last step taken back; a new bench begun from nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard import wording
from dashboard.controls import aria, notice, table, written
from dashboard.page import Here, Page
from dashboard.pages.changing import NO_LOGBOOK, ONLY_HERE, open_logbook_of, pressed, taken_back
from dashboard.params import address
from dashboard.questions.bench import begin
from dashboard.questions.correction import reason_of
from dashboard.service import Service
from rig.bench import parse_bench
from rig.bench_fields import SHELVES, Shelf, summary, was_and_is, words_of
from rig.bench_text import tables_of
from rig.errors import RigError
from rig.logbook.editing import bench_text, entitle
from rig.logbook.steps import StepTaken, Was, last_step, steps
from rig.logbook.store import Logbook

MOST_STEPS = 30


def layout(here: Here) -> Any:
    """The bench and its steps; where there is none yet, how one begins."""
    logbook = here.service.logbook
    if logbook is None or here.guest:
        return html.Div([html.H1("Bench"), notice(ONLY_HERE if here.guest else NO_LOGBOOK, "know")])
    if not here.bench:
        lead = (
            "A bench is your vessels, ices, recipes and targets, with the runs made on it. Begin one here: nothing "
            "else is needed."
        )
        return html.Div([html.H1("A new bench"), html.P(lead, className="lead"), _begin_form()])
    return html.Div(
        [
            html.H1("Bench"),
            html.Div(body(logbook, here.bench, here.kept), id="bench-body"),
            html.Div(id="bench-said", role="status"),
            html.P(
                html.A(
                    "Take it away as a folder",
                    href=address("/bench.zip", bench=here.kept),
                    download=f"{here.bench}.zip",
                ),
                className="ways-on",
            ),
            html.Details([html.Summary("Give it another title"), _title_form()]),
            html.Details([html.Summary("Begin another bench"), _begin_form()]),
            dcc.Store(id="bench-kept", data=here.kept),
        ],
        className="bench-page",
    )


def _title_form() -> html.Div:
    return html.Div(
        [
            written("bench-title", "Title"),
            written("bench-title-why", "Why"),
            html.Button("Change the title", id="bench-retitle", className="do"),
        ]
    )


def _begin_form() -> html.Div:
    return html.Div(
        [
            written("bench-new-name", "Name of the bench", hint="Short, such as small bar."),
            written("bench-new-title", "Title", hint="In full, where you like one. It can be changed."),
            html.Button("Begin the bench", id="bench-begin", className="do"),
            html.Div(id="bench-begun", role="status"),
        ]
    )


def body(logbook: Logbook, bench: str, kept: str | None) -> list[Any]:
    """What is on the bench, and what was done to it."""
    text = bench_text(logbook, bench)
    tables, taken = tables_of(text), steps(logbook, bench, MOST_STEPS)
    last = next((s for s in taken if s.stands), None) or (
        last_step(logbook, bench) if len(taken) == MOST_STEPS else None
    )
    return [
        html.P(parse_bench(text)[0].title, className="lead"),
        html.Div(
            [_shelf(shelf, tables[section], kept) for section, shelf in SHELVES.items()],
            className="bench-shelves",
        ),
        _steps(taken, last),
    ]


def entry_address(section: str, name: str, kept: str | None) -> str:
    """Where an entry is changed; without a name, where a new one is made."""
    below = f"/{quote(name, safe='')}" if name else ""
    return address(f"/bench/{section}{below}", bench=kept)


def _shelf(shelf: Shelf, entries: Mapping[str, Any], kept: str | None) -> html.Section:
    listed = [
        html.Li(
            [dcc.Link(name, href=entry_address(shelf.section, name, kept)), html.Small(summary(shelf, told))]
        )
        for name, told in entries.items()
        if isinstance(told, dict)
    ]
    return html.Section(
        [
            html.H2(shelf.several),
            html.P(shelf.what, className="quiet"),
            html.Ul(listed) if listed else html.P("None yet.", className="quiet"),
            html.P(
                dcc.Link(
                    f"Add {'an' if shelf.one[0] in 'aeiou' else 'a'} {shelf.one}",
                    href=entry_address(shelf.section, "", kept),
                ),
                className="ways-on",
            ),
        ]
    )


def _steps(taken: Sequence[StepTaken], last: StepTaken | None) -> html.Section:
    return html.Section(
        [
            html.H2("What was done"),
            html.P("There is nothing to take back.", className="quiet")
            if last is None
            else html.Button(f"Undo: {last.words}", id="bench-undo", className="less"),
            table(
                "Every step, the last first",
                ("When", "What", "Was", "Is", "Why", "Now"),
                [row for s in taken for row in step_rows(s)],
                "history",
            )
            if taken
            else None,
        ],
        className="corrections",
        **aria(label="What was done"),
    )


def step_rows(step: StepTaken) -> list[tuple[str, ...]]:
    """A step as rows: what it did to runs, then each field of the bench with what it was and is."""
    now = "" if step.is_undo else "stands" if step.stands else "taken back"
    ends = (step.why, now)
    when = wording.when(step.changed_at)
    rows: list[tuple[str, ...]] = [
        (when, _field(w), *was_and_is(w.section, w.field, w.before, w.after), *ends) for w in step.described
    ]
    if step.added or step.changed or step.began_bench or not rows:
        words = "the bench put away" if step.began_bench and step.is_undo else _of_runs(step)
        rows.insert(0, (when, words, "", "", *ends))
    return rows


def _of_runs(step: StepTaken) -> str:
    parts = [p for p in step.words.split(", ") if "run" in p or "the bench" in p]
    return ", ".join(parts) or step.words


def _field(was: Was) -> str:
    return f"{was.of}: {words_of(was.section, was.field)}" if was.field else was.of


def register(app: Dash, service: Service) -> None:
    """Connect undo, the title and the beginning of a bench to the logbook."""

    @app.callback(
        Output("bench-said", "children"),
        Output("bench-body", "children"),
        Output("address", "search", allow_duplicate=True),
        Input("bench-undo", "n_clicks"),
        State("bench-kept", "data"),
        prevent_initial_call=True,
    )
    def undo(clicks: Any, kept: Any) -> tuple[Any, ...]:
        def shown(logbook: Logbook, bench: str) -> tuple[Any, Any]:
            if bench not in service.names():  # its beginning was taken back: what is left is shown anew
                return no_update, f"?undone={quote(bench)}"
            return body(logbook, bench, kept), no_update

        return pressed(clicks, service, kept, taken_back, shown, 3)

    @app.callback(
        Output("bench-said", "children", allow_duplicate=True),
        Output("bench-body", "children", allow_duplicate=True),
        Output("bench-title-why", "value"),
        Input("bench-retitle", "n_clicks"),
        State("bench-title", "value"),
        State("bench-title-why", "value"),
        State("bench-kept", "data"),
        prevent_initial_call=True,
    )
    def retitle(clicks: Any, title: Any, why: Any, kept: Any) -> tuple[Any, ...]:
        def make(logbook: Logbook, bench: str) -> str:
            entitle(logbook, bench, str(title or "")[:500], reason_of(why))
            return "The title is changed."

        def shown(logbook: Logbook, bench: str) -> tuple[Any, str]:
            return body(logbook, bench, kept), ""

        return pressed(clicks, service, kept, make, shown, 3)

    @app.callback(
        Output("bench-begun", "children"),
        Output("address", "pathname", allow_duplicate=True),
        Output("address", "search", allow_duplicate=True),
        Input("bench-begin", "n_clicks"),
        State("bench-new-name", "value"),
        State("bench-new-title", "value"),
        prevent_initial_call=True,
    )
    def begun(clicks: Any, name: Any, title: Any) -> tuple[Any, Any, Any]:
        if not clicks:
            return no_update, no_update, no_update
        try:
            bench = begin(open_logbook_of(service), name, title)
            return None, "/bench", f"?bench={quote(bench)}"
        except RigError as error:
            return notice(f"No bench was begun: {str(error).rstrip('.')}."), no_update, no_update


PAGE = Page("/bench", "Bench", layout, register, needs_bench=False)
