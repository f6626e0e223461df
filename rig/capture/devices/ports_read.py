"""Read one port for some seconds, outside any recording: every reading, with its time, of a probe or scale.

The port is opened once: opening resets many boards, which then boot for seconds.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from rig.arrays import FloatArray
from rig.capture.decoding.clock import align, align_counter
from rig.capture.decoding.dialects import load
from rig.capture.decoding.lines import LineSplitter
from rig.capture.decoding.readings import ROOM, Decoder, Quality, Quantity, Reading
from rig.capture.devices.health import PortState
from rig.capture.devices.ports import LINE_END_BYTES, Device, Ear, Opener, open_port
from rig.capture.devices.ports_listen import Listened, listen
from rig.capture.devices.transport import Arrival, Link, Refusal
from rig.errors import NotEnoughData, PortError

_NS_PER_S = 1e9


@dataclass(frozen=True, eq=False)
class PortRead:
    """What a port said: `time_s` from the first reading, shape (readings,), and the readings themselves."""

    heard: Listened
    time_s: FloatArray
    readings: tuple[Reading, ...]

    @property
    def name(self) -> str:
        """What recordings call the device: its board where it names itself, else its port."""
        return self.heard.device.address if self.heard.identity is None else self.heard.identity.board

    def channels(self, quantity: Quantity) -> tuple[str, ...]:
        """Its channels of a quantity, in the device's order, those of the room last."""
        found = dict.fromkeys(s.channel for r in self.readings for s in r.samples if s.quantity is quantity)
        return tuple(sorted(found, key=lambda name: name.startswith(ROOM)))

    def of(self, quantity: Quantity, channel: str) -> tuple[FloatArray, FloatArray]:
        """Rising times [s] and good values of a channel, both of shape (values,).

        Raises
        ------
        NotEnoughData
            Where not one value is good.
        """
        rows = [
            (t, s.value)
            for t, r in zip(self.time_s, self.readings, strict=True)
            for s in r.samples
            if (s.quantity, s.channel, s.quality) == (quantity, channel, Quality.GOOD)
        ]
        if not rows:
            raise NotEnoughData(
                f"{self.name} sends {channel}, but no value at rest: the scale is not still, or the sensor is at fault"
            )
        time_s, value = np.array(rows, float).T
        rising = np.concatenate(([True], time_s[1:] > np.maximum.accumulate(time_s)[:-1]))
        return time_s[rising], value[rising]


def read_port(
    device: Device,
    read_s: float,
    *,
    decoders: Mapping[str, Decoder] | None = None,
    opener: Opener = open_port,
    now_s: Callable[[], float] = time.monotonic,
) -> PortRead:
    """Listen until a device is understood, then for so many seconds more.

    Raises
    ------
    PortError
        Nothing is understood, or the device goes meanwhile; with what to do.
    """
    known = load() if decoders is None else decoders
    port = _HeldOpen(opener)
    try:
        heard = listen(device, decoders=known, opener=port, now_s=now_s)
        if heard.state is not PortState.OK or heard.dialect is None:
            raise PortError(f"{device.address}: {heard.words}")
        end_s = now_s() + read_s
        while now_s() < end_s:
            port.read()
        return _decoded(heard, port.arrivals, known)
    finally:
        port.let_go()


class _HeldOpen:
    """An opener whose link stays open when it is closed, and keeps all that came."""

    def __init__(self, opener: Opener) -> None:
        self.arrivals: list[Arrival] = []
        self._opener = opener
        self._link: Link | None = None

    def __call__(self, address: str, baud: int) -> Link | Refusal:
        self.let_go()
        self.arrivals.clear()
        opened = self._opener(address, baud)
        if isinstance(opened, Refusal):
            return opened
        self._link = opened
        return self

    def read(self) -> Arrival | None:
        arrival = None if self._link is None else self._link.read()
        if arrival is not None:
            self.arrivals.append(arrival)
        return arrival

    def close(self) -> None:
        """Nothing: whoever listened first is not who closes."""

    def let_go(self) -> None:
        if self._link is not None:
            self._link.close()
            self._link = None


def _decoded(heard: Listened, arrivals: list[Arrival], decoders: Mapping[str, Decoder]) -> PortRead:
    ear, splitter = Ear(heard.dialect, decoders), LineSplitter()
    at_s, sizes, readings = list[float](), list[int](), list[Reading]()
    for arrival in arrivals:
        for line in splitter.feed(arrival.data):
            said = ear.hear(line)
            if isinstance(said, Reading):
                at_s.append((arrival.at_ns - arrivals[0].at_ns) / _NS_PER_S)
                sizes.append(len(line) + LINE_END_BYTES)
                readings.append(said)
    if not readings:
        raise PortError(f"{heard.device.address}: it was heard, then sent no reading any more. Is it asleep?")
    baud = None if heard.device.usb is None or heard.baud is None else float(heard.baud)
    ticks = [r.tick_ms for r in readings if r.tick_ms is not None]
    if len(ticks) == len(readings):
        clock = align(ticks, at_s, line_bytes=sizes, baud=baud)
    else:
        clock = align_counter(at_s, line_bytes=sizes, baud=baud)
    heard = replace(heard, reading=readings[-1])
    return PortRead(heard, clock.time_s - clock.time_s.min(), tuple(readings))
