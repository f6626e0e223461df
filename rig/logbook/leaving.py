"""Leave a SQLite file for a while without closing anything down: who has a connection ends, who comes waits.

A pool alone cannot: a connection that is out while the pool is emptied goes back to the pool that was, and stays open
there until it is collected.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Condition, get_ident
from typing import Any

import sqlalchemy as sa

PATIENCE_S = 10.0
"""So long those who have a connection are waited for; whoever holds the file alone next says if one still has it."""


class Leaving:
    """Counts which threads have a connection of an engine, and lets none open one meanwhile; threads share it."""

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine
        self._changed = Condition()
        self._out: dict[int, int] = {}
        """Which thread took a connection, by the identity of its record in the pool."""
        self._left = 0
        if engine.dialect.name == "sqlite" and not isinstance(engine.pool, sa.StaticPool):
            sa.event.listen(engine, "do_connect", self._wait)
            sa.event.listen(engine, "checkout", self._taken)
            sa.event.listen(engine, "checkin", self._returned)

    @contextmanager
    def left(self) -> Iterator[None]:
        """While this engine has nothing open; whoever asks of another thread meanwhile waits."""
        with self._changed:
            self._left += 1
            self._changed.wait_for(lambda: not self._out, PATIENCE_S)
        self._engine.dispose()
        try:
            yield
        finally:
            with self._changed:
                self._left -= 1
                self._changed.notify_all()

    def _may(self) -> bool:
        # one who has a connection and needs a second would wait for itself
        return not self._left or get_ident() in self._out.values()

    def _wait(self, *_: Any) -> None:
        with self._changed:
            self._changed.wait_for(self._may)

    def _taken(self, _connection: sqlite3.Connection, record: Any, _proxy: object) -> None:
        with self._changed:
            if not self._may():
                # the pool closes this one and opens another, which waits with nothing open
                raise sa.exc.DisconnectionError
            self._out[id(record)] = get_ident()

    def _returned(self, _connection: sqlite3.Connection | None, record: Any) -> None:
        with self._changed:
            self._out.pop(id(record), None)
            self._changed.notify_all()
