"""By hand: a drink with a kitchen scale, a thermometer and a phone, weight by weight, timed, and told at once."""

from __future__ import annotations

import json
from typing import Any

from dash import Dash, dcc, html

from dashboard import by_hand
from dashboard.controls import choice, names, notice, written
from dashboard.live.question import techniques
from dashboard.live.room import NO_LOGBOOK
from dashboard.page import Here, Page
from dashboard.params import address, named, one
from dashboard.questions.by_hand import facts_of
from dashboard.questions.rhythm import usual_hz
from dashboard.service import Service
from rig.bench import Bench
from rig.errors import NotFound, RigError

_WAYS = (("each", "each ingredient"), ("whole", "the whole drink at once"))
_EYES = (("no", "shown, and called"), ("yes", "hidden: stop by feel"))
CAUTIONS = (
    "A phone and wet hands: lay it where nothing is poured, and keep its charger away. A hot drink in a sealed vessel "
    "builds pressure: vent it before you shake, and again before you open it. Cold glass cracks under a hot drink."
)


def layout(here: Here) -> Any:
    """The choice of a drink, and the stage that the page's script leads through.

    Raises
    ------
    RigError
        A bench that nothing can be made on.
    """
    bench = here.service.bench(here.bench)
    facts = facts_of(bench)
    if not (facts["recipes"] and bench.vessels and bench.ice):
        raise RigError(
            "the bench lacks a vessel, an ice or a recipe that can be weighed. Write one into its bench.toml"
        )
    told: dict[str, Any] = {
        "data-bench": here.kept or "",
        "data-facts": json.dumps(facts),
        "data-usual-hz": json.dumps(usual_hz(here)),
    }
    return html.Div(
        [
            html.H1("By hand"),
            notice(NO_LOGBOOK) if here.service.logbook is None else None,
            html.Div(_choices(here, bench, tuple(facts["recipes"])), id="hand-choice", hidden=True),
            html.Div(id="hand-stage", hidden=True),
            html.P(id="hand-trouble", className="notice mind", role="alert", hidden=True),
            html.Div(
                [
                    html.P(
                        dcc.Link(
                            "With a probe or a scale that is plugged in",
                            href=address("/live", bench=here.kept),
                        ),
                        className="ways-on",
                    ),
                    html.Details([html.Summary("Before you start: water, heat and glass"), html.P(CAUTIONS)]),
                ],
                className="hand-foot",
            ),
        ],
        id="hand",
        className="stands",
        **told,
    )


def _choices(here: Here, bench: Bench, recipes: tuple[str, ...]) -> list[Any]:
    def first(name: str, known: tuple[str, ...]) -> str:
        try:
            return named(here.params, name, known, known[0], name)
        except NotFound:
            return known[0]

    targets = (*bench.targets, "")
    return [
        html.Button("Begin", id="hand-begin", className="do giant"),
        html.P(
            "A scale, a thermometer, this phone. Nothing you type is lost when the phone locks or the page is "
            "loaded anew.",
            className="quiet",
        ),
        html.Div(
            [
                choice("hand-recipe", "Drink", names(recipes), first("recipe", recipes)),
                choice(
                    "hand-technique",
                    "Technique",
                    names(techniques(bench)),
                    first("technique", techniques(bench)),
                ),
                choice(
                    "hand-vessel",
                    "Vessel",
                    names(tuple(bench.vessels)),
                    first("vessel", tuple(bench.vessels)),
                ),
                choice("hand-ice", "Ice", names(tuple(bench.ice)), first("ice", tuple(bench.ice))),
                choice(
                    "hand-target",
                    "Target",
                    [*names(tuple(bench.targets)), ("", "none")],
                    first("target", targets),
                ),
                choice("hand-ways", "Weigh", _WAYS, "each"),
                choice("hand-blind", "The call and the seconds are", _EYES, first("blind", ("no", "yes"))),
                written("hand-operator", "Operator", one(here.params, "operator") or ""),
                written("hand-session", "Session", one(here.params, "session") or ""),
            ],
            className="live-choices",
        ),
    ]


def register(app: Dash, service: Service) -> None:
    """Answer the phones that open the page."""
    by_hand.register(app.server, service)


PAGE = Page("/by-hand", "By hand", layout, register)
