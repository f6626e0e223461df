"""`chillrig foam`: overrun from a weighed cup, and how long a foam holds."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import AsJson, example
from rig.cli.printing import print_json, say

if TYPE_CHECKING:
    from rig.physics.foam import HalfLife

EXAMPLE = example(
    "chillrig foam overrun --cup-ml 60 --plain-g 62.4 --foamed-g 48.1",
    "chillrig foam drain 0=0 30=4.1 60=7.2 120=11.0 240=14.2 --in-foam-ml 16",
    "chillrig foam height 0=22 60=19 180=15 300=11",
    "chillrig foam drain --file cup.csv",
)

app = typer.Typer(
    help="Texture: overrun from a weighed cup of known volume, and half-lives of a foam by name.",
    no_args_is_help=True,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Readings = Annotated[
    list[str] | None, typer.Argument(metavar="SECONDS=VALUE", help="Readings, such as 30=4.1; four or more.")
]


@app.command("overrun", short_help="From a cup filled level, plain and foamed.", epilog=EXAMPLE)
def overrun_command(
    cup_ml: Annotated[float, typer.Option(help="Volume of the cup, filled level [ml].")],
    foamed_g: Annotated[float, typer.Option(help="The cup's fill of foamed drink [g].")],
    plain_g: Annotated[float, typer.Option(help="The cup's fill of the same drink without air [g].")],
    scale_g: Annotated[float, typer.Option(help="What the scale is good to [g].")] = 0.2,
    as_json: AsJson = False,
) -> None:
    """Work out overrun: the air in a drink as a share of its liquid, with its uncertainty."""
    from rig.physics.foam import overrun_from_cup

    found = overrun_from_cup(foamed_g, cup_ml, plain_g / cup_ml, mass_sd_g=scale_g)
    pct, sd = float(found.pct), float(found.sd_pct)
    if as_json:
        print_json({"overrun_pct": round(pct, 2), "sd_pct": round(sd, 2), "method": "weighed cup"})
    else:
        say(f"overrun {pct:.0f} % (±{1.645 * sd:.0f}, 90 %): air ÷ liquid by volume, from one weighed cup")


@app.command("drain", short_help="Until half of the liquid in the foam has drained.", epilog=EXAMPLE)
def drain_command(
    readings: Readings = None,
    in_foam_ml: Annotated[
        float | None,
        typer.Option(help="Liquid in the foam at the start [ml]; else all that will ever drain."),
    ] = None,
    file: Annotated[
        Path | None, typer.Option(help="A scale's log under the draining cup, in place of typed readings.")
    ] = None,
    density_g_per_ml: Annotated[float, typer.Option(help="Of what drains, for a scale's log [g/ml].")] = 1.02,
    as_json: AsJson = False,
) -> None:
    """Fit the drainage half-life to liquid drained against time [ml]."""
    from rig.physics.foam import drainage_half_life

    if file is not None:
        times, values = _from_scale(file, density_g_per_ml)
    else:
        times, values = _typed(readings)
    _tell(drainage_half_life(times, values, in_foam_ml), as_json)


@app.command("height", short_help="Until the foam is half as high as at first.", epilog=EXAMPLE)
def height_command(readings: Readings = None, as_json: AsJson = False) -> None:
    """Fit the collapse half-life to the foam's height against time, in any one unit."""
    from rig.physics.foam import collapse_half_life

    _tell(collapse_half_life(*_typed(readings)), as_json)


def _typed(readings: list[str] | None) -> tuple[list[float], list[float]]:
    from rig.units import typed

    pairs = []
    for reading in readings or []:
        seconds, _, value = reading.partition("=")
        try:
            pairs.append((typed(seconds, "s"), typed(value)))
        except ValueError as error:
            raise typer.BadParameter(
                f"{reading!r} is no reading; write seconds=value, such as 30=4.1"
            ) from error
    return [t for t, _ in pairs], [v for _, v in pairs]


def _from_scale(file: Path, density_g_per_ml: float) -> tuple[list[float], list[float]]:
    """Liquid drained [ml] from the log of a scale: the mass gained since its first reading."""
    from rig.errors import TableRefused
    from rig.importing.tables import read_table

    scales = [c for c in read_table(file).channels if c.role == "mass"]
    if len(scales) != 1:
        raise TableRefused(
            f"{len(scales)} columns of mass; a draining cup has one", str(file), cure="Keep time and one mass"
        )
    gained = (scales[0].value - scales[0].value[0]) / density_g_per_ml
    return [float(t) for t in scales[0].time_s], [max(float(v), 0.0) for v in gained]


def _tell(found: HalfLife, as_json: bool) -> None:
    low, typical, high = (float(v) for v in (found.low_s, found.typical_s, found.high_s))
    if as_json:
        print_json(
            {
                "definition": found.of,
                "half_life_s": {"p05": round(low, 1), "p50": round(typical, 1), "p95": round(high, 1)},
                "readings": int(found.readings),
            }
        )
        return
    say(f"{typical:.0f} s ({low:.0f} to {high:.0f}, 90 %), from {int(found.readings)} readings of one foam")
    say(f"  {found.of}", "  One foam tells little of the next: make three before comparing techniques.")
