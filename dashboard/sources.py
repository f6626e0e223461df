"""Where the dashboard's benches come from: a bench folder as it lies, or the benches of a logbook."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from rig.errors import RigError
from rig.fitting.result import Fit
from rig.importing.bench_folder import open_bench
from rig.logbook.store import Logbook, open_logbook
from rig.fitting.kept_fit import fit_or_kept
from rig.runs import RunBook

Progress = Callable[[float], None]


class Source(Protocol):
    """Benches by name; `stamp` changes when a bench has, and is cheap to ask for."""

    def names(self) -> tuple[str, ...]:
        """The benches there are."""
        ...

    def stamp(self, name: str) -> str:
        """What tells one state of a bench from another."""
        ...

    def book(self, name: str) -> RunBook:
        """A bench with its runs."""
        ...

    def fit(self, book: RunBook, progress: Progress) -> Fit:
        """The fit of a book; `progress` hears the share done."""
        ...


@dataclass(frozen=True)
class FolderSource:
    """One bench folder, read anew whenever a file in it has changed."""

    folder: Path

    def names(self) -> tuple[str, ...]:
        """The folder's own name."""
        return (self.folder.resolve().name,)

    def stamp(self, name: str) -> str:
        """A digest of the names, sizes and times of the folder's files."""
        files = sorted(p for p in self.folder.rglob("*") if p.is_file())
        seen = [(str(p.relative_to(self.folder)), s.st_size, s.st_mtime_ns) for p in files if (s := p.stat())]
        return hashlib.sha256(repr(seen).encode()).hexdigest()

    def book(self, name: str) -> RunBook:
        """The bench as it lies there."""
        return open_bench(self.folder)

    def fit(self, book: RunBook, progress: Progress) -> Fit:
        """A fresh fit: a folder is not written to."""
        return fit_or_kept(book, None, progress)


@dataclass(frozen=True)
class LogbookSource:
    """The benches of a logbook, or those of them that are named; fits are kept in it."""

    logbook: Logbook
    only: tuple[str, ...] = ()

    def names(self) -> tuple[str, ...]:
        """The benches that have runs first, then the others."""
        benches = [b for b in self.logbook.benches() if not self.only or b.name in self.only]
        return tuple(b.name for b in sorted(benches, key=lambda b: (b.runs == 0, b.name)))

    def stamp(self, name: str) -> str:
        """A digest of what is on the bench and of every run's name and revision."""
        runs = [(r.run.run, r.rev) for r in self.logbook.list_runs(name)]
        return hashlib.sha256(repr((self.logbook.bench(name), runs)).encode()).hexdigest()

    def book(self, name: str) -> RunBook:
        """The bench with its runs and traces."""
        return self.logbook.book(name)

    def fit(self, book: RunBook, progress: Progress) -> Fit:
        """The fit kept in the logbook, else a fresh one, kept there."""
        return fit_or_kept(book, self.logbook, progress)


def source_of(bench: Path | None, logbook: str | None, only: Sequence[str] = ()) -> Source:
    """The source that a folder or a logbook's URL or file names.

    Raises
    ------
    RigError
        Neither is given, or the logbook's file is not there; a mistyped one is not made anew.
    """
    if bench is not None:
        return FolderSource(bench)
    if not logbook:
        raise RigError("nothing to show: name a bench folder (--bench DIR) or a logbook (--logbook FILE)")
    if "://" not in logbook and not Path(logbook).exists():
        raise RigError(f"there is no logbook at {logbook}. Import a bench first: chillrig import DIR")
    return LogbookSource(open_logbook(logbook), tuple(only))
