"""Drinks worked out ahead in the background, so that an answer follows the hand; whoever asks in full comes first."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from queue import LifoQueue
from threading import Condition, Lock, Thread

from dashboard.service import BenchView
from rig.advice.call.ahead import DrinkAhead, work_ahead
from rig.errors import RigError
from rig.fitting.situation import Situation

MOST_KEPT = 8
"""Drinks kept, some 10 MB each."""
_LONGEST_TURN_S = 1.0
"""So long at most the work waits each time for those who ask in full, so that it ends however many ask."""
AHEAD = "chillrig.ahead"
"""Under which name the server keeps it."""
FORETOLD = "/shake-time/foretold"
"""Where Shake time asks for what was worked out."""


class DrinksAhead:
    """Works drinks out one after the other, and none while a call is worked out in full; threads may share it.

    One call in full at a time: two at once take each as long as both.
    """

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[BenchView, Situation], Future[DrinkAhead]] = OrderedDict()
        self._lock, self._one, self._free = Lock(), Lock(), Condition()
        self._asking = 0
        self._queue: LifoQueue[tuple[Future[DrinkAhead], BenchView, Situation]] = LifoQueue()
        self._begun = False

    @contextmanager
    def asking_in_full(self) -> Iterator[None]:
        """While somebody waits for a call in full, which is made inside."""
        with self._free:
            self._asking += 1
        try:
            with self._one:
                yield
        finally:
            with self._free:
                self._asking -= 1
                self._free.notify_all()

    def begin(self, view: BenchView, drink: Situation) -> Future[DrinkAhead]:
        """Have a drink worked out, unless it was before."""
        with self._lock:
            key = (view, drink)
            found = self._kept.setdefault(key, Future())
            if not found.done() and not found.running():
                # what was asked about last is worked out next
                self._queue.put((found, view, drink))
            if not self._begun:
                self._begun = True
                # whoever stops the dashboard does not wait for what nobody has asked for yet
                Thread(target=self._work, name="ahead", daemon=True).start()
            self._kept.move_to_end(key)
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)[1].cancel()
            return found

    def begin_usual(self, view: BenchView) -> None:
        """Have the drinks worked out that this bench made most often, those first."""
        measured = view.fitted().measured
        most = sorted(measured, key=lambda of: -measured[of].runs)[:MOST_KEPT]
        for set_up, recipe in most:
            self.begin(view, Situation(set_up.technique, set_up.vessel, set_up.ice, recipe))

    def of(self, view: BenchView, drink: Situation) -> DrinkAhead | None:
        """A drink, once it is worked out; None before, and where it cannot be."""
        found = self.begin(view, drink)
        try:
            return found.result() if found.done() and not found.cancelled() else None
        except RigError:
            return None

    def _work(self) -> None:
        while True:
            found, view, drink = self._queue.get()
            if found.done() or not found.set_running_or_notify_cancel():
                continue
            try:
                found.set_result(work_ahead(view.fitted(), drink, self._wait))
            except Exception as error:  # told to whoever asks: a thread has nobody else to tell
                found.set_exception(error)

    def _wait(self) -> None:
        with self._free:
            self._free.wait_for(lambda: self._asking == 0, _LONGEST_TURN_S)
