"""What a device says, decoded: readings, rejected lines and identifications.

A decoder takes one line of bytes, without its end, and tells which of the three it is; it holds no port and
no clock. Doubtful lines are data: a `Reject` is kept, counted and shown, never raised.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Protocol

from rig import units

COUNT_LIMIT = 2**32
"""Sequence numbers and ticks are unsigned 32-bit counts that wrap to 0."""


class Quantity(StrEnum):
    """What a channel measures; its unit inside is °C, g, Hz, m/s² or a raw count."""

    TEMPERATURE = "temperature"
    MASS = "mass"
    CADENCE = "cadence"
    ACCELERATION = "acceleration"
    RAW = "raw"


ROOM = "room"
"""How the name of a channel begins that reads the room, not the drink."""


class Quality(StrEnum):
    """How far one sample may be believed."""

    GOOD = "good"
    UNSETTLED = "unsettled"
    OVERLOAD = "overload"
    SENSOR_FAULT = "sensor fault"


@dataclass(frozen=True)
class Unit(units.Unit):
    """A unit as a device may print it, and what it measures."""

    quantity: Quantity = Quantity.RAW


_QUANTITY = {
    "°C": Quantity.TEMPERATURE,
    "g": Quantity.MASS,
    "Hz": Quantity.CADENCE,
    "m/s²": Quantity.ACCELERATION,
    "": Quantity.RAW,
}
_PRINTED = {"C": "°C", "F": "°F", "m/s2": "m/s²"} | {
    s: s for s in ("K", "g", "mg", "kg", "oz", "lb", "Hz", "rpm", "")
}
UNITS: Mapping[str, Unit] = MappingProxyType(
    {
        printed: Unit(**asdict(unit), quantity=_QUANTITY[unit.becomes])
        for printed, symbol in _PRINTED.items()
        for unit in (units.UNITS[symbol],)
    }
)
"""Units by the symbol that the wire format prints; the empty one is a raw count."""


@dataclass(frozen=True)
class Sample:
    """One channel of a reading: `value` in °C, g, Hz, m/s² or counts; NaN when there is none."""

    channel: str
    quantity: Quantity
    value: float
    quality: Quality = Quality.GOOD


def sample(channel: str, number: float, unit: Unit, quality: Quality = Quality.GOOD) -> Sample:
    """A sample from a number in the device's own unit, converted here and nowhere else."""
    value = unit.inside(number) if math.isfinite(number) else math.nan
    return Sample(channel, unit.quantity, value, quality)


@dataclass(frozen=True)
class Reading:
    """One valid line: its samples, and the device's own count and tick where the line carries them."""

    samples: tuple[Sample, ...]
    sequence: int | None = None
    tick_ms: int | None = None


@dataclass(frozen=True)
class Identity:
    """A device that names itself: its board, its firmware and the channels it will send."""

    board: str
    firmware: str
    channels: tuple[str, ...]


@dataclass(frozen=True)
class Reject:
    """A line that is no reading, and why."""

    reason: str
    line: bytes


Decoded = Reading | Identity | Reject


class Decoder(Protocol):
    """Turns one line into what it says. Implementations keep no state that a lost line could spoil."""

    @property
    def name(self) -> str:
        """The dialect's name, as the user may write it."""
        ...

    @property
    def checked(self) -> bool:
        """Whether lines carry a checksum; where they do not, the first line after opening is dropped."""
        ...

    def decode(self, line: bytes) -> Decoded:
        """One line without its line end."""
        ...
