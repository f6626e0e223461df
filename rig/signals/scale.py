"""When a scale is steady, by one rule for all: its plateaus, its mass at a moment, and when it is shaken."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rig.arrays import FloatArray
from rig.signals.moments import Moment, MotionSpan, Source

LEAST_SHAKEN_S = 3.0
SAME_MASS_G = 5.0
"""A scale that is shaken, not poured onto, bears the same mass on the whole; common practice, no source."""


@dataclass(frozen=True)
class SteadyRule:
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

    def __init__(self, rule: SteadyRule | None = None) -> None:
        self._rule = rule or SteadyRule()
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
        while len(self._recent) > self._rule.readings and time_s - self._recent[1][0] >= self._rule.hold_s:
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
    rule: SteadyRule | None = None,
) -> tuple[Plateau, ...]:
    """The plateaus of a whole stream; arrays of shape (readings,), `settled` the scale's own mark.

    A knock parts a plateau in two of the same mass; a weigh-in sees no step between them.
    """
    times, masses = np.asarray(time_s, dtype=float), np.asarray(mass_g, dtype=float)
    calm = np.ones(times.shape, dtype=bool) if settled is None else np.asarray(settled, dtype=bool)
    finder = PlateauFinder(rule)
    found = [
        finder.update(t, m, settled=bool(s))
        for t, m, s in zip(times.tolist(), masses.tolist(), calm, strict=True)
    ]
    return tuple(p for p in [*found, finder.finish()] if p is not None)


def steady_mass_g(time_s: FloatArray, mass_g: FloatArray, at_s: float) -> float | None:
    """The mass a scale shows at an instant, None while it moves; arrays of shape (readings,)."""
    finder = PlateauFinder()
    for t, m in zip(time_s[time_s <= at_s].tolist(), mass_g[time_s <= at_s].tolist(), strict=True):
        finder.update(t, m)
    return None if finder.current is None else finder.current.mass_g


def motion_by_scale(time_s: FloatArray, mass_g: FloatArray) -> MotionSpan:
    """The longest time in which a scale moves and bears what it bore before; arrays of shape (readings,).

    A drink that is stirred or blended on its scale is seen so; one that is lifted off is not.
    """
    read = np.isfinite(time_s) & np.isfinite(mass_g)
    time, mass = time_s[read], mass_g[read]
    rests = plateaus(time, mass)
    found: tuple[float, Plateau, Plateau | None] | None = None
    for rest, after in zip(rests, (*rests[1:], None), strict=False):
        end_s = after.start_s if after else float(time[-1])
        moved = mass[(time > rest.stop_s) & (time < end_s)]
        masses = [float(np.median(moved))] if moved.size else []
        masses += [after.mass_g] if after else []
        same = all(abs(m - rest.mass_g) <= SAME_MASS_G for m in masses)
        if same and end_s - rest.stop_s >= max(LEAST_SHAKEN_S, found[0] if found else 0.0):
            found = end_s - rest.stop_s, rest, after
    if found is None:
        return MotionSpan(None, None, ("the scale is not shaken",))
    _, rest, after = found
    spread_s = float(np.median(np.diff(time)))
    start = Moment(
        rest.stop_s, spread_s, Source.SCALE, f"scale shaken, at rest with {rest.mass_g:.0f} g before"
    )
    stop = Moment(after.start_s, spread_s, Source.SCALE, "scale at rest again") if after else None
    return MotionSpan(start, stop)


def _plateau(held: Sequence[tuple[float, float]], rule: SteadyRule) -> Plateau:
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


def _end_g(from_end_s: FloatArray, masses: FloatArray, rule: SteadyRule) -> float:
    """Mean near one end; the very end still holds the last of the settling, or the first of the next pour."""
    near = (from_end_s >= 0.5 * rule.hold_s) & (from_end_s <= 1.5 * rule.hold_s)
    return float(np.mean(masses[near] if np.count_nonzero(near) >= rule.readings else masses))


def _scatter(masses: FloatArray) -> float:
    return float(np.std(masses, ddof=1)) if masses.size > 1 else 0.0
