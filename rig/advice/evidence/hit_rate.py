"""How often drinks land, from how many of so many did."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from scipy import stats

from rig.errors import NotEnoughData

_MOST_RUNS = 10_000


class IntervalKind(StrEnum):
    """By which law the interval of a share is made."""

    WILSON = "Wilson"
    JEFFREYS = "Jeffreys"


@dataclass(frozen=True)
class HitRate:
    """Drinks that landed out of those made, and the interval of the share that would in the long run."""

    hits: int
    runs: int
    low: float
    high: float
    confidence: float
    interval: IntervalKind

    @property
    def rate(self) -> float:
        """Share of the runs that landed."""
        return self.hits / self.runs

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "hits": self.hits,
            "runs": self.runs,
            "rate": round(self.rate, 4),
            "low": round(self.low, 4),
            "high": round(self.high, 4),
            "confidence": self.confidence,
            "interval": self.interval.value,
        }


def hit_rate(
    hits: int, runs: int, confidence: float = 0.95, interval: IntervalKind = IntervalKind.WILSON
) -> HitRate:
    """The share of drinks that land.

    Wilson's score interval (J. Am. Stat. Assoc. 22 (1927) 209) or Jeffreys' equal-tailed interval from a
    Beta(1/2, 1/2) prior; both as recommended by Brown, Cai & DasGupta, Statistical Science 16 (2001) 101.

    Raises
    ------
    NotEnoughData
        No run at all.
    """
    if runs < 1:
        raise NotEnoughData("a hit rate needs at least one run with a temperature and a strained mass")
    outside = 0.5 * (1.0 - confidence)
    if interval is IntervalKind.JEFFREYS:
        law = stats.beta(hits + 0.5, runs - hits + 0.5)
        low = 0.0 if hits == 0 else float(law.ppf(outside))
        high = 1.0 if hits == runs else float(law.ppf(1.0 - outside))
        return HitRate(hits, runs, low, high, confidence, interval)
    z2 = float(stats.norm.ppf(1.0 - outside)) ** 2
    share = hits / runs
    middle = (share + z2 / (2 * runs)) / (1 + z2 / runs)
    half = math.sqrt(z2 * (share * (1 - share) / runs + z2 / (4 * runs**2))) / (1 + z2 / runs)
    return HitRate(hits, runs, max(0.0, middle - half), min(1.0, middle + half), confidence, interval)


def runs_for_width(rate: float, half_width: float, confidence: float = 0.95) -> int:
    """Fewest runs whose Wilson interval is no wider than ± `half_width`, were this share of them to land."""
    few, many = 0, 1

    def wide(runs: int) -> bool:
        found = hit_rate(round(rate * runs), runs, confidence)
        return found.high - found.low > 2 * half_width

    while wide(many) and many < _MOST_RUNS:
        few, many = many, 2 * many
    while many - few > 1:
        middle = (few + many) // 2
        few, many = (middle, many) if wide(middle) else (few, middle)
    return many
