"""The strokes of a drink under way as a device counts them: its own cadence, or the one found in its acceleration."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from math import isfinite, sqrt

import numpy as np

from rig.arrays import FloatArray
from rig.capture.decoding.readings import Quality, Quantity, Sample
from rig.errors import NotEnoughData
from rig.fitting.cadence import RAMP_S
from rig.signals.cadence import cadence
from rig.signals.moments import Rhythm

WINDOW_S = 2.0
"""Acceleration is looked at in windows so long, half overlapping, as where a run is taken in."""
_APART_S = 0.1
"""Readings of a cadence that come closer than this tell the same stroke."""
_LEAST_READINGS, _LEAST_CV = 3, 0.02


@dataclass
class Strokes:
    """Hears a device's cadence and acceleration as they come; times [s] from the start of the journal.

    A cadence that a device tells goes before one that is found in acceleration, as where a run is taken in. Of several
    devices the first that speaks is heard.
    """

    _told: list[tuple[float, float]] = field(default_factory=list)
    _found: list[tuple[float, float]] = field(default_factory=list)
    _moved: list[tuple[float, ...]] = field(default_factory=list)
    _looked_s: float = float("-inf")
    _cadence_of: tuple[int, str] | None = None
    _moved_at: int | None = None

    def hear(self, time_s: float, port: int, samples: Sequence[Sample]) -> None:
        """Take in a reading."""
        good = [s for s in samples if s.quality in (Quality.GOOD, Quality.UNSETTLED) and isfinite(s.value)]
        for sample in good:
            if sample.quantity is Quantity.CADENCE:
                self._hear_cadence(time_s, (port, sample.channel), sample.value)
        axes = tuple(s.value for s in good if s.quantity is Quantity.ACCELERATION)
        if axes:
            self._feel(time_s, port, axes)

    def _hear_cadence(self, time_s: float, by: tuple[int, str], hz: float) -> None:
        self._cadence_of = self._cadence_of or by
        if by == self._cadence_of and (not self._told or time_s >= self._told[-1][0] + _APART_S):
            self._told.append((time_s, hz))

    def _feel(self, time_s: float, port: int, axes: tuple[float, ...]) -> None:
        self._moved_at = port if self._moved_at is None else self._moved_at
        as_before = not self._moved or (len(axes) == len(self._moved[-1]) - 1 and time_s > self._moved[-1][0])
        if port != self._moved_at or not as_before:
            return
        self._moved.append((time_s, *axes))
        if time_s - self._looked_s < 0.5 * WINDOW_S:
            return
        self._moved = [row for row in self._moved if row[0] >= time_s - 1.1 * WINDOW_S]
        rows = np.array(self._moved)
        self._looked_s = time_s
        with suppress(NotEnoughData):
            shown = cadence(rows[:, 0], rows[:, 1:], window_s=WINDOW_S)
            self._found.append((float(shown.time_s[-1]), float(shown.cadence_hz[-1])))

    def since(self, started_s: float | None) -> Rhythm | None:
        """The rhythm of a motion since a moment, without its first second; None where too little of it is counted.

        The mean, as a run's cadence is; its readings overlap, so that no more of them count than there were strokes.
        """
        if started_s is None:
            return None
        known = np.array(self._told or self._found, dtype=float).reshape(-1, 2)
        moved = known[(known[:, 0] >= started_s + RAMP_S) & (known[:, 1] > 0.0)]
        return None if len(moved) < _LEAST_READINGS else _rhythm(moved[:, 0], moved[:, 1])


def _rhythm(time_s: FloatArray, hz: FloatArray) -> Rhythm:
    mean = float(hz.mean())
    strokes = min(float(hz.size), max(mean * float(time_s[-1] - time_s[0]), 1.0))
    return Rhythm(mean, max(float(np.std(hz, ddof=1)), _LEAST_CV * mean) / sqrt(strokes))
