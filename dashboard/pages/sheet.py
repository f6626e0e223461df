"""Run sheet: runs as a grid to type and paste in; what cannot be is marked, and nothing is saved before all is well."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update

from dashboard.controls import notice, written
from dashboard.page import Here, Page
from dashboard.pages.changing import NO_LOGBOOK, ONLY_HERE, open_logbook_of, pressed, taken_back
from dashboard.params import Params, Scale, address
from dashboard.questions.correction import reason_of
from dashboard.questions.sheet import (
    PAGE_ROWS,
    cells_words,
    edits_of,
    fault_words,
    faults_json,
    grid,
    summary,
    where,
)
from dashboard.reader_units import IN_THE_LABS
from dashboard.service import Service
from rig.errors import RigError
from rig.logbook.listing import RunFilter
from rig.logbook.sheet import CellFault, SheetEdits, check_sheet, save_sheet
from rig.logbook.steps import last_step
from rig.logbook.store import Logbook

_PAGES = Scale(1.0, 1e6, 1.0, "")


def layout(here: Here) -> Any:
    """The grid of the newest runs, or of the page that the address asks for."""
    logbook = here.service.logbook
    if logbook is None or here.guest:
        return html.Div([html.H1("Run sheet"), notice(ONLY_HERE if here.guest else NO_LOGBOOK, "know")])
    page = int(_PAGES.read(here.params, "page", 1.0))
    total = here.service.listing(here.bench).tally(here.bench).runs
    return html.Div(
        [
            html.P(dcc.Link("All runs", href=address("/runs", bench=here.kept)), className="over"),
            html.H1("Run sheet"),
            html.P(
                "Change what was written down, or write down runs made by hand in the rows at the end. Cells can be "
                "pasted from a spreadsheet. Nothing is saved before every cell is in order and you say why.",
                className="lead",
            ),
            html.Div(id="sheet-grid", className="sheet-grid"),
            html.P(summary(SheetEdits(), ()), id="sheet-summary", role="status"),
            html.Div(id="sheet-faults-told"),
            written("sheet-why", "Why", hint="One reason for all of it. It is kept with every change."),
            html.P(
                [
                    html.Button("Save all", id="sheet-save", className="do"),
                    html.Button(undo_words(logbook, here.bench), id="sheet-undo", className="less"),
                ],
                className="bench-press",
            ),
            html.Div(id="sheet-said", role="status"),
            _pager(here.kept, page, total),
            dcc.Store(id="sheet-data", data=_grid(here.service, here.bench, page)),
            dcc.Store(id="sheet-edits"),
            dcc.Store(id="sheet-faults"),
            dcc.Store(id="sheet-kept", data=here.kept),
            dcc.Store(id="sheet-page", data=page),
        ]
    )


def _grid(service: Service, bench: str, page: int) -> dict[str, Any]:
    got = service.listing(bench).page(bench, RunFilter(), (page - 1) * PAGE_ROWS, PAGE_ROWS)
    return grid(service.bench(bench), tuple(reversed(got.runs)))


def undo_words(logbook: Logbook, bench: str) -> str:
    """What the undo button takes back."""
    last = last_step(logbook, bench)
    return "Nothing to undo" if last is None else f"Undo: {last.words}"


def _pager(kept: str | None, page: int, total: int) -> Any:
    last = max(-(-total // PAGE_ROWS), 1)
    if last == 1:
        return None
    links = [
        dcc.Link(words, href=address("/runs/sheet", bench=kept, page=str(n)))
        for n, words in ((page - 1, "Newer runs"), (page + 1, "Older runs"))
        if 1 <= n <= last
    ]
    return html.Nav([*links, html.Span(f"page {page} of {last}", className="quiet")], className="pager")


def faults_block(faults: Sequence[CellFault]) -> Any:
    """Every cell that needs another look, in words."""
    if not faults:
        return None
    told = [html.Li([html.B(f"{where(f)}: "), fault_words(f)]) for f in faults[:20]]
    more = [] if len(faults) <= 20 else [html.Li(f"and {len(faults) - 20} more, marked in the sheet")]
    return html.Ul([*told, *more], className="sentences sheet-faults", **IN_THE_LABS)


def register(app: Dash, service: Service) -> None:
    """Connect the grid to what checks it and to the logbook."""
    app.clientside_callback(
        ClientsideFunction("sheet", "drawn"),
        Output("sheet-grid", "title"),
        Input("sheet-data", "data"),
    )
    app.clientside_callback(
        ClientsideFunction("sheet", "marked"),
        Output("sheet-grid", "lang"),
        Input("sheet-faults", "data"),
    )

    @app.callback(
        Output("sheet-faults", "data"),
        Output("sheet-summary", "children"),
        Output("sheet-faults-told", "children"),
        Input("sheet-edits", "data"),
        State("sheet-kept", "data"),
        prevent_initial_call=True,
    )
    def check(sent: Any, kept: Any) -> tuple[Any, Any, Any]:
        try:
            edits = edits_of(sent)
            faults = (
                check_sheet(open_logbook_of(service), service.chosen(kept), edits) if edits.changes else ()
            )
            return faults_json(faults), summary(edits, faults), faults_block(faults)
        except RigError as error:
            return no_update, str(error), None

    @app.callback(
        Output("sheet-said", "children"),
        Output("sheet-data", "data"),
        Output("sheet-undo", "children"),
        Output("sheet-why", "value"),
        Output("sheet-faults", "data", allow_duplicate=True),
        Output("sheet-faults-told", "children", allow_duplicate=True),
        Input("sheet-save", "n_clicks"),
        State("sheet-edits", "data"),
        State("sheet-why", "value"),
        State("sheet-kept", "data"),
        State("sheet-page", "data"),
        prevent_initial_call=True,
    )
    def save(clicks: Any, sent: Any, why: Any, kept: Any, page: Any) -> tuple[Any, ...]:
        if not clicks:
            return (no_update,) * 6
        try:
            logbook, bench, edits = open_logbook_of(service), service.chosen(kept), edits_of(sent)
            faults = save_sheet(logbook, bench, edits, reason_of(why))
            if faults:
                told = notice(f"Nothing was saved: {len(faults)} cells need another look.")
                return told, no_update, no_update, no_update, faults_json(faults), faults_block(faults)
            told = notice(
                f"Saved: {cells_words(edits)}. It is one step, and can be taken back as one.", "know"
            )
            return told, _grid(service, bench, _page(page)), undo_words(logbook, bench), "", [], None
        except RigError as error:
            told = notice(f"Nothing was saved: {str(error).rstrip('.')}.")
            return told, *(no_update,) * 5

    @app.callback(
        Output("sheet-said", "children", allow_duplicate=True),
        Output("sheet-data", "data", allow_duplicate=True),
        Output("sheet-undo", "children", allow_duplicate=True),
        Input("sheet-undo", "n_clicks"),
        State("sheet-kept", "data"),
        State("sheet-page", "data"),
        prevent_initial_call=True,
    )
    def undo(clicks: Any, kept: Any, page: Any) -> tuple[Any, ...]:
        def shown(logbook: Logbook, bench: str) -> tuple[Any, ...]:
            return _grid(service, bench, _page(page)), undo_words(logbook, bench)

        return pressed(clicks, service, kept, taken_back, shown, 3)


def _page(page: Any) -> int:
    params: Params = {"page": (str(page),)} if isinstance(page, int) else {}
    return int(_PAGES.read(params, "page", 1.0))


PAGE = Page("/runs/sheet", "", layout, register)
