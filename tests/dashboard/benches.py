"""A bench for the pages' tests: small, fitted once, and able to change."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field

from dashboard.service import BenchView
from dashboard.sources import LogbookSource, Progress, run_of
from rig.bench import Bench
from rig.fitting import fit
from rig.fitting.result import Fit
from rig.logbook.listing import BookListing
from rig.runs import Run, RunBook
from tests import shared_fits
from tests.cli.small_bench import small_book


@dataclass
class HeldSource:
    """Benches held in memory; counts the fits, and reuses those it was given."""

    books: dict[str, RunBook]
    known: dict[int, Fit] = field(default_factory=dict)
    fits: int = 0
    trouble: BaseException | None = None
    logbook: None = None

    def left(self) -> AbstractContextManager[None]:
        return nullcontext()

    def one_look(self) -> AbstractContextManager[None]:
        return nullcontext()

    def names(self) -> tuple[str, ...]:
        return tuple(self.books)

    def stamp(self, name: str) -> str:
        return str(id(self.books[name]))

    def book(self, name: str) -> RunBook:
        if self.trouble is not None:
            raise self.trouble
        return self.books[name]

    def bench(self, name: str) -> Bench:
        return self.book(name).bench

    def listing(self, name: str) -> BookListing:
        return BookListing(self.book(name))

    def run(self, name: str, run: str) -> Run:
        return run_of(self.book(name), run)

    def fit(self, name: str, book: RunBook, progress: Progress) -> Fit:
        self.fits += 1
        progress(0.5)
        return self.known.get(id(book)) or fit(book, progress)


def fitted_view() -> BenchView:
    """The small bench, fitted."""
    book = small_book()
    return BenchView("corner", book, shared_fits.fitted(book))


def source_of_view(view: BenchView, *names: str) -> HeldSource:
    """A source that hands out a view's bench, under one name or several."""
    assert view.fit is not None
    return HeldSource(dict.fromkeys(names or (view.name,), view.book), {id(view.book): view.fit})


def close(source: LogbookSource) -> None:
    """Close all connections of a source."""
    source.logbook.close()
    source.lists.close()
