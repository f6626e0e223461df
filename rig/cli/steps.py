"""`chillrig steps`: a drink through everything that is done to it, step by step."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import AsJson, BenchFolder, BenchName, Logbook, example
from rig.cli.printing import bullets, print_json, say, table
from rig.cli.source import fitted_or_prior, open_source
from rig.errors import BenchError, Place

if TYPE_CHECKING:
    from rig.advice.process.steps import Made
    from rig.arrays import FloatArray

EXAMPLE = example(
    "chillrig steps frothed.toml --bench my-bar",
    "",
    "frothed.toml, blended for air without ice and poured over ice:",
    "",
    'recipe = "quayside black"',
    "temp_c = 60            # as it starts",
    'vessel = "two-piece steel"',
    "[[step]]",
    'kind = "rest"          # cup, cup_temp_c, covered',
    "minutes = 3",
    "[[step]]",
    'kind = "blend for air" # power_w, overrun_pct, vessel',
    "duration_s = 8",
    "[[step]]",
    'kind = "add ice"       # mass_g, temp_c',
    'ice = "freezer cube"',
    "mass_g = 200",
    "[[step]]",
    'kind = "shake"         # or stir, blend, swirl, build, your own',
    "duration_s = 12        # vessel, vessel_temp_c, overrun_pct",
    "[[step]]",
    'kind = "strain"        # held_back_g',
    "[[step]]",
    'kind = "over ice"      # temp_c',
    'ice = "large clear block"',
    "mass_g = 110",
    "[[step]]",
    'kind = "pour into"     # kept = "room", "chilled" or "frozen"; temp_c',
    'glass = "rocks glass"',
    "[[step]]",
    'kind = "drink"         # sips',
    "minutes = 10",
    "",
    'Built in the glass: "add ice", "build", "stay in" its glass, "drink".',
)


def command(
    file: Annotated[Path, typer.Argument(metavar="FILE.toml", help="The steps, as in the example below.")],
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    draws: Annotated[
        int, typer.Option(min=16, max=8192, help="Draws behind the ranges; a power of two is best.")
    ] = 512,
    as_json: AsJson = False,
) -> None:
    """Follow a drink through its steps: temperature, dilution, strength, air and volume after each.

    Rates of each technique, vessel and ice are those of the fit, or what is known of such ones where nothing
    was measured. Ranges hold 90 %.
    """
    from rig.advice.process.steps import make, parse_steps

    plan = parse_steps(_text(file), file.name)
    source = open_source(bench, logbook, bench_name)
    source.book.bench.recipe(plan.recipe)
    made = make(fitted_or_prior(source, as_json), plan, draws=draws)
    if as_json:
        print_json(made.to_dict())
    else:
        _print(made)


def _text(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise BenchError(f"the steps cannot be read: {why}", Place(str(file)), "Name a TOML file") from error


def _print(made: Made) -> None:
    say(f"{made.plan.recipe}, step by step", "", style="bold")
    labels = ("start", *(s.label for s in made.plan.steps))
    table(
        ("step", "at", "temperature\n[°C]", "dilution\n[%]", "ABV\n[%]", "overrun\n[%]", "volume\n[ml]"),
        [
            (
                label,
                _clock(stage.elapsed_s),
                _cell(stage.temp_c, ".1f"),
                _cell(100.0 * stage.dilution_by_volume, ".0f"),
                _cell(stage.abv_pct, ".1f"),
                _cell(stage.overrun_pct, ".0f"),
                _cell(stage.volume_ml, ".0f"),
            )
            for label, stage in zip(labels, made.stages, strict=True)
        ],
    )
    sips = next((s.sips for s in made.stages if s.sips is not None), None)
    if sips is not None:
        count = sips.time_s.size
        say("")
        table(
            ("sip", "after", "temperature\n[°C]", "added since\nthe pour [%]", "ABV\n[%]", "ice left\n[g]"),
            [
                (
                    label,
                    _clock(float(sips.time_s[k])),
                    _cell(sips.temp_c[k], ".1f"),
                    _cell(100.0 * sips.added_by_volume[k], ".0f"),
                    _cell(sips.abv_pct[k], ".1f"),
                    _cell(sips.ice_left_g[k], ".0f"),
                )
                for label, k in (("first", 0), ("middle", count // 2), ("last", count - 1))
            ],
        )
    say("", "Middle, and the range that holds 90 %. Volume with its air. What it rests on:")
    bullets([f"{label}: {words}" for label, words in zip(labels, made.rests_on, strict=True)])
    if made.cautions:
        say("", "Mind:")
        bullets(made.cautions)


def _cell(values: FloatArray, shape: str) -> str:
    import numpy as np

    low, middle, high = (format(float(v), shape) for v in np.percentile(values, [5.0, 50.0, 95.0]))
    return middle if low == high else f"{middle}\n{low} to {high}"


def _clock(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.1f} min"
