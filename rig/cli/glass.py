"""`chillrig glass`: a drink from first to last sip, by the glass it stands in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from rig.cli.options import AsJson, BenchFolder, BenchName, Logbook, example
from rig.cli.printing import print_json, say, table

if TYPE_CHECKING:
    from rig.physics.glass import Served

EXAMPLE = example(
    "chillrig glass --glass coupe --abv-pct 18 --volume-ml 120 --temp-c -5",
    "chillrig glass 'quayside black' --bench my-bar --dilution 0.33 \\",
    "    --temp-c -3 --glass 'rocks glass' --ice-mass-g 110",
)


def command(
    recipe: Annotated[
        str | None, typer.Argument(metavar="[RECIPE]", help="A recipe of the bench; or describe the drink.")
    ] = None,
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    dilution: Annotated[float, typer.Option(help="Of the recipe: water added ÷ starting volume.")] = 0.0,
    abv_pct: Annotated[float, typer.Option(help="Without a recipe: strength as served [% vol].")] = 15.0,
    sugar_g_per_l: Annotated[float, typer.Option(help="Without a recipe: sweetness as served [g/l].")] = 60.0,
    volume_ml: Annotated[float, typer.Option(help="Without a recipe: volume as served [ml].")] = 120.0,
    temp_c: Annotated[float, typer.Option(help="The drink as it is poured [°C].")] = -3.0,
    glass: Annotated[str, typer.Option(help="What it is drunk from, such as 'rocks glass'.")] = "coupe",
    glass_mass_g: Annotated[float | None, typer.Option(help="Its weight, without the stem [g].")] = None,
    minutes: Annotated[float, typer.Option(help="From the pour to the last sip [min].")] = 10.0,
    count: Annotated[int, typer.Option("--sips", help="How many sips.")] = 8,
    ice_mass_g: Annotated[float, typer.Option(help="Ice in the glass [g].")] = 0.0,
    ice_temp_c: Annotated[float, typer.Option(help="That ice [°C].")] = -5.0,
    ice_edge_mm: Annotated[float, typer.Option(help="Edge of its pieces [mm].")] = 50.0,
    room_temp_c: Annotated[float, typer.Option(help="The room [°C].")] = 21.0,
    as_json: AsJson = False,
) -> None:
    """Compare a glass at room temperature, chilled and frozen: temperature, dilution and ABV, sip by sip.

    Without ice in the glass the three differ by what the glass takes up; with ice, by what it melts.
    """
    from dataclasses import replace

    from rig.errors import NotFound
    from rig.physics.cup import CUPS, GlassState
    from rig.physics.glass import serve
    from rig.physics.room_air import Room
    from rig.physics.standing import GlassIce

    if glass not in CUPS:
        raise NotFound("glass", glass, CUPS)
    cup = CUPS[glass] if glass_mass_g is None else replace(CUPS[glass], mass_g=glass_mass_g)
    liquid = _drink(recipe, bench, logbook, bench_name, dilution, abv_pct, sugar_g_per_l, volume_ml)
    ice = GlassIce(ice_mass_g, ice_temp_c, edge_mm=ice_edge_mm) if ice_mass_g > 0.0 else None
    room = Room(room_temp_c)
    served = {
        state: serve(liquid, temp_c, cup, state.temp_c(room_temp_c), minutes, count, ice=ice, room=room)
        for state in GlassState
    }
    if as_json:
        print_json({state.value: _as_json(s) for state, s in served.items()})
        return
    over = f" over {ice_mass_g:.0f} g of ice" if ice else ""
    say(f"{cup.name}{over}, {count} sips in {minutes:g} min, poured at {temp_c:g} °C", "", style="bold")
    table(
        ("glass", "sip", "temperature\n[°C]", "range", "added since\nthe pour", "range", "ABV\n[%]"),
        [
            (
                state.value if label == "first" else "",
                label,
                f"{s.temp_c.typical[k]:.1f}",
                _range(s.temp_c.at(k), 1.0, ".1f"),
                f"{s.added_by_volume.typical[k]:.0%}",
                _range(s.added_by_volume.at(k), 100.0, ".0f", " %"),
                f"{s.abv_pct.typical[k]:.1f}",
            )
            for state, s in served.items()
            for label, k in (("first", 0), ("middle", count // 2), ("last", -1))
        ],
        words=2,
    )
    say("", "Ranges span still to breezy rooms and gentle to lively drinking. Nobody holds the glass.")
    for state, s in served.items():
        if s.freezes:
            say(f"In the {state.value} glass part of the drink may freeze at the wall.")


def _drink(
    recipe: str | None,
    bench: Any,
    logbook: str | None,
    bench_name: str | None,
    dilution: float,
    abv_pct: float,
    sugar_g_per_l: float,
    volume_ml: float,
) -> Any:
    from rig.bench import Ingredient, Recipe
    from rig.cli.source import open_source
    from rig.physics.recipe_liquid import liquid_from_recipe

    if recipe is None:
        if bench is not None or bench_name is not None:
            raise typer.BadParameter("name the recipe of that bench, or leave the bench out")
        described = Ingredient(
            "drink", volume_ml=volume_ml, abv_pct=abv_pct, sugar_g_per_100ml=sugar_g_per_l / 10.0
        )
        return liquid_from_recipe(Recipe("drink", (described,))).liquid
    drink = liquid_from_recipe(open_source(bench, logbook, bench_name).book.bench.recipe(recipe))
    return drink.liquid.plus_water(dilution * float(drink.starting_volume_ml))


def _range(band: tuple[float, float, float], scale: float, shape: str, unit: str = "") -> str:
    return f"{scale * band[0]:{shape}} to {scale * band[2]:{shape}}{unit}"


def _as_json(s: Served) -> dict[str, Any]:
    out: dict[str, Any] = {"time_s": s.time_s.tolist(), "freezes": s.freezes}
    for name in ("temp_c", "added_by_volume", "abv_pct", "ice_left_g"):
        band = getattr(s, name)
        out[name] = {k: getattr(band, k).tolist() for k in ("low", "typical", "high")}
    return out
