"""Which devices are there, which of them is which, and what each of them says."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from rig.capture.decoding.dialects import heard
from rig.capture.decoding.readings import Decoded, Decoder, Reject
from rig.capture.decoding.wire import WireDecoder
from rig.capture.devices import bluetooth, sysfs, usb_scale
from rig.capture.devices.sysfs import find_probes
from rig.capture.devices.transport import DEFAULT_BAUD, Link, Refusal, open_link
from rig.errors import NotFound

LISTEN_AT_LINES = (3, 6, 12, 24, 48)
"""After so many lines an ear tries to tell the dialect; where none suits it starts anew."""


LINE_END_BYTES = 2


@dataclass(frozen=True)
class UsbIdentity:
    """What a USB device is known by: maker, product, serial number; the socket it is in where it has none.

    Cheap converters share one serial number or have none: two of them are told apart by `location` only.
    """

    vid: int
    pid: int
    serial_number: str | None = None
    location: str | None = None

    def matches(self, other: UsbIdentity | None) -> bool:
        """Whether the other is the same device, by serial number, or by socket where neither has one."""
        if other is None or (self.vid, self.pid) != (other.vid, other.pid):
            return False
        if self.serial_number or other.serial_number:
            return self.serial_number == other.serial_number
        return self.location is not None and self.location == other.location

    def __str__(self) -> str:
        which = self.serial_number or (f"in socket {self.location}" if self.location else "no serial number")
        return f"{self.vid:04x}:{self.pid:04x} {which}"


@dataclass(frozen=True)
class Device:
    """A serial port of this computer, as the system lists it."""

    address: str
    description: str
    usb: UsbIdentity | None = None

    @property
    def in_words(self) -> str:
        """As a person tells it from others."""
        return f"{self.description} ({self.address})" if self.description else self.address


@dataclass(frozen=True)
class PortSpec:
    """A port to record from: where it was last, and what its device is found by when it comes back elsewhere.

    `dialect` names the decoder; None listens and takes the one that understands the most lines.
    """

    address: str
    baud: int = DEFAULT_BAUD
    dialect: str | None = None
    usb: UsbIdentity | None = None
    label: str = ""

    @property
    def name(self) -> str:
        """What to call it on a screen."""
        return self.label or self.address

    def to_dict(self) -> dict[str, Any]:
        """As JSON values, for the journal's header."""
        usb = None if self.usb is None else vars(self.usb) | {}
        return {
            "address": self.address,
            "baud": self.baud,
            "dialect": self.dialect,
            "usb": usb,
            "label": self.label,
        }

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> PortSpec:
        """The inverse of `to_dict`."""
        usb = values.get("usb")
        return cls(
            address=str(values["address"]),
            baud=int(values.get("baud", DEFAULT_BAUD)),
            dialect=values.get("dialect"),
            usb=None if usb is None else UsbIdentity(**usb),
            label=str(values.get("label", "")),
        )


Lister = Callable[[], Iterable[Device]]
Opener = Callable[[str, int], Link | Refusal]
Resolver = Callable[[PortSpec], str | None]


_OPENERS: Mapping[str, Callable[[str], Link | Refusal]] = {
    sysfs.SCHEME: sysfs.open_probe,
    bluetooth.SCHEME: bluetooth.open_bluetooth,
    usb_scale.SCHEME: usb_scale.open_usb_scale,
}
"""What is opened in a way of its own, by how its address begins."""


def has_speed(address: str) -> bool:
    """Whether an address names a line that may be sent at one speed or another."""
    return not address.startswith((*_OPENERS, "socket://"))


def open_port(address: str, baud: int) -> Link | Refusal:
    """Open whatever an address names: a serial port, a socket, a probe below /sys, a scale or thermometer by radio."""
    for scheme, opener in _OPENERS.items():
        if address.startswith(scheme):
            return opener(address)
    return open_link(address, baud)


def list_devices() -> tuple[Device, ...]:
    """The serial ports of this computer that may have a device, USB ones first, by address."""
    from serial.tools import list_ports

    devices = []
    for port in list_ports.comports():
        address = str(port.device)
        # On macOS opening /dev/tty.* waits for a carrier; the same device is listed as /dev/cu.* too.
        if sys.platform == "darwin" and address.startswith("/dev/tty."):
            continue
        usb = (
            None
            if port.vid is None or port.pid is None
            else UsbIdentity(port.vid, port.pid, port.serial_number or None, port.location or None)
        )
        if usb is None and port.hwid in (None, "", "n/a"):
            continue  # a socket on the board that nothing is known of, such as an unused ttyS3
        devices.append(Device(address, str(port.description or ""), usb))
    return tuple(sorted(devices, key=lambda d: (d.usb is None, d.address)))


def every_device(named: Iterable[str] = ()) -> tuple[Device, ...]:
    """All that can be listened to: serial ports, probes that Linux itself reads, USB scales, and addresses named.

    An address that the system does not list, such as `socket://host:port` or a Bluetooth device's, is taken as it is.
    """
    found = {d.address: d for d in list_devices()}
    found |= {p.address: Device(p.address, p.name) for p in find_probes()}
    found |= {p.address: Device(p.address, p.name) for p in usb_scale.find_usb_scales()}
    return tuple((found | {a: Device(a, "") for a in named if a not in found}).values())


def resolve(spec: PortSpec, lister: Lister = list_devices) -> str | None:
    """Where the device of a spec is now; its last address where it has no USB identity; None where absent."""
    if spec.usb is None:
        return spec.address
    return next((d.address for d in lister() if spec.usb.matches(d.usb)), None)


class Ear:
    """Understands one port's lines: by the dialect declared, or by the one that suits what was heard first.

    Before that is settled, and where no dialect suits, lines are taken for the wire format. `decoders` are
    those of `dialects.load`.
    """

    def __init__(self, dialect: str | None, decoders: Mapping[str, Decoder]) -> None:
        """Raises NotFound where there is no dialect of that name."""
        if dialect is not None and dialect not in decoders:
            raise NotFound("dialect", dialect, decoders)
        self.decoder: Decoder | None = None if dialect is None else decoders[dialect]
        self._decoders = decoders
        self._heard: list[bytes] = []
        self._first = True

    def reopened(self) -> None:
        """The port was opened: the next line may be the tail of one."""
        self._first = True

    def hear(self, line: bytes) -> Decoded:
        """What a line says; the first after opening is no reading where its dialect has no checksum."""
        first, self._first = self._first, False
        if self.decoder is None:
            self._heard.append(line)
            if len(self._heard) in LISTEN_AT_LINES:
                self.decoder = heard(self._heard, self._decoders).decoder
            if len(self._heard) >= LISTEN_AT_LINES[-1]:
                self._heard.clear()
        decoder = self.decoder or WireDecoder()
        if first and not decoder.checked:
            return Reject("the first line after opening may be the tail of one", line)
        return decoder.decode(line)


def baud_of(spec: PortSpec) -> float | None:
    """The speed of the wire a line takes time on; None where there is no wire, as in a pseudo-terminal."""
    return float(spec.baud) if spec.usb is not None else None
