"""Controls and blocks that pages are made of: large, labelled, reachable by keyboard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import plotly.graph_objects as go
from dash import dcc, html

from dashboard.params import Scale

GRAPH_CONFIG: Any = {"displayModeBar": False, "displaylogo": False, "responsive": True, "scrollZoom": False}


def aria(**said: str) -> dict[str, Any]:
    """ARIA attributes of a component, by their names without the prefix."""
    return {f"aria-{name}": value for name, value in said.items()}


def slider(id_: str, label: str, scale: Scale, value: float, usual: Usual | None = None) -> html.Div:
    """A slider with its value in words beside the label; the page's script keeps the two alike.

    With `usual` there is a box below it: checked, the slider stands where it usually does and asks nothing; moved
    or unchecked, it asks.
    """
    facts: dict[str, Any] = {"data-unit": scale.unit}
    if scale.none_at is not None:
        facts["data-none-at"] = f"{scale.none_at:g}"
    return html.Div(
        [
            html.Div(
                [html.Label(label, htmlFor=id_), html.Output(scale.words(value), id=f"{id_}-shown", **facts)],
                className="slider-top",
            ),
            dcc.Input(
                id=id_,
                type="range",
                min=scale.low,
                max=scale.high,
                step=scale.step,
                value=value,
                className="slider",
            ),
            None if usual is None else _as_usual(id_, label, usual),
        ],
        className="control",
    )


@dataclass(frozen=True)
class Usual:
    """Where a slider stands while nothing is asked, and whether that is so now."""

    value: float
    stands: bool


AS_USUAL = "as usual"


def _as_usual(id_: str, label: str, usual: Usual) -> html.Div:
    box, unseen = f"{id_}-usual", html.Span(f"{label} ", className="unseen")
    return html.Div(
        [
            html.Span(f"{label}: {AS_USUAL}", id=f"{box}-label", hidden=True),
            dcc.Checklist(
                id=box,
                options=[{"value": AS_USUAL, "label": html.Span([unseen, AS_USUAL])}],
                value=[AS_USUAL] if usual.stands else [],
                className="as-usual",
            ),
            dcc.Store(id=f"{id_}-at", data={"value": usual.value, "reset": False}),
        ]
    )


def ask(told: str, begins: str, inside: Sequence[Any]) -> html.Details:
    """One of the chips in a row on which a question rests; it opens to the controls that change it.

    `told` says it in words, with ids of controls in braces that the page's script fills in; `begins` is how it reads
    before that.
    """
    pattern: dict[str, Any] = {"data-told": told}
    return html.Details(
        [
            html.Summary(html.B(begins)),
            html.Div([*inside, html.Button("Done", className="ask-done do")], className="sheet"),
        ],
        className="ask",
        **pattern,
    )


def choice(id_: str, label: str, options: Sequence[tuple[str, str]], value: str) -> html.Div:
    """One of several, all of them in sight; options are (value, words)."""
    return html.Div(
        [
            html.Span(label, id=f"{id_}-label", className="legend"),
            dcc.RadioItems(id=id_, options=_options(options), value=value, className="chips"),
        ],
        className="control",
    )


def several(id_: str, label: str, options: Sequence[tuple[str, str]], values: Sequence[str]) -> html.Div:
    """Any of several, all of them in sight."""
    return html.Div(
        [
            html.Span(label, id=f"{id_}-label", className="legend"),
            dcc.Checklist(id=id_, options=_options(options), value=list(values), className="chips"),
        ],
        className="control",
    )


def written(id_: str, label: str, value: str = "", hint: str = "", mode: Any = "text") -> html.Div:
    """A line to write in; `hint` says below what belongs there."""
    return html.Div(
        [
            html.Label(label, htmlFor=id_, className="legend"),
            dcc.Input(
                id=id_,
                type="text",
                inputMode=mode,
                value=value,
                autoComplete="off",
                maxLength=500,
                className="written",
            ),
            html.Small(hint, id=f"{id_}-hint", className="quiet") if hint else None,
        ],
        className="control",
    )


def search(id_: str, label: str, value: str, hint: str) -> html.Div:
    """A line to search with: it asks when one stops writing."""
    return written(id_, label, value, f"Looks for {hint}.")


def _options(options: Sequence[tuple[str, str]]) -> list[dict[str, str]]:
    return [{"value": value, "label": words} for value, words in options]


def names(values: Sequence[str]) -> list[tuple[str, str]]:
    """Options whose words are their values."""
    return [(v, v) for v in values]


def carried(label: str, path: str, *, download: bool = False) -> html.A:
    """A link that carries the page's own address with it, as that stands when it is followed."""
    away: dict[str, Any] = {"download": ""} if download else {}
    named: dict[str, Any] = {"data-path": path}
    return html.A(label, href=path, className="carried", **named, **away)


def figure(id_: str, title: str, said: str, drawn: go.Figure, note: str = "") -> html.Figure:
    """A figure under its title; `said` tells in words what it shows, for those who do not see it."""
    return html.Figure(
        [
            html.H2(title),
            html.Div(
                dcc.Graph(
                    id=id_,
                    figure=drawn,
                    config=GRAPH_CONFIG,
                    responsive=True,
                    style={"height": drawn.layout.height},
                ),
                role="img",
                # the drawing comes later than its place
                style={"minHeight": drawn.layout.height},
                **aria(label=said),
            ),
            html.Figcaption(note) if note else None,
        ]
    )


def table(
    caption: str, heads: Sequence[str], rows: Sequence[Sequence[Any]], class_name: str = ""
) -> html.Div:
    """A table that becomes one card a row where the screen is narrow; the first cell heads its row."""
    body = [
        html.Tr(
            [
                html.Th(row[0], scope="row"),
                *(_cell(k, *pair) for k, pair in enumerate(zip(heads[1:], row[1:], strict=True), 1)),
            ]
        )
        for row in rows
    ]
    head = html.Thead(html.Tr([html.Th(h, scope="col") for h in heads]))
    drawn = html.Table([html.Caption(caption), head, html.Tbody(body)], className=class_name)
    return html.Div(drawn, className="wide")


def _cell(column: int, head: str, value: Any) -> html.Td:
    named: dict[str, Any] = {"data-head": head}
    return html.Td(value, className=f"c{column}", **named)


def notice(text: str, kind: str = "mind") -> html.Div:
    """Something to mind (`mind`), or simply to know (`know`), said in words before any colour."""
    return html.Div(html.P(text), className=f"notice {kind}", role="alert" if kind == "mind" else "note")


def waiting(target: Any, words: str) -> dcc.Loading:
    """A block that says what is being done while its content is made anew."""
    return dcc.Loading(
        target,
        custom_spinner=html.P(words, className="waiting", role="status"),
        delay_show=250,
        overlay_style={"visibility": "visible", "opacity": 0.45},
        parent_className="may-wait",
    )
