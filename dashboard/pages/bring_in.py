"""Bring in: any logger's tables become a run; what they were taken for is shown before anything is stored."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

from dash import ALL as EVERY
from dash import Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboard.controls import aria, choice, names, notice, waiting, written
from dashboard.live.question import techniques
from dashboard.page import Here, Page
from dashboard.pages.bring_in_drop import drop_zone
from dashboard.pages.bring_in_looks import TYPE, look_block
from dashboard.params import address
from dashboard.questions.bring_in import (
    Answer,
    Look,
    files_of,
    first_looks,
    keep_answers,
    looks_of,
    read_again,
    settled,
)
from dashboard.questions.bring_in_run import INTO, NAMES, NEW, NUMBERS, RunForm, start_words, store
from dashboard.reader_units import chosen_units
from dashboard.service import Service
from dashboard.uploads import NO_LOGBOOK, ONLY_HERE, uploads_of, writable
from dashboard.uploads import register as take_files
from rig.bench import Bench
from rig.errors import RigError
from rig.logbook.profiles import profiles
from rig.logbook.store import Logbook

_FORM = ("way", "run", "into", *NAMES, *NUMBERS, "start", "keep")
_ANSWERS = {"type": TYPE, "file": EVERY, "part": EVERY, "of": EVERY}
_MARKS = {"type": "bring-mark", "file": EVERY}


def layout(here: Here) -> Any:
    """Where tables are dropped, and the run they will belong to; else why not from here."""
    if here.service.logbook is None or here.guest:
        why = ONLY_HERE if here.guest else NO_LOGBOOK
        return html.Div([html.H1("Bring in"), notice(why, "know")])
    return html.Div(
        [
            html.H1("Bring in"),
            html.P(
                "Tables of any logger, scale or spreadsheet become one run. You see what they were taken for first; "
                "nothing is stored before you say so.",
                className="lead",
            ),
            html.P(
                dcc.Link("Bring in several runs", href=address("/runs/bring-in/several", bench=here.kept)),
                className="ways-on",
            ),
            drop_zone("bring"),
            waiting(html.Div(id="bring-looks", **aria(live="polite")), "Reading the tables …"),
            html.Div(
                html.Button("Read again with these answers", id="bring-again", className="do"),
                id="bring-read",
                hidden=True,
            ),
            html.Div(id="bring-trouble", role="status"),
            html.Div(_run_form(here), id="bring-form", className="bring-form", hidden=True),
            html.Div(id="bring-said", role="status"),
            dcc.Store(id="bring-answers"),
            dcc.Store(id="bring-bench", data=here.kept),
        ]
    )


def _run_form(here: Here) -> list[Any]:
    bench = here.service.bench(here.bench)
    ways = [(NEW, "a new run"), (INTO, "a run that is there")]
    numbers = [written(f"bring-{k}", words, mode="decimal") for k, words in NUMBERS.items()]
    return [
        html.H2("The run they belong to"),
        choice("bring-way", "They are of", ways, NEW),
        html.Div(
            written("bring-into", "Which run", hint="Its name. A trace it has is replaced; nothing else is."),
            className="only-into",
        ),
        html.Div(_new_run(bench), className="only-new"),
        html.Div(
            [
                numbers[0],
                written(
                    "bring-start",
                    "When motion began",
                    hint="Empty: found in the readings. Else seconds in the first file's own time, or 21:04:10.",
                ),
            ],
            className="bring-two",
        ),
        html.Div(id="bring-marks", className="bring-two"),
        html.Details(
            [
                html.Summary("What was weighed and measured by hand"),
                html.Div(numbers[1:], className="bring-two"),
            ]
        ),
        written(
            "bring-keep",
            "Keep the answers as",
            hint="A name for this logger; its files are then read without a question. Empty: not kept.",
        ),
        html.Button("Store the run", id="bring-store", className="do"),
    ]


def _new_run(bench: Bench) -> list[Any]:
    offered = {
        "technique": techniques(bench),
        "vessel": tuple(bench.vessels),
        "ice": tuple(bench.ice),
        "recipe": tuple(bench.recipes),
    }
    return [
        written("bring-run", "Name of the run"),
        *(
            choice(f"bring-{k}", k.capitalize(), names(values), values[0] if len(values) == 1 else "")
            for k, values in offered.items()
        ),
    ]


def register(app: Dash, service: Service) -> None:
    """Take files, connect them to how they read, and the form to the logbook."""
    take_files(app.server, service)

    @app.callback(
        Output("bring-looks", "children"),
        Output("bring-answers", "data"),
        Output("bring-read", "hidden"),
        Output("bring-form", "hidden"),
        Output("bring-marks", "children"),
        Output("bring-trouble", "children"),
        Output("bring-said", "children"),
        Input("bring-files", "data"),
        Input("bring-again", "n_clicks"),
        State("bring-answers", "data"),
        State(_ANSWERS, "id"),
        State(_ANSWERS, "value"),
        prevent_initial_call=True,
    )
    def read(sent: Any, _clicks: Any, said: Any, ids: Any, values: Any) -> tuple[Any, ...]:
        again = ctx.triggered_id == "bring-again"
        if not sent:
            return (no_update,) * 7
        try:
            looks = looks_again(
                writable(service), sent, said if again else None, answers_by_file(ids, values)
            )
        except RigError as error:
            told = notice(f"{str(error).rstrip('.')}.")
            # the controls stay as they are, so that the answer can be put right
            kept = (no_update, no_update, no_update, True) if again else (None, None, True, True)
            return *kept, no_update, told, None
        blocks: list[Any] = [look_block(n, look) for n, look in enumerate(looks)]
        if all(look.is_settled for look in looks):
            words, clear = start_words(settled(looks))
            blocks.append(notice(words, "know" if clear else "mind"))
        said = [look.to_said() for look in looks]
        unread = all(look.proposal is None for look in looks)
        marks = no_update if again else marks_block([look.file for look in looks])
        return blocks, said, unread, not all(look.is_settled for look in looks), marks, None, None

    @app.callback(
        Output("bring-said", "children", allow_duplicate=True),
        Input("bring-store", "n_clicks"),
        State("bring-files", "data"),
        State("bring-answers", "data"),
        State(_ANSWERS, "id"),
        State(_ANSWERS, "value"),
        State(_MARKS, "value"),
        State("bring-bench", "data"),
        *(State(f"bring-{k}", "value") for k in _FORM),
        prevent_initial_call=True,
    )
    def stored(
        clicks: Any, sent: Any, said: Any, ids: Any, values: Any, marks: Any, kept: Any, *form: Any
    ) -> Any:
        if not clicks:
            return no_update
        try:
            logbook = writable(service)
            bench = service.chosen(None if kept is None else str(kept))
            files = files_of(sent, uploads_of(logbook))
            looks = looks_of(files, said, profiles(logbook))
            asked = read_again(files, looks, answers_by_file(ids, values))
            if [a.settings for a in asked] != [look.settings for look in looks]:
                raise RigError("the answers have changed since the tables were read. Read them again first")
            proposals = settled(looks)
            marked = dict(zip((f.name for f in files), marks or (), strict=False))
            fields = dict(zip(_FORM, form, strict=True))
            told = RunForm.of(fields, service.bench(bench), marked, chosen_units())
            run = store(logbook, bench, proposals, told)
            if told.keep:
                keep_answers(logbook, told.keep, proposals)
        except RigError as error:
            return notice(f"Nothing was stored: {str(error).rstrip('.')}.")
        return stored_block(run.run, None if kept is None else str(kept), told.keep)


def looks_again(logbook: Logbook, sent: Any, said: Any, answers: dict[int, list[Answer]]) -> tuple[Look, ...]:
    """How the files read: by themselves where nothing has been said yet, else by the page's controls.

    Raises
    ------
    RigError
        Where the page sent what cannot be, or an answer that is none.
    """
    files = files_of(sent, uploads_of(logbook))
    if said is None:
        return first_looks(files, logbook)
    return read_again(files, looks_of(files, said, profiles(logbook)), answers)


def answers_by_file(ids: Any, values: Any) -> dict[int, list[Answer]]:
    """What the controls say, by the number of the file."""
    found: dict[int, list[Answer]] = {}
    for id_, value in zip(ids or (), values or (), strict=False):
        if isinstance(id_, dict) and isinstance(id_.get("file"), int):
            answer = Answer(str(id_.get("part")), str(id_.get("of")), "" if value is None else str(value))
            found.setdefault(id_["file"], []).append(answer)
    return found


def marks_block(files: Sequence[str]) -> list[Any]:
    """A line for each of several files: the moment that all of them share."""
    if len(files) < 2:
        return []
    return [
        html.Div(
            [
                html.Label(
                    [
                        f"A moment that all files share, in {file}",
                        dcc.Input(
                            id=_MARKS | {"file": n},
                            type="text",
                            autoComplete="off",
                            maxLength=40,
                            className="written",
                        ),
                    ],
                    className="legend",
                ),
                html.Small("Only where their clocks do not agree: seconds, or 21:04:10.", className="quiet"),
            ],
            className="control",
        )
        for n, file in enumerate(files)
    ]


def stored_block(run: str, kept: str | None, profile: str) -> html.Div:
    """Where the run now is."""
    answers = f" The answers are kept as {profile}." if profile else ""
    return html.Div(
        html.P(
            [
                "Stored. See ",
                dcc.Link(f"run {run}", href=address(f"/runs/{quote(run, safe='')}", bench=kept)),
                f".{answers}",
            ]
        ),
        className="notice know",
        role="note",
    )


PAGE = Page("/runs/bring-in", "", layout, register)
