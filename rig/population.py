"""What the benches of a logbook have in common, as the prior of a bench: values without names."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Self


@dataclass(frozen=True)
class Population:
    """What other benches know, by kind; a kind says of what sort a vessel, an ice, a technique or a drink is.

    `effects`: mean and standard deviation of the effects of each kind on a bench that is none of them, the mean's own
    uncertainty in it; lab units or natural logarithms as in `rig.fitting.priors.P`. `hands`: standard deviation of a
    run's departures of each kind. `benches`, `venues`, `runs`: how many it was learned from.
    """

    effects: Mapping[str, tuple[float, float]]
    hands: Mapping[str, float]
    benches: int
    venues: int
    runs: int

    @property
    def words(self) -> str:
        """What it was learned from."""
        bars, runs = self.venues if self.venues > 1 else self.benches, f"{self.runs:,} runs"
        return f"from {bars} bar{'' if bars == 1 else 's'}, {'1 run' if self.runs == 1 else runs}"

    def to_json(self) -> str:
        """As text; equal populations have equal texts."""
        return json.dumps(asdict(self), sort_keys=True)

    @classmethod
    def from_json(cls, text: str) -> Self:
        """The population that `to_json` wrote."""
        told = json.loads(text)
        effects = {kind: (float(mean), float(sd)) for kind, (mean, sd) in told.pop("effects").items()}
        return cls(effects=effects, **told)
