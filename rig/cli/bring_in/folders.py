"""`chillrig import DIR`: bench folders, exported runs and open data, whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from rig.bench import BENCH_FILE
from rig.cli.printing import finding_json, print_findings, print_json, progress, say
from rig.cli.source import logbook_option, quoted
from rig.errors import BenchError, Place
from rig.session.places import logbook_at, make_folder

if TYPE_CHECKING:
    from rig.logbook.intake import Added
    from rig.logbook.open_data.parquet import Package
    from rig.logbook.store import Logbook as OpenLogbook
    from rig.runs import Finding, RunBook


@dataclass(frozen=True)
class Import:
    """One bench brought in: what its folder held, and what the logbook made of it."""

    folder: Path
    name: str
    title: str
    runs: int
    findings: tuple[Finding, ...]
    added: Added

    def to_dict(self) -> dict[str, Any]:
        """Stable keys; an entry of `import --json`."""
        return {
            "folder": str(self.folder),
            "bench_name": self.name,
            "title": self.title,
            "runs": self.runs,
            "new": self.added.new,
            "changed": self.added.changed,
            "unchanged": self.added.unchanged,
            "from_elsewhere": list(self.added.from_elsewhere),
            "findings": [finding_json(f) for f in self.findings],
        }


def command(
    folders: Sequence[Path], as_name: str | None, logbook: str | None, as_json: bool, dry_run: bool
) -> None:
    """Bring in bench folders, exported files and open data."""
    from rig.logbook.store import open_logbook

    if as_name is not None and len(folders) > 1:
        raise typer.BadParameter("--as names one folder; import the others by themselves")
    # every folder is read before anything is stored, so that a slip in the last one stores nothing
    books = [read(folder) for folder in folders]
    if dry_run:
        _show_books(folders, books, as_json)
        return
    at = logbook_at(logbook)
    if "://" not in at:
        make_folder(Path(at).parent)
    with open_logbook(at) as opened:
        done = [
            imported
            for folder, book in zip(folders, books, strict=True)
            for imported in bring_in(opened, folder, as_name, book, as_json)
        ]
        where = opened.where
    if as_json:
        print_json({"logbook": where, "imports": [i.to_dict() for i in done]})
        return
    for i in done:
        print_import(i)
    if done:
        option = f"{logbook_option(logbook)}--bench-name {quoted(done[0].name)}"
        say("", f"In the logbook at {where}. Next: chillrig fit {option}")


def _show_books(folders: Sequence[Path], books: Sequence[RunBook | Package], as_json: bool) -> None:
    """What folders hold, with nothing stored."""
    held = [(folder, *one) for folder, book in zip(folders, books, strict=True) for one in _held(book)]
    if as_json:
        entries = [
            {
                "folder": str(folder),
                "title": title,
                "runs": runs,
                "findings": [finding_json(f) for f in findings],
            }
            for folder, title, runs, findings in held
        ]
        print_json({"dry_run": True, "folders": entries})
        return
    for _, title, runs, findings in held:
        say(f"{title}: {runs} runs.", style="bold")
        print_findings(findings)
    say("", "Nothing was stored (--dry-run).")


def _held(book: RunBook | Package) -> list[tuple[str, int, tuple[Finding, ...]]]:
    """Title, number of runs and findings of each bench; those of open data are found as it is taken in."""
    from rig.logbook.open_data.read import benches_of
    from rig.runs import RunBook

    if isinstance(book, RunBook):
        return [(book.bench.title, len(book.runs), book.findings)]
    return [(title or name, runs, ()) for name, title, runs in benches_of(book)]


def read(path: Path) -> RunBook | Package:
    """The book of a bench folder or of an exported file, or a package of open data; another file is declined."""
    from rig.importing.bench_folder import open_bench
    from rig.importing.book_file import open_book
    from rig.logbook.open_data.parquet import is_package, open_package

    if is_package(path):
        return open_package(path)
    if not path.is_file() or path.name == BENCH_FILE:
        return open_bench(path)
    book = open_book(path)
    if book is None:
        raise BenchError(
            "this is a file; a bench folder is expected",
            Place(str(path)),
            "Import bench folders and tables by themselves",
        )
    return book


def bench_name_of(folder: Path) -> str:
    """What a folder's bench is called in the logbook unless told otherwise."""
    home = folder.resolve()
    if home.is_file() and home.name != BENCH_FILE:
        return home.stem
    return (home.parent if home.is_file() else home).name


def bring_in(
    logbook: OpenLogbook, folder: Path, as_name: str | None, book: RunBook | Package, quiet: bool
) -> list[Import]:
    """Store a book under a name, or its folder's, or the benches of open data; with a bar on stderr meanwhile."""
    from rig.logbook.open_data.read import read_open_data
    from rig.runs import RunBook

    name = as_name or bench_name_of(folder)
    with progress(f"storing {name}", quiet) as tell:

        def share(done: int, every: int) -> None:
            tell(done / max(every, 1))

        if isinstance(book, RunBook):
            added = logbook.add(book, name, str(folder), share)
            return [Import(folder, name, book.bench.title, len(book.runs), book.findings, added)]
        came = read_open_data(logbook, book, str(folder), as_name, share)
    return [Import(folder, c.name, c.title, c.runs, c.findings, c.added) for c in came]


def print_import(done: Import, most_findings: int = 12) -> None:
    """What came in, and what was found wrong with it."""
    a = done.added
    say(
        f"{done.name}: {done.title}. {done.runs} runs: "
        f"{a.new} new, {a.changed} changed, {a.unchanged} as they were.",
        style="bold",
    )
    if a.from_elsewhere:
        say(f"  Came from another folder before: {', '.join(a.from_elsewhere)}.")
    if done.findings:
        print_findings(done.findings, most_findings)
    else:
        say("  Nothing odd in its files.")
