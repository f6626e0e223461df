"""Corrections of a run: a mis-keyed value put right, a run left out or taken back, and what it was before."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from dash import Dash, Input, Output, State, dcc, html
from flask import request

from dashboard import wording
from dashboard.controls import choice, notice, table, written
from dashboard.headers import GUEST
from dashboard.page import Here
from dashboard.pages.changing import pressed
from dashboard.questions.correction import FIELDS, WORDS, Correction, reason_of, standing
from dashboard.reader_units import chosen_units
from dashboard.service import Service
from rig.errors import RigError
from rig.logbook.edits import Change, disputed, is_deleted
from rig.logbook.store import Logbook
from rig.runs import Run


def layout(here: Here, run: Run) -> Any:
    """The forms, where this run can be corrected from here; else where it can."""
    logbook = here.service.logbook
    if logbook is None or here.guest:
        where = (
            "Runs are corrected on the computer that shares this."
            if here.guest
            else "This bench is a folder: correct its run sheet, or bring it into the logbook (chillrig import DIR)."
        )
        return html.P(where, className="quiet")
    out = run.excluded_because is not None
    history = logbook.history(here.bench, run.run)
    gone = is_deleted(history)
    hint = standing(run, "strained_mass_g", here.service.bench(here.bench), chosen_units())
    return html.Section(
        [
            html.Details(
                [
                    html.Summary("Correct a value"),
                    choice("run-field", "What was mis-keyed", list(WORDS.items()), "strained_mass_g"),
                    written("run-value", "Right value", hint=hint),
                    written("run-why", "Why"),
                    html.Button("Correct it", id="run-correct", className="do"),
                ]
            ),
            html.Details(
                [
                    html.Summary("Leave it out, or take it back", id="run-leave-summary"),
                    html.P("A run left out stays in the logbook and counts for no fit.", className="quiet"),
                    written("run-because", "Why"),
                    html.Button(take_words(out), id="run-leave", className="do"),
                ]
            ),
            html.Details(
                [
                    html.Summary("Delete it, or bring it back", id="run-delete-summary"),
                    html.P(
                        "A deleted run is in no list and no fit. It can be brought back from here; Runs lists it "
                        "under Deleted.",
                        className="quiet",
                    ),
                    written("run-gone-because", "Why"),
                    html.Button(delete_words(gone), id="run-delete", className="do"),
                ]
            ),
            html.Button("Undo the last change", id="run-undo", className="do"),
            html.Div(id="run-said", role="status"),
            html.Div(history_block(history), id="run-history"),
            dcc.Store(id="run-out", data=out),
            dcc.Store(id="run-gone", data=gone),
        ],
        className="corrections",
    )


def register(app: Dash, service: Service) -> None:
    """Connect the forms to the logbook."""

    @app.callback(
        Output("run-said", "children"),
        Output("run-history", "children"),
        Output("run-changed", "data"),
        Output("run-value", "value"),
        Output("run-why", "value"),
        Input("run-correct", "n_clicks"),
        State("run-field", "value"),
        State("run-value", "value"),
        State("run-why", "value"),
        State("run-shown", "data"),
        State("run-bench", "data"),
        prevent_initial_call=True,
    )
    def correct(clicks: Any, field: Any, value: Any, why: Any, name: Any, kept: Any) -> tuple[Any, ...]:
        def make(logbook: Logbook, bench: str) -> str:
            return Correction.of(field, value, why, chosen_units()).make(logbook, bench, str(name))

        def shown(logbook: Logbook, bench: str) -> tuple[Any, ...]:
            return *shown_anew(logbook, bench, name, ["corrected", clicks]), "", ""

        return pressed(clicks, service, kept, make, shown, 5)

    def switch(name: str, because: str, button: str, words: Callable[[bool], str], turned: Turned) -> None:
        """Connect a button that turns a state of the run on and off, `words` its label in each."""

        @app.callback(
            Output("run-said", "children", allow_duplicate=True),
            Output("run-history", "children", allow_duplicate=True),
            Output("run-changed", "data", allow_duplicate=True),
            Output(name, "data"),
            Output(button, "children"),
            Output(because, "value"),
            Input(button, "n_clicks"),
            State(because, "value"),
            State(name, "data"),
            State("run-shown", "data"),
            State("run-bench", "data"),
            prevent_initial_call=True,
        )
        def turn(clicks: Any, why: Any, on: Any, run: Any, kept: Any) -> tuple[Any, ...]:
            def make(logbook: Logbook, bench: str) -> str:
                return turned(logbook, bench, str(run), why, bool(on))

            def shown(logbook: Logbook, bench: str) -> tuple[Any, ...]:
                return *shown_anew(logbook, bench, run, [name, clicks]), not on, words(not on), ""

            return pressed(clicks, service, kept, make, shown, 6)

    switch("run-out", "run-because", "run-leave", take_words, _left_out)
    switch("run-gone", "run-gone-because", "run-delete", delete_words, _deleted)

    @app.callback(
        Output("run-value-hint", "children"),
        Input("run-field", "value"),
        Input("run-changed", "data"),
        State("run-shown", "data"),
        State("run-bench", "data"),
        prevent_initial_call=True,
    )
    def hint(field: Any, _changed: Any, name: Any, kept: Any) -> str:
        try:
            logbook = service.logbook
            if logbook is None or request.environ.get(GUEST):
                return ""
            bench = service.chosen(None if kept is None else str(kept))
            return standing(logbook.run(bench, str(name)), field, logbook.bench(bench), chosen_units())
        except RigError as error:
            return str(error)

    @app.callback(
        Output("run-said", "children", allow_duplicate=True),
        Output("run-history", "children", allow_duplicate=True),
        Output("run-changed", "data", allow_duplicate=True),
        Output("run-out", "data", allow_duplicate=True),
        Output("run-leave", "children", allow_duplicate=True),
        Output("run-gone", "data", allow_duplicate=True),
        Output("run-delete", "children", allow_duplicate=True),
        Input("run-undo", "n_clicks"),
        State("run-shown", "data"),
        State("run-bench", "data"),
        prevent_initial_call=True,
    )
    def undo(clicks: Any, name: Any, kept: Any) -> tuple[Any, ...]:
        def make(logbook: Logbook, bench: str) -> str:
            change = logbook.undo(bench, str(name))
            return (
                f"Taken back: {', '.join(_field(f) for f in change.changes)}, changed because: {change.why}."
            )

        def shown(logbook: Logbook, bench: str) -> tuple[Any, ...]:
            out = logbook.run(bench, str(name)).excluded_because is not None
            gone = any(d.run == str(name) for d in logbook.deleted_runs(bench))
            anew = shown_anew(logbook, bench, name, ["undone", clicks])
            return *anew, out, take_words(out), gone, delete_words(gone)

        return pressed(clicks, service, kept, make, shown, 7)


Turned = Callable[[Logbook, str, str, Any, bool], str]
"""Turns a state of a run over, for a reason, from what it is now; returns what to say."""


def _left_out(logbook: Logbook, bench: str, run: str, why: Any, out: bool) -> str:
    if out:
        logbook.include(bench, run, reason_of(why))
        return "The run counts again."
    logbook.exclude(bench, run, reason_of(why))
    return "The run is left out of every fit from now on."


def _deleted(logbook: Logbook, bench: str, run: str, why: Any, gone: bool) -> str:
    if gone:
        logbook.restore_run(bench, run, reason_of(why))
        return "The run is back in every list."
    logbook.delete_run(bench, run, reason_of(why))
    return "The run is deleted. Bring it back here, or with Undo the last change."


def shown_anew(logbook: Logbook, bench: str, run: Any, told: list[Any]) -> tuple[Any, list[Any]]:
    """A run's history, and `told` to all that shows the run and must be made anew."""
    return history_block(logbook.history(bench, str(run))), told


def take_words(out: bool) -> str:
    """What the button does."""
    return "Take it back" if out else "Leave it out"


def delete_words(gone: bool) -> str:
    """What the button does."""
    return "Bring it back" if gone else "Delete it"


def history_block(history: tuple[Change, ...]) -> Any:
    """Every change since the run came in, newest first."""
    if not history:
        return None
    rows = [
        (
            wording.when(entry.changed_at),
            _field(field),
            *was_and_is(field, before, after),
            entry.why,
        )
        for entry in reversed(history)
        for field, (before, after) in entry.changes.items()
    ]
    return html.Section(
        [
            html.H2("History"),
            *(notice(_side_by_side(field, both)) for field, both in disputed(history).items()),
            table("Every change, newest first", ("When", "What", "Was", "Is", "Why"), rows, "history"),
        ]
    )


def _side_by_side(field: str, both: tuple[Change, ...]) -> str:
    said = [
        f"{was_and_is(field, *c.changes[field])[1]} ({c.why}, {wording.when(c.changed_at)})" for c in both
    ]
    return (
        f"{_field(field)}: two people corrected it without knowing of each other: {' beside '.join(said)}. What is "
        "named last stands. Correct it once more, to the right value, to settle it."
    )


def _field(name: str) -> str:
    return WORDS.get(name, name.replace("_", " ").capitalize())


def was_and_is(field: str, before: Any, after: Any) -> tuple[str, str]:
    """A value before and after a change, in words; of several noted together only those that changed."""
    if isinstance(before, Mapping) or isinstance(after, Mapping):
        was, now = (dict(v) if isinstance(v, Mapping) else {} for v in (before, after))
        same = {k for k in was if k in now and was[k] == now[k]}
        return _noted(was, same), _noted(now, same)
    return _value(field, before), _value(field, after)


def _noted(values: Mapping[str, Any], same: set[str]) -> str:
    told = [f"{k.replace('_', ' ')}: {_value(k, v)}" for k, v in values.items() if k not in same]
    return "; ".join(told) or "–"


def _value(field: str, value: Any) -> str:
    if value is None or value == "":
        return "–"
    if field in ("trace", "trace_file"):
        return "a trace"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        unit = FIELDS[field][1] if field in FIELDS else ""
        return wording.number(float(value), 1, unit).strip()
    if isinstance(value, list | tuple):
        return ", ".join(_value("", v) for v in value) or "–"
    if isinstance(value, Mapping):
        return _noted(value, set())
    if field == "started_at":
        return wording.when(datetime.fromisoformat(str(value)))
    return str(value)[:120]
