"""`chillrig export`: runs out of the logbook, in open formats."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import AsJson, BenchFolder, BenchName, Logbook, example
from rig.cli.printing import print_json, say
from rig.cli.source import open_source
from rig.errors import RigError

if TYPE_CHECKING:
    from rig.runs import RunBook

EXAMPLE = example(
    "chillrig export --bench-name my-bar --to my-bar-copy",
    "chillrig export --bench-name my-bar --as csv > runs.csv",
    "chillrig export --bench-name my-bar --as csvw --to my-bar-open-data",
    "chillrig export --bench-name my-bar --as parquet --to my-bar.parquet",
)


class Shape(StrEnum):
    """What runs are written as."""

    BENCH = "bench"
    CSVW = "csvw"
    CSV = "csv"
    JSON = "json"
    XLSX = "xlsx"
    PARQUET = "parquet"


_FOLDERS = (Shape.BENCH, Shape.CSVW)
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
            "alone; json, xlsx, parquet: everything in one file.",
        ),
    ] = Shape.BENCH,
    to: Annotated[
        Path | None,
        typer.Option(metavar="PATH", help="Folder or file; csv and json print where none is given."),
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace what is there.")] = False,
    as_json: AsJson = False,
) -> None:
    """Write runs as a bench folder, CSV with W3C metadata, JSON, a spreadsheet or Parquet.

    All but a run sheet alone come back with chillrig import, and nothing has changed.
    """
    if to is None and shape not in _PRINTED:
        what = "folder goes: --to DIR" if shape in _FOLDERS else "file goes: --to FILE"
        raise typer.BadParameter(f"say where the {shape.value} {what}")
    source = open_source(bench, logbook, bench_name)
    if to is None:
        print(_text(source.book, shape), end="")
        return
    _write(source.book, shape, to, overwrite)
    if as_json:
        print_json({"path": str(to), "as": shape.value, "runs": len(source.book.runs)})
    else:
        say(f"{len(source.book.runs)} runs of {source.book.bench.title} are in {to}.")


def _write(book: RunBook, shape: Shape, to: Path, overwrite: bool) -> None:
    if shape in _FOLDERS:
        from rig.importing.csvw import METADATA_FILE, folder_metadata
        from rig.importing.write_bench import write_bench

        write_bench(book, to, overwrite=overwrite)
        if shape is Shape.CSVW:
            write_text(to / METADATA_FILE, folder_metadata(book), overwrite)
    elif shape is Shape.CSV:
        from rig.importing.csvw import sheet_metadata

        write_text(to, _text(book, shape), overwrite)
        write_text(to.with_name(f"{to.name}-metadata.json"), sheet_metadata(book, to.name), overwrite)
    elif shape is Shape.JSON:
        write_text(to, _text(book, shape), overwrite)
    else:
        write_bytes(to, _packed(book, shape), overwrite)


def _text(book: RunBook, shape: Shape) -> str:
    from rig.importing.write_bench import book_json, run_sheet_csv

    return run_sheet_csv(book) if shape is Shape.CSV else book_json(book) + "\n"


def _packed(book: RunBook, shape: Shape) -> bytes:
    from rig.importing.book_parquet import book_parquet
    from rig.importing.book_workbook import book_xlsx

    return book_xlsx(book) if shape is Shape.XLSX else book_parquet(book)


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
