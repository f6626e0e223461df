"""`chillrig export`: runs out of the logbook, as a bench folder, CSV or JSON."""

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
)


class Shape(StrEnum):
    """What runs are written as."""

    BENCH = "bench"
    CSV = "csv"
    JSON = "json"


def command(
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    shape: Annotated[
        Shape, typer.Option("--as", help="A bench folder with traces, the run sheet alone, or all as JSON.")
    ] = Shape.BENCH,
    to: Annotated[
        Path | None,
        typer.Option(metavar="PATH", help="Folder or file; csv and json print where none is given."),
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace what is there.")] = False,
    as_json: AsJson = False,
) -> None:
    """Write runs as a bench folder that imports again, as the run sheet's CSV, or as JSON."""
    if shape is Shape.BENCH and to is None:
        raise typer.BadParameter("say where the bench folder goes: --to DIR")
    source = open_source(bench, logbook, bench_name)
    if to is None:
        print(_text(source.book, shape), end="")
        return
    if shape is Shape.BENCH:
        from rig.importing.write_bench import write_bench

        write_bench(source.book, to, overwrite=overwrite)
    else:
        write_text(to, _text(source.book, shape), overwrite)
    if as_json:
        print_json({"path": str(to), "as": shape.value, "runs": len(source.book.runs)})
    else:
        say(f"{len(source.book.runs)} runs of {source.book.bench.title} are in {to}.")


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
    try:
        if path.exists() and not overwrite:
            raise RigError(f"{path} is there already; give --overwrite to replace it")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode())
    except OSError as error:
        raise RigError(f"{path} cannot be written: {error.strerror}") from error
