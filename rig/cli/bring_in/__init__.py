"""`chillrig import`: bring in bench folders, or the tables of one run."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from rig.bench import BENCH_FILE
from rig.cli.bring_in import folders, loose, tables
from rig.cli.bring_in.stored import AUTO, Told, plausible
from rig.cli.options import AsJson, BenchName, Logbook, example
from rig.errors import ModelRangeError

EXAMPLE = example(
    "chillrig import my-bar",
    "chillrig import my-bar --as 'my bar, spring' --logbook bar.sqlite",
    "chillrig import probe.csv --dry-run",
    "chillrig import probe.csv scale.csv --run r31 --technique shake \\",
    "    --vessel 'two-piece steel' --ice 'freezer cube' \\",
    "    --recipe 'quayside black' --dates day-first",
    "chillrig import probe.csv scale.csv --into r31 \\",
    "    --mark probe.csv=12.5 --mark scale.csv=3.1",
    "chillrig import scale.csv --weigh-ins --recipe 'quayside black' --dry-run",
    "chillrig import scale.csv --into r31 --weighed drink_mass_g=2-4",
)


class Dates(StrEnum):
    """Which of day and month is written first."""

    DAY_FIRST = "day-first"
    MONTH_FIRST = "month-first"


class Decimal(StrEnum):
    """The mark before decimals."""

    POINT = "point"
    COMMA = "comma"


def command(
    paths: Annotated[
        list[Path],
        typer.Argument(
            metavar="DIR|FILE...", help="Bench folders, exports, loose files, or one run's tables."
        ),
    ],
    as_name: Annotated[
        str | None,
        typer.Option("--as", metavar="NAME", help="A folder's name in the logbook; default: its own."),
    ] = None,
    logbook: Logbook = None,
    bench: Annotated[
        Path | None, typer.Option("--bench", metavar="DIR", help="Put the run into this bench folder.")
    ] = None,
    bench_name: BenchName = None,
    run: Annotated[str | None, typer.Option(metavar="NAME", help="The name of the new run.")] = None,
    into: Annotated[
        str | None, typer.Option(metavar="RUN", help="Give the tables to a run that is there.")
    ] = None,
    technique: Annotated[
        str | None, typer.Option(help="Technique: shake, stir, blend, swirl, build.")
    ] = None,
    vessel: Annotated[str | None, typer.Option(help="A vessel of the bench.")] = None,
    ice: Annotated[str | None, typer.Option(help="An ice of the bench.")] = None,
    recipe: Annotated[str | None, typer.Option(help="A recipe of the bench.")] = None,
    duration_s: Annotated[float | None, typer.Option(help="How long it was shaken or stirred [s].")] = None,
    ice_mass_g: Annotated[float | None, typer.Option(help="Ice [g].")] = None,
    ice_temp_c: Annotated[float | None, typer.Option(help="Ice [°C].")] = None,
    drink_mass_g: Annotated[float | None, typer.Option(help="Drink before the ice [g].")] = None,
    drink_temp_c: Annotated[float | None, typer.Option(help="Drink before the ice [°C].")] = None,
    vessel_temp_c: Annotated[float | None, typer.Option(help="Vessel [°C].")] = None,
    room_temp_c: Annotated[float | None, typer.Option(help="Room [°C].")] = None,
    strained_mass_g: Annotated[float | None, typer.Option(help="Drink strained off [g].")] = None,
    gross_before_g: Annotated[float | None, typer.Option(help="Vessel, drink and ice before [g].")] = None,
    gross_after_g: Annotated[float | None, typer.Option(help="Vessel, drink and ice after [g].")] = None,
    operator: Annotated[str | None, typer.Option(help="Who made it.")] = None,
    session: Annotated[str | None, typer.Option(help="The session it belongs to.")] = None,
    target: Annotated[str | None, typer.Option(help="A target of the bench.")] = None,
    notes: Annotated[str | None, typer.Option(help="Anything else.")] = None,
    start_at: Annotated[
        str,
        typer.Option(
            metavar="auto|mark|S|HH:MM:SS",
            help="When motion began: found in the readings, at the first file's mark, or told.",
        ),
    ] = AUTO,
    starts_at: Annotated[
        str | None, typer.Option(metavar="ISO", help="Date and time of the first file's time 0.")
    ] = None,
    marks: Annotated[
        list[str] | None,
        typer.Option(
            "--mark", metavar="FILE=S", help="A moment that all files share, in each file's own time."
        ),
    ] = None,
    dates: Annotated[Dates | None, typer.Option(help="Whether 03/04 is in April or in March.")] = None,
    interval_s: Annotated[
        float | None, typer.Option(help="Seconds between rows, where no column tells time.")
    ] = None,
    time_column: Annotated[
        str | None, typer.Option(metavar="COLUMN", help="Which column tells time.")
    ] = None,
    time_unit: Annotated[
        str | None, typer.Option(metavar="UNIT", help="What it counts: s, ms, us, min, h, mm:ss, hh:mm.")
    ] = None,
    units: Annotated[
        list[str] | None,
        typer.Option("--unit", metavar="COLUMN=UNIT", help="The unit of a column, such as T1=°F."),
    ] = None,
    roles: Annotated[
        list[str] | None,
        typer.Option("--role", metavar="COLUMN=ROLE", help="probe, scale, room, cadence or ignore."),
    ] = None,
    decimal: Annotated[Decimal | None, typer.Option(help="The mark before decimals.")] = None,
    encoding: Annotated[str | None, typer.Option(metavar="NAME", help="The encoding of the text.")] = None,
    sheet: Annotated[str | None, typer.Option(metavar="NAME", help="Which sheet of a workbook.")] = None,
    recording: Annotated[
        int | None, typer.Option(metavar="N", help="Which recording, where a file holds several.")
    ] = None,
    curves: Annotated[
        str | None,
        typer.Option(
            metavar="channels|N", help="Curves side by side: channels of one run, or the Nth as a run."
        ),
    ] = None,
    profile: Annotated[
        str | None, typer.Option(metavar="NAME", help="Read by answers kept in the logbook.")
    ] = None,
    save_profile: Annotated[
        str | None, typer.Option(metavar="NAME", help="Keep the answers for files of this shape.")
    ] = None,
    weigh_ins: Annotated[
        bool, typer.Option("--weigh-ins", help="Cut the scale's log into weigh-ins, named by the recipe.")
    ] = False,
    weighed: Annotated[
        list[str] | None,
        typer.Option(
            metavar="FIELD=STEPS", help="Take a mass from weigh-ins: ice_mass_g=5, drink_mass_g=2-4 or 2+3+4."
        ),
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show everything, store nothing.")] = False,
    as_json: AsJson = False,
) -> None:
    """Bring in bench folders, or the tables of one run as any logger, scale or spreadsheet wrote them.

    A folder imported again takes over what has changed in it; nothing is ever stored twice. A folder or .zip
    archive of loose logger files is shown as the runs they make. A table is shown
    first: what each column was taken for, what was left out and why; where it leaves something open, one
    question names the option that answers it.
    """
    drawers = [path for path in paths if _is_drawer(path)]
    if not drawers and not all(_is_table(path) for path in paths):
        folders.command(paths, as_name, logbook, as_json, dry_run)
        return
    if drawers and (len(paths) > 1 or run is not None or into is not None):
        raise typer.BadParameter(f"{drawers[0]} holds loose files of several runs; import it by itself")
    if as_name is not None:
        raise typer.BadParameter("--as names bench folders; these are files")
    if run is not None and into is not None:
        raise typer.BadParameter("give --run for a new run or --into for one that is there, not both")
    settings = {
        "day_first": None if dates is None else dates is Dates.DAY_FIRST,
        "interval_s": interval_s,
        "time_column": time_column,
        "time_unit": time_unit,
        "decimal": None if decimal is None else {Decimal.POINT: ".", Decimal.COMMA: ","}[decimal],
        "encoding": encoding,
        "sheet": sheet,
        "recording": recording,
        "curves": curves,
    }
    fields = {
        "run": run, "technique": technique, "vessel": vessel, "ice": ice, "recipe": recipe,
        "duration_s": duration_s, "ice_mass_g": ice_mass_g, "ice_temp_c": ice_temp_c,
        "drink_mass_g": drink_mass_g, "drink_temp_c": drink_temp_c, "vessel_temp_c": vessel_temp_c,
        "room_temp_c": room_temp_c, "strained_mass_g": strained_mass_g, "gross_before_g": gross_before_g,
        "gross_after_g": gross_after_g, "operator": operator, "session": session, "target": target,
        "notes": notes,
    }  # fmt: skip
    told = Told(
        settings={k: v for k, v in settings.items() if v is not None},
        columns=_pairs("--unit", units),
        uses=_pairs("--role", roles),
        profile=profile,
        save_profile=save_profile,
        marks=_pairs("--mark", marks),
        start_at=start_at,
        starts_at=None if starts_at is None else _moment(starts_at),
        run=plausible({k: v for k, v in fields.items() if v is not None}),
        into=into,
        weigh_ins=weigh_ins or bool(weighed),
        weighed=_weighed(weighed),
        dry_run=dry_run,
        as_json=as_json,
        logbook=logbook,
        bench=bench,
        bench_name=bench_name,
    )
    if drawers:
        loose.command(drawers[0], told)
    else:
        tables.command(paths, told)


def _pairs(option: str, texts: Sequence[str] | None) -> dict[str, str]:
    """`NAME=VALUE` options as a table; the last '=' divides."""
    pairs = {}
    for text in texts or ():
        name, equals, value = text.rpartition("=")
        if not (equals and name.strip() and value.strip()):
            raise typer.BadParameter(f"{option} {text!r} is not NAME=VALUE")
        pairs[name.strip()] = value.strip()
    return pairs


def _moment(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except ValueError as error:
        raise typer.BadParameter(f"--starts-at {text!r} is no date and time: 2026-03-17T21:04:10") from error


def _weighed(texts: Sequence[str] | None) -> dict[str, tuple[int, ...]]:
    from rig.importing.weighing_in import numbers_of
    from rig.plausible import RUN as PLAUSIBLE

    out = {}
    for name, value in _pairs("--weighed", texts).items():
        if not name.endswith("_g") or name not in PLAUSIBLE:
            masses = ", ".join(k for k in PLAUSIBLE if k.endswith("_g"))
            raise typer.BadParameter(f"--weighed {name}={value} is not FIELD=STEPS. Fields: {masses}")
        try:
            out[name] = numbers_of(value)
        except ModelRangeError as error:
            raise typer.BadParameter(f"--weighed {name}: {error}") from error
    return out


def _is_drawer(path: Path) -> bool:
    """Whether a path holds loose files: an archive, or a folder of tables that describes no bench."""
    from rig.importing.bench_folder import tables_in
    from rig.importing.loose import is_archive
    from rig.importing.run_sheet import RUN_SHEET

    if path.is_dir():
        described = (path / BENCH_FILE).exists() or (path / RUN_SHEET).exists()
        return not described and bool(tables_in(path))
    return path.is_file() and is_archive(path)


def _is_table(path: Path) -> bool:
    """Whether a path is a file of readings: neither a bench folder nor runs that were exported."""
    from rig.importing.book_file import open_book

    return path.is_file() and path.name != BENCH_FILE and open_book(path) is None
