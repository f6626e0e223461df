"""A figure in the reader's units: each axis by the unit that its title or ticks say, with all that is drawn along it.

Figures are drawn in the lab's units; here, at the edge, is where they are told in others.
"""

from __future__ import annotations

import base64
import copy
import re
from collections.abc import Mapping
from typing import Any

import numpy as np
import plotly.graph_objects as go

from rig.answer_units import AnswerUnits

_AXIS = re.compile(r"([xy])axis(\d*)")
_HOVER = re.compile(r"%\{(?P<along>[xy])(?::\.(?P<digits>\d)f)?\}(?P<gap> )(?P<unit>°C|K|g|ml)(?![\w/])")
_WORDS = ("name", "text", "hovertext")


def in_units(figure: go.Figure, units: AnswerUnits) -> go.Figure:
    """The figure in these units; the very one where they are the lab's."""
    if units.of_the_lab:
        return figure
    return go.Figure(dict_in_units(figure.to_plotly_json(), units), skip_invalid=True)


def dict_in_units(figure: Mapping[str, Any], units: AnswerUnits) -> dict[str, Any]:
    """A figure, as the dictionary that plotly draws, in these units; what is given stays as it was."""
    out = copy.deepcopy(dict(figure))
    layout = out.setdefault("layout", {})
    axes = {f"{m[1]}{m[2]}": layout[name] for name in layout if (m := _AXIS.fullmatch(name))}
    units_of = {name: unit for name, axis in axes.items() if (unit := _told_unit(axis, units)) is not None}
    for name, axis in axes.items():
        _axis(axis, units_of.get(name), units)
    for trace in out.get("data", ()):
        along = {c: units_of.get(trace.get(f"{c}axis") or c) for c in "xy"}
        _drawn(trace, along, units)
        for key in _WORDS:
            trace.update({key: _words(trace[key], units)} if key in trace else {})
        if isinstance(trace.get("hovertemplate"), str):
            trace["hovertemplate"] = units.text(_hover(trace["hovertemplate"], along, units))
    for part in (*layout.get("shapes", ()), *layout.get("annotations", ())):
        for c in "xy":
            of = units_of.get(str(part.get(f"{c}ref") or c))
            for key in (c, f"{c}0", f"{c}1") if of else ():
                if isinstance(part.get(key), int | float):
                    part[key] = units.value(float(part[key]), str(of))
        if isinstance(part.get("text"), str):
            part["text"] = units.text(part["text"])
    return out


def _told_unit(axis: Mapping[str, Any], units: AnswerUnits) -> str | None:
    """The lab's unit along an axis: in brackets in its title, or behind its ticks; None where it keeps its own."""
    of = units.heading(_title(axis))[1] or str(axis.get("ticksuffix") or "").strip()
    return of if of and units.unit(of) != of else None


def _title(axis: Mapping[str, Any]) -> str:
    title = axis.get("title")
    return str((title.get("text") if isinstance(title, Mapping) else title) or "")


def _axis(axis: dict[str, Any], of: str | None, units: AnswerUnits) -> None:
    title = axis.get("title")
    if isinstance(title, Mapping):
        axis["title"] = {**title, "text": units.text(_title(axis))}
    elif title:
        axis["title"] = units.text(str(title))
    if of is None:
        return
    if axis.get("ticksuffix"):
        axis["ticksuffix"] = f" {units.unit(of)}"
    for key in ("range", "tickvals"):
        if axis.get(key) is not None:
            axis[key] = _shifted(axis[key], of, units)
    for key in ("dtick", "tick0"):
        axis.pop(key, None)


def _drawn(trace: dict[str, Any], along: Mapping[str, str | None], units: AnswerUnits) -> None:
    for c, of in along.items():
        if of is None:
            continue
        if trace.get(c) is not None:
            trace[c] = _shifted(trace[c], of, units)
        error = trace.get(f"error_{c}") or {}
        for key in ("array", "arrayminus", "value"):
            if error.get(key) is not None:
                error[key] = _shifted(error[key], of, units, difference=True)


def _shifted(values: Any, of: str, units: AnswerUnits, *, difference: bool = False) -> Any:
    """Values along an axis in the reader's units: numbers, lists with gaps, arrays, or arrays as plotly packs them."""
    if isinstance(values, Mapping):  # typed array: base64 of its bytes
        values = np.frombuffer(base64.b64decode(values["bdata"]), dtype=np.dtype(values["dtype"]))
    if isinstance(values, int | float):
        return units.value(float(values), of, difference=difference)
    if isinstance(values, np.ndarray) and values.dtype.kind in "fiu":
        shown = units.value(values.astype(float), of, difference=difference)
        return [v if np.isfinite(v) else None for v in shown.tolist()]
    return [
        units.value(float(v), of, difference=difference) if isinstance(v, int | float) else v for v in values
    ]


def _hover(template: str, along: Mapping[str, str | None], units: AnswerUnits) -> str:
    """What stands beside the pointer: the value as the axis has it, to as many digits as tell it as finely."""

    def told(found: re.Match[str]) -> str:
        of = along[found["along"]]
        if of is None or of != found["unit"]:
            return found[0]
        told_by = units.number(1.0, int(found["digits"] or 0), of, difference=True)
        digits = len(told_by.partition(".")[2])
        return f"%{{{found['along']}:.{digits}f}} {units.unit(of)}"

    return _HOVER.sub(told, template)


def _words(said: Any, units: AnswerUnits) -> Any:
    if isinstance(said, str):
        return units.text(said)
    return (
        [units.text(s) if isinstance(s, str) else s for s in said] if isinstance(said, list | tuple) else said
    )
