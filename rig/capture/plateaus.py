"""Steady stretches of a scale's stream, found reading by reading."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rig.arrays import FloatArray


@dataclass(frozen=True)
class Steadiness:
    """When a scale counts as steady: all readings of `hold_s` within `band_g`, at least `readings` of them.

    Common practice, no source; a pour slower than band ÷ hold (a third of a gram a second) is not told from
    drift, and a plateau that has moved by more than the band is marked as drifting.
    """

    band_g: float = 0.5
    hold_s: float = 1.5
    readings: int = 3


@dataclass(frozen=True)
class Plateau:
    """A steady stretch of a scale's stream.

    `mass_g` is its median, `first_g` and `last_g` means near its two ends, so that a drift over the stretch
    does not enter the difference to its neighbours; `std_g` is the readings' own.
    """

    start_s: float
    stop_s: float
    mass_g: float
    std_g: float
    first_g: float
    last_g: float
    readings: int
    drifting: bool = False


class PlateauFinder:
    """Finds plateaus reading by reading; `current` is the one under way, as far as it has come."""

    def __init__(self, steadiness: Steadiness | None = None) -> None:
        self._rule = steadiness or Steadiness()
        self._recent: deque[tuple[float, float]] = deque()
        self._held: list[tuple[float, float]] = []

    @property
    def current(self) -> Plateau | None:
        """The plateau under way, or None while the scale moves."""
        return _plateau(self._held, self._rule) if self._held else None

    def update(self, time_s: float, mass_g: float, *, settled: bool = True) -> Plateau | None:
        """Take one reading; returns the plateau that it ends, if any.

        NaN, as for an overload, and a reading that the scale itself marks as moving end a plateau.
        """
        if not settled or not math.isfinite(mass_g):
            return self.finish()
        self._recent.append((time_s, mass_g))
        while len(self._recent) > 1 and time_s - self._recent[1][0] >= self._rule.hold_s:
            self._recent.popleft()
        masses = [m for _, m in self._recent]
        calm = max(masses) - min(masses) <= self._rule.band_g
        if self._held:
            if calm:
                self._held.append((time_s, mass_g))
                return None
            ended = self.finish()
            self._recent.append((time_s, mass_g))
            return ended
        long = time_s - self._recent[0][0] >= self._rule.hold_s and len(masses) >= self._rule.readings
        if calm and long:
            self._held = list(self._recent)
        return None

    def finish(self) -> Plateau | None:
        """End the plateau under way, if any, and start afresh."""
        ended = self.current
        self._held = []
        self._recent.clear()
        return ended


def plateaus(
    time_s: npt.ArrayLike,
    mass_g: npt.ArrayLike,
    *,
    settled: npt.ArrayLike | None = None,
    steadiness: Steadiness | None = None,
) -> tuple[Plateau, ...]:
    """The plateaus of a whole stream; arrays of shape (readings,), `settled` the scale's own mark.

    A knock parts a plateau in two of the same mass; `name_steps` sees no step between them.
    """
    times, masses = np.asarray(time_s, dtype=float), np.asarray(mass_g, dtype=float)
    calm = np.ones(times.shape, dtype=bool) if settled is None else np.asarray(settled, dtype=bool)
    finder = PlateauFinder(steadiness)
    found = [
        finder.update(t, m, settled=bool(s))
        for t, m, s in zip(times.tolist(), masses.tolist(), calm, strict=True)
    ]
    return tuple(p for p in [*found, finder.finish()] if p is not None)


def _plateau(held: Sequence[tuple[float, float]], rule: Steadiness) -> Plateau:
    times, masses = (np.array(column) for column in zip(*held, strict=True))
    first, last = _end_g(times - times[0], masses, rule), _end_g(times[-1] - times, masses, rule)
    return Plateau(
        start_s=float(times[0]),
        stop_s=float(times[-1]),
        mass_g=float(np.median(masses)),
        std_g=_scatter(masses),
        first_g=first,
        last_g=last,
        readings=len(masses),
        drifting=abs(last - first) > rule.band_g,
    )


def _end_g(from_end_s: FloatArray, masses: FloatArray, rule: Steadiness) -> float:
    """Mean near one end; the very end still holds the last of the settling, or the first of the next pour."""
    near = (from_end_s >= 0.5 * rule.hold_s) & (from_end_s <= 1.5 * rule.hold_s)
    return float(np.mean(masses[near] if np.count_nonzero(near) >= rule.readings else masses))


def _scatter(masses: FloatArray) -> float:
    return float(np.std(masses, ddof=1)) if masses.size > 1 else 0.0
