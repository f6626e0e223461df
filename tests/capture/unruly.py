"""A simulated device that misbehaves as real ones do: replugged, reset, garbled, too fast, at the wrong speed."""

from __future__ import annotations

import os

import numpy as np

from rig.capture.decoding import wire
from rig.capture.devices.simulated.device import SimulatedDevice


class UnrulyDevice(SimulatedDevice):
    """What a reader must live through."""

    def replug(self) -> None:
        """Plug in again; the system gives another name, for the old one is still taken."""
        self.unplug()
        old, self._slave = self._slave, None
        self._plug_in()
        if old is not None:
            os.close(old)

    def reset(self) -> None:
        """Boot again: counts and ticks from zero."""
        self.count = 0
        self._tick_ms = -1000.0 * self.reading / self.rate_hz
        self.identify()

    def garbage(self, size: int, seed: int = 0) -> None:
        """Random bytes, line ends among them."""
        self.write(np.random.default_rng(seed).bytes(size) + b"\n")

    def endless_line(self, size: int) -> None:
        """A line that does not end."""
        self.write(b"7" * size)

    def wrong_speed(self, readings: int) -> None:
        """What a reader at a tenth of the speed sees: few bytes, none of them what was sent."""
        rng = np.random.default_rng(readings)
        self.write(bytes(rng.choice([0x00, 0x80, 0xF8, 0xFE, 0xE0], size=3 * readings).astype(np.uint8)))

    def flood(self, readings: int) -> None:
        """Readings as fast as the port takes them."""
        values = self.channels(self.reading / self.rate_hz)
        batch = []
        for _ in range(readings):
            line = wire.encode(self.count, int(self._tick_ms), values)
            batch.append(line)
            self.sent.append(line.rstrip())
            self.count += 1
        self.write(b"".join(batch))
