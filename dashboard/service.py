"""Fits under way and done: one per bench, made in the background, kept until the bench changes."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from itertools import product
from threading import Lock, Thread

from dashboard.sources import Source
from rig.bench import Bench
from rig.capture.decoding.dialects import load
from rig.errors import NotEnoughData, NotFound, RigError
from rig.fitting.result import Fit, RunFit
from rig.logbook.listing import Listing
from rig.logbook.store import Logbook
from rig.runs import Run, RunBook


@dataclass(frozen=True, eq=False)
class BenchView:
    """A bench as all pages see it: its runs, and their fit or the reason why there is none."""

    name: str
    book: RunBook
    fit: Fit | None
    lacking: str = ""

    @property
    def bench(self) -> Bench:
        """What is on the bench."""
        return self.book.bench

    @cached_property
    def found(self) -> Mapping[str, RunFit]:
        """Every run seen through the fit, by name."""
        return {} if self.fit is None else {r.run: r for r in self.fit.runs}

    def fitted(self) -> Fit:
        """The fit.

        Raises
        ------
        NotEnoughData
            Where the runs do not allow one.
        """
        if self.fit is None:
            raise NotEnoughData(self.lacking)
        return self.fit


@dataclass(frozen=True)
class Working:
    """A fit under way: how many runs, and the share done, 0…1."""

    name: str
    share: float


THEMES = ("light", "dark")
Usual = Callable[[BenchView, str], object]
"""What a bench is usually asked, to be shown in one of the themes."""


@dataclass
class _Work:
    stamp: str
    done: Future[BenchView] = field(default_factory=Future)
    share: float = 0.0


class Service:
    """Hands out the view of a bench; threads may share it."""

    def __init__(
        self,
        source: Source,
        devices: tuple[str, ...] = (),
        dialects: tuple[str, ...] = (),
        *,
        ahead: bool = False,
    ) -> None:
        """`ahead`: what most will ask first is worked out as soon as a bench is fitted."""
        self._source, self._lock = source, Lock()
        self.devices = devices
        """Addresses of devices that the system does not list."""
        self.dialects = dialects
        """Files or folders that declare further dialects."""
        self.decoders = load(dialects)
        self.also_leave = list[Callable[[], AbstractContextManager[None]]]()
        """What else of this program has the logbook open, and leaves it for as long as one of these lasts."""
        self.ahead = ahead
        """Whether work is done before anybody asks for it."""
        self._usual = list[Usual]()
        self._works: dict[str, _Work] = {}
        self._runs = lru_cache(maxsize=16)(lambda name, run, stamp: source.run(name, run))

    def one_look(self) -> AbstractContextManager[None]:
        """What one page asks of the benches meanwhile, it asks once."""
        return self._source.one_look()

    def names(self) -> tuple[str, ...]:
        """The benches there are."""
        return self._source.names()

    def chosen(self, name: str | None) -> str:
        """The bench asked for, or the first.

        Raises
        ------
        NotFound, RigError
            No such bench; none at all.
        """
        names = self.names()
        if not names:
            raise RigError("The logbook is empty. Import a bench first: chillrig import DIR")
        if name is not None and name not in names:
            raise NotFound("bench", name, names)
        return names[0] if name is None else name

    @property
    def logbook(self) -> Logbook | None:
        """Where runs can be corrected; None where they can only be read."""
        return self._source.logbook

    @contextmanager
    def logbook_left(self) -> Iterator[None]:
        """While nothing of this program has the logbook open; whoever asks it meanwhile waits."""
        with ExitStack() as left:
            for leave in self.also_leave:
                left.enter_context(leave())
            left.enter_context(self._source.left())
            yield

    def bench(self, name: str) -> Bench:
        """What is on a bench; needs no fit."""
        return self._source.bench(name)

    def listing(self, name: str) -> Listing:
        """Lists of a bench's runs; needs no fit."""
        return self._source.listing(name)

    def run(self, name: str, run: str) -> Run:
        """One run with its trace; needs no fit. The last few are kept: a long trace is zoomed again and again."""
        return self._runs(name, run, self._source.stamp(name))

    def look(self, name: str) -> BenchView | Working:
        """The bench as it stands now, or how far its fit is; begins a fit where the bench has changed.

        Raises
        ------
        RigError
            Where the bench cannot be read; the next look tries again.
        """
        stamp = self._source.stamp(name)
        with self._lock:
            work = self._works.get(name)
            if work is None or work.stamp != stamp:
                work = self._works[name] = _Work(stamp)
                Thread(target=self._do, args=(name, work), daemon=True).start()
        if not work.done.done():
            return Working(name, work.share)
        if work.done.exception() is not None:
            with self._lock:
                if self._works.get(name) is work:
                    del self._works[name]
        return work.done.result()

    def view(self, name: str) -> BenchView:
        """The bench as last looked at; waits for a fit under way."""
        with self._lock:
            work = self._works.get(name)
        if work is not None:
            return work.done.result()
        self.look(name)
        return self.view(name)

    def _do(self, name: str, work: _Work) -> None:
        def tell(share: float) -> None:
            work.share = share

        try:
            book = self._source.book(name)
            try:
                view = BenchView(name, book, self._source.fit(name, book, tell))
            except NotEnoughData as error:
                view = BenchView(name, book, None, str(error))
        except BaseException as error:  # handed to whoever looks: a thread has nobody else to tell
            work.done.set_exception(error)
        else:
            work.done.set_result(view)
            self._go_ahead(view)

    def usually(self, asked: Usual) -> None:
        """Name a question that most will ask of a bench; whoever answers it keeps the answer."""
        self._usual.append(asked)

    def begin(self) -> None:
        """Look at the first bench before anybody asks, where this service works ahead; returns at once."""

        def look() -> None:
            with _noted("the first look at a bench"):
                self.look(self.chosen(None))

        if self.ahead:
            Thread(target=look, daemon=True).start()

    def _go_ahead(self, view: BenchView) -> None:
        if self.ahead and view.fit is not None:
            for theme, asked in product(THEMES, self._usual):
                with _noted("what most ask first"):
                    asked(view, theme)


@contextmanager
def _noted(job: str) -> Iterator[None]:
    """A job that nobody waits for: what goes wrong is told to whoever asks next, and never ends the thread."""
    try:
        yield
    except RigError:
        pass
    except Exception:
        logging.getLogger(__name__).exception("%s failed in the background", job)
