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
from rig.errors import NotFound

if TYPE_CHECKING:
    from rig.sensors.calibration import Point
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
    from rig.sensors.fixed_points import ice_point as at_ice_point

    _fixed_point(
        at_ice_point(), "ice point", words.readings(typed, trace, in_column), resolution_k, device, channel,
        valid_days, just_show, logbook, as_json, (words.GLASS, words.WET, words.FOOD),
    )  # fmt: skip


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
    from rig.sensors.fixed_points import boiling_point as at_boiling_point

    point = at_boiling_point(
        pressure_hpa=pressure_hpa, altitude_m=altitude_m, sea_level_pressure_hpa=sea_level_pressure_hpa
    )
    _fixed_point(
        point, "boiling point", words.readings(typed, trace, in_column), resolution_k, device, channel,
        valid_days, just_show, logbook, as_json, (words.STEAM, words.PROBE, words.GLASS, words.WET, words.FOOD),
    )  # fmt: skip


def _fixed_point(
    known: FixedPoint,
    name: str,
    readings: Sequence[float],
    resolution_k: float,
    device: str,
    channel: str,
    valid_days: int | None,
    just_show: bool,
    logbook: str | None,
    as_json: bool,
    cautions: Sequence[str],
) -> None:
    from rig.sensors.calibration import CalibrationKind
    from rig.sensors.line import fit_line, one_point, reading_point

    kind = CalibrationKind.TEMPERATURE
    point = reading_point(readings, known, resolution=resolution_k, name=name)
    other = _other_fixed_point(logbook, device, channel, name)
    if other is None:
        made = one_point(
            device, channel, kind, words.now(), point, method=known.method, valid_days=valid_days
        )
        others = "boiling-point" if name == "ice point" else "ice-point"
        hint = f"With {others} as well it becomes a line: one point says nothing of the slope."
    else:
        both = sorted((point, other), key=lambda p: p.reference)
        made = fit_line(
            device, channel, kind, words.now(), both, valid_days=valid_days,
            method=f"{known.method}; with the {other.name} kept before",
        )  # fmt: skip
        hint = f"Taken together with the {other.name}: a line."
    by = point.reference - point.raw
    sentences = (
        f"It shows {point.raw:.2f} where it is {point.reference:.2f} °C: {by:+.2f} °C to add here.",
        words.corrections(made, (-5.0, 0.0, 20.0, 60.0)),
        hint,
    )
    words.tell(made, sentences, cautions, kept=words.keep(made, logbook, just_show), as_json=as_json)


def _other_fixed_point(logbook: str | None, device: str, channel: str, name: str) -> Point | None:
    """The other of the two fixed points from the calibration in force, where it is made of such."""
    from rig.sensors.calibration import CalibrationKind

    book = words.begun(logbook)
    if book is None:
        return None
    with book:
        held = words.held_today(book, device, channel, CalibrationKind.TEMPERATURE)
    known = {} if held is None else {p.name: p for p in held.points}
    return known.get("boiling point" if name == "ice point" else "ice point")


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
    from rig.sensors.calibration import CalibrationKind, Point
    from rig.sensors.line import fit_line

    given = [Point(raw, true, std_k) for raw, true in words.pairs(typed, "READING=TRUE")]
    made = fit_line(
        device, channel, CalibrationKind.TEMPERATURE, words.now(), given,
        method=f"{len(given)} points beside a reference", valid_days=valid_days,
    )  # fmt: skip
    raw = [p.raw for p in given]
    sentences = (
        words.corrections(made, (min(raw), sum(raw) / len(raw), max(raw))),
        f"The points scatter by {made.residual_std:.3f} °C about the line.",
    )
    cautions = (words.STEAM, words.GLASS, words.WET, words.FOOD)
    words.tell(made, sentences, cautions, kept=words.keep(made, logbook, just_show), as_json=as_json)


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
    from rig.sensors.calibration import CalibrationKind, one_value
    from rig.sensors.lag import time_constant

    found = time_constant(*words.temperature_in(file, in_column))
    made = one_value(
        device, channel, CalibrationKind.LAG, words.now(), found.tau_s, found.tau_std_s,
        degrees_of_freedom=found.degrees_of_freedom, residual_std=found.residual_std_k,
        method=f"plunge from {words.rounded(found.start_c, 1)} to {words.rounded(found.end_c, 1)} °C",
        valid_days=valid_days,
    )  # fmt: skip
    low, high = found.interval_s
    sentences = (
        f"Time constant {found.tau_s:.2f} s ({low:.2f} to {high:.2f} s, 95 %); it shows 90 % of a step after "
        f"{2.303 * found.tau_s:.1f} s.",
        f"While a drink falls by 1 °C a second the probe shows {found.tau_s:.1f} °C too much.",
        *(f"Doubt: {d}." for d in found.doubts),
    )
    cautions = (words.GLASS, words.STEAM, words.WET, words.FOOD)
    words.tell(made, sentences, cautions, kept=words.keep(made, logbook, just_show), as_json=as_json)


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
    from math import hypot, sqrt

    from rig.sensors.calibration import CalibrationKind, Point
    from rig.sensors.line import fit_line

    if resolution_g <= 0 or tolerance_pct < 0:
        raise typer.BadParameter("--resolution-g is above zero and --tolerance-pct not below it")
    given = [
        Point(raw, weight, hypot(resolution_g / sqrt(12.0), tolerance_pct / 100.0 * weight / sqrt(3.0)))
        for raw, weight in words.pairs(typed, "READING=WEIGHT")
    ]
    made = fit_line(
        device, channel, CalibrationKind.MASS, words.now(), given,
        method=f"{len(given)} check weights", valid_days=valid_days,
    )  # fmt: skip
    raw = [p.raw for p in given]
    sentences = (
        words.corrections(made, (min(raw), sum(raw) / len(raw), max(raw))),
        f"A gram shown is {made.coefficients[1]:.4f} g. A scale that reads to 1 g is enough for a drink.",
    )
    cautions = ("Level the scale, keep draughts and wet cloths off it, and do not load it beyond its limit.",)
    words.tell(made, sentences, cautions, kept=words.keep(made, logbook, just_show), as_json=as_json)


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
    from rig.sensors.calibration import CalibrationKind, one_value
    from rig.sensors.water_weighing import EXPANSION_PER_K, volume_of_measure

    if made_of not in EXPANSION_PER_K:
        raise NotFound("material", made_of, EXPANSION_PER_K)
    found = volume_of_measure(
        masses_g, water_temp_c, mass_std_g=resolution_g / 12.0**0.5, pressure_hpa=pressure_hpa,
        expansion_per_k=EXPANSION_PER_K[made_of],
    )  # fmt: skip
    made = one_value(
        device, "", CalibrationKind.VOLUME, words.now(), found.volume_ml, found.std_ml,
        degrees_of_freedom=found.degrees_of_freedom, residual_std=found.fill_std_ml,
        method=f"{len(masses_g)} fillings of water at {water_temp_c:g} °C weighed", valid_days=valid_days,
    )  # fmt: skip
    sentences = (
        f"Holds {found.volume_ml:.2f} ± {found.std_ml:.2f} ml at 20 °C (± one standard uncertainty).",
        f"One filling lies {found.fill_std_ml:.2f} ml from another, "
        f"{100 * found.fill_std_ml / found.volume_ml:.1f} %: that is what a drink gets.",
    )
    cautions = (
        "Use water that has stood in the room, fill to the mark at eye level, dry the outside.",
        "Wet glass slips, and chipped glass does not go near a drink.",
    )
    words.tell(made, sentences, cautions, kept=words.keep(made, logbook, just_show), as_json=as_json)


app.command("list", short_help="The calibrations kept, and which hold today.", epilog=calibrate_list.EXAMPLE)(
    calibrate_list.command
)
app.command(
    "budget",
    short_help="How sure dilution and serve temperature are.",
    context_settings=NUMBERS_MAY_BE_NEGATIVE,
    epilog=calibrate_budget.EXAMPLE,
)(calibrate_budget.command)
