"""How still a sensor stood while it was read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.arrays import Floats
from rig.errors import NotEnoughData

LAST_READINGS = 20
"""How many readings of a trace stand for where it came to rest."""


@dataclass(frozen=True)
class Steadiness:
    """Readings in a row: how many, their mean, standard deviation, and the drift over them; in their unit."""

    count: int
    mean: float
    std: float
    drift: float


def steadiness(values: Floats) -> Steadiness:
    """How still readings of shape (readings,), evenly spaced, stood; the drift is that of a straight line.

    Raises
    ------
    NotEnoughData
        Where there is none.
    """
    y = np.asarray(values, float)
    if y.size == 0:
        raise NotEnoughData("not one reading came")
    if y.size < 3:
        return Steadiness(y.size, float(y.mean()), float(np.ptp(y)) / 2.0**0.5, float(y[-1] - y[0]))
    x = np.linspace(-0.5, 0.5, y.size)
    return Steadiness(y.size, float(y.mean()), float(y.std(ddof=1)), float(x @ y / (x @ x)))
