"""What a device says, decoded: readings, rejected lines and identifications.

A decoder takes one line of bytes, without its end, and tells which of the three it is; it holds no port and
no clock. Doubtful lines are data: a `Reject` is kept, counted and shown, never raised.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol


class Quantity(StrEnum):
    """What a channel measures; its unit inside is °C, g, Hz or a raw count."""

    TEMPERATURE = "temperature"
    MASS = "mass"
    CADENCE = "cadence"
    RAW = "raw"


class Quality(StrEnum):
    """How far one sample may be believed."""

    GOOD = "good"
    UNSETTLED = "unsettled"
    OVERLOAD = "overload"
    SENSOR_FAULT = "sensor fault"


@dataclass(frozen=True)
class Sample:
    """One channel of a reading: `value` in °C, g, Hz or counts; NaN when the quality says there is none."""

    channel: str
    quantity: Quantity
    value: float
    quality: Quality = Quality.GOOD


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

    def decode(self, line: bytes) -> Decoded:
        """One line without its line end."""
        ...
