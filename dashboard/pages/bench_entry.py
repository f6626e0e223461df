"""One thing on a bench: a recipe, target, vessel, ice or technique, in a form made of its fields."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import ALL as EVERY
from dash import Dash, Input, Output, Patch, State, dcc, html, no_update

from dashboard.controls import notice, written
from dashboard.page import Here, Page
from dashboard.pages.bench import entry_address
from dashboard.pages.changing import NO_LOGBOOK, ONLY_HERE, pressed
from dashboard.params import address
from dashboard.questions.bench import ENTRY, EntryForm, parts_of
from dashboard.questions.correction import reason_of
from dashboard.reader_units import IN_THE_LABS
from dashboard.service import Service
from rig.bench_fields import Field, Kind, Shelf, shelf_of
from rig.bench_fields import written as as_typed
from rig.logbook.editing import entry_of, remove
from rig.logbook.store import Logbook

_FIELD, _OUT = "bench-field", "bench-out"
_FIELDS = {"type": _FIELD, "row": EVERY, "key": EVERY, "end": EVERY}
_LEFT_OUT = {"type": _OUT, "row": EVERY}
_FIRST = ("name", "volume_ml", "mass_g", "abv_pct", "sugar_g_per_100ml", "allergens")
"""What one asks of an ingredient first; the rest opens."""


def layout(here: Here) -> Any:
    """The form of an entry, or of a new one where the address names none.

    Raises
    ------
    NotFound
        No such shelf or entry.
    """
    logbook = here.service.logbook
    if logbook is None or here.guest:
        return html.Div([html.H1("Bench"), notice(ONLY_HERE if here.guest else NO_LOGBOOK, "know")])
    section, _, name = here.rest.partition("/")
    shelf = shelf_of(section)
    told = entry_of(logbook, here.bench, shelf.section, name) if name else {}
    recipes = tuple(r for r in here.service.bench(here.bench).recipes if r != name)
    return html.Div(
        [
            html.P(dcc.Link("All of the bench", href=address("/bench", bench=here.kept)), className="over"),
            html.H1(name or f"A new {shelf.one}"),
            html.P(shelf.what, className="lead"),
            written("bench-name", "Name", value=name),
            html.Div([field_block(f, ENTRY, told, recipes) for f in shelf.fields], className="bring-two"),
            _parts(shelf, told, recipes) if shelf.parts else None,
            written(
                "bench-why",
                "Why",
                hint="Whoever reads this later will want to know." if name else "Empty: it is new.",
            ),
            html.P(
                [
                    html.Button("Save", id="bench-save", className="do"),
                    html.Button(
                        "Take it off the bench", id="bench-remove", className="less", hidden=not name
                    ),
                ],
                className="bench-press",
            ),
            html.Div(id="bench-entry-said", role="status"),
            dcc.Store(id="bench-entry", data={"section": shelf.section, "name": name}),
            dcc.Store(id="bench-recipes", data=list(recipes)),
            dcc.Store(id="bench-rows", data=len(parts_of(told)) or 1),
            dcc.Store(id="bench-kept-entry", data=here.kept),
        ],
        className="bench-entry",
        **IN_THE_LABS,
    )


def _parts(shelf: Shelf, told: Mapping[str, Any], recipes: tuple[str, ...]) -> html.Section:
    rows = parts_of(told) or [{}]
    return html.Section(
        [
            html.H2("Ingredients"),
            html.Div([part_block(shelf, n, i, recipes) for n, i in enumerate(rows)], id="bench-parts"),
            html.Button("Add an ingredient", id="bench-more", className="less"),
        ]
    )


def part_block(shelf: Shelf, row: int, told: Mapping[str, Any], recipes: tuple[str, ...]) -> html.Fieldset:
    """The fields of one ingredient."""
    first = [field_block(f, row, told, recipes) for f in shelf.parts if f.key in _FIRST]
    rest = [f for f in shelf.parts if f.key not in _FIRST]
    any_told = any(any(as_typed(f, told)) for f in rest)
    return html.Fieldset(
        [
            html.Legend(str(told.get("name") or f"Ingredient {row + 1}")),
            html.Div(first, className="bench-many"),
            html.Details(
                [
                    html.Summary("Temperature, caffeine, drawn from a batch, brewed"),
                    html.Div([field_block(f, row, told, recipes) for f in rest], className="bench-many"),
                ],
                open=any_told,
            ),
            dcc.Checklist(
                id={"type": _OUT, "row": row},
                options=[{"value": "out", "label": "leave it out"}],
                value=[],
                className="as-usual",
            ),
        ],
        **IN_THE_LABS,
    )


def field_block(field: Field, row: int, told: Mapping[str, Any], recipes: tuple[str, ...]) -> html.Div:
    """One field: a line to write in, two of a window, or all choices in sight."""
    texts = as_typed(field, told)
    choices = field.choices if field.kind is Kind.CHOICE else recipes if field.kind is Kind.RECIPE else ()
    if field.kind is Kind.RECIPE and not choices:
        return html.Div(_unseen(field, row, texts[0]), hidden=True)
    if field.kind in (Kind.CHOICE, Kind.RECIPE):
        listed = [*choices, *([texts[0]] if texts[0] and texts[0] not in choices else [])]
        inner: Any = html.Fieldset(
            [
                html.Legend(field.label),
                dcc.RadioItems(
                    id=_id(row, field, 0),
                    options=[{"value": "", "label": "not said"}, *({"value": c, "label": c} for c in listed)],
                    value=texts[0],
                    className="chips",
                ),
            ]
        )
        return html.Div([inner, _help(field)], className="control")
    ends = ("from", "to") if field.window else ("",)
    lines = [
        html.Label(
            [f"{field.label} {end}".strip(), _line(field, row, k, texts[k])],
            className="legend",
        )
        for k, end in enumerate(ends)
    ]
    inner = html.Div(lines, className="calibrate-pair") if field.window else lines[0]
    return html.Div([inner, _help(field)], className="control")


def _line(field: Field, row: int, end: int, text: str) -> dcc.Input:
    mode: Any = "decimal" if field.kind in (Kind.NUMBER, Kind.SHARE) else "text"
    return dcc.Input(
        id=_id(row, field, end),
        type="text",
        inputMode=mode,
        value=text.replace("-", "−") if mode == "decimal" else text,
        autoComplete="off",
        maxLength=500,
        className="written",
    )


def _unseen(field: Field, row: int, text: str) -> dcc.Input:
    return dcc.Input(id=_id(row, field, 0), type="hidden", value=text)


def _help(field: Field) -> Any:
    return html.Small(field.help, className="quiet") if field.help else None


def _id(row: int, field: Field, end: int) -> dict[str, Any]:
    # a dot parts the id from its property
    return {"type": _FIELD, "row": row, "key": field.key.replace(".", ":"), "end": end}


def register(app: Dash, service: Service) -> None:
    """Connect the form to the logbook."""

    @app.callback(
        Output("bench-parts", "children"),
        Output("bench-rows", "data"),
        Input("bench-more", "n_clicks"),
        State("bench-rows", "data"),
        State("bench-recipes", "data"),
        prevent_initial_call=True,
    )
    def more(clicks: Any, rows: Any, recipes: Any) -> tuple[Any, Any]:
        if not clicks:
            return no_update, no_update
        row = int(rows) if isinstance(rows, int) and 0 <= rows < 1000 else 0
        added = Patch()
        added.append(part_block(shelf_of("recipes"), row, {}, tuple(map(str, recipes or ()))))
        return added, row + 1

    @app.callback(
        Output("bench-entry-said", "children"),
        Output("bench-entry", "data"),
        Output("bench-why", "value"),
        Output("bench-remove", "hidden"),
        Input("bench-save", "n_clicks"),
        State("bench-entry", "data"),
        State("bench-name", "value"),
        State(_FIELDS, "id"),
        State(_FIELDS, "value"),
        State(_LEFT_OUT, "id"),
        State(_LEFT_OUT, "value"),
        State("bench-why", "value"),
        State("bench-kept-entry", "data"),
        prevent_initial_call=True,
    )
    def save(
        clicks: Any, entry: Any, name: Any, ids: Any, values: Any, outs: Any, out: Any, why: Any, kept: Any
    ) -> tuple[Any, ...]:
        forms: list[EntryForm] = []

        def make(logbook: Logbook, bench: str) -> html.Div:
            gone = list(zip(outs or (), out or (), strict=False))
            forms.append(EntryForm.of(entry, name, _keys(ids), values, gone))
            return _saved(forms[0].make(logbook, bench, why), forms[0], kept)

        def shown(logbook: Logbook, bench: str) -> tuple[Any, ...]:
            return {"section": forms[0].shelf.section, "name": forms[0].name}, "", False

        return pressed(clicks, service, kept, make, shown, 4)

    @app.callback(
        Output("bench-entry-said", "children", allow_duplicate=True),
        Output("bench-remove", "hidden", allow_duplicate=True),
        Input("bench-remove", "n_clicks"),
        State("bench-entry", "data"),
        State("bench-why", "value"),
        State("bench-kept-entry", "data"),
        prevent_initial_call=True,
    )
    def take_off(clicks: Any, entry: Any, why: Any, kept: Any) -> tuple[Any, Any]:
        def make(logbook: Logbook, bench: str) -> str:
            shelf = shelf_of(str(entry.get("section")))
            remove(logbook, bench, shelf.section, str(entry.get("name")), reason_of(why))
            return f"{entry.get('name')} is off the bench. It can be put back: Undo, on the page of all of the bench."

        return pressed(clicks and isinstance(entry, dict), service, kept, make, lambda *_: (True,), 2)


def _keys(ids: Any) -> list[Any]:
    return [i | {"key": str(i.get("key")).replace(":", ".")} if isinstance(i, dict) else i for i in ids or ()]


def _saved(told: str, form: EntryForm, kept: str | None) -> html.Div:
    one = form.shelf.one
    return html.Div(
        html.P(
            [
                f"{told} ",
                dcc.Link("All of the bench", href=address("/bench", bench=kept)),
                " · ",
                dcc.Link(f"Add another {one}", href=entry_address(form.shelf.section, "", kept)),
            ]
        ),
        className="notice know",
        role="note",
    )


PAGE = Page("/bench/", "", layout, register)
