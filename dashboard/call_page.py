"""The frame of a page that asks about one call: its answer in giant figures, the choices beside it, the rest below."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from dashboard.controls import aria, choice, names, waiting
from dashboard.page import Here
from dashboard.questions.defaults import techniques
from dashboard.questions.one_call import OneCall
from dashboard.service import BenchView


def call_choices(prefix: str, view: BenchView, asked: OneCall) -> list[Any]:
    """Which call: its target, drink and set-up; the ids of the controls begin with `prefix`."""
    bench = view.bench
    return [
        choice(f"{prefix}-target", "For a call into", names(tuple(bench.targets)), asked.target),
        choice(f"{prefix}-recipe", "Recipe", names(tuple(bench.recipes)), asked.recipe),
        choice(f"{prefix}-ice", "Ice", names(tuple(bench.ice)), asked.ice),
        choice(f"{prefix}-technique", "Technique", names(techniques(view)), asked.technique),
        choice(f"{prefix}-vessel", "Vessel", names(tuple(bench.vessels)), asked.vessel),
    ]


def call_page(
    here: Here,
    prefix: str,
    *,
    title: str,
    trouble: Any,
    answer: tuple[str, str],
    controls: tuple[str, Sequence[Any]],
    more: tuple[str, Any],
) -> html.Div:
    """The page; `answer` is its label and what is said while it is worked out, the others label and content.

    The answer goes into `{prefix}-head`; what is asked stands in the store `{prefix}-asked`.
    """
    told = html.Div(id=f"{prefix}-head", className="told-head", **aria(live="polite"))
    sections = [
        html.Section(
            waiting(told, answer[1]),
            className="answer",
            style={"position": "static"},
            **aria(label=answer[0]),
        ),
        html.Section(list(controls[1]), className="controls", **aria(label=controls[0])),
        html.Section(more[1], className="more", **aria(label=more[0])),
    ]
    return html.Div(
        [
            html.H1(title),
            trouble,
            html.Div(sections, className="call-page"),
            dcc.Store(id=f"{prefix}-bench", data=here.kept),
            dcc.Store(id=f"{prefix}-asked"),
        ]
    )
