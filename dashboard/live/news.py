"""Word that there may be something new: told by whoever changes a drink, waited for by every screen."""

from __future__ import annotations

import threading


class News:
    """A count of the times that something may have changed; threads may share it."""

    def __init__(self) -> None:
        self.count = 0
        self._changed = threading.Condition()

    def tell(self) -> None:
        """Something may have changed."""
        with self._changed:
            self.count += 1
            self._changed.notify_all()

    def wait(self, count: int, patience_s: float) -> None:
        """Return once there is news after this count, or when patience ends."""
        with self._changed:
            self._changed.wait_for(lambda: self.count != count, patience_s)
