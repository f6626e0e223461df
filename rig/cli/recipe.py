"""`chillrig recipe`: what a recipe is before and after the water; scale, strengthen or batch it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rig.cli.options import AsJson, BenchFolder, BenchName, Logbook, example
from rig.cli.printing import bullets, print_json, say, table
from rig.cli.source import open_source

if TYPE_CHECKING:
    from rig.advice.recipe.people import ForPeople
    from rig.advice.recipe.recipe_work import State
    from rig.bench import Recipe

EXAMPLE = example(
    "chillrig recipe properties 'quayside black' --bench my-bar \\",
    "    --dilution 0.30 0.36 --glass-ml 150",
    "chillrig recipe strengthen 'quayside black' --bench my-bar \\",
    "    --dilution 0.33 --abv-pct 15",
)

app = typer.Typer(
    help="What a recipe is before and after the water; scale, strengthen or batch it.",
    no_args_is_help=True,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Name = Annotated[str, typer.Argument(metavar="RECIPE", help="The recipe, by its name on the bench.")]
One = Annotated[float, typer.Option("--dilution", help="Water added ÷ starting volume: 0.33 is 33 %.")]
Overrun = Annotated[float, typer.Option(help="Air in the drink ÷ liquid by volume [%].")]
HeldBack = Annotated[float, typer.Option(help="Left on ice and vessel [g].")]


def _recipe(name: str, bench: Any, logbook: str | None, bench_name: str | None) -> Recipe:
    return open_source(bench, logbook, bench_name).book.bench.recipe(name)


def _command(name: str, short: str, *lines: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    return app.command(name, short_help=short, epilog=example(*lines))


@_command(
    "properties",
    "Strength, sugar, acid, volume, and people.",
    "chillrig recipe properties 'quayside black' --bench my-bar \\",
    "    --dilution 0.30 0.36 --glass-ml 150 --overrun-pct 20",
)
def properties_command(
    recipe: Name,
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    dilution: Annotated[
        tuple[float, float], typer.Option(metavar="LO HI", help="Water added ÷ starting volume: 0.30 0.36.")
    ] = (0.0, 0.0),
    glass_ml: Annotated[float | None, typer.Option(help="Volume of the glass to its rim [ml].")] = None,
    overrun_pct: Overrun = 0.0,
    held_back_g: HeldBack = 0.0,
    acid: Annotated[
        list[str] | None, typer.Option(metavar="NAME=PCT", help="Acid of an ingredient [% by mass]; repeat.")
    ] = None,
    servings: Annotated[float, typer.Option(help="How many drinks the recipe as written makes.")] = 1.0,
    as_json: AsJson = False,
) -> None:
    """Show strength, sweetness, acid and volume before and after dilution, and what one serving holds."""
    from rig.advice.recipe.people import for_people
    from rig.advice.recipe.recipe_work import properties

    made = _recipe(recipe, bench, logbook, bench_name)
    window = dilution[0] if dilution[0] == dilution[1] else dilution
    found = properties(
        made,
        window,
        glass_ml=glass_ml,
        overrun_pct=overrun_pct,
        held_back_g=held_back_g,
        acid_pct=_acids(acid or []),
    )
    person = for_people(made, servings)
    if as_json:
        lines = [{**vars(w), "fits": w.fits} for w in found.wash_line]
        print_json(
            {
                "recipe": found.recipe,
                "starting_volume_ml": found.starting_volume_ml,
                "before": found.before.to_dict(),
                "after": [s.to_dict() for s in found.after],
                "wash_line": lines,
                "per_serving": person.to_dict(),
            }
        )
        return
    say(f"{found.recipe}: {found.starting_volume_ml:.0f} ml poured", "", style="bold")
    _print_states(found.before, found.after)
    for line in found.wash_line:
        where = f"{line.free_ml:.0f} ml below the rim" if line.fits else f"{-line.free_ml:.0f} ml too much"
        say(f"{line.drink_ml:.0f} ml in a glass of {line.glass_ml:.0f} ml: {where}.")
    _print_person(person)


def _acids(given: Sequence[str]) -> dict[str, float]:
    from rig.units import typed

    out = {}
    for entry in given:
        name, _, value = entry.rpartition("=")
        try:
            out[name] = typed(value)
        except ValueError:
            raise typer.BadParameter(
                f"--acid takes NAME=PCT, such as 'lemon juice=5.5'; found {entry!r}"
            ) from None
        if not name or not 0.0 <= out[name] <= 100.0:
            raise typer.BadParameter(f"--acid takes NAME=PCT with 0 to 100 %, found {entry!r}")
    return out


def _print_states(before: State, after: Sequence[State]) -> None:
    states = (before, *after)
    acid = before.acid_g_per_l is not None
    head = ("", "dilution", "mass\n[g]", "liquid\n[ml]", "with air\n[ml]", "ABV\n[%]", "sugar\n[g/l]")
    table(
        (*head, *(("acid\n[g/l]",) if acid else ()), "freezes\n[°C]"),
        [
            (
                "before" if k == 0 else "after",
                f"{s.dilution_by_volume:.0%}",
                f"{s.mass_g:.1f}",
                f"{s.volume_ml:.1f}",
                f"{s.foamed_ml:.1f}",
                f"{s.abv_pct:.1f}",
                f"{s.sugar_g_per_l:.0f}",
                *((f"{s.acid_g_per_l:.1f}",) if s.acid_g_per_l is not None else ()),
                f"{s.freezing_c:.1f}",
            )
            for k, s in enumerate(states)
        ],
    )
    say("", "Freezing points are good to ±0.3 °C; ABV and volume hold at 20 °C.")


def _print_person(p: ForPeople) -> None:
    drinks = ", ".join(f"{v:.1f} × {d.label}" for d, v in p.standard_drinks.items())
    say("", "One serving:")
    at_least = "at least " if p.caffeine_at_least else ""
    bullets(
        [
            f"alcohol {p.ethanol_g:.1f} g: {drinks}",
            "caffeine not declared"
            if p.caffeine_mg is None
            else f"caffeine {at_least}{p.caffeine_mg:.0f} mg (EFSA 2015: 200 mg at once, 400 mg a day, "
            "200 mg a day in pregnancy)",
            f"allergens declared: {', '.join([*(a.label for a in p.allergens), *p.other_declared]) or 'none'}",
            *p.notes,
        ]
    )


def _pours_json(recipe: Recipe) -> list[dict[str, Any]]:
    return [
        {"name": i.name, "volume_ml": i.volume_ml, "mass_g": i.mass_g, "caffeine_mg": i.caffeine_mg}
        for i in recipe.ingredients
    ]


def _print_pours(before: Recipe, after: Recipe) -> None:
    table(
        ("ingredient", "was", "now", "×"),
        [
            (old.name, _pour(old), _pour(new), f"{_amount(new) / _amount(old):.3f}")
            for old, new in zip(before.ingredients, after.ingredients, strict=True)
        ],
    )


def _amount(ingredient: Any) -> float:
    return float(ingredient.volume_ml if ingredient.volume_ml is not None else ingredient.mass_g)


def _pour(ingredient: Any) -> str:
    return f"{_amount(ingredient):.1f} {'ml' if ingredient.volume_ml is not None else 'g'}"


@_command(
    "scale",
    "To a number of times, or to a glass.",
    "chillrig recipe scale 'quayside black' --bench my-bar --times 2.5",
    "chillrig recipe scale 'quayside black' --bench my-bar \\",
    "    --to-ml 130 --dilution 0.33 --held-back-g 3",
)
def scale_command(
    recipe: Name,
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    times: Annotated[float | None, typer.Option(help="Multiply every pour.")] = None,
    to_ml: Annotated[float | None, typer.Option(help="Land on this volume in the glass [ml].")] = None,
    dilution: One = 0.0,
    overrun_pct: Overrun = 0.0,
    held_back_g: HeldBack = 0.0,
    as_json: AsJson = False,
) -> None:
    """Scale a recipe by a number, or so that it fills a glass after dilution, air and what is held back."""
    from rig.advice.recipe.recipe_work import properties, scaled, scaled_to_volume

    if (times is None) == (to_ml is None):
        raise typer.BadParameter("give --times or --to-ml, one of the two")
    base = _recipe(recipe, bench, logbook, bench_name)
    if times is not None:
        made = scaled(base, times)
    else:
        assert to_ml is not None
        made = scaled_to_volume(base, to_ml, dilution, overrun_pct=overrun_pct, held_back_g=held_back_g)
    _tell_changed(base, made, properties(made, dilution, overrun_pct=overrun_pct), as_json)


@_command(
    "strengthen",
    "So that it lands after dilution.",
    "chillrig recipe strengthen 'quayside black' --bench my-bar \\",
    "    --dilution 0.40 --abv-pct 15 --volume-ml 120",
)
def strengthen_command(
    recipe: Name,
    dilution: One,
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    abv_pct: Annotated[float | None, typer.Option(help="Land on this strength [% vol].")] = None,
    sugar_g_per_l: Annotated[float | None, typer.Option(help="Land on this sweetness [g/l].")] = None,
    volume_ml: Annotated[float | None, typer.Option(help="Land on this volume of liquid [ml].")] = None,
    as_json: AsJson = False,
) -> None:
    """Change a recipe's pours so that it lands on strength, sweetness and volume after dilution."""
    from rig.advice.recipe.recipe_work import properties, strengthened

    if abv_pct is None and sugar_g_per_l is None and volume_ml is None:
        raise typer.BadParameter("say what to land on: --abv-pct, --sugar-g-per-l or --volume-ml")
    base = _recipe(recipe, bench, logbook, bench_name)
    made = strengthened(
        base,
        dilution,
        abv_pct_wanted=abv_pct,
        sugar_g_per_l_wanted=sugar_g_per_l,
        volume_ml_wanted=volume_ml,
    )
    _tell_changed(base, made.recipe, properties(made.recipe, dilution), as_json)
    if not as_json:
        say("A stronger base melts a little more: ask `chillrig advise` again once the bench holds it.")


def _tell_changed(base: Recipe, made: Recipe, found: Any, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "recipe": made.name,
                "ingredients": _pours_json(made),
                "before": found.before.to_dict(),
                "after": [s.to_dict() for s in found.after],
            }
        )
        return
    say(made.name, "", style="bold")
    _print_pours(base, made)
    say("")
    _print_states(found.before, found.after)


@_command(
    "batch",
    "Ahead, with its water, safe from freezing.",
    "chillrig recipe batch 'quayside black' --bench my-bar \\",
    "    --servings 20 --dilution 0.33 --store freezer",
)
def batch_command(
    recipe: Name,
    servings: Annotated[int, typer.Option(help="How many drinks.")],
    dilution: One,
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    store: Annotated[
        str, typer.Option(help="Where it waits: room, refrigerator or freezer.")
    ] = "refrigerator",
    bottle_ml: Annotated[float, typer.Option(help="What one bottle holds [ml].")] = 700.0,
    as_json: AsJson = False,
) -> None:
    """Batch a recipe ahead with the water in it, and say whether it stays liquid where it waits."""
    from rig.advice.recipe.batch import Store, batch

    stores = {s.label: s for s in Store}
    if store not in stores:
        raise typer.BadParameter(f"--store is one of {', '.join(stores)}; found {store!r}")
    base = _recipe(recipe, bench, logbook, bench_name)
    made = batch(base, servings, dilution, stores[store], bottle_ml=bottle_ml)
    if as_json:
        print_json(
            {
                "recipe": made.recipe.name,
                "ingredients": _pours_json(made.recipe),
                "water_g": made.water_g,
                "per_serving": made.state.to_dict(),
                "total_ml": made.total_ml,
                "bottles": made.bottles,
                "store": made.store.label,
                "stays_liquid": made.stays_liquid,
                "most_dilution_by_volume_that_stays_liquid": made.most_water_by_volume,
                "notes": list(made.notes),
            }
        )
        return
    say(made.recipe.name, "", style="bold")
    rows = [(i.name, _pour(i)) for i in made.recipe.ingredients]
    table(("ingredient", "for the batch"), [*rows, ("water", f"{made.water_g:.0f} g")])
    say(
        "",
        f"{made.total_ml / 1000.0:.2f} l, {made.bottles} × {made.bottle_ml:.0f} ml; "
        f"{made.serving_ml:.0f} ml a serving at {made.state.abv_pct:.1f} % vol.",
    )
    state = "stays liquid" if made.stays_liquid else "does not stay liquid"
    say(
        f"In the {made.store.label} it {state}: it freezes from {made.state.freezing_c:z.1f} °C on (±0.3 °C)."
    )
    if made.most_water_by_volume is None:
        say("Not even the undiluted base stays liquid there.")
    elif not made.stays_liquid:
        say(f"Up to {made.most_water_by_volume:.0%} dilution it would.")
    bullets(made.notes)
