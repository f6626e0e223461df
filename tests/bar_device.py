"""A board with a probe and a scale on a real pseudo-terminal; hands put on its pan, and chill it by starting."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rig.capture.devices.simulated.device import Pacer, SimulatedDevice, simulated_clock

RATE_HZ = 50.0


class Bar:
    """What its probe and scale show: `pan_g`, and a drink that chills from when `moved` is called."""

    def __init__(self) -> None:
        self.pan_g = 0.0
        self._moved_s: float | None = None
        self.now_s = simulated_clock(1.0)

    def moved(self) -> None:
        """The drink is moved from now on."""
        self._moved_s = self.now_s()

    def reads(self, second: float) -> list[tuple[str, float, str]]:
        since_s = 0.0 if self._moved_s is None else max(self.now_s() - self._moved_s, 0.0)
        temp_c = 21.5 - 24.0 * (1.0 - math.exp(-since_s / 5.0))
        return [("probe", round(temp_c, 2), "C"), ("scale", round(self.pan_g, 1), "g")]


@contextmanager
def bar_device(at: Path) -> Iterator[tuple[Bar, SimulatedDevice]]:
    """A bar, and the device that tells of it, sending meanwhile."""
    bar = Bar()
    device = SimulatedDevice(at, bar.reads, RATE_HZ)
    pacer = Pacer(device, bar.now_s)
    pacer.start()
    try:
        yield bar, device
    finally:
        pacer.stop()
        device.close()


def waited(condition, what: str, patience_s: float = 90.0):  # type: ignore[no-untyped-def]
    """What a condition gives as soon as it is true; fails where it never is."""
    ends_s = time.monotonic() + patience_s
    while not (found := condition()):
        assert time.monotonic() < ends_s, f"never: {what}"
        time.sleep(0.01)
    return found
