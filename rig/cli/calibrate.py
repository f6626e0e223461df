"""`chillrig calibrate`: probes by ice and boiling water, scales by weights, measures by water."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli import calibrate_budget, calibrate_list
from rig.cli import calibration_words as words
from rig.cli.calibration_words import (
    NUMBERS_MAY_BE_NEGATIVE,
    Days,
    Device,
    JustShow,
    LogbookToKeepIn,
    OfChannel,
)
from rig.cli.options import AsJson, example
from rig.session import cautions

if TYPE_CHECKING:
    from rig.sensors.calibrating import FixedPointName, Label, Made
    from rig.sensors.calibration import Calibration
    from rig.sensors.fixed_points import FixedPoint

EXAMPLE = example(
    "chillrig calibrate ice-point 0.3 0.2 0.3 --device 'tin probe'",
    "chillrig calibrate boiling-point 99.1 99.0 --altitude-m 240",
    "chillrig calibrate list",
)

app = typer.Typer(
    help="Find out how far probes, scales and measures are to be believed, and keep it with a date.",
    no_args_is_help=True,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Typed = Annotated[
    list[float] | None, typer.Argument(metavar="READING", help="What the probe showed, a few times [°C].")
]
Trace = Annotated[
    Path | None, typer.Option("--trace", metavar="FILE", help="Take the last readings of this file instead.")
]
Column = Annotated[
    str | None,
    typer.Option("--in-column", metavar="NAME", help="Its temperature column, where there are several."),
]
ProbeResolution = Annotated[
    float, typer.Option("--resolution-k", help="The smallest step the probe shows [°C].")
]


@app.command(
    "ice-point",
    short_help="A probe in crushed ice and water.",
    context_settings=NUMBERS_MAY_BE_NEGATIVE,
    epilog=example("chillrig calibrate ice-point 0.3 0.2 0.3 --device 'tin probe'"),
)
def ice_point(
    typed: Typed = None,
    trace: Trace = None,
    in_column: Column = None,
    device: Device = "probe",
    channel: OfChannel = "",
    resolution_k: ProbeResolution = 0.1,
    valid_days: Days = None,
    just_show: JustShow = False,
    logbook: LogbookToKeepIn = None,
    as_json: AsJson = False,
) -> None:
    """Check a probe at 0 °C: crushed ice to the brim, water just below it, stir, wait two minutes, read.

    Cubes afloat in water will not do: the bottom of such a glass stands at 2 to 4 °C. A boiling point that
    still holds is taken along, so that the two make a line.
    """
    from rig.sensors.calibrating import FixedPointName
    from rig.sensors.fixed_points import ice_point as at_ice_point

    made = _fixed_point(
        FixedPointName.ICE, at_ice_point(), words.readings(typed, trace, in_column), resolution_k,
        _label(device, channel, valid_days), logbook,
    )  # fmt: skip
    _tell(made, cautions.AT_ICE, just_show, logbook, as_json)


@app.command(
    "boiling-point",
    short_help="A probe in boiling water, by altitude or pressure.",
    context_settings=NUMBERS_MAY_BE_NEGATIVE,
    epilog=example(
        "chillrig calibrate boiling-point 99.1 99.0 --altitude-m 240 --device 'tin probe'",
        "chillrig calibrate boiling-point 98.2 --pressure-hpa 955",
    ),
)
def boiling_point(
    typed: Typed = None,
    altitude_m: Annotated[float | None, typer.Option(help="Height of the place above the sea [m].")] = None,
    pressure_hpa: Annotated[
        float | None, typer.Option(help="Air pressure at the place itself [hPa].")
    ] = None,
    sea_level_pressure_hpa: Annotated[
        float | None,
        typer.Option(help="Pressure as the weather report gives it; goes with --altitude-m [hPa]."),
    ] = None,
    trace: Trace = None,
    in_column: Column = None,
    device: Device = "probe",
    channel: OfChannel = "",
    resolution_k: ProbeResolution = 0.1,
    valid_days: Days = None,
    just_show: JustShow = False,
    logbook: LogbookToKeepIn = None,
    as_json: AsJson = False,
) -> None:
    """Check a probe in water at a rolling boil, clear of the bottom of the pot.

    The weather alone moves the boiling point by half a degree: with --altitude-m give the pressure of today's
    weather report too. An ice point that still holds is taken along, so that the two make a line.
    """
    from rig.sensors.calibrating import FixedPointName
    from rig.sensors.fixed_points import boiling_point as at_boiling_point

    point = at_boiling_point(
        pressure_hpa=pressure_hpa, altitude_m=altitude_m, sea_level_pressure_hpa=sea_level_pressure_hpa
    )
    made = _fixed_point(
        FixedPointName.BOILING, point, words.readings(typed, trace, in_column), resolution_k,
        _label(device, channel, valid_days), logbook,
    )  # fmt: skip
    _tell(made, cautions.AT_BOILING, just_show, logbook, as_json)


def _fixed_point(
    name: FixedPointName,
    known: FixedPoint,
    readings: Sequence[float],
    resolution_k: float,
    label: Label,
    logbook: str | None,
) -> Made:
    from rig.sensors.calibrating import at_fixed_point

    held = _held(logbook, label.device, label.channel)
    return at_fixed_point(label, name, known, readings, resolution_k=resolution_k, held=held)


def _held(logbook: str | None, device: str, channel: str) -> Calibration | None:
    """The calibration of a probe that is in force, which may hold the other of the two fixed points."""
    from rig.sensors.calibration import CalibrationKind

    book = words.begun(logbook)
    if book is None:
        return None
    with book:
        return words.held_today(book, device, channel, CalibrationKind.TEMPERATURE)


def _label(device: str, channel: str, valid_days: int | None) -> Label:
    from rig.sensors.calibrating import Label, now

    return Label(device, channel, now(), valid_days)


def _tell(made: Made, cautions: Sequence[str], just_show: bool, logbook: str | None, as_json: bool) -> None:
    """Keep it unless told not to, and print it."""
    kept = words.keep(made.calibration, logbook, just_show)
    words.tell(made, cautions, kept=kept, as_json=as_json)


@app.command(
    "points",
    short_help="A probe beside a better one, at several temperatures.",
    context_settings=NUMBERS_MAY_BE_NEGATIVE,
    epilog=example("chillrig calibrate points 0.3=0.0 20.4=20.0 60.1=59.8 --device 'tin probe'"),
)
def points(
    typed: Annotated[list[str], typer.Argument(metavar="READING=TRUE", help="Pairs [°C].")],
    std_k: Annotated[
        float,
        typer.Option(help="How far a pair may be off, one standard uncertainty [°C]; 0: from the scatter."),
    ] = 0.0,
    device: Device = "probe",
    channel: OfChannel = "",
    valid_days: Days = None,
    just_show: JustShow = False,
    logbook: LogbookToKeepIn = None,
    as_json: AsJson = False,
) -> None:
    """Draw a line through several readings beside a reference thermometer in the same stirred bath."""
    from rig.sensors.calibrating import beside_reference

    pairs = words.pairs(typed, "READING=TRUE")
    made = beside_reference(_label(device, channel, valid_days), pairs, std_k=std_k)
    _tell(made, cautions.IN_A_BATH, just_show, logbook, as_json)


@app.command(
    "plunge",
    short_help="How slow a probe is, from a trace of a plunge.",
    epilog=example("chillrig calibrate plunge plunge.csv --device 'tin probe'"),
)
def plunge(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A table of time and temperature.")],
    in_column: Column = None,
    device: Device = "probe",
    channel: OfChannel = "",
    valid_days: Days = None,
    just_show: JustShow = False,
    logbook: LogbookToKeepIn = None,
    as_json: AsJson = False,
) -> None:
    """Find a probe's time constant: record, plunge it from the room into moving ice water, wait till it stands."""
    from rig.sensors.calibrating import by_plunge

    made = by_plunge(_label(device, channel, valid_days), *words.temperature_in(file, in_column))
    _tell(made, cautions.AT_A_PLUNGE, just_show, logbook, as_json)


@app.command(
    "weights",
    short_help="A scale with check weights.",
    context_settings=NUMBERS_MAY_BE_NEGATIVE,
    epilog=example("chillrig calibrate weights 0=0 100.2=100 500.9=500 --device scale --resolution-g 0.1"),
)
def weights(
    typed: Annotated[list[str], typer.Argument(metavar="READING=WEIGHT", help="Pairs [g].")],
    resolution_g: Annotated[float, typer.Option(help="The smallest step the scale shows [g].")] = 1.0,
    tolerance_pct: Annotated[float, typer.Option(help="How far the weights may be off [% of each].")] = 0.1,
    device: Device = "scale",
    channel: OfChannel = "",
    valid_days: Days = None,
    just_show: JustShow = False,
    logbook: LogbookToKeepIn = None,
    as_json: AsJson = False,
) -> None:
    """Check a scale with weights over the range in use, the empty pan as 0=0."""
    from rig.sensors.calibrating import with_weights

    if resolution_g <= 0 or tolerance_pct < 0:
        raise typer.BadParameter("--resolution-g is above zero and --tolerance-pct not below it")
    made = with_weights(
        _label(device, channel, valid_days), words.pairs(typed, "READING=WEIGHT"),
        resolution_g=resolution_g, tolerance_pct=tolerance_pct,
    )  # fmt: skip
    _tell(made, cautions.OF_WEIGHTS, just_show, logbook, as_json)


@app.command(
    "measure",
    short_help="What a scoop, cup or mark really holds, by weighing water.",
    epilog=example(
        "chillrig calibrate measure 29.6 29.8 29.5 29.9 --device '30 ml jigger' --water-temp-c 21"
    ),
)
def measure(
    masses_g: Annotated[list[float], typer.Argument(metavar="MASS", help="Water in each filling [g].")],
    water_temp_c: Annotated[float, typer.Option(help="The water [°C].")] = 20.0,
    pressure_hpa: Annotated[float, typer.Option(help="Air pressure at the place [hPa].")] = 1013.25,
    made_of: Annotated[
        str, typer.Option(help="steel, plastic, soda-lime glass or borosilicate glass.")
    ] = "steel",
    resolution_g: Annotated[float, typer.Option(help="The smallest step the scale shows [g].")] = 0.1,
    device: Annotated[
        str, typer.Option(metavar="NAME", help="Which measure, by the name you give it.")
    ] = "jigger",
    valid_days: Days = None,
    just_show: JustShow = False,
    logbook: LogbookToKeepIn = None,
    as_json: AsJson = False,
) -> None:
    """Find the volume a measure holds at 20 °C: fill it, weigh the water, empty and dry it; three times or more."""
    from rig.sensors.calibrating import by_water

    made = by_water(
        _label(device, "", valid_days), masses_g, water_temp_c=water_temp_c, resolution_g=resolution_g,
        made_of=made_of, pressure_hpa=pressure_hpa,
    )  # fmt: skip
    _tell(made, cautions.OF_A_MEASURE, just_show, logbook, as_json)


app.command("list", short_help="The calibrations kept, and which hold today.", epilog=calibrate_list.EXAMPLE)(
    calibrate_list.command
)
app.command(
    "budget",
    short_help="How sure dilution and serve temperature are.",
    context_settings=NUMBERS_MAY_BE_NEGATIVE,
    epilog=calibrate_budget.EXAMPLE,
)(calibrate_budget.command)
