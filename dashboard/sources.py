"""Where the dashboard's benches come from: a bench folder as it lies, or the benches of a logbook."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Protocol

from rig.bench import Bench, parse_bench
from rig.errors import NotFound, RigError
from rig.fitting.kept_fit import fit_or_kept
from rig.fitting.result import Fit
from rig.importing.bench_folder import open_bench
from rig.logbook.listing import BookListing, Listing, LogbookListing
from rig.logbook.store import Logbook, open_logbook
from rig.runs import Finding, Gravity, Run, RunBook

Progress = Callable[[float], None]
Fitter = Callable[[RunBook, Logbook | None, str, Progress | None], Fit]
"""Makes the fit of a book, or finds it: by default as `rig.fitting.kept_fit.fit_or_kept` does."""
MOST_FITTED = 300
"""A bench with more runs than this is fitted on its newest, so that a page need not wait for minutes."""


class Source(Protocol):
    """Benches by name; `stamp` changes when a bench has, and is cheap to ask for."""

    @property
    def logbook(self) -> Logbook | None:
        """Where runs can be corrected; None where they can only be read."""
        ...

    def left(self) -> AbstractContextManager[None]:
        """While nothing is open; whoever asks meanwhile waits."""
        ...

    def one_look(self) -> AbstractContextManager[None]:
        """Meanwhile, in this thread, the benches are asked for once and stay as they were found."""
        ...

    def names(self) -> tuple[str, ...]:
        """The benches there are."""
        ...

    def stamp(self, name: str) -> str:
        """What tells one state of a bench from another."""
        ...

    def bench(self, name: str) -> Bench:
        """What is on a bench."""
        ...

    def listing(self, name: str) -> Listing:
        """Lists of its runs."""
        ...

    def run(self, name: str, run: str) -> Run:
        """One run with its trace."""
        ...

    def book(self, name: str) -> RunBook:
        """A bench with the runs to fit."""
        ...

    def fit(self, name: str, book: RunBook, progress: Progress) -> Fit:
        """The fit of a bench's book; `progress` hears the share done."""
        ...


def run_of(book: RunBook, name: str) -> Run:
    """A book's run of that name.

    Raises
    ------
    NotFound
        There is none.
    """
    for run in book.runs:
        if run.run == name:
            return run
    raise NotFound("run", name[:80], [r.run for r in book.runs][:5])


@dataclass(frozen=True)
class FolderSource:
    """One bench folder, read anew whenever a file in it has changed; it is never written to."""

    folder: Path
    fitter: Fitter = fit_or_kept
    logbook: None = None

    def left(self) -> AbstractContextManager[None]:
        """Nothing is open."""
        return nullcontext()

    def one_look(self) -> AbstractContextManager[None]:
        """A folder is looked at in no time."""
        return nullcontext()

    def names(self) -> tuple[str, ...]:
        """The folder's own name."""
        return (self.folder.resolve().name,)

    def stamp(self, name: str) -> str:
        """A digest of the names, sizes and times of the folder's files."""
        files = sorted(p for p in self.folder.rglob("*") if p.is_file())
        seen = [(str(p.relative_to(self.folder)), s.st_size, s.st_mtime_ns) for p in files if (s := p.stat())]
        return hashlib.sha256(repr(seen).encode()).hexdigest()

    def bench(self, name: str) -> Bench:
        """What is on the bench."""
        return self.book(name).bench

    def listing(self, name: str) -> Listing:
        """Lists of its runs."""
        return BookListing(self.book(name))

    def run(self, name: str, run: str) -> Run:
        """One run with its trace."""
        return run_of(self.book(name), run)

    def book(self, name: str) -> RunBook:
        """The bench as it lies there."""
        return _read_folder(self.folder, self.stamp(name))

    def fit(self, name: str, book: RunBook, progress: Progress) -> Fit:
        """A fresh fit: a folder is not written to."""
        return self.fitter(book, None, name, progress)


@lru_cache(maxsize=2)
def _read_folder(folder: Path, stamp: str) -> RunBook:
    return open_bench(folder)


@dataclass(frozen=True)
class LogbookSource:
    """The benches of a logbook, or those of them that are named; fits are kept in it."""

    logbook: Logbook
    lists: LogbookListing
    only: tuple[str, ...] = ()
    most_fitted: int = field(default=MOST_FITTED)
    fitter: Fitter = fit_or_kept

    @contextmanager
    def left(self) -> Iterator[None]:
        """While nothing of both is open; whoever asks meanwhile waits."""
        with self.logbook.left(), self.lists.left():
            yield

    def one_look(self) -> AbstractContextManager[None]:
        """Meanwhile, in this thread, the benches are asked for once and stay as they were found."""
        return self.lists.one_look()

    def names(self) -> tuple[str, ...]:
        """The benches that have runs first, then the others."""
        benches = [b for b in self.lists.states().values() if not self.only or b.name in self.only]
        return tuple(b.name for b in sorted(benches, key=lambda b: (b.tally.runs == 0, b.name)))

    def stamp(self, name: str) -> str:
        """The number of runs and of their revisions, counted by the database, in which file."""
        tally = self.lists.tally(name)
        # a copy that was restored, and changed since, may have the same numbers
        return f"{tally.runs} {tally.revisions} {self.logbook.identity}"

    def bench(self, name: str) -> Bench:
        """What is on the bench."""
        return parse_bench(self.lists.state(name).toml, f"the logbook's bench {name}")[0]

    def listing(self, name: str) -> Listing:
        """Lists of its runs, made by the database."""
        return self.lists

    def run(self, name: str, run: str) -> Run:
        """One run with its trace."""
        return self.logbook.run(name, run)

    def book(self, name: str) -> RunBook:
        """The bench with its runs and traces; of a long one the newest of each drink, and a note of that."""
        count = self.lists.tally(name).runs
        if count <= self.most_fitted:
            return self.logbook.book(name)
        newest = self.lists.newest_of_each(name, self.most_fitted)
        told = Finding(Gravity.NOTE, f"fitted on {len(newest)} of {count} runs, the newest of each drink")
        found = {run.run: run for run in self.logbook.runs(name, newest)}
        # a run that was deleted a moment ago is no more
        runs = tuple(found[run] for run in reversed(newest) if run in found)
        bench, population = self.logbook.bench_to_fit(name)
        return RunBook(bench, runs, (told,), population=population)

    def fit(self, name: str, book: RunBook, progress: Progress) -> Fit:
        """The fit kept in the logbook, else a fresh one, kept there."""
        return self.fitter(book, self.logbook, name, progress)


def logbook_source(url_or_file: str, only: Sequence[str] = (), fitter: Fitter = fit_or_kept) -> LogbookSource:
    """The benches of a logbook, or those named."""
    logbook, lists = open_logbook(url_or_file), LogbookListing(url_or_file)
    return LogbookSource(logbook, lists, tuple(only), fitter=fitter)


@dataclass(frozen=True)
class Wanted:
    """What somebody names to be shown: a bench folder, or a logbook by its URL or file, or some benches of it."""

    bench: str | None = None
    logbook: str | None = None
    only: tuple[str, ...] = ()

    def source(self, fitter: Fitter = fit_or_kept) -> Source:
        """Where it comes from.

        Raises
        ------
        RigError
            Neither is given, or the logbook's file is not there; a mistyped one is not made anew.
        """
        if self.bench is not None:
            return FolderSource(Path(self.bench), fitter)
        if not self.logbook:
            raise RigError("nothing to show: name a bench folder (--bench DIR) or a logbook (--logbook FILE)")
        if "://" not in self.logbook and not Path(self.logbook).exists():
            raise RigError(
                f"there is no logbook at {self.logbook}. Import a bench first: chillrig import DIR"
            )
        return logbook_source(self.logbook, self.only, fitter)
