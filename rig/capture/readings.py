"""What a device says, decoded: readings, rejected lines and identifications.

A decoder takes one line of bytes, without its end, and tells which of the three it is; it holds no port and
no clock. Doubtful lines are data: a `Reject` is kept, counted and shown, never raised.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Protocol

from rig.units import GRAMS_PER_OUNCE, GRAMS_PER_POUND, celsius_from_fahrenheit, celsius_from_kelvin

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
class Unit:
    """A unit as a device may print it: what it measures and how its numbers become ours."""

    quantity: Quantity
    inside: Callable[[float], float]


def _scaled(quantity: Quantity, factor: float) -> Unit:
    return Unit(quantity, lambda number: number * factor)


UNITS: Mapping[str, Unit] = MappingProxyType(
    {
        "C": _scaled(Quantity.TEMPERATURE, 1.0),
        "F": Unit(Quantity.TEMPERATURE, celsius_from_fahrenheit),
        "K": Unit(Quantity.TEMPERATURE, celsius_from_kelvin),
        "g": _scaled(Quantity.MASS, 1.0),
        "mg": _scaled(Quantity.MASS, 1e-3),
        "kg": _scaled(Quantity.MASS, 1e3),
        "oz": _scaled(Quantity.MASS, GRAMS_PER_OUNCE),
        "lb": _scaled(Quantity.MASS, GRAMS_PER_POUND),
        "Hz": _scaled(Quantity.CADENCE, 1.0),
        "rpm": _scaled(Quantity.CADENCE, 1.0 / 60.0),
        "m/s2": _scaled(Quantity.ACCELERATION, 1.0),
        "": _scaled(Quantity.RAW, 1.0),
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
