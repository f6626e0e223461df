"""Pages in the reader's units: what is sent to a browser that has chosen others is told in those, once, at the edge.

Layouts, callbacks and stores work in °C, g and ml. A browser keeps its choice in a cookie; one that has chosen nothing
is told in the units kept for the user of this computer.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, html
from flask import Flask, Response, has_request_context, request

from dashboard.ahead import FORETOLD
from dashboard.controls import choice
from dashboard.service import Service
from rig.answer_units import KINDS, AnswerUnits, answer_units
from rig.errors import RigError
from rig.report.figure_units import dict_in_units
from rig.session.kept_units import kept_units

COOKIE = "chillrig-units"
_ASKED = ("/_dash-update-component", "/_dash-layout", FORETOLD)
_FRAME = ("/", "/<path:path>")
"""Where Dash serves the frame that every page is shown in."""
_WORDS = frozenset(
    {"children", "title", "label", "aria-label", "alt", "data-head", "data-told", "message", "options"}
)
"""Properties of components that a person reads."""
_OF_THE_LAB = "calibrate-"
"""How ids of lines begin whose bare numbers are the lab's, whatever is chosen: a calibration is done in °C and g."""
IN_THE_LABS: dict[str, Any] = {"data-lab": "yes"}
"""For a part of a page whose numbers are typed in °C, g and ml, or with their unit: it is told in those."""


def chosen_units() -> AnswerUnits:
    """The units of the browser that asks."""
    told = request.cookies.get(COOKIE) if has_request_context() else None
    try:
        return kept_units() if told is None else answer_units(told)
    except RigError:
        return kept_units()


def register(app: Dash, service: Service) -> None:
    """Tell all that the pages send in the units of whoever asked, and keep what is chosen on the page Rig."""
    server: Flask = app.server

    def told(response: Response) -> Response:
        units = chosen_units()
        if units.of_the_lab or response.status_code != 200:
            return response
        if request.endpoint in _FRAME and response.mimetype == "text/html":
            page = response.get_data(as_text=True)
            response.set_data(page.replace("<html ", f'<html data-units="{units}" ', 1))
        elif request.path in _ASKED and response.mimetype == "application/json":
            units = units.beside([n for bench in service.names() for n in service.bench(bench).names])
            response.set_data(json.dumps(in_units(response.get_json(), units)))
        return response

    server.after_request(told)
    app.clientside_callback(
        ClientsideFunction("chillrig", "unitsChosen"),
        Output("rig-units", "data-kept"),
        *(Input(f"rig-units-{kind}", "value") for kind in KINDS),
        prevent_initial_call=True,
    )


def units_block() -> html.Div:
    """The choice of units, as they now are."""
    units = chosen_units()
    labels = {"temperature": "Temperature", "mass": "Mass", "volume": "Volume"}
    return html.Div(
        [
            html.H2("Units of answers"),
            *(
                choice(f"rig-units-{kind}", labels[kind], [(u, u) for u in both], getattr(units, kind))
                for kind, both in KINDS.items()
            ),
            html.P(
                "For this browser: answers, and what you type without a unit. Calibrations, the entries of a bench, "
                "the run sheet, several runs brought in at once and By hand keep to the units beside their lines. "
                "24 C or 60 g will do anywhere. For every browser and the command line: chillrig units us.",
                className="quiet",
            ),
        ],
        id="rig-units",
    )


def in_units(sent: Any, units: AnswerUnits) -> Any:
    """What Dash sends, a layout or an answer as JSON, in these units; the names of a bench stay as they are."""
    if isinstance(sent, list):
        return [in_units(part, units) for part in sent]
    if not isinstance(sent, Mapping):
        return sent
    if "response" in sent:
        changed = {
            part: {to: _props(props, units) for to, props in sent[part].items()}
            for part in ("response", "sideUpdate")
            if isinstance(sent.get(part), Mapping)
        }
        return {**sent, **changed}
    if "props" not in sent or IN_THE_LABS.keys() <= sent["props"].keys():
        return sent
    return {**sent, "props": _props(sent["props"], units, str(sent.get("type")))}


def _props(props: Mapping[str, Any], units: AnswerUnits, kind: str = "") -> dict[str, Any]:
    if kind == "Label" and str(props.get("htmlFor", "")).startswith(_OF_THE_LAB):
        return dict(props)
    of = units.heading(str(props.get("data-head", "")))[1]
    out = dict(props)
    for name, value in props.items():
        if name == "figure" and isinstance(value, Mapping) and "data" in value:
            out[name] = dict_in_units(value, units)
        elif name == "children" and "data-unit" in props:
            out[name] = units.text(str(value), exact=True)
        elif name in _WORDS:
            out[name] = _words(value, units, of)
    return out


def _words(value: Any, units: AnswerUnits, of: str | None) -> Any:
    """What a person reads: a text, or a list or component that holds texts; `of` is the unit of bare numbers."""
    if isinstance(value, str):
        return units.cell(units.text(value), of)
    if isinstance(value, list):
        return [_words(part, units, of) for part in value]
    if isinstance(value, Mapping) and "props" not in value:
        return {k: _words(v, units, of) if k == "label" else v for k, v in value.items()}
    told = in_units(value, units)
    if of is not None and isinstance(told, Mapping) and isinstance(told["props"].get("children"), str):
        return {**told, "props": {**told["props"], "children": units.cell(told["props"]["children"], of)}}
    return told
