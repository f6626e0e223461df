"""What the benches of a logbook have in common, as the prior of a bench: values without names."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Self

import numpy as np

from rig.arrays import FloatArray


@dataclass(frozen=True, eq=False)
class Population:
    """What other benches know, by kind; a kind says of what sort a vessel, an ice, a technique or a drink is.

    `effects`: for each kind the mean of its effects on a bench that is none of them, and their standard deviation about
    the bench's own level of that kind; lab units or natural logarithms as in `rig.fitting.priors.P`. `levels` (kinds,
    kinds): covariance of these levels, in the order of `effects`: how far bars lie apart, and what is not known of
    their means. `hands`: standard deviation of a run's departures of each kind. `benches`, `venues`, `runs`: how many
    it was learned from.
    """

    effects: Mapping[str, tuple[float, float]]
    levels: FloatArray
    hands: Mapping[str, float]
    benches: int
    venues: int
    runs: int

    @property
    def words(self) -> str:
        """What it was learned from."""
        bars, runs = self.venues if self.venues > 1 else self.benches, f"{self.runs:,} runs"
        return f"from {bars} bar{'' if bars == 1 else 's'}, {'1 run' if self.runs == 1 else runs}"

    @cached_property
    def place(self) -> dict[str, int]:
        """Where each kind stands in `levels`."""
        return {kind: k for k, kind in enumerate(self.effects)}

    def told(self) -> dict[str, Any]:
        """For a person: mean and standard deviation of each kind, all that is unknown in it, and how it was learned."""
        about = np.sqrt(np.diagonal(self.levels) + [sd**2 for _, sd in self.effects.values()])
        effects = {
            kind: (mean, round(float(sd), 6))
            for (kind, (mean, _)), sd in zip(self.effects.items(), about, strict=True)
        }
        return {"effects": effects, "hands": dict(self.hands), **self._count}

    @property
    def _count(self) -> dict[str, int]:
        return {"benches": self.benches, "venues": self.venues, "runs": self.runs}

    def to_json(self) -> str:
        """As text; equal populations have equal texts. Levels travel as single-precision numbers, one half of them."""
        half = self.levels[np.tril_indices(len(self.effects))].astype("<f4").tobytes()
        kinds = [[kind, *known] for kind, known in self.effects.items()]
        told = {"effects": kinds, "levels": base64.b64encode(half).decode(), "hands": dict(self.hands)}
        return json.dumps(told | self._count, sort_keys=True)

    @classmethod
    def from_json(cls, text: str) -> Self:
        """The population that `to_json` wrote; of earlier texts, which told no levels, effects are independent."""
        told = json.loads(text)
        kinds, half = told.pop("effects"), told.pop("levels", None)
        if half is None:
            kinds = [(kind, *known) for kind, known in kinds.items()]
        effects = {kind: (float(mean), float(sd)) for kind, mean, sd in kinds}
        levels = np.zeros((len(effects), len(effects)))
        if half is not None:
            levels[np.tril_indices(len(effects))] = np.frombuffer(base64.b64decode(half), "<f4")
            levels += np.tril(levels, -1).T
        return cls(effects=effects, levels=levels, **told)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Population) and self.to_json() == other.to_json()

    def __hash__(self) -> int:
        return hash(self.to_json())
