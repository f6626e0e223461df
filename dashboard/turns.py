"""Turns at work of which a process does only so much at once: whoever asks waits for theirs, or is told when to ask.

Everybody has the same share: after one of a guest's questions comes one of each other guest who waits, however many
the first has asked.
"""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Condition, Event

from flask import Response

from rig.errors import RigError


class Busy(RigError):
    """Too many ask at once; `again_s` is when to ask anew [s]."""

    def __init__(self, words: str, again_s: int) -> None:
        super().__init__(words)
        self.again_s = again_s


class Turns:
    """So many turns at once; threads share it."""

    def __init__(
        self, at_once: int, most_waiting: int, busy: str, again_s: int, patience_s: float | None = None
    ) -> None:
        """`busy` and when to ask again is told to whoever finds so many waiting, or waits longer than `patience_s`."""
        self._at_once, self._most, self._patience_s = at_once, at_once + most_waiting, patience_s
        self._busy, self._again_s = busy, again_s
        self._changed = Condition()
        self._waiting: OrderedDict[str, deque[Event]] = OrderedDict()
        self._running, self._stopped = 0, False

    @contextmanager
    def mine(self, who: str) -> Iterator[None]:
        """While it is the turn of one who asks.

        Raises
        ------
        Busy
            Too many wait already, or it never came.
        """
        turn = Event()
        with self._changed:
            if self._running + sum(map(len, self._waiting.values())) >= self._most:
                raise Busy(self._busy, self._again_s)
            self._waiting.setdefault(who, deque()).append(turn)
            self._give()
        if not turn.wait(self._patience_s) and not self._came_after_all(who, turn):
            raise Busy(self._busy, self._again_s)
        try:
            yield
        finally:
            with self._changed:
                self._running -= 1
                self._give()
                self._changed.notify_all()

    @contextmanager
    def stopped(self, patience_s: float) -> Iterator[None]:
        """While nobody has a turn; those under way have so long to end."""
        with self._changed:
            self._stopped = True
            self._changed.wait_for(lambda: not self._running, patience_s)
        try:
            yield
        finally:
            with self._changed:
                self._stopped = False
                self._give()

    def _give(self) -> None:
        while self._waiting and self._running < self._at_once and not self._stopped:
            who, turns = self._waiting.popitem(last=False)
            turns.popleft().set()
            self._running += 1
            if turns:
                self._waiting[who] = turns  # behind everybody else who waits

    def _came_after_all(self, who: str, turn: Event) -> bool:
        """Whether a turn came after all in the moment in which it was given up."""
        with self._changed:
            if turn.is_set():
                return True
            self._waiting[who].remove(turn)
            if not self._waiting[who]:
                del self._waiting[who]
            return False


def asked_again(busy: Busy) -> Response:
    """What is answered to one who has to wait (RFC 9110, 15.6.4); a page of its own is loaded again by the browser."""
    again = {"Retry-After": f"{busy.again_s}", "Refresh": f"{busy.again_s}", "Cache-Control": "no-store"}
    return Response(str(busy), 503, again, mimetype="text/plain")
