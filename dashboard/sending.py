"""What is new goes to the logbook that venues share by itself, and theirs comes, while the dashboard runs."""

from __future__ import annotations

from threading import Event, Thread

from rig.errors import RigError
from rig.logbook.outbox import waiting
from rig.logbook.store import Logbook
from rig.logbook.sync import sync_with

PAUSE_S = 60.0
"""Between one try and the next: a bar's own work never waits for either."""


class Sender:
    """Tries again and again, in a thread of its own; how the last try went stands in the logbook, for the page Rig."""

    def __init__(self, logbook: Logbook, pause_s: float = PAUSE_S) -> None:
        self._logbook, self._pause_s = logbook, pause_s
        self._closed, self.tried = Event(), Event()
        self._thread = Thread(target=self._keep_sending, daemon=True, name="sender")

    def start(self) -> None:
        """Begin; the first try is made at once."""
        self._thread.start()

    def close(self) -> None:
        """Make no further try, and wait for none that is under way: whatever is cut short goes on the next time."""
        self._closed.set()

    def _keep_sending(self) -> None:
        while not self._closed.is_set():
            send_once(self._logbook)
            self.tried.set()
            self._closed.wait(self._pause_s)


def send_once(logbook: Logbook) -> bool:
    """Bring a logbook together with the one it was synced with last; whether that went well."""
    try:
        left = waiting(logbook)
        if left is None:
            return False
        sync_with(logbook, left.address)
    except RigError:
        return False
    return True
