"""A link whose lines are made on a thread of its own: what a peripheral says, in the wire format."""

from __future__ import annotations

import re
import threading
import time
from dataclasses import dataclass

from rig.capture.decoding import wire
from rig.capture.decoding.peripherals import Said
from rig.capture.devices.transport import WAIT_S, Arrival
from rig.errors import PortError

_ODD = re.compile(r"[^A-Za-z0-9 ._:/-]+")
_LONGEST_NAME = 40


@dataclass(frozen=True)
class Peripheral:
    """A device that is no serial port: its address as a port, and what to call it."""

    address: str
    name: str


class QueuedLink:
    """An open port whose bytes come from another thread; `stopped` tells that thread to end."""

    def __init__(self) -> None:
        self.stopped = threading.Event()
        self._ready = threading.Condition()
        self._lines: list[Arrival] = []
        self._broken: PortError | None = None
        self._sequence, self._started_ns = 0, time.perf_counter_ns()

    def read(self) -> Arrival | None:
        """The oldest line not yet read; None after a wait in silence; PortError where the device has gone."""
        with self._ready:
            self._ready.wait_for(lambda: self._lines or self._broken, timeout=WAIT_S)
            if self._lines:
                return self._lines.pop(0)
            if self._broken is not None:
                raise self._broken
        return None

    def close(self) -> None:
        """Tell the thread to end."""
        self.stopped.set()

    def named(self, name: str, kind: str, channels: tuple[str, ...]) -> None:
        """Name the device, as far as a line can carry its name."""
        plain = " ".join(_ODD.sub(" ", name).split()).lstrip("._:/-")[:_LONGEST_NAME].strip() or kind
        self._put(wire.encode_identity(plain, kind, channels))

    def said(self, said: Said) -> None:
        """Pass on a reading, as one of the moment it came."""
        at_ns = time.perf_counter_ns()
        tick_ms = (at_ns - self._started_ns) // 1_000_000
        channel = (said.channel, said.value, said.unit)
        self._put(wire.encode(self._sequence, tick_ms, [channel], settled=said.settled), at_ns)
        self._sequence += 1

    def refused(self, data: bytes, why: str) -> None:
        """Pass on a report that is no reading, for the journal to keep: bytes and reason, and no line of the format."""
        self._put(f"{data.hex(' ')}: {why}\r\n".encode("ascii", errors="replace"))

    def broken(self, error: PortError) -> None:
        """The device has gone: whoever reads next is told, after what came before."""
        with self._ready:
            self._broken = error
            self._ready.notify()

    def _put(self, line: bytes, at_ns: int | None = None) -> None:
        with self._ready:
            self._lines.append(Arrival(line, time.perf_counter_ns() if at_ns is None else at_ns))
            self._ready.notify()
