"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

LOGBOOK_VARIABLE = "CHILLRIG_LOGBOOK"


def example(*lines: str) -> str:
    """A worked example for the foot of a command's help, kept line by line."""
    return "\b\nExample:\n" + "\n".join(f"  {line}" for line in lines)


Logbook = Annotated[
    str | None,
    typer.Option(
        "--logbook",
        envvar=LOGBOOK_VARIABLE,
        metavar="URL_OR_FILE",
        help="The logbook: a SQLite file or a database URL. Default: a file of your own.",
        show_envvar=True,
    ),
]
BenchFolder = Annotated[
    Path | None,
    typer.Option("--bench", metavar="DIR", help="Read this bench folder instead of the logbook."),
]
BenchName = Annotated[
    str | None,
    typer.Option("--bench-name", metavar="NAME", help="Which bench of the logbook, where it holds several."),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON for other programs.")]
On = Annotated[
    str,
    typer.Option(
        metavar="WHERE",
        help="Where all benches are worked on: here, processes, or a Dask scheduler (tcp://host:port).",
    ),
]
Technique = Annotated[str | None, typer.Option(help="Only this technique.")]
Vessel = Annotated[str | None, typer.Option(help="Only this vessel.")]
Ice = Annotated[str | None, typer.Option(help="Only this ice.")]
OfRecipe = Annotated[str | None, typer.Option("--recipe", help="Only this recipe.")]
Dialects = Annotated[
    list[Path] | None,
    typer.Option(metavar="PATH", help="A file, or a folder of files, that declares further dialects."),
]
