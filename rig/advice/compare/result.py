"""What a comparison says: values, and their stable keys."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from rig.advice.compare.ground import Conditions
from rig.advice.evidence.statistics import Verdict
from rig.runs import SetUp

Percentiles = tuple[float, float, float]
"""5th, 50th and 95th percentile."""


class Quantity(StrEnum):
    """What two set-ups are compared in."""

    TEMP_C = "temp_c"
    DILUTION = "dilution_by_volume"
    TIME_TO_TARGET_S = "time_to_target_s"
    DILUTION_AT_TARGET = "dilution_at_target"

    @property
    def difference_unit(self) -> str:
        """Unit of a difference in it."""
        return {Quantity.TEMP_C: "K", Quantity.TIME_TO_TARGET_S: "s"}.get(self, "ml/ml")

    @property
    def at_target(self) -> bool:
        """Whether it is compared at equal target; otherwise at equal duration."""
        return self in (Quantity.TIME_TO_TARGET_S, Quantity.DILUTION_AT_TARGET)


@dataclass(frozen=True)
class Contrast:
    """Set-up a less set-up b in one quantity, for the average drink.

    `low` to `high`: interval of this `confidence`, for this pair alone. `p_adjusted`: two-sided, adjusted for
    all pairs compared in this quantity. `margin`: differences smaller than this do not matter.
    """

    quantity: Quantity
    difference: float
    low: float
    high: float
    confidence: float
    p_adjusted: float
    margin: float
    verdict: Verdict

    def to_dict(self) -> dict[str, Any]:
        """Stable keys; `unit` is that of difference, low, high and margin."""
        return {
            "quantity": self.quantity.value,
            "unit": self.quantity.difference_unit,
            "difference": round(self.difference, 4),
            "low": round(self.low, 4),
            "high": round(self.high, 4),
            "confidence": self.confidence,
            "p_adjusted": float(f"{self.p_adjusted:.3g}"),
            "margin": self.margin,
            "verdict": self.verdict.value,
        }


@dataclass(frozen=True)
class SetUpSummary:
    """The average drink on one set-up at the conditions compared; None where it would be a guess.

    `runs`: sound runs of the recipe it rests on. `temp_c`, `dilution_by_volume` after the common duration;
    `time_to_target_s`, `dilution_at_target` when it gets to the common temperature. `chill_time_s`: to 90 %
    of the chill it reaches within its longest run. Percentiles show how well the average is known, not how
    single drinks scatter.
    """

    set_up: SetUp
    runs: int
    recipe: str
    ice_mass_g: float | None
    ice_temp_c: float | None
    temp_c: Percentiles | None
    dilution_by_volume: Percentiles | None
    time_to_target_s: Percentiles | None
    dilution_at_target: Percentiles | None
    chill_time_s: float | None
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names."""
        return {
            **_named(self.set_up),
            "runs": self.runs,
            "recipe": self.recipe,
            "ice_mass_g": self.ice_mass_g,
            "ice_temp_c": self.ice_temp_c,
            **{q.value: _percentiles(getattr(self, q.value)) for q in Quantity},
            "chill_time_s": None if self.chill_time_s is None else round(self.chill_time_s, 2),
            "notes": list(self.notes),
        }


@dataclass(frozen=True)
class PairComparison:
    """Two set-ups side by side.

    `not_comparable`: why nothing can be said of this pair and which runs would help; None where `contrasts`
    holds something. `gaps`: why some quantities are missing from `contrasts`. `sentence`: all of it in words.
    """

    a: SetUp
    b: SetUp
    runs_a: int
    runs_b: int
    contrasts: tuple[Contrast, ...]
    not_comparable: str | None
    gaps: tuple[str, ...]
    sentence: str

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "a": _named(self.a),
            "b": _named(self.b),
            "runs_a": self.runs_a,
            "runs_b": self.runs_b,
            "contrasts": [c.to_dict() for c in self.contrasts],
            "not_comparable": self.not_comparable,
            "gaps": list(self.gaps),
            "sentence": self.sentence,
        }


@dataclass(frozen=True)
class Comparison:
    """Set-ups compared pair by pair, at equal duration and at equal target (a temperature).

    `duration_s`, `target_temp_c`: None where the set-ups have none in common.
    """

    recipe: str
    conditions: Conditions
    duration_s: float | None
    target_temp_c: float | None
    summaries: tuple[SetUpSummary, ...]
    pairs: tuple[PairComparison, ...]
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names; what `compare --json` prints."""
        return {
            "recipe": self.recipe,
            "conditions": {
                "drink_temp_c": self.conditions.drink_temp_c,
                "drink_mass_g": self.conditions.drink_mass_g,
                "room_temp_c": self.conditions.room_temp_c,
            },
            "duration_s": self.duration_s,
            "target_temp_c": self.target_temp_c,
            "summaries": [s.to_dict() for s in self.summaries],
            "pairs": [p.to_dict() for p in self.pairs],
            "notes": list(self.notes),
        }


def _named(set_up: SetUp) -> dict[str, str]:
    return {"technique": set_up.technique, "vessel": set_up.vessel, "ice": set_up.ice}


def _percentiles(values: Percentiles | None) -> dict[str, float] | None:
    return (
        None
        if values is None
        else dict(zip(("p05", "p50", "p95"), (round(v, 4) for v in values), strict=True))
    )
