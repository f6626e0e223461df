"""The main probe of a drink under way: its readings, whether they are believed, and what they come to now."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from rig.bench import Recipe
from rig.fitting.priors import TYPICAL_ROOM_C
from rig.physics.recipe_liquid import liquid_from_recipe
from rig.runs import Run
from rig.signals.probe_faults import LASTING, QUIET_S, ProbeDoubt, probe_doubt

BEFORE_S = 1.0
"""A moment's temperature is the mean of the readings within this long before it."""
LOOKED_BACK_S = 2.0
"""How much before the start is looked at [s]."""


def usual_start_c(recipe: Recipe, runs: Iterable[Run]) -> float:
    """What a probe in this drink should read before the ice [°C]: as in earlier runs, as the recipe has it, or room."""
    noted = [r.drink_temp_c for r in runs if r.recipe == recipe.name and r.drink_temp_c is not None]
    if noted:
        return float(np.median(noted))
    return liquid_from_recipe(recipe).mixed_temp_c(TYPICAL_ROOM_C)


@dataclass
class ProbeWatch:
    """Hears the main probe's readings as they come; `look` says whether they are believed.

    `usual_c`: what it should read before the start [°C]; `time_scale`: how much faster than the clock its devices
    run, for what is late by the clock is no silence.
    """

    usual_c: float | None = None
    in_drink: bool = False
    time_scale: float = 1.0
    believed: bool = False
    """A person has said that the reading before the start is right."""
    doubt: ProbeDoubt | None = None
    heard: bool = False
    _time_s: list[float] = field(default_factory=list)
    _temp_c: list[float] = field(default_factory=list)

    def hear(self, time_s: float, temp_c: float) -> None:
        """Take in a reading, NaN for a line without a value; times [s] from the start of the journal."""
        if not self._time_s or time_s > self._time_s[-1]:
            self._time_s.append(time_s)
            self._temp_c.append(temp_c)
            self.heard = self.heard or math.isfinite(temp_c)

    def since(self, from_s: float) -> list[tuple[float, float]]:
        """What was read after a moment: when [s], and °C; NaN is left out."""
        first = bisect_left(self._time_s, from_s)
        pairs = zip(self._time_s[first:], self._temp_c[first:], strict=True)
        return [(t, c) for t, c in pairs if math.isfinite(c)]

    def mean_c(self, at_s: float) -> float | None:
        """What it showed within the second before a moment [°C]; None where nothing was read."""
        read = [c for t, c in self.since(at_s - BEFORE_S) if t <= at_s]
        return sum(read) / len(read) if read else None

    def another(self) -> None:
        """Another probe is the main one from here on."""
        self._time_s.clear()
        self._temp_c.clear()
        self.doubt, self.heard = None, False

    def believe(self) -> None:
        """The reading before the start is right, a person says."""
        self.believed, self.doubt = True, None

    def look(self, now_s: float, started_s: float | None) -> ProbeDoubt | None:
        """Whether the probe is believed at a moment of the journal; what lasts is not taken back."""
        if self.doubt is not None and self.doubt.fault in LASTING and started_s is not None:
            return self.doubt
        start_s = now_s if started_s is None else started_s
        first = bisect_left(self._time_s, start_s - max(LOOKED_BACK_S, QUIET_S * self.time_scale) - 1.0)
        first = min(first, max(len(self._time_s) - 1, 0))
        self.doubt = probe_doubt(
            np.array(self._time_s[first:]) - start_s,
            np.array(self._temp_c[first:]),
            now_s - start_s,
            usual_c=self.usual_c,
            in_drink=self.in_drink,
            believed=self.believed,
            quiet_s=QUIET_S * self.time_scale,
        )
        return self.doubt

    @property
    def words(self) -> str:
        """What a person must know of it; empty while it is believed."""
        return "" if self.doubt is None else self.doubt.words
