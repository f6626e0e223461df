"""`chillrig calibrate budget`: how well dilution and serve temperature are known, and what limits them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli import calibration_words as words
from rig.cli.options import AsJson, BenchFolder, BenchName, Logbook, example
from rig.cli.printing import print_json, say
from rig.errors import NotFound

if TYPE_CHECKING:
    from rig.cli.source import Source
    from rig.runs import Run
    from rig.sensors.budget import Budget, Input
    from rig.sensors.drink_budget import Instruments

EXAMPLE = example(
    "chillrig calibrate budget --drink-mass-g 84 --strained-mass-g 119 --reading-c -3.1",
    "chillrig calibrate budget r12 --bench my-bar --scale scale --probe 'tin probe'",
)
_STATED_HELD_BACK_STD_G = 0.5  # of a vessel that states what it holds back (common practice, no source)
_POUR_SHARE = 0.02  # of a drink poured by jigger (common practice, no source)


def command(
    name: Annotated[str | None, typer.Argument(metavar="RUN", help="A run, by its name.")] = None,
    drink_mass_g: Annotated[float | None, typer.Option(help="Without a run: the drink weighed [g].")] = None,
    strained_mass_g: Annotated[
        float | None, typer.Option(help="Without a run: weighed strained [g].")
    ] = None,
    reading_c: Annotated[float | None, typer.Option(help="Without a run: the probe at the end [°C].")] = None,
    scale: Annotated[
        str, typer.Option(metavar="NAME", help="The scale, as its calibration names it.")
    ] = "scale",
    probe: Annotated[
        str, typer.Option(metavar="NAME", help="The probe, as its calibration names it.")
    ] = "probe",
    scale_resolution_g: Annotated[float, typer.Option(help="The smallest step the scale shows [g].")] = 1.0,
    probe_resolution_k: Annotated[float, typer.Option(help="The smallest step the probe shows [°C].")] = 0.1,
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Say how sure dilution and serve temperature are, by the calibrations that hold today, and what limits them.

    What has not been calibrated counts with its maker's limits.
    """
    from rig.sensors.drink_budget import Instruments, dilution_budget, run_budgets, serve_temp_budget

    tools = Instruments(scale_resolution_g=scale_resolution_g, probe_resolution_k=probe_resolution_k)
    tools = _calibrated(tools, logbook, scale, probe)
    found: list[Budget] = []
    if name is not None:
        run, source = _run(name, bench, logbook, bench_name)
        tools, poured = _for_run(tools, run, source)
        found = [b for b in run_budgets(run, tools, poured) if b is not None]
    else:
        if (drink_mass_g is None) != (strained_mass_g is None):
            raise typer.BadParameter("give --drink-mass-g and --strained-mass-g together")
        if drink_mass_g is not None and strained_mass_g is not None:
            if not 0 < drink_mass_g <= strained_mass_g:
                raise typer.BadParameter("the drink weighs something, and strained no less than before")
            found.append(dilution_budget(drink_mass_g, strained_mass_g, tools))
        if reading_c is not None:
            found.append(serve_temp_budget(reading_c, tools))
        if not found:
            raise typer.BadParameter(
                "name a run, or give --drink-mass-g with --strained-mass-g, or --reading-c"
            )
    missing = [
        what
        for what, held in (("scale", tools.scale), ("probe", tools.probe), ("probe's lag", tools.lag))
        if held is None
    ]
    if as_json:
        print_json({"budgets": [words.budget_json(b) for b in found], "not_calibrated": missing})
        return
    for b in found:
        words.say_budget(b)
    if missing:
        say(
            "",
            f"Not calibrated, so the maker's limits count: {', '.join(missing)}. See chillrig calibrate -h",
        )


def _calibrated(tools: Instruments, logbook: str | None, scale: str, probe: str) -> Instruments:
    """The instruments with the calibrations that hold today, where there is a logbook."""
    from rig.sensors.calibration import CalibrationKind as Kind

    book = words.existing(logbook)
    if book is None:
        return tools
    with book:
        return replace(
            tools,
            scale=words.held_today(book, scale, "", Kind.MASS),
            probe=words.held_today(book, probe, "", Kind.TEMPERATURE),
            lag=words.held_today(book, probe, "", Kind.LAG),
        )


def _run(name: str, bench: Path | None, logbook: str | None, bench_name: str | None) -> tuple[Run, Source]:
    from rig.cli.source import open_source

    source = open_source(bench, logbook, bench_name)
    known = {r.run: r for r in source.book.runs}
    if name not in known:
        raise NotFound("run", name, known)
    return known[name], source


def _for_run(tools: Instruments, run: Run, source: Source) -> tuple[Instruments, Input]:
    """The instruments with what the run's recipe and vessel say, and the drink as the recipe pours it."""
    from rig.physics.recipe_liquid import liquid_from_recipe
    from rig.sensors.budget import Input

    drink = liquid_from_recipe(source.book.bench.recipe(run.recipe))
    mass_g = float(drink.liquid.mass_g)
    held = source.book.bench.vessel(run.vessel).held_back_g
    tools = replace(tools, drink_density_g_per_ml=mass_g / float(drink.starting_volume_ml))
    if held is not None:
        tools = replace(tools, held_back_g=held, held_back_std_g=_STATED_HELD_BACK_STD_G)
    return tools, Input("drink poured", mass_g, _POUR_SHARE * mass_g, "g")
