"""`chillrig export`: runs out of the logbook, in open formats."""

from __future__ import annotations

from dataclasses import asdict, replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import AsJson, BenchFolder, BenchName, Logbook, example
from rig.cli.printing import print_json, progress, say
from rig.cli.source import Source, existing_logbook, open_source, the_bench
from rig.errors import RigError

if TYPE_CHECKING:
    from rig.runs import RunBook

EXAMPLE = example(
    "chillrig export --bench-name my-bar --to my-bar-copy",
    "chillrig export --bench-name my-bar --as csv > runs.csv",
    "chillrig export --bench-name my-bar --as csvw --to my-bar-open-data",
    "chillrig export --as parquet --to open-data",
    "chillrig export --as parquet --without-names --to for-all",
)


class Shape(StrEnum):
    """What runs are written as."""

    BENCH = "bench"
    CSVW = "csvw"
    CSV = "csv"
    JSON = "json"
    XLSX = "xlsx"
    PARQUET = "parquet"


_FOLDERS = (Shape.BENCH, Shape.CSVW, Shape.PARQUET)
_PRINTED = (Shape.CSV, Shape.JSON)


def command(
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    shape: Annotated[
        Shape,
        typer.Option(
            "--as",
            help="bench: a folder that imports again; csvw: the same with W3C metadata; csv: the run sheet "
            "alone; json, xlsx: everything in one file; parquet: all benches as tables, with a Data Package.",
        ),
    ] = Shape.BENCH,
    to: Annotated[
        Path | None,
        typer.Option(metavar="PATH", help="Folder or file; csv and json print where none is given."),
    ] = None,
    without_names: Annotated[
        bool,
        typer.Option(
            "--without-names",
            help="Parquet without names of people: hands and sessions are numbered, notes and reasons stay away.",
        ),
    ] = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace what is there.")] = False,
    as_json: AsJson = False,
) -> None:
    """Write runs as a bench folder, CSV with W3C metadata, JSON, a spreadsheet or Parquet.

    All but a run sheet alone come back with chillrig import, and nothing has changed. A bench folder that was
    imported is written as it lay there, byte for byte, but for what was changed since. Parquet holds the whole
    logbook, or one bench of it, with its corrections and what each column means.
    """
    if without_names and shape is not Shape.PARQUET:
        raise typer.BadParameter("--without-names goes with --as parquet")
    if to is None and shape not in _PRINTED:
        what = "folder goes: --to DIR" if shape in _FOLDERS else "file goes: --to FILE"
        raise typer.BadParameter(f"say where the {shape.value} {what}")
    if to is not None and shape is Shape.PARQUET:
        _open_data(bench, logbook, bench_name, to, not without_names, overwrite, as_json)
        return
    source = open_source(bench, logbook, bench_name)
    if to is None:
        print(_text(source.book, shape), end="")
        return
    if shape is Shape.BENCH:
        _write_folder(source, to, overwrite)
    else:
        _write(source.book, shape, to, overwrite)
    if as_json:
        print_json({"path": str(to), "as": shape.value, "runs": len(source.book.runs)})
    else:
        say(f"{len(source.book.runs)} runs of {source.book.bench.title} are in {to}.")


def _open_data(
    bench: Path | None,
    logbook: str | None,
    bench_name: str | None,
    to: Path,
    with_names: bool,
    overwrite: bool,
    as_json: bool,
) -> None:
    """The whole logbook, or one bench of it, as open data; a folder goes through a logbook in memory."""
    from rig.logbook.open_data.write import write_open_data
    from rig.logbook.store import open_logbook

    if bench is not None:
        source = open_source(bench, logbook, bench_name)
        opened = open_logbook(None)
        opened.add(source.book, bench.resolve().name, str(bench))
    else:
        opened = existing_logbook(logbook)
    names = tuple(b.name for b in opened.benches())
    if bench_name is not None:
        names = (the_bench(names, bench_name),)
    with opened, progress("writing", as_json) as tell:
        written = write_open_data(
            opened,
            names,
            to,
            with_names=with_names,
            overwrite=overwrite,
            progress=lambda done, every: tell(done / max(every, 1)),
        )
    if as_json:
        print_json({"path": str(to), "as": Shape.PARQUET.value, **asdict(written)})
    else:
        told = "" if with_names else ", without names"
        say(f"{written.benches} benches, {written.runs} runs and {written.traces} traces are in {to}{told}.")


def _write_folder(source: Source, to: Path, overwrite: bool) -> None:
    """The bench folder as it lay there when it came in, but for what has changed since."""
    from rig.importing.write_bench import write_bench
    from rig.logbook.editing import bench_text, kept_files

    if source.logbook is None:
        write_bench(source.book, to, overwrite=overwrite)
        return
    book = replace(source.book, files=kept_files(source.logbook, source.name))
    write_bench(book, to, overwrite=overwrite, text=bench_text(source.logbook, source.name))


def _write(book: RunBook, shape: Shape, to: Path, overwrite: bool) -> None:
    if shape is Shape.CSVW:
        from rig.importing.csvw import METADATA_FILE, folder_metadata
        from rig.importing.write_bench import write_bench

        # its metadata tells of every column, so that all of it is written anew
        write_bench(replace(book, files={}), to, overwrite=overwrite)
        write_text(to / METADATA_FILE, folder_metadata(book), overwrite)
    elif shape is Shape.CSV:
        from rig.importing.csvw import sheet_metadata

        write_text(to, _text(book, shape), overwrite)
        write_text(to.with_name(f"{to.name}-metadata.json"), sheet_metadata(book, to.name), overwrite)
    elif shape is Shape.JSON:
        write_text(to, _text(book, shape), overwrite)
    else:
        from rig.importing.book_workbook import book_xlsx

        write_bytes(to, book_xlsx(book), overwrite)


def _text(book: RunBook, shape: Shape) -> str:
    from rig.importing.write_bench import book_json, run_sheet_csv

    return run_sheet_csv(book) if shape is Shape.CSV else book_json(book) + "\n"


def write_text(path: Path, text: str, overwrite: bool) -> None:
    """Write a file as UTF-8; one that is there is not replaced unless told so.

    Raises
    ------
    RigError
        Where it is there already, or cannot be written.
    """
    write_bytes(path, text.encode(), overwrite)


def write_bytes(path: Path, raw: bytes, overwrite: bool) -> None:
    """Write a file; one that is there is not replaced unless told so.

    Raises
    ------
    RigError
        Where it is there already, or cannot be written.
    """
    try:
        if path.exists() and not overwrite:
            raise RigError(f"{path} is there already; give --overwrite to replace it")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(raw)
    except OSError as error:
        raise RigError(f"{path} cannot be written: {error.strerror}") from error
