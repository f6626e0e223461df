"""A device on a real pseudo-terminal that sends lines of the wire format, and fails on demand.

The terminal is in raw mode. What is plugged in is reached by a link whose target changes when it is unplugged
and plugged in again, as the names below /dev/serial/by-id do.
"""

from __future__ import annotations

import os
import select
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from rig.capture.decoding import wire
from rig.errors import PortError

Channels = Callable[[float], Sequence[tuple[str, float, str]]]
"""What a device reads at a simulated second: name, value, unit."""

_PATIENCE_S = 2.0
_NS_PER_S = 1e9


class SimulatedDevice:
    """A board that sends readings when told to; `Pacer` tells it at its own pace.

    One thread sends and fails; `sent` keeps every good line that went out, without its end, `counts` is the
    sequence number of the next.
    """

    def __init__(
        self,
        link: Path,
        channels: Channels,
        rate_hz: float = 10.0,
        *,
        board: str = "sim-1",
        first_tick_ms: int = 0,
    ) -> None:
        """Plug the device in. Raises PortError where this system has no pseudo-terminals."""
        self.link, self.channels, self.rate_hz, self.board = link, channels, rate_hz, board
        self.sent: list[bytes] = []
        self.unsent_bytes = 0
        self.count = 0
        self.reading = 0
        self._tick_ms = float(first_tick_ms)
        self._master: int | None = None
        self._slave: int | None = None
        self._plug_in()

    @property
    def address(self) -> str:
        """Where to open it."""
        return str(self.link)

    def close(self) -> None:
        """Unplug for good."""
        self.unplug()
        self._let_go_of_name()
        self.link.unlink(missing_ok=True)

    def identify(self) -> None:
        """Print the line that a board prints when it boots."""
        names = [name for name, _, _ in self.channels(0.0)]
        self.write(wire.encode_identity(self.board, "sim", names))

    def send(self, readings: int = 1, *, at_s: float | None = None) -> None:
        """Send the next readings, 1/rate apart on the board's own clock; `at_s` is the instant of a single."""
        for _ in range(readings):
            now_s = self.reading / self.rate_hz if at_s is None else at_s
            self._send(int(self._tick_ms + now_s * 1000), self.channels(now_s))
            self.reading += 1

    def unplug(self) -> None:
        """Pull the plug: whoever reads sees a hang-up, the name is gone."""
        if self._master is not None:
            os.close(self._master)
            self._master = None
            self.link.unlink(missing_ok=True)

    def write(self, data: bytes) -> None:
        """Put bytes on the port; what nobody takes for two seconds is lost, as a UART would lose it."""
        view = memoryview(data)
        while view and self._master is not None:
            _, ready, _ = select.select([], [self._master], [], _PATIENCE_S)
            if not ready:
                break
            try:
                view = view[os.write(self._master, view) :]
            except BlockingIOError:
                continue
        self.unsent_bytes += len(view)

    def _send(self, tick_ms: int, values: Sequence[tuple[str, float, str]]) -> None:
        line = wire.encode(self.count, tick_ms, values)
        self.count += 1
        if self._master is not None:
            self.write(line)
            self.sent.append(line.rstrip())

    def _plug_in(self) -> None:
        if not hasattr(os, "openpty"):
            raise PortError("a simulated device needs a pseudo-terminal, which this system lacks")
        import tty

        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        fresh = self.link.with_name(self.link.name + ".new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(os.ttyname(self._slave))
        fresh.replace(self.link)

    def _let_go_of_name(self) -> None:
        if self._slave is not None:
            os.close(self._slave)
            self._slave = None


class Pacer(threading.Thread):
    """Makes a device send at its rate, `time_scale` times faster than the clock, until stopped.

    `now_s` gives the simulated second of the devices and hands alike.
    """

    def __init__(self, device: SimulatedDevice, now_s: Callable[[], float], time_scale: float = 1.0) -> None:
        super().__init__(name=f"send {device.board}", daemon=True)
        self.device, self._now_s, self._time_scale = device, now_s, time_scale
        self._stop_asked = threading.Event()

    def run(self) -> None:
        """Send until stopped; a reading that came late is late, none is left out."""
        self.device.identify()
        first_s = self._now_s()
        sent = 0
        while not self._stop_asked.is_set():
            due_s = first_s + sent / self.device.rate_hz
            wait_s = (due_s - self._now_s()) / self._time_scale
            if wait_s > 0 and self._stop_asked.wait(wait_s):
                return
            self.device.send(at_s=due_s)
            sent += 1

    def stop(self) -> None:
        """Stop sending, and wait until the thread has."""
        self._stop_asked.set()
        self.join()


def simulated_clock(time_scale: float) -> Callable[[], float]:
    """Seconds since now, running `time_scale` times as fast as the clock."""
    begun_ns = time.perf_counter_ns()
    return lambda: (time.perf_counter_ns() - begun_ns) / _NS_PER_S * time_scale
