"""What a set-up with runs of its own does over time, with no physics in between.

Saturating curves with one rate or two (`rate_grid`), for dilution against duration (one strained drink a
run) and for the temperature at the end of a run. One rate and two are averaged by their AICc weights
(Burnham & Anderson, Model Selection and Multimodel Inference, 2nd ed., Springer 2002, ch. 2).

A run is one observation: pass one value a run, not the many samples of its trace.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import stats

from rig.arrays import BoolArray, FloatArray, Floats
from rig.errors import NotEnoughData
from rig.fitting.rate_grid import RateFamily, RatePrior, SpreadPrior, Table, one_rate, two_rates

_SAME_DURATION = 1.1  # durations closer than this factor count as one
_CLEARLY_APART = 1.3  # how far from the others a new duration is put, so that whole seconds will do
_FIRST_DURATION_S = 10.0  # what to try where there is no run at all


@dataclass(frozen=True)
class Enough:
    """How much a curve needs: runs, distinct durations, and longest ÷ shortest duration.

    A known start counts as a duration, and as spread.
    """

    runs: int
    durations: int
    spread: float


ENOUGH = Enough(runs=6, durations=3, spread=1.5)
ENOUGH_WITH_PRIOR = Enough(runs=3, durations=2, spread=1.2)


@dataclass(frozen=True, eq=False)
class RunValues:
    """One value a run of one set-up, against how long the run lasted.

    `duration_s`, `value` and `weight` are (runs,); a run's variance is the between-run variance ÷ weight.
    What is known of the start goes in as one more value at duration 0, with its weight; it is not counted
    as a run. NaN in value or duration leaves the run out.
    """

    label: str
    duration_s: FloatArray
    value: FloatArray
    weight: FloatArray | None = None
    rate_prior: RatePrior | None = None
    spread_prior: SpreadPrior | None = None

    def used(self) -> FloatArray:
        """Duration, value and weight of what counts (3, runs)."""
        weight = np.ones(len(self.value)) if self.weight is None else self.weight
        rows = np.array([self.duration_s, self.value, weight], dtype=np.float64)
        return rows[:, np.isfinite(rows).all(axis=0) & (rows[0] >= 0) & (rows[2] > 0)]

    @property
    def made_s(self) -> FloatArray:
        """Durations of the runs that count, rising, without the known start."""
        duration_s = np.sort(self.used()[0])
        return duration_s[duration_s > 0]

    @property
    def start_is_known(self) -> bool:
        """Whether a value at duration 0 is among them."""
        return bool((self.used()[0] == 0).any())


@dataclass(frozen=True, eq=False)
class CurvePrediction:
    """The mean over many runs of each duration, and how far a single new run strays from it (durations,)."""

    duration_s: FloatArray
    mean: FloatArray
    standard_error: FloatArray
    between_run_sd: FloatArray
    degrees_of_freedom: float
    beyond_runs: BoolArray

    @property
    def new_run_sd(self) -> FloatArray:
        """Standard deviation for a run yet to be made (durations,)."""
        return np.hypot(self.standard_error, self.between_run_sd)

    def interval(self, confidence: float = 0.9) -> tuple[FloatArray, FloatArray]:
        """Where a run yet to be made falls with this probability (Student's t)."""
        return self._around(self.new_run_sd, confidence)

    def mean_interval(self, confidence: float = 0.9) -> tuple[FloatArray, FloatArray]:
        """Where the mean of many runs lies at this confidence (Student's t)."""
        return self._around(self.standard_error, confidence)

    def _around(self, sd: FloatArray, confidence: float) -> tuple[FloatArray, FloatArray]:
        half = sd * float(stats.t.ppf(0.5 + confidence / 2, self.degrees_of_freedom))
        return self.mean - half, self.mean + half


@dataclass(frozen=True, eq=False)
class CurveFit:
    """The curve of one set-up: the families its runs can carry, and the share of each (summing to 1)."""

    label: str
    runs: int
    shortest_s: float
    longest_s: float
    families: tuple[RateFamily, ...]
    shares: tuple[float, ...]

    @property
    def between_run_sd(self) -> float:
        """How far single runs of weight 1 stray from the curve, in the value's unit."""
        variances = (f.between_run_variance for f in self.families)
        return math.sqrt(sum(p * v for p, v in zip(self.shares, variances, strict=True)))

    @property
    def degrees_of_freedom(self) -> float:
        """Of `between_run_sd`, averaged over the families."""
        return sum(p * f.degrees_of_freedom for p, f in zip(self.shares, self.families, strict=True))

    def predict(self, duration_s: Floats, weight: float = 1.0) -> CurvePrediction:
        """Mean and spread at these durations [s]; infinity gives the plateau."""
        at = np.atleast_1d(np.asarray(duration_s, dtype=np.float64))
        curves = [family.curve(at) for family in self.families]
        means, variances = np.array([c[0] for c in curves]), np.array([c[1] for c in curves])
        shares = np.array(self.shares)
        mean = shares @ means
        return CurvePrediction(
            duration_s=at,
            mean=mean,
            standard_error=np.sqrt(shares @ (variances + (means - mean) ** 2)),
            between_run_sd=np.full(at.shape, self.between_run_sd / math.sqrt(weight)),
            degrees_of_freedom=self.degrees_of_freedom,
            beyond_runs=(at < self.shortest_s) | (at > self.longest_s),
        )


def fit_curves(
    set_ups: Sequence[RunValues], *, monotone: bool = True, need: Enough | None = None
) -> tuple[CurveFit, ...]:
    """Fit every set-up at once.

    Parameters
    ----------
    monotone
        Leave out two-rate curves that turn round: dilution never does, and a drink on ice goes on cooling.
    need
        See `shortfall`.

    Raises
    ------
    NotEnoughData
        Naming every set-up that lacks runs, and which runs would help.
    """
    short = [text for runs in set_ups if (text := shortfall(runs, need)) is not None]
    if short:
        raise NotEnoughData("\n".join(short))
    if not set_ups:
        return ()
    families = [[family] for family in one_rate(_table(set_ups))]
    rich = [s for s, runs in enumerate(set_ups) if _can_carry_two_rates(runs)]
    if rich:
        for s, family in zip(
            rich, two_rates(_table([set_ups[s] for s in rich]), monotone=monotone), strict=True
        ):
            families[s].append(family)
    return tuple(
        _averaged(runs, [f for f in found if f is not None])
        for runs, found in zip(set_ups, families, strict=True)
    )


def shortfall(runs: RunValues, need: Enough | None = None) -> str | None:
    """What is missing for a curve, with the runs that would help; None where there is enough.

    The need is ENOUGH, or ENOUGH_WITH_PRIOR where the rate has a prior (common practice, no source).
    """
    need = need or (ENOUGH if runs.rate_prior is None else ENOUGH_WITH_PRIOR)
    made_s, known = runs.made_s, runs.start_is_known
    durations = _distinct(made_s)
    new = _durations_to_add(durations, need.durations - known, 1.0 if known else need.spread)
    more = max(need.runs - made_s.size, len(new))
    if more <= 0:
        return None
    span = f" from {made_s[0]:.3g} to {made_s[-1]:.3g} s" if len(durations) > 1 else ""
    near = ": " + ", ".join(f"one near {duration_s:.0f} s" for duration_s in new) if new else ""
    have = f"{_counted(made_s.size, 'usable run')} at {_counted(len(durations), 'duration')}{span}"
    return (
        f"{runs.label}: {have}; a curve needs {need.runs} runs at {need.durations} durations, the longest "
        f"at least {need.spread:g} times the shortest. Add {_counted(more, 'run')}{near}"
    )


def _counted(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"


def _durations_to_add(durations: Sequence[float], count: int, spread: float) -> list[float]:
    """Durations that bring these up to `count` of them over a factor `spread`: first longer, then between."""
    planned = list(durations)
    if not planned:
        planned.append(_FIRST_DURATION_S)
    if planned[-1] < spread * planned[0]:
        planned.append(max(planned[0] * spread * 1.1, planned[-1] * _CLEARLY_APART))
    while len(planned) < count:
        ratios = [after / before for before, after in pairwise(planned)]
        if max(ratios, default=0.0) >= _CLEARLY_APART**2:
            gap = ratios.index(max(ratios))
            planned.insert(gap + 1, math.sqrt(planned[gap] * planned[gap + 1]))
        else:
            planned.append(planned[-1] * _CLEARLY_APART)
    return [duration_s for duration_s in planned if duration_s not in durations]


def _distinct(rising_s: FloatArray) -> list[float]:
    """The first of each group of durations that lie within a factor of each other."""
    out: list[float] = []
    for duration_s in rising_s.tolist():
        if not out or duration_s > out[-1] * _SAME_DURATION:
            out.append(duration_s)
    return out


def _can_carry_two_rates(runs: RunValues) -> bool:
    """Five places for five parameters, and values enough for AICc to let them have a say at all."""
    values = runs.used().shape[1]
    return values >= 10 and len(_distinct(runs.made_s)) + runs.start_is_known >= 5


def _table(set_ups: Sequence[RunValues]) -> Table:
    used = [runs.used() for runs in set_ups]
    padded = np.zeros((3, len(used), max(columns.shape[1] for columns in used)))
    for s, columns in enumerate(used):
        padded[:, s, : columns.shape[1]] = columns
    return Table(
        duration_s=padded[0],
        value=padded[1],
        weight=padded[2],
        rate_priors=tuple(runs.rate_prior for runs in set_ups),
        spread_priors=tuple(runs.spread_prior for runs in set_ups),
    )


def _averaged(runs: RunValues, families: Sequence[RateFamily]) -> CurveFit:
    """AICc weights; the simplest family alone where the runs are too few to compare."""
    made_s = runs.made_s
    if not families:
        raise NotEnoughData(f"{runs.label}: its durations tell no curve from a level; add shorter runs")
    criteria = np.array([family.aicc for family in families])
    if not np.isfinite(criteria[0]):
        families, criteria = families[:1], np.zeros(1)
    share = np.exp(-0.5 * (criteria - criteria.min()))
    share /= share.sum()
    return CurveFit(
        runs.label, made_s.size, float(made_s[0]), float(made_s[-1]), tuple(families), tuple(share)
    )
