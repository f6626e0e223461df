"""A moment that a trace shows, how well it is known and on what grounds; start and stop of motion of both kinds."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Source(StrEnum):
    """What tells a moment: a channel of readings, the file's own time, or who made the drink."""

    PROBE = "probe"
    CADENCE = "cadence"
    SCALE = "scale"
    FILE = "file"
    SOUND = "sound"
    STRAPPED = "motion sensor"
    OPERATOR = "operator"


Z90 = 1.645
"""Half a 90 % interval in standard deviations."""


@dataclass(frozen=True)
class Moment:
    """An instant [s] with its standard uncertainty [s], the channel that shows it and the grounds in words."""

    time_s: float
    uncertainty_s: float
    source: Source
    grounds: str = ""


@dataclass(frozen=True)
class Rhythm:
    """Strokes a second of a motion by now, with their standard uncertainty."""

    cadence_hz: float
    cadence_std_hz: float


@dataclass(frozen=True)
class MotionSpan:
    """Start and stop of motion, None where the readings do not tell.

    `doubts` say what is not clear about the start; where it is a question, `candidates` are when it may have been.
    """

    start: Moment | None
    stop: Moment | None
    doubts: tuple[str, ...] = ()
    candidates: tuple[Moment, ...] = ()

    @property
    def duration_s(self) -> float | None:
        """Seconds between the two; None where one is missing."""
        return self.stop.time_s - self.start.time_s if self.start and self.stop else None
