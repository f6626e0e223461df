"""What a comparison of groups of runs says: values, and their stable keys."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any

from rig.advice.check.residual_bias import Observation
from rig.advice.evidence.statistics import Verdict


class By(StrEnum):
    """What runs are grouped by."""

    DAY = "day"
    SESSION = "session"
    OPERATOR = "operator"
    ICE_BATCH = "ice-batch"
    SINCE = "since"

    @property
    def words(self) -> str:
        """As it is spoken of."""
        return {By.ICE_BATCH: "batch of ice", By.SINCE: "time"}.get(self, self.value)


@dataclass(frozen=True)
class Change:
    """One group less another (None: less all others) in what is measured at the end of a run.

    `difference`, `low`, `high`: dilution as a share of the starting volume, or K; interval of 95 % for itself alone.
    `p_adjusted` allows for all comparisons made (Holm).
    """

    observation: Observation
    group: str
    other: str | None
    runs: int
    other_runs: int
    difference: float
    low: float
    high: float
    p_adjusted: float
    verdict: Verdict

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names."""
        unit = "k" if self.observation is Observation.TEMPERATURE else "dilution_by_volume"
        return {
            "observation": self.observation.value,
            "group": self.group,
            "other": self.other,
            "runs": self.runs,
            "other_runs": self.other_runs,
            f"difference_{unit}": round(self.difference, 5) + 0.0,
            f"low_{unit}": round(self.low, 5) + 0.0,
            f"high_{unit}": round(self.high, 5) + 0.0,
            "p_adjusted": float(f"{self.p_adjusted:.3g}"),
            "verdict": self.verdict.value,
        }


@dataclass(frozen=True)
class WhatChanged:
    """Groups of runs held against each other.

    `groups`: how many sound runs each has; `p_any`: of there being no difference between any of them, by observation;
    `apart`: pairs of groups that share no drink on a set-up.
    """

    by: By
    since: date | None
    groups: dict[str, int]
    changes: tuple[Change, ...]
    p_any: dict[Observation, float]
    apart: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    sentences: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Stable keys; what `compare --by --json` prints."""
        return {
            "by": self.by.value,
            "since": None if self.since is None else self.since.isoformat(),
            "groups": dict(self.groups),
            "changes": [c.to_dict() for c in self.changes],
            "p_any": {o.value: float(f"{p:.3g}") for o, p in self.p_any.items()},
            "not_comparable": [list(pair) for pair in self.apart],
            "sentences": list(self.sentences),
            "notes": list(self.notes),
        }
