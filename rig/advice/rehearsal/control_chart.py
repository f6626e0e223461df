"""Charts of single runs in the order made: which of them lie further out than scatter takes a run.

The limits are Grubbs': by them the furthest of so many runs is an odd one no more often than `false_alarm` (F. E.
Grubbs, Technometrics 11 (1969) 1; critical values as in ISO 5725-2). A page of several charts shares one false alarm
between them (Bonferroni), `rig.advice.rehearsal.trend` has its other half. Run rules such as *nine on one side* are
not asked: each has a false alarm of its own, and a page of them cries wolf every other time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats

from rig.arrays import BoolArray, FloatArray
from rig.errors import NotEnoughData

LEAST_RUNS = 4
SETTLED_RUNS = 20
"""Limits from fewer runs are provisional (the usual advice is 20 to 25)."""
FALSE_ALARM = 0.025
"""How often all charts of a page together may call a run odd where nothing was: half of one page in twenty."""


@dataclass(frozen=True, eq=False)
class ControlChart:
    """Single runs with their limits.

    `values` (runs,) in the order they were made; `sigma` their standard deviation, `lower` and `upper` the limits
    around `centre` that hold all runs but for one chart in 1 ÷ `false_alarm`. `odd`: runs beyond them.
    `provisional`: too few runs for the limits to be settled.
    """

    quantity: str
    runs: tuple[str, ...]
    values: FloatArray
    centre: float
    sigma: float
    lower: float
    upper: float
    false_alarm: float
    odd: tuple[str, ...]
    provisional: bool

    def to_dict(self) -> dict[str, Any]:
        """Stable keys; `quantity` names the unit."""
        return {
            "quantity": self.quantity,
            "runs": list(self.runs),
            "values": [round(float(v), 5) for v in self.values],
            "centre": round(self.centre, 5),
            "sigma": round(self.sigma, 5),
            "lower": round(self.lower, 5),
            "upper": round(self.upper, 5),
            "false_alarm": round(self.false_alarm, 5),
            "odd_runs": list(self.odd),
            "in_control": not self.odd,
            "provisional": self.provisional,
        }


def grubbs_limit(runs: int, false_alarm: float) -> float:
    """How many standard deviations from the mean the furthest of so many runs lies, but for this chance.

    Two-sided; from Student's law at `false_alarm` ÷ 2 `runs` (Grubbs 1969).
    """
    t2 = float(stats.t.isf(false_alarm / (2.0 * runs), runs - 2)) ** 2
    return float((runs - 1) / np.sqrt(runs) * np.sqrt(t2 / (runs - 2 + t2)))


def control_chart(
    quantity: str,
    runs: Sequence[str],
    values: FloatArray,
    *,
    false_alarm: float = FALSE_ALARM,
    limits_from: BoolArray | None = None,
) -> ControlChart:
    """Chart single runs in the order they were made.

    Parameters
    ----------
    quantity
        Name of what is charted, with its unit.
    values
        (runs,); runs without a value (NaN) are left out.
    false_alarm
        The chance that any run of this chart is called odd where all are alike.
    limits_from
        (runs,) which runs the limits come from; all unless given. Leave out those whose cause is known.

    Raises
    ------
    NotEnoughData
        Fewer than four runs with a value.
    """
    there = np.isfinite(values)
    kept, names = np.asarray(values, float)[there], [r for r, t in zip(runs, there, strict=True) if t]
    used = np.ones(kept.size, dtype=bool) if limits_from is None else np.asarray(limits_from)[there]
    count = int(used.sum())
    if count < LEAST_RUNS:
        raise NotEnoughData(
            f"a control chart of {quantity} needs {LEAST_RUNS} runs, found {count}: make "
            f"{LEAST_RUNS - count} more"
        )
    centre, sigma = float(kept[used].mean()), float(kept[used].std(ddof=1))
    half = grubbs_limit(count, false_alarm) * max(sigma, _last_digit(kept))
    beyond = np.abs(kept - centre) > half * (1.0 + 1e-9) + 1e-9 * max(1.0, abs(centre))
    return ControlChart(
        quantity=quantity,
        runs=tuple(names),
        values=kept,
        centre=centre,
        sigma=sigma,
        lower=centre - half,
        upper=centre + half,
        false_alarm=false_alarm,
        odd=tuple(n for n, is_odd in zip(names, beyond, strict=True) if is_odd),
        provisional=count < SETTLED_RUNS,
    )


def _last_digit(values: FloatArray) -> float:
    """The smallest step between values: where most agree to the last digit, one digit more is no news."""
    steps = np.diff(np.unique(values))
    return float(steps.min()) if steps.size else 0.0
