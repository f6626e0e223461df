"""Recipe: what a drink is before and after the water, against its glass; scaled, strengthened, made ahead."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from dashboard import wording
from dashboard.controls import aria, carried, choice, figure, names, notice, slider, table, waiting
from dashboard.figures.drink import foam_figure, wash_line_figure
from dashboard.page import Here, Page
from dashboard.params import one, params_of_store
from dashboard.questions.recipe import (
    ABV,
    DILUTION_HIGH,
    DILUTION_LOW,
    FREE_ML,
    GLASS,
    OVERRUN,
    SERVINGS,
    STORES,
    SUGAR,
    Change,
    RecipeQuestion,
    Worked,
)
from dashboard.questions.texture import foamed, half_life
from dashboard.service import Service, Working
from rig.advice.recipe.batch import Batch
from rig.advice.recipe.people import (
    CAFFEINE_DAY_MG,
    CAFFEINE_PREGNANCY_DAY_MG,
    CAFFEINE_SINGLE_MG,
    CAFFEINE_SOURCE,
    ForPeople,
)
from rig.advice.recipe.recipe_work import Properties, WashLine
from rig.answer_units import true_minus
from rig.bench import Ingredient, Recipe
from rig.errors import NotEnoughData, RigError
from rig.report.look import DARK, LIGHT, Look
from rig.runs import Run

PARTS = (("/recipe", "The drink"), ("/recipe/coffee", "The coffee"), ("/recipe/glass", "The glass"))
STATE_HEADS = ("Property", "Before", "Least water", "Middle", "Most water")
_CHOICES = ("recipe", "change", "store")
_SLIDERS = {
    "dilution_low": ("Water from", DILUTION_LOW),
    "dilution_high": ("Water to", DILUTION_HIGH),
    "glass_ml": ("Glass to its rim", GLASS),
    "overrun_pct": ("Air in it", OVERRUN),
    "abv_pct": ("Strength to land on", ABV),
    "sugar_g_per_l": ("Sweetness to land on", SUGAR),
    "servings": ("Make ahead", SERVINGS),
}


def parts_of_recipe(shown: str) -> html.Nav:
    """The ways between the drink, its coffee and its glass; a link carries what was asked along."""
    links = [
        html.Li(html.Span(carried(words, path), className="here" if path == shown else None))
        for path, words in PARTS
    ]
    return html.Nav(html.Ul(links), **aria(label="Parts of the recipe"))


def usual_instead(error: RigError) -> html.Div:
    """Why what the address asks is not shown."""
    return notice(f"{true_minus(str(error)).rstrip('.')}. Shown is the usual instead.")


def layout(here: Here) -> Any:
    """The page with its controls as the address asks."""
    bench, trouble = here.service.bench(here.bench), None
    try:
        asked = RecipeQuestion.of(bench, here.params)
    except RigError as error:
        asked = RecipeQuestion.of(bench, {})
        trouble = usual_instead(error)

    def slide(name: str) -> html.Div:
        label, run = _SLIDERS[name]
        return slider(f"recipe-{name}", label, run, getattr(asked, name))

    changes = [(c.value, c.words) for c in Change]
    return html.Div(
        [
            html.H1("Recipe"),
            parts_of_recipe("/recipe"),
            trouble,
            html.Div(
                [
                    html.Section(
                        [
                            waiting(
                                html.Div(id="recipe-head", className="told-head", **aria(live="polite")),
                                "Working it out …",
                            ),
                        ],
                        className="answer",
                        style={"position": "static"},
                        **aria(label="The drink"),
                    ),
                    html.Section(
                        [
                            choice("recipe-recipe", "Recipe", names(tuple(bench.recipes)), asked.recipe),
                            slide("dilution_low"),
                            slide("dilution_high"),
                            slide("glass_ml"),
                            slide("overrun_pct"),
                            choice("recipe-change", "And then", changes, asked.change),
                            html.Div([slide("abv_pct"), slide("sugar_g_per_l")], id="recipe-for-strengthen"),
                            html.Div(
                                [
                                    slide("servings"),
                                    choice(
                                        "recipe-store", "Kept in the", names(tuple(STORES)), asked.store.label
                                    ),
                                ],
                                id="recipe-for-batch",
                            ),
                        ],
                        className="controls",
                        **aria(label="Recipe, water and glass"),
                    ),
                    html.Section(
                        [
                            html.Div(id="recipe-figures"),
                            html.Div(id="recipe-answer"),
                            html.Div(id="recipe-texture"),
                        ],
                        className="more",
                        **aria(label="In numbers"),
                    ),
                ],
                className="call-page",
            ),
            dcc.Store(id="recipe-bench", data=here.kept),
            dcc.Store(id="recipe-asked"),
        ]
    )


def register(app: Dash, service: Service) -> None:
    """Connect the controls to the recipe."""
    app.clientside_callback(
        ClientsideFunction("chillrig", "asked"),
        Output("recipe-asked", "data"),
        *(Input(f"recipe-{k}", "value") for k in (*_CHOICES, *_SLIDERS)),
        State("recipe-bench", "data"),
    )
    for name in _SLIDERS:
        app.clientside_callback(
            ClientsideFunction("chillrig", "shown"),
            Output(f"recipe-{name}-shown", "children"),
            Input(f"recipe-{name}", "value"),
        )

    def read(asked: Any) -> tuple[str, RecipeQuestion]:
        params = params_of_store(asked)
        name = service.chosen(one(params, "bench"))
        return name, RecipeQuestion.of(service.bench(name), params)

    @app.callback(
        Output("recipe-head", "children"),
        Output("recipe-answer", "children"),
        Output("recipe-figures", "children"),
        Output("recipe-for-strengthen", "hidden"),
        Output("recipe-for-batch", "hidden"),
        Input("recipe-asked", "data"),
        Input("theme", "data"),
        prevent_initial_call=True,
    )
    def answer(asked: Any, theme: str) -> tuple[Any, Any, Any, bool, bool]:
        try:
            name, question = read(asked)
        except RigError as error:
            return notice(str(error)), None, None, True, True
        hidden = question.change is not Change.STRENGTHEN, question.change is not Change.BATCH
        try:
            made = question.answer(service.bench(name))
        except RigError as error:
            return notice(true_minus(str(error))), None, None, *hidden
        drawn = figure_block(made.found, DARK if theme == "dark" else LIGHT)
        return head_block(made), answer_block(made), drawn, *hidden

    # foam needs the runs; it changes with the recipe alone, which the store's other values do not
    @app.callback(
        Output("recipe-texture", "children"),
        Input("recipe-recipe", "value"),
        Input("theme", "data"),
        State("recipe-bench", "data"),
    )
    def texture(recipe: Any, theme: str, bench: Any) -> Any:
        name = service.chosen(bench)
        try:
            seen = service.look(name)
            if isinstance(seen, Working):
                return html.P(
                    "Texture follows once the runs are fitted: load the page again then.", className="quiet"
                )
            return texture_block(seen.book.used_runs(), str(recipe), DARK if theme == "dark" else LIGHT)
        except RigError as error:
            return html.P(str(error), className="quiet")


def head_block(made: Worked) -> Any:
    """What is in the glass, large, and whether it fits."""
    lines, middle = made.found.wash_line, made.found.after[-1 if len(made.found.after) == 1 else 1]
    line = lines[-1 if len(lines) == 1 else 1]
    return [
        html.P(made.recipe.name, className="over"),
        html.P(html.B(f"{line.drink_ml:.0f} ml"), className="big"),
        html.P(
            f"in the glass · {middle.abv_pct:.1f} % ABV, {middle.sugar_g_per_l:.0f} g/l sugar · {fit_words(lines)}",
            className="window",
        ),
    ]


def fit_words(lines: Sequence[WashLine]) -> str:
    """Whether the drink stays below the rim, over the whole window of water."""
    least, most = lines[0].free_ml, lines[-1].free_ml
    if most >= 0.0:
        return f"fits, {most:.0f} ml below the rim at the most water"
    if least >= 0.0:
        return f"spills at the most water, by {-most:.0f} ml"
    return f"{-least:.0f} ml too much even at the least water"


def answer_block(made: Worked) -> Any:
    """Pours where they changed, then the drink before and after, then what one serving holds."""
    parts: list[Any] = []
    if made.changed is not None:
        parts += [
            table("New pours", ("Ingredient", "Was", "Now"), pour_rows(made.recipe, made.changed), "told"),
            html.P(
                "A stronger or larger drink takes water differently: ask Shake time again once the bench holds it. "
                f"Scaled to the glass leaves {FREE_ML:.0f} ml below the rim.",
                className="quiet",
            ),
        ]
    if made.batch is not None:
        parts += batch_block(made.batch)
    parts += [
        table(
            "Before and after the water",
            STATE_HEADS[: 2 + len(made.found.after)],
            state_rows(made.found),
            "told",
        ),
        html.P("Freezing points are good to ± 0.3 °C; ABV and volume hold at 20 °C.", className="quiet"),
        html.H2("One serving"),
        html.Ul([html.Li(t) for t in people_words(made.people)], className="sentences"),
    ]
    return parts


def _amount(i: Ingredient) -> str:
    if i.volume_ml is not None:
        return wording.number(i.volume_ml, 1, "ml")
    return wording.number(i.mass_g, 1, "g")


def pour_rows(was: Recipe, now: Recipe) -> list[tuple[str, str, str]]:
    """Each pour as it was and as it is now."""
    pairs = zip(was.ingredients, now.ingredients, strict=True)
    return [(a.name, _amount(a), _amount(b)) for a, b in pairs]


def state_rows(found: Properties) -> list[tuple[str, ...]]:
    """Properties as rows, states as columns."""
    states = (found.before, *found.after)
    listed: tuple[tuple[str, Sequence[float], int, str], ...] = (
        ("Water ÷ start", [100.0 * s.dilution_by_volume for s in states], 0, "%"),
        ("Liquid", [s.volume_ml for s in states], 0, "ml"),
        ("With its air", [s.foamed_ml for s in states], 0, "ml"),
        ("Mass", [s.mass_g for s in states], 0, "g"),
        ("Strength", [s.abv_pct for s in states], 1, "% ABV"),
        ("Sugar", [s.sugar_g_per_l for s in states], 0, "g/l"),
        ("Freezes", [s.freezing_c for s in states], 1, "°C"),
    )
    return [
        (name, *(wording.number(v, digits, unit) for v in values)) for name, values, digits, unit in listed
    ]


def batch_block(made: Batch) -> list[Any]:
    """Pours for all servings with their water, and whether it stays liquid where it waits."""
    liquid = "✓ Stays liquid" if made.stays_liquid else "△ Does not stay liquid"
    said = [
        f"{liquid} in the {made.store.label}: it freezes from {made.state.freezing_c:z.1f} °C on (± 0.3 °C).",
        f"{made.total_ml / 1000.0:.2f} l in {made.bottles} bottles of {made.bottle_ml:.0f} ml; "
        f"{made.serving_ml:.0f} ml a serving.",
    ]
    if not made.stays_liquid:
        most = made.most_water_by_volume
        said.append(
            "Not even the undiluted base stays liquid there."
            if most is None
            else f"Up to {100.0 * most:.0f} % water it would."
        )
    said += [f"{n[0].upper()}{n[1:]}." for n in made.notes]
    rows = [*((i.name, _amount(i)) for i in made.recipe.ingredients), ("water", f"{made.water_g:.0f} g")]
    return [
        table(f"For {made.servings} servings", ("Ingredient", "Pour"), rows, "told"),
        html.Ul([html.Li(true_minus(t)) for t in said], className="sentences"),
    ]


def people_words(p: ForPeople) -> list[str]:
    """Alcohol, caffeine with the published limits beside it, allergens, and what to check."""
    drinks = ", ".join(f"{v:.1f} × {d.label}" for d, v in p.standard_drinks.items())
    caffeine = "Caffeine: not declared."
    if p.caffeine_mg is not None:
        least = "at least " if p.caffeine_at_least else ""
        caffeine = f"Caffeine {least}{p.caffeine_mg:.0f} mg. {caffeine_limits()}"
    allergens = ", ".join([*(a.label for a in p.allergens), *p.other_declared]) or "none"
    return [
        f"Alcohol {p.ethanol_g:.1f} g: {drinks}.",
        caffeine,
        f"Allergens declared: {allergens}.",
        *(f"{n[0].upper()}{n[1:]}." for n in p.notes),
    ]


def caffeine_limits() -> str:
    """The published limits, in words."""
    return (
        f"Limits for adults: {CAFFEINE_SINGLE_MG:.0f} mg at once, {CAFFEINE_DAY_MG:.0f} mg a day, "
        f"{CAFFEINE_PREGNANCY_DAY_MG:.0f} mg a day in pregnancy ({CAFFEINE_SOURCE})."
    )


def figure_block(found: Properties, look: Look) -> Any:
    """The drink against the rim."""
    said = "; ".join(f"{w.drink_ml:.0f} ml" for w in found.wash_line)
    rim = found.wash_line[0].glass_ml
    return figure(
        "recipe-wash-line",
        "Against the glass",
        f"In a glass of {rim:.0f} ml: {said}, from the least to the most water. {fit_words(found.wash_line)}.",
        wash_line_figure(found, look),
        "Hatched: over the rim.",
    )


def texture_block(runs: Sequence[Run], recipe: str, look: Look) -> Any:
    """Foam against duration from the runs that measured it; a quiet line where too few did."""
    try:
        found = foamed(runs, recipe)
    except NotEnoughData as error:
        return [html.H2("Texture"), html.P(str(error), className="quiet")]
    lasts = half_life(runs, recipe)
    low, high = found.foam_pct.min(), found.foam_pct.max()
    said = f"{len(found.runs)} runs: foam {low:.0f} to {high:.0f} % of the drink."
    if lasts is not None:
        said += f" Half of it is gone after {lasts[1]:.0f} s ({lasts[0]:.0f} to {lasts[2]:.0f} s for the average)."
    return figure(
        "recipe-foam",
        "Texture: foam against time on the ice",
        said,
        foam_figure(found, look),
        f"{said} Foam holds liquid too: overrun is at most this. Band: 90 % of runs.",
    )


PAGE = Page("/recipe", "Recipe", layout, register)
