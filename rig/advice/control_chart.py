"""Control charts of single runs: what is usual scatter, and what has a cause worth looking for.

Individuals and moving range charts (Shewhart; constants as printed in the NIST/SEMATECH e-Handbook of
Statistical Methods, § 6.3.2.2, and ISO 7870-2, from memory). Limits come from neighbouring runs, so a slow drift
does not widen them. Run rules: Western Electric Co., Statistical Quality Control Handbook (1956); L. S. Nelson,
J. Quality Technology 16 (1984) 237.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from rig.arrays import BoolArray, FloatArray
from rig.errors import NotEnoughData

D2, D4 = 1.128, 3.267
"""Of two values: mean range over sigma; upper limit of the range over its mean."""
LEAST_RUNS = 4
SETTLED_RUNS = 20
"""Limits from fewer runs are provisional (the usual advice is 20 to 25)."""


class RunRule(StrEnum):
    """A pattern that hardly ever comes of scatter alone."""

    BEYOND_LIMITS = "beyond the limits"
    NINE_ON_ONE_SIDE = "nine on one side"
    SIX_STEADILY = "six steadily up or down"
    FOURTEEN_ALTERNATING = "fourteen up and down"
    TWO_OF_THREE = "two of three far out"
    FOUR_OF_FIVE = "four of five well out"
    EIGHT_ON_ONE_SIDE = "eight on one side"

    @property
    def published_as(self) -> str:
        """The rule's number in its source."""
        return _PUBLISHED[self]

    @property
    def means(self) -> str:
        """What it says, in plain words."""
        return _MEANS[self]


_PUBLISHED = {
    RunRule.BEYOND_LIMITS: "Nelson 1, Western Electric 1",
    RunRule.NINE_ON_ONE_SIDE: "Nelson 2",
    RunRule.SIX_STEADILY: "Nelson 3",
    RunRule.FOURTEEN_ALTERNATING: "Nelson 4",
    RunRule.TWO_OF_THREE: "Nelson 5, Western Electric 2",
    RunRule.FOUR_OF_FIVE: "Nelson 6, Western Electric 3",
    RunRule.EIGHT_ON_ONE_SIDE: "Western Electric 4",
}
_MEANS = {
    RunRule.BEYOND_LIMITS: "one run lies further out than scatter alone takes it: look for what was "
    "different about it",
    RunRule.NINE_ON_ONE_SIDE: "nine runs in a row on one side of the middle: something shifted and stayed",
    RunRule.SIX_STEADILY: "six runs in a row each higher, or each lower, than the one before: "
    "something is drifting",
    RunRule.FOURTEEN_ALTERNATING: "fourteen runs in a row go up and down in turn: two ways of working, "
    "or over-correcting the last run",
    RunRule.TWO_OF_THREE: "two of three runs lie in the outer third on the same side: the middle may have moved",
    RunRule.FOUR_OF_FIVE: "four of five runs lie outside the inner third on the same side: "
    "the middle may have moved",
    RunRule.EIGHT_ON_ONE_SIDE: "eight runs in a row on one side of the middle: something shifted and stayed",
}

NELSON = (
    RunRule.BEYOND_LIMITS,
    RunRule.NINE_ON_ONE_SIDE,
    RunRule.SIX_STEADILY,
    RunRule.FOURTEEN_ALTERNATING,
)
"""Nelson's tests 1 to 4."""
WESTERN_ELECTRIC = (
    RunRule.BEYOND_LIMITS,
    RunRule.TWO_OF_THREE,
    RunRule.FOUR_OF_FIVE,
    RunRule.EIGHT_ON_ONE_SIDE,
)


@dataclass(frozen=True)
class Signal:
    """A run rule met: `runs` by name, in order, from the first to the last of the pattern."""

    rule: RunRule
    runs: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        rule = self.rule
        return {
            "rule": rule.value,
            "published_as": rule.published_as,
            "means": rule.means,
            "runs": list(self.runs),
        }


@dataclass(frozen=True, eq=False)
class ControlChart:
    """An individuals chart with its moving range chart.

    `values` (runs,) in the order they were made; `moving_range` (runs,), NaN for the first. `sigma` is the
    spread from neighbour to neighbour, mean moving range ÷ 1.128; `lower` and `upper` lie 3 sigma from
    `centre`. `range_signals`: runs that jumped further from the one before than scatter takes them.
    `provisional`: too few runs for the limits to be settled.
    """

    quantity: str
    runs: tuple[str, ...]
    values: FloatArray
    centre: float
    sigma: float
    lower: float
    upper: float
    moving_range: FloatArray
    range_centre: float
    range_upper: float
    signals: tuple[Signal, ...]
    range_signals: tuple[str, ...]
    provisional: bool

    @property
    def in_control(self) -> bool:
        """No rule is met on either chart."""
        return not self.signals and not self.range_signals

    def to_dict(self) -> dict[str, Any]:
        """Stable keys; `quantity` names the unit."""
        return {
            "quantity": self.quantity,
            "runs": list(self.runs),
            "values": _listed(self.values),
            "centre": round(self.centre, 5),
            "sigma": round(self.sigma, 5),
            "lower": round(self.lower, 5),
            "upper": round(self.upper, 5),
            "moving_range": _listed(self.moving_range),
            "range_centre": round(self.range_centre, 5),
            "range_upper": round(self.range_upper, 5),
            "signals": [s.to_dict() for s in self.signals],
            "range_signals": list(self.range_signals),
            "in_control": self.in_control,
            "provisional": self.provisional,
        }


def _listed(values: FloatArray) -> list[float | None]:
    return [None if np.isnan(v) else round(float(v), 5) for v in values]


def control_chart(
    quantity: str,
    runs: Sequence[str],
    values: FloatArray,
    *,
    rules: Sequence[RunRule] = NELSON,
    limits_from: BoolArray | None = None,
) -> ControlChart:
    """Chart single runs in the order they were made.

    Parameters
    ----------
    quantity
        Name of what is charted, with its unit.
    values
        (runs,); runs without a value (NaN) are left out.
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
    steps = np.abs(np.diff(kept))
    centre, mean_range = float(kept[used].mean()), float(np.abs(np.diff(kept[used])).mean())
    sigma, range_upper = mean_range / D2, D4 * mean_range
    return ControlChart(
        quantity=quantity,
        runs=tuple(names),
        values=kept,
        centre=centre,
        sigma=sigma,
        lower=centre - 3 * sigma,
        upper=centre + 3 * sigma,
        moving_range=np.concatenate([[np.nan], steps]),
        range_centre=mean_range,
        range_upper=range_upper,
        signals=tuple(
            Signal(rule, tuple(names[first : last + 1]))
            for rule in rules
            for first, last in patterns(rule, kept, centre, sigma)
        ),
        range_signals=tuple(names[k + 1] for k in np.flatnonzero(_above(steps, range_upper))),
        provisional=count < SETTLED_RUNS,
    )


def _above(values: FloatArray, limit: float) -> BoolArray:
    """Above the limit by more than rounding: runs that agree to the last digit have limits of no width."""
    return np.asarray(values > limit + 1e-9 * max(1.0, abs(limit)))


def patterns(rule: RunRule, values: FloatArray, centre: float, sigma: float) -> list[tuple[int, int]]:
    """Where a rule is met: first and last index of each stretch; overlapping stretches are one."""
    return [
        stretch
        for side in (1.0, -1.0)
        for stretch in _stretches(*_TESTS[rule](side * (np.asarray(values, float) - centre), sigma))
        if not (rule is RunRule.FOURTEEN_ALTERNATING and side < 0)
    ]


Found = tuple[BoolArray, int]
"""Whether the rule is met by the window that starts at each index, and the windows' length."""


def _windows(met: BoolArray, length: int, least: int) -> Found:
    if met.size < length:
        return np.zeros(0, dtype=bool), length
    return np.asarray(sliding_window_view(met, length).sum(axis=1) >= least), length


def _out(sigmas: float, length: int, least: int) -> Callable[[FloatArray, float], Found]:
    return lambda away, sigma: _windows(_above(away, sigmas * sigma), length, least)


def _six_steadily(away: FloatArray, sigma: float) -> Found:
    met, _ = _windows(np.diff(away) > 0, 5, 5)
    return met, 6


def _alternating(away: FloatArray, sigma: float) -> Found:
    turns = np.diff(away)
    met, _ = _windows(turns[1:] * turns[:-1] < 0, 12, 12)
    return met, 14


_TESTS: dict[RunRule, Callable[[FloatArray, float], Found]] = {
    RunRule.BEYOND_LIMITS: _out(3.0, 1, 1),
    RunRule.NINE_ON_ONE_SIDE: _out(0.0, 9, 9),
    RunRule.SIX_STEADILY: _six_steadily,
    RunRule.FOURTEEN_ALTERNATING: _alternating,
    RunRule.TWO_OF_THREE: _out(2.0, 3, 2),
    RunRule.FOUR_OF_FIVE: _out(1.0, 5, 4),
    RunRule.EIGHT_ON_ONE_SIDE: _out(0.0, 8, 8),
}


def _stretches(met: BoolArray, length: int) -> list[tuple[int, int]]:
    out: list[tuple[int, int]] = []
    for first in np.flatnonzero(met).tolist():
        last = first + length - 1
        # single points beyond a limit are told one by one; longer patterns that overlap are one pattern
        if out and length > 1 and first <= out[-1][1]:
            out[-1] = (out[-1][0], last)
        else:
            out.append((first, last))
    return out
