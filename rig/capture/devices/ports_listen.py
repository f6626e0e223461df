"""Listen to a port for a moment, and say in words what is heard, or why nothing is."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

from rig.capture.decoding.dialects import heard, load
from rig.capture.decoding.lines import LineSplitter
from rig.capture.decoding.readings import Decoder, Identity, Reading
from rig.capture.devices.bluetooth import CONNECT_S
from rig.capture.devices.bluetooth import SCHEME as BLUETOOTH
from rig.capture.devices.health import STATE_OF_TROUBLE, PortState
from rig.capture.devices.ports import Device, Opener, has_speed, open_port
from rig.capture.devices.transport import DEFAULT_BAUD, Refusal
from rig.errors import PortError

LISTEN_S = 4.0
"""Long enough for a board that boots because its port was opened."""
OTHER_BAUD_S = 1.5
BAUDS = (DEFAULT_BAUD, 9600, 57_600, 38_400, 19_200)
ENOUGH_READINGS = 3
MOST_AT_ONCE = 16


@dataclass(frozen=True)
class Listened:
    """What a device says: its dialect and a reading, or why there is none."""

    device: Device
    state: PortState
    words: str
    baud: int | None = None
    dialect: str | None = None
    identity: Identity | None = None
    reading: Reading | None = None

    def to_dict(self) -> dict[str, Any]:
        """Stable keys; an entry of `ports --json`. Temperatures in °C, masses in g."""
        usb = self.device.usb
        return {
            "address": self.device.address,
            "description": self.device.description,
            "usb": None
            if usb is None
            else {
                "vid": f"{usb.vid:04x}",
                "pid": f"{usb.pid:04x}",
                "serial_number": usb.serial_number,
                "location": usb.location,
            },
            "state": self.state.value,
            "words": self.words,
            "baud": self.baud,
            "dialect": self.dialect,
            "board": None if self.identity is None else self.identity.board,
            "firmware": None if self.identity is None else self.identity.firmware,
            "channels": []
            if self.reading is None
            else [
                {
                    "name": s.channel,
                    "quantity": s.quantity.value,
                    "value": s.value if s.value == s.value else None,
                    "quality": s.quality.value,
                }
                for s in self.reading.samples
            ],
        }


def listen(
    device: Device,
    bauds: Sequence[int] = BAUDS,
    *,
    decoders: Mapping[str, Decoder] | None = None,
    listen_s: float = LISTEN_S,
    opener: Opener = open_port,
    now_s: Callable[[], float] = time.monotonic,
) -> Listened:
    """Open a device and listen until it is understood, at other speeds too where bytes come but no line.

    Opening resets many boards, so that nothing should be recording from the device meanwhile.

    Raises
    ------
    BenchError
        Where a built-in dialect is damaged.
    """
    known = load() if decoders is None else decoders
    if not has_speed(device.address):
        bauds = bauds[:1]
    if device.address.startswith(BLUETOOTH):
        listen_s = max(listen_s, CONNECT_S)
    first: Listened | None = None
    for n, baud in enumerate(bauds):
        found = _listen_at(
            device, baud, known, listen_s if n == 0 else min(listen_s, OTHER_BAUD_S), opener, now_s
        )
        if found.state is not PortState.UNREADABLE:
            return found
        first = first or found
    assert first is not None
    return first


def listen_to_all(devices: Iterable[Device], decoders: Mapping[str, Decoder]) -> list[Listened]:
    """What each device says, in their order; they are listened to side by side, for most of it is waiting."""
    devices = list(devices)
    if not devices:
        return []
    with ThreadPoolExecutor(min(len(devices), MOST_AT_ONCE)) as threads:
        return list(threads.map(lambda d: listen(d, decoders=decoders), devices))


def _listen_at(
    device: Device,
    baud: int,
    decoders: Mapping[str, Decoder],
    listen_s: float,
    opener: Opener,
    now_s: Callable[[], float],
) -> Listened:
    link = opener(device.address, baud)
    if isinstance(link, Refusal):
        return Listened(device, STATE_OF_TROUBLE[link.trouble], link.words)
    splitter, lines = LineSplitter(), list[bytes]()
    end_s = now_s() + listen_s
    try:
        while now_s() < end_s:
            arrival = link.read()
            lines += splitter.feed(arrival.data) if arrival is not None else []
            if arrival is not None and len(lines) > ENOUGH_READINGS and heard(lines, decoders).decoder:
                break
    except PortError as error:
        return Listened(device, PortState.ABSENT, str(error), baud)
    finally:
        link.close()
    said = heard(lines, decoders, received=splitter.received)
    if said.decoder is None:
        state = PortState.UNREADABLE if splitter.received else PortState.SILENT
        return Listened(device, state, said.why, baud)
    decoded = [said.decoder.decode(line) for line in lines]
    readings = [d for d in decoded if isinstance(d, Reading)]
    identities = [d for d in decoded if isinstance(d, Identity)]
    return Listened(
        device,
        PortState.OK,
        said.why,
        baud,
        said.decoder.name,
        identities[-1] if identities else None,
        readings[-1] if readings else None,
    )
