"""What a ranking says: alternatives with their calls and intervals, pairs with how sure they are, and stable keys."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from rig.advice.call.calling import Call
from rig.bench import Target
from rig.fitting.situation import Situation

SURE = 0.95
"""From this share of draws on one is said to be better than another."""
Interval = tuple[float, float, float]
"""5th, 50th and 95th percentile."""


@dataclass(frozen=True)
class Ranked:
    """One alternative: its call, and what that comes to, each as percentiles of what the fit leaves open.

    `odds`: of landing at the called duration, were this bench known for good; `duration_s`: the best duration there.
    `temp_c`, `dilution_by_volume`: the average drink at the called duration. `ice_g`: put in, as it usually scatters.
    `cost`, `ice_cost_a_night`: in the bench's own money, None without prices or drinks a night.
    """

    name: str
    call: Call
    odds: Interval
    duration_s: Interval
    temp_c: Interval
    dilution_by_volume: Interval
    ice_g: Interval
    cost: Interval | None
    ice_cost_a_night: Interval | None

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names."""

        def told(values: Interval | None) -> dict[str, float] | None:
            return None if values is None else {k: round(v, 4) for k, v in zip(_P, values, strict=True)}

        return {
            "name": self.name,
            "call": self.call.to_dict(),
            **{k: told(getattr(self, k)) for k in _TOLD},
        }


_P = ("p05", "p50", "p95")
_TOLD = ("odds", "duration_s", "temp_c", "dilution_by_volume", "ice_g", "cost", "ice_cost_a_night")


@dataclass(frozen=True)
class Beats:
    """How sure one alternative lands more often than another, each at its own call, and what would make it surer.

    `probability` counts draws, equal ones half; `neither`: both land hardly ever. `more_runs`: of the one known less
    well, None where sure, or where no number of runs that anyone makes would tell.
    """

    better: str
    worse: str
    probability: float
    less_known: str
    more_runs: int | None
    neither: bool

    @property
    def sure(self) -> bool:
        """Whether the two can be told apart."""
        return self.probability >= SURE

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {**vars(self), "probability": round(self.probability, 4), "sure": self.sure}


@dataclass(frozen=True)
class Ranking:
    """Alternatives, best odds first.

    `pairs`: each with the next, and all others; `left_out`: who, and why; `sentences`: what is sure of it.
    """

    varied: str
    target: Target
    held: Situation
    ranked: tuple[Ranked, ...]
    pairs: tuple[Beats, ...]
    left_out: tuple[tuple[str, str], ...]
    drinks_a_night: float | None
    notes: tuple[str, ...]
    sentences: tuple[str, ...] = ()

    def beats(self, a: str, b: str) -> float:
        """The probability that `a` lands more often than `b`."""
        for p in self.pairs:
            if {p.better, p.worse} == {a, b}:
                return p.probability if p.better == a else 1.0 - p.probability
        raise KeyError((a, b))

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names; what `rank --json` prints."""
        return {
            "varied": self.varied,
            "target": self.target.name,
            "ranked": [r.to_dict() for r in self.ranked],
            "pairs": [p.to_dict() for p in self.pairs],
            "left_out": [{"name": name, "why": why} for name, why in self.left_out],
            "drinks_a_night": self.drinks_a_night,
            "sentences": list(self.sentences),
            "notes": list(self.notes),
        }


def told_apart(ranking: Ranking) -> list[Beats]:
    """Each alternative against the next, in the order of the ranking."""
    by_pair = {frozenset((p.better, p.worse)): p for p in ranking.pairs}
    return [by_pair[frozenset((a.name, b.name))] for a, b in pairwise(ranking.ranked)]
