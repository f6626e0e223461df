"""What a probe reads that no drink on ice can: told at once while it is moved, and again where the run is taken in."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from rig.arrays import FloatArray
from rig.units import UNITS

QUIET_S, QUIET_READINGS = 1.5, 4.0
"""A probe is silent after so long [s], or after so many of its usual intervals, whichever is longer."""
SETTLED_IN_DRINK_S, SETTLED_OUTSIDE_S = 1.5, 3.0
"""While drink, ice and probe first meet, readings may do anything; longer where the probe waits outside."""
_COLDEST_C, _HOTTEST_C = -35.0, 105.0
_DROP_K, _DROP_K_PER_S = 5.0, 40.0
_RISE_K, _RISE_K_PER_S = 6.0, 3.0
"""Faster than a bare junction in hot coffee on crushed ice; a drink on ice hardly ever warms at all."""
_WARMED_K, _NO_ICE_C = 3.0, 2.0
"""A drink on ice does not warm by so much, and never above this: ice is at 0 °C at most."""
_AWAY_K, _ALIKE_K = 15.0, 8.0


class ProbeFault(StrEnum):
    """Why a probe is not believed."""

    SILENT = "silent"
    JUMPED = "jumped"
    OUT_OF_DRINK = "out of the drink"
    FAHRENHEIT = "reads in °F"


LASTING = frozenset({ProbeFault.JUMPED, ProbeFault.OUT_OF_DRINK, ProbeFault.FAHRENHEIT})
"""What follows such a fault is not believed either; a probe that was silent may speak again."""


@dataclass(frozen=True)
class ProbeDoubt:
    """A fault, since when [s of motion], and what to say of it."""

    fault: ProbeFault
    since_s: float
    words: str

    @property
    def believed_until_s(self) -> float:
        """Up to when its readings stand [s of motion]; none of a probe that speaks another unit."""
        return -np.inf if self.fault is ProbeFault.FAHRENHEIT else self.since_s


def probe_doubt(
    time_s: FloatArray,
    temp_c: FloatArray,
    until_s: float,
    *,
    usual_c: float | None,
    in_drink: bool = True,
    believed: bool = False,
    quiet_s: float = QUIET_S,
) -> ProbeDoubt | None:
    """Why the readings of a drink's probe are not to be believed at `until_s`; None where a drink explains them.

    Parameters
    ----------
    time_s, temp_c
        (readings,), rising, [s] from the start of motion, negative before it; NaN where a line held no value.
    usual_c
        What the probe should show before the start [°C]; None where nobody can say.
    in_drink
        Whether the probe waits in the drink.
    believed
        A person has said that the reading before the start is right as it is.
    quiet_s
        The shortest silence that counts [s].
    """
    good = np.isfinite(temp_c) & (time_s <= until_s)
    time, temp = time_s[good], temp_c[good]
    if not time.size:
        return None
    before = temp[(time <= 0.0) & (time > min(until_s, 0.0) - 1.0)]
    if not believed and before.size and (doubt := _fahrenheit(float(before.mean()), usual_c)):
        return doubt
    lasting = _lasting(time, temp, SETTLED_IN_DRINK_S if in_drink else SETTLED_OUTSIDE_S)
    return lasting or _silence(time, until_s, quiet_s)


def _fahrenheit(shown: float, usual_c: float | None) -> ProbeDoubt | None:
    """A reading far from what is usual, which as °F would be just that."""
    meant = UNITS["°F"].inside(shown)
    if usual_c is None or shown - usual_c < _AWAY_K or abs(meant - usual_c) > _ALIKE_K:
        return None
    return ProbeDoubt(
        ProbeFault.FAHRENHEIT,
        0.0,
        f"the probe reads {shown:.0f} °C before the ice, where about {usual_c:z.0f} °C is usual; "
        f"as °F that is {meant:z.0f} °C",
    )


def _lasting(time: FloatArray, temp: FloatArray, settled_s: float) -> ProbeDoubt | None:
    """The first fault that lasts: of each three readings the middle one, so that one wild reading is none."""
    moved = np.flatnonzero(time > settled_s)
    if moved.size < 3:
        return None
    t, v = time[moved], temp[moved]
    middle = np.median(np.stack([v[:-2], v[1:-1], v[2:]]), axis=0)
    at, step, gap = t[1:-1], np.diff(middle, prepend=middle[:1]), np.diff(t[1:-1], prepend=t[1])
    beyond = (middle < _COLDEST_C) | (middle > _HOTTEST_C)
    leap = (step < -(_DROP_K + _DROP_K_PER_S * gap)) | (step > _RISE_K + _RISE_K_PER_S * gap)
    warmed = (middle > np.minimum.accumulate(middle) + _WARMED_K) & (middle > _NO_ICE_C)
    found = np.flatnonzero(beyond | leap | warmed)
    if not found.size:
        return None
    k = int(found[0])
    since_s = float(at[k])
    if beyond[k] or leap[k]:
        was = float(middle[max(k - 1, 0)])
        words = f"the probe jumped from {was:z.0f} to {middle[k]:z.0f} °C, {since_s:.0f} s into the motion"
        return ProbeDoubt(ProbeFault.JUMPED, since_s, words)
    low = int(np.argmin(middle[: k + 1]))
    words = (
        f"the probe warmed from {middle[low]:z.0f} to {middle[k]:z.0f} °C, from {at[low]:.0f} s into the motion, "
        "as no drink on ice does: it has come out of the drink"
    )
    return ProbeDoubt(ProbeFault.OUT_OF_DRINK, float(at[low]), words)


def _silence(time: FloatArray, until_s: float, quiet_s: float) -> ProbeDoubt | None:
    last_s = float(time[-1])
    usual_s = float(np.median(np.diff(time[-20:]))) if time.size > 2 else 0.0
    if until_s - last_s <= max(quiet_s, QUIET_READINGS * usual_s):
        return None
    words = f"the probe fell silent {last_s:.0f} s into the motion" if last_s > 0.0 else "the probe is silent"
    return ProbeDoubt(ProbeFault.SILENT, last_s, words)
