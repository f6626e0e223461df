"""Bring in several runs: loose files as the runs they were found to be, each a small picture to accept or put right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dash import ALL as EVERY
from dash import Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboard.controls import aria, choice, names, notice, waiting
from dashboard.live.question import techniques
from dashboard.page import Here, Page
from dashboard.pages.bring_in_drop import drop_zone
from dashboard.pages.motion_strip import strip_block
from dashboard.params import address
from dashboard.questions.bring_in import Sent, files_of
from dashboard.questions.bring_in_run import NAMES, NUMBERS
from dashboard.questions.drawer import TOLD, TYPED, FoundRun, found_runs, store_runs, told_runs
from dashboard.reader_units import IN_THE_LABS
from dashboard.service import Service
from dashboard.uploads import NO_LOGBOOK, ONLY_HERE, uploads_of, writable
from rig.errors import RigError
from rig.logbook.store import Logbook

_FIELD, _IN = "drawer-field", "drawer-in"
_FIELDS = {"type": _FIELD, "run": EVERY, "key": EVERY}
_TAKEN = {"type": _IN, "run": EVERY}
_WORDS = {"run": "Name", "start": "Starts at [s into its first file]", **NUMBERS}
_HINT = {
    "run": "Give two the same name to make them one run.",
    "start": "Leave empty to keep the start that was found.",
}


def layout(here: Here) -> Any:
    """Where files are dropped, how all of them were made, and the runs they are."""
    if here.service.logbook is None or here.guest:
        why = ONLY_HERE if here.guest else NO_LOGBOOK
        return html.Div([html.H1("Bring in several runs"), notice(why, "know")])
    bench = here.service.bench(here.bench)
    offered = {
        "technique": techniques(bench),
        "vessel": tuple(bench.vessels),
        "ice": tuple(bench.ice),
        "recipe": tuple(bench.recipes),
    }
    return html.Div(
        [
            html.P(dcc.Link("All runs", href=address("/runs", bench=here.kept)), className="over"),
            html.H1("Bring in several runs"),
            html.P(
                "Loose files of probes and scales are sorted into runs by their clocks and names. Each is shown before "
                "anything is stored; what is stored is one step, and is undone as one.",
                className="lead",
            ),
            drop_zone("drawer"),
            waiting(
                html.Div(id="drawer-runs", className="drawer-runs", **aria(live="polite")),
                "Reading the files …",
            ),
            html.Div(
                [
                    html.Button("Look again", id="drawer-again", className="less"),
                    html.H2("How they were made"),
                    *(
                        choice(f"drawer-{k}", k.capitalize(), names(v), v[0] if len(v) == 1 else "")
                        for k, v in offered.items()
                    ),
                    html.Button("Store these runs", id="drawer-store", className="do"),
                ],
                id="drawer-form",
                hidden=True,
            ),
            html.Div(id="drawer-said", role="status"),
            dcc.Store(id="drawer-found"),
            dcc.Store(id="drawer-bench", data=here.kept),
        ]
    )


def run_block(number: int, run: FoundRun) -> html.Section:
    """One run: its picture, what was found, and the fields that put it right."""
    said = f"Curve of {run.name or 'these files'}. {run.said}"
    start, duration = (_FIELDS | {"run": number, "key": key} for key in ("start", "duration_s"))
    picture = None if run.picture is None else strip_block(run.picture, said, start, duration)
    return html.Section(
        [
            html.H2(run.name or ", ".join(run.files)),
            picture,
            html.P([html.Span("Still open: " if run.open_point else ""), run.open_point or f"{run.said}."]),
            html.P(_together(run), className="quiet"),
            dcc.Checklist(
                id={"type": _IN, "run": number},
                options=[{"value": "in", "label": "bring it in"}],
                value=[] if run.open_point else ["in"],
                className="as-usual",
            ),
            html.Div([_line(number, k, run) for k in ("run", "duration_s", "start")], className="bench-many"),
            html.Details(
                [
                    html.Summary("What was weighed and measured by hand"),
                    html.Div([_line(number, k, run) for k in TYPED if k not in ("run", "start", "duration_s")],
                             className="bench-many"),
                ]
            ),
        ],
        className="drawer-run",
        **IN_THE_LABS,
        **aria(label=run.name or ", ".join(run.files)),
    )  # fmt: skip


def _together(run: FoundRun) -> str:
    """Its files, and what puts several of them together."""
    if len(run.files) == 1:
        return f"From {run.files[0]}."
    return f"From {', '.join(run.files)}, put together by {'what you said' if run.by == TOLD else run.by}."


def _line(number: int, key: str, run: FoundRun) -> html.Div:
    line = dcc.Input(
        id={"type": _FIELD, "run": number, "key": key},
        type="text",
        value=run.typed.get(key, ""),
        autoComplete="off",
        maxLength=200,
        className="written",
    )
    hint = _HINT.get(key)
    return html.Div(
        [
            html.Label([_WORDS[key], line], className="legend"),
            html.Small(hint, className="quiet") if hint else None,
        ],
        className="control",
    )


def register(app: Dash, service: Service) -> None:
    """Connect the files to the runs they are, and those to the logbook."""

    @app.callback(
        Output("drawer-runs", "children"),
        Output("drawer-found", "data"),
        Output("drawer-form", "hidden"),
        Output("drawer-said", "children"),
        Input("drawer-files", "data"),
        Input("drawer-again", "n_clicks"),
        State("drawer-found", "data"),
        State(_FIELDS, "id"),
        State(_FIELDS, "value"),
        prevent_initial_call=True,
    )
    def look(sent: Any, _clicks: Any, found: Any, ids: Any, values: Any) -> tuple[Any, ...]:
        if not sent:
            return (no_update,) * 4
        try:
            logbook, files = _given(service, sent)
            if ctx.triggered_id == "drawer-again":
                runs = told_runs(
                    files, logbook, list(zip(_files(found), typed_of(ids, values), strict=False))
                )
            else:
                runs = found_runs(files, logbook)
        except RigError as error:
            return no_update, no_update, no_update, notice(f"{str(error).rstrip('.')}.")
        return [run_block(n, r) for n, r in enumerate(runs)], [list(r.files) for r in runs], False, None

    @app.callback(
        Output("drawer-said", "children", allow_duplicate=True),
        Output("drawer-runs", "children", allow_duplicate=True),
        Output("drawer-form", "hidden", allow_duplicate=True),
        Input("drawer-store", "n_clicks"),
        State("drawer-files", "data"),
        State("drawer-found", "data"),
        State(_FIELDS, "id"),
        State(_FIELDS, "value"),
        State(_TAKEN, "value"),
        State("drawer-bench", "data"),
        *(State(f"drawer-{k}", "value") for k in NAMES),
        prevent_initial_call=True,
    )
    def stored(
        clicks: Any, sent: Any, found: Any, ids: Any, values: Any, taken: Any, kept: Any, *made: Any
    ) -> tuple[Any, Any, Any]:
        if not clicks or not sent:
            return no_update, no_update, no_update
        try:
            (logbook, files), bench = _given(service, sent), service.chosen(kept)
            told = zip(_files(found), typed_of(ids, values), taken or (), strict=False)
            chosen = [(names, typed) for names, typed, is_in in told if is_in]
            runs = told_runs(files, logbook, chosen)
            done = store_runs(logbook, bench, runs, dict(zip(NAMES, made, strict=True)))
            uploads_of(logbook).forget(str(f["id"]) for f in sent["files"])
        except RigError as error:
            return notice(f"Nothing was stored: {str(error).rstrip('.')}."), no_update, no_update
        count = f"{len(done)} run{'' if len(done) == 1 else 's'}"
        said: list[Any] = [
            f"Stored {count}: {', '.join(done)}. ",
            dcc.Link("All runs", href=address("/runs", bench=kept)),
        ]
        return html.Div(html.P(children=said), className="notice know", role="note"), None, True


def _given(service: Service, sent: Any) -> tuple[Logbook, tuple[Sent, ...]]:
    """The logbook, and the tables that the page has sent."""
    logbook = writable(service)
    return logbook, files_of(sent, uploads_of(logbook), of_one_run=False)


def _files(found: Any) -> list[list[str]]:
    return (
        [[str(f) for f in names] for names in found if isinstance(names, list)]
        if isinstance(found, list)
        else []
    )


def typed_of(ids: Any, values: Any) -> Sequence[Mapping[str, str]]:
    """What was typed of each run, in their order."""
    rows: dict[int, dict[str, str]] = {}
    for id_, value in zip(ids or (), values or (), strict=False):
        if isinstance(id_, dict) and isinstance(id_.get("run"), int) and id_.get("key") in TYPED:
            rows.setdefault(id_["run"], {})[str(id_["key"])] = str(value) if isinstance(value, str) else ""
    return [rows[n] for n in sorted(rows)]


PAGE = Page("/runs/bring-in/several", "", layout, register)
