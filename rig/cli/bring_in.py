"""`chillrig import`: bring bench folders into the logbook."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rig.cli.options import AsJson, Logbook, example
from rig.cli.printing import finding_json, print_findings, print_json, progress, say
from rig.cli.source import logbook_at, quoted
from rig.errors import BenchError, Place

if TYPE_CHECKING:
    from rig.logbook.intake import Added
    from rig.logbook.store import Logbook as OpenLogbook
    from rig.runs import RunBook

EXAMPLE = example(
    "chillrig import my-bar", "chillrig import my-bar --as 'my bar, spring' --logbook bar.sqlite"
)


@dataclass(frozen=True)
class Import:
    """One bench folder brought in: what it held, and what the logbook made of it."""

    folder: Path
    name: str
    book: RunBook
    added: Added

    def to_dict(self) -> dict[str, Any]:
        """Stable keys; an entry of `import --json`."""
        return {
            "folder": str(self.folder),
            "bench_name": self.name,
            "title": self.book.bench.title,
            "runs": len(self.book.runs),
            "new": self.added.new,
            "changed": self.added.changed,
            "unchanged": self.added.unchanged,
            "from_elsewhere": list(self.added.from_elsewhere),
            "findings": [finding_json(f) for f in self.book.findings],
        }


def command(
    folders: Annotated[list[Path], typer.Argument(metavar="DIR...", help="Bench folders.")],
    as_name: Annotated[
        str | None,
        typer.Option("--as", metavar="NAME", help="Name in the logbook; default: the folder's name."),
    ] = None,
    logbook: Logbook = None,
    as_json: AsJson = False,
) -> None:
    """Bring bench folders into the logbook, and say what is new and what was found wrong.

    Importing again takes over what has changed in the folder since; nothing is ever stored twice.
    """
    from rig.logbook.store import open_logbook

    if as_name is not None and len(folders) > 1:
        raise typer.BadParameter("--as names one folder; import the others by themselves")
    # every folder is read before anything is stored, so that a slip in the last one stores nothing
    books = [read(folder) for folder in folders]
    at = logbook_at(logbook)
    if "://" not in at:
        make_folder(Path(at).parent)
    with open_logbook(at) as opened:
        done = [
            bring_in(opened, folder, as_name or bench_name_of(folder), book, as_json)
            for folder, book in zip(folders, books, strict=True)
        ]
        where = opened.where
    if as_json:
        print_json({"logbook": where, "imports": [i.to_dict() for i in done]})
        return
    for i in done:
        print_import(i)
    option = f" --logbook {quoted(logbook)}" if logbook else ""
    say("", f"In the logbook at {where}. Next: chillrig fit --bench-name {quoted(done[0].name)}{option}")


def read(folder: Path) -> RunBook:
    """A bench folder's book; a single file is declined in words that help."""
    from rig.bench import BENCH_FILE
    from rig.importing.bench_folder import open_bench

    if folder.is_file() and folder.name != BENCH_FILE:
        raise BenchError(
            "this is a file; a bench folder is expected",
            Place(str(folder)),
            f"A bench folder holds {BENCH_FILE}, run_sheet.csv and traces/: name the folder",
        )
    return open_bench(folder)


def bench_name_of(folder: Path) -> str:
    """What a folder's bench is called in the logbook unless told otherwise."""
    home = folder.resolve()
    return (home.parent if home.is_file() else home).name


def make_folder(folder: Path) -> None:
    """Make the folder a logbook or page goes into."""
    from rig.errors import RigError

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RigError(f"the folder {folder} cannot be made: {error.strerror}") from error


def bring_in(logbook: OpenLogbook, folder: Path, name: str, book: RunBook, quiet: bool) -> Import:
    """Store a book under a name, with a bar on stderr where that takes a while."""
    with progress(f"storing {name}", quiet) as tell:
        added = logbook.add(book, name, str(folder), lambda done, every: tell(done / max(every, 1)))
    return Import(folder, name, book, added)


def print_import(done: Import, most_findings: int = 12) -> None:
    """What came in, and what was found wrong with it."""
    a = done.added
    say(
        f"{done.name}: {done.book.bench.title}. {len(done.book.runs)} runs: "
        f"{a.new} new, {a.changed} changed, {a.unchanged} as they were.",
        style="bold",
    )
    if a.from_elsewhere:
        say(f"  Came from another folder before: {', '.join(a.from_elsewhere)}.")
    if done.book.findings:
        print_findings(done.book.findings, most_findings)
    else:
        say("  Nothing odd in its files.")
