"""What a split of differences says: shares of each part, and their stable keys."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from rig.advice.compare.ranking import Interval
from rig.fitting.situation import Situation


class Part(StrEnum):
    """What drinks differ by."""

    ICE = "ice"
    VESSEL = "vessel"
    TECHNIQUE = "technique"
    RECIPE = "recipe"
    TOGETHER = "together"
    SESSION = "session"
    RUN = "run"

    @property
    def words(self) -> str:
        """As it is spoken of."""
        return {
            Part.TOGETHER: "what only goes with a combination",
            Part.SESSION: "what a session shares",
            Part.RUN: "the hand: one run to the next",
            Part.RECIPE: "the drink",
        }.get(self, f"the {self.value}")

    @property
    def short(self) -> str:
        """As it stands beside a bar."""
        short = {Part.TOGETHER: "Combination", Part.RUN: "Hand", Part.RECIPE: "Drink"}
        return short.get(self, self.value.capitalize())


FACTORS = (Part.ICE, Part.VESSEL, Part.TECHNIQUE, Part.RECIPE)


@dataclass(frozen=True)
class Share:
    """One part's share of the variance, and its spread (standard deviation) in K or dilution, as 90 % intervals."""

    part: Part
    levels: int
    share: Interval
    sd: Interval

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        p = ("p05", "p50", "p95")
        return {
            "part": self.part.value,
            "levels": self.levels,
            "share": {k: round(v, 4) for k, v in zip(p, self.share, strict=True)},
            "sd": {k: round(v, 5) for k, v in zip(p, self.sd, strict=True)},
        }


@dataclass(frozen=True)
class Shares:
    """Shares of the variance at one time, largest first, of end temperature and of dilution.

    `confounded`: pairs of parts that the runs cannot tell apart, why, and which runs would.
    """

    duration_s: float
    situation: Situation
    levels: dict[Part, tuple[str, ...]]
    temp_c: tuple[Share, ...]
    dilution_by_volume: tuple[Share, ...]
    confounded: tuple[str, ...]
    notes: tuple[str, ...]
    sentences: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names; what `shares --json` prints."""
        return {
            "duration_s": self.duration_s,
            "drink_temp_c": self.situation.drink_temp_c,
            "levels": {part.value: list(names) for part, names in self.levels.items()},
            "temp_c": [s.to_dict() for s in self.temp_c],
            "dilution_by_volume": [s.to_dict() for s in self.dilution_by_volume],
            "confounded": list(self.confounded),
            "sentences": list(self.sentences),
            "notes": list(self.notes),
        }
