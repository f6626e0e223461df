"""Reads a page's components as a person would: its words, its controls, its links."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from plotly.utils import PlotlyJSONEncoder


def parts(component: Any) -> Iterator[dict[str, Any]]:
    """Every component below and including this one, as it is sent to the browser."""
    sent = json.loads(json.dumps(component, cls=PlotlyJSONEncoder))
    waiting = [sent]
    while waiting:
        part = waiting.pop(0)
        if isinstance(part, list):
            waiting = part + waiting
        elif isinstance(part, dict) and "props" in part:
            yield part
            children = part["props"].get("children")
            waiting = (children if isinstance(children, list) else [children]) + waiting


def text(component: Any) -> str:
    """All words of a component, in order."""
    out: list[str] = []

    def walk(part: Any) -> None:
        if isinstance(part, list):
            for p in part:
                walk(p)
        elif isinstance(part, dict) and "props" in part:
            walk(part["props"].get("children"))
        elif isinstance(part, str | int | float):
            out.append(str(part))

    walk(json.loads(json.dumps(component, cls=PlotlyJSONEncoder)))
    return " ".join(" ".join(out).split())


def by_id(component: Any, id_: str) -> dict[str, Any]:
    """The properties of the component of that id."""
    return next(p["props"] for p in parts(component) if p["props"].get("id") == id_)


def ids(component: Any) -> list[str]:
    """The ids of a component and all below it; one made of parts as JSON."""
    found = [p["props"]["id"] for p in parts(component) if "id" in p["props"]]
    return [i if isinstance(i, str) else json.dumps(i) for i in found]


def controls_and_labelled(component: Any) -> tuple[set[str], set[str]]:
    """Ids of the controls of a layout, and ids that have a label; a mark in a table has its words beside it."""
    labelled = {p["props"].get("htmlFor") for p in parts(component) if p["type"] == "Label"}
    labelled |= {i.removesuffix("-label") for i in ids(component) if i.endswith("-label")}
    named = [p["props"]["id"] for p in parts(component) if p["type"] in ("Input", "RadioItems", "Checklist")]
    return {i for i in named if isinstance(i, str)}, labelled
