"""All benches: the logbook at a glance, for whoever keeps several bars, by weighing alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from dashboard.controls import aria, ask, choice, figure, names, notice, table
from dashboard.page import Here, Page
from dashboard.params import address, params_of_store
from dashboard.questions.all_benches import AllBenches
from dashboard.service import Service
from rig.advice.compare.overview import UNTOLD, Overview, RecipeSeen
from rig.answer_units import true_minus
from rig.errors import RigError
from rig.report.look import DARK, LIGHT
from rig.report.recipe_figure import recipe_figure

PATH = "/compare/all-benches"
MOST_ICES = 12


def layout(here: Here) -> Any:
    """The page, with the recipe that the address names."""
    trouble = None
    try:
        asked = AllBenches.of(here.service, here.params)
    except RigError as error:
        asked, trouble = (
            AllBenches.of(here.service, {}),
            notice(f"{error} Shown is the usual recipe instead."),
        )
    return html.Div(
        [
            html.H1("All benches"),
            trouble,
            html.P(
                f"{len(asked.found.benches)} benches, {sum(b.runs for b in asked.found.benches):,} runs. By weighing "
                "alone: what a drink gained on the ice, as a share of its mass, held against the same drink, technique "
                "and ice at the same duration.",
                className="lead",
            ),
            *benches_block(asked.found),
            *recipe_choice(asked),
            html.Div(id="all-across", **aria(live="polite")),
            html.P(
                dcc.Link("Back to Compare", href=address("/compare", bench=here.kept)), className="ways-on"
            ),
            dcc.Store(id="all-bench", data=here.kept),
            dcc.Store(id="all-asked"),
        ]
    )


def register(app: Dash, service: Service) -> None:
    """Connect the recipe to what is shown of it."""
    app.clientside_callback(
        ClientsideFunction("chillrig", "asked"),
        Output("all-asked", "data"),
        Input("all-recipe", "value"),
        State("all-bench", "data"),
    )

    @app.callback(
        Output("all-across", "children"),
        Input("all-asked", "data"),
        Input("theme", "data"),
        prevent_initial_call=True,
    )
    def across(asked: Any, theme: str) -> Any:
        try:
            found = AllBenches.of(service, params_of_store(asked))
        except RigError as error:
            return notice(str(error))
        return recipe_block(found.recipe, found.found.recipes, theme)


def recipe_choice(asked: AllBenches) -> list[Any]:
    """The recipes that were weighed anywhere, to choose one of."""
    if asked.recipe is None:
        return []
    return [
        html.H2("One recipe on every bench"),
        html.Section(
            [
                ask(
                    "{all-recipe}",
                    asked.recipe,
                    [choice("all-recipe", "Recipe", names(asked.recipes), asked.recipe)],
                )
            ],
            className="asks-row",
            **aria(label="Which recipe"),
        ),
    ]


def benches_block(found: Overview) -> list[Any]:
    """Every bench with what changed on it of late, and the ices that differ from the same ones elsewhere."""
    shown = [i for i in found.ices if i.difference.sure] or list(found.ices)
    return [
        table(
            "Newest runs against those before",
            ("Bench", "Runs", "Left out", "Newest against before"),
            [
                (
                    dcc.Link(b.bench, href=address("/runs", bench=b.bench)),
                    f"{b.runs:,}",
                    f"{b.excluded:,}",
                    UNTOLD if b.drift is None else b.drift.words,
                )
                for b in found.benches
            ],
        ),
        table(
            "The same ice on one bench and on the others",
            ("Ice", "Bench", "Gains"),
            [(i.ice, i.bench, i.difference.words) for i in shown[:MOST_ICES]],
        )
        if shown
        else html.P(
            "No ice was weighed on two benches with the same drink often enough to tell.", className="quiet"
        ),
        html.P("None differs for sure.", className="quiet")
        if shown and not shown[0].difference.sure
        else None,
    ]


def recipe_block(recipe: str | None, seen: Sequence[RecipeSeen], theme: str) -> Any:
    """One recipe on every bench: a picture, and the same in numbers."""
    if recipe is None or not seen:
        return None
    duration = f"{seen[0].duration_s:.1f} s"
    least, most = min(seen, key=lambda r: r.gain_pct), max(seen, key=lambda r: r.gain_pct)
    said = (
        f"{recipe}, moved for {duration}, gains from {least.gain_pct:.1f} % on {least.bench} to {most.gain_pct:.1f} % "
        f"on {most.bench}."
    )
    return [
        figure(
            "all-recipe-figure",
            f"{recipe}, moved for {duration}",
            true_minus(said),
            recipe_figure(seen, DARK if theme == "dark" else LIGHT),
            "Points: the mean of the runs, brought to that duration; lines: one standard deviation from run to run.",
        ),
        table(
            true_minus(said),
            ("Bench", "Technique", "Ice", "Runs", "Gained", "Run to run"),
            [
                (
                    r.bench,
                    r.technique,
                    r.ice,
                    str(r.runs),
                    f"{r.gain_pct:.1f} %",
                    "–" if r.spread_pct is None else f"± {r.spread_pct:.1f} %",
                )
                for r in seen
            ],
        ),
    ]


PAGE = Page(PATH, "", layout, register)
