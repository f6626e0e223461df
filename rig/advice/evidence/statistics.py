"""What it takes to say that two set-ups differ, or that they do not, on plain arrays.

Everything goes through `Estimate`: a value with its standard error and the degrees of freedom that error
rests on. Means, differences and sums of contributions are estimates; intervals and tests are read off them.
Compare runs, never the samples of a trace. An error that both sides share (the same probe, the same scale)
cancels in their difference: leave it out of both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy import stats

from rig.arrays import FloatArray, Floats
from rig.errors import NotEnoughData

_MOST_RUNS = 10_000  # a difference that needs more runs than this will not be seen at a bar


@dataclass(frozen=True, eq=False)
class Estimate:
    """A value, its standard error and that error's degrees of freedom, each (…,); infinite where known."""

    value: FloatArray
    standard_error: FloatArray
    degrees_of_freedom: FloatArray

    def interval(self, confidence: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """Two-sided interval from Student's t (…,)."""
        half = self.standard_error * stats.t.ppf(0.5 + confidence / 2, self.degrees_of_freedom)
        return self.value - half, self.value + half

    def p_zero(self) -> FloatArray:
        """Two-sided p-value of 'the value is zero' (…,)."""
        return np.asarray(2 * stats.t.sf(np.abs(self._per_error(self.value)), self.degrees_of_freedom))

    def p_beyond(self, margin: Floats) -> FloatArray:
        """p-value of 'the value lies beyond ±margin' (…,): small where it is equivalent to zero.

        Two one-sided tests: Schuirmann, J. Pharmacokin. Biopharm. 15 (1987) 657.
        """
        room = np.asarray(margin, dtype=np.float64) - np.abs(self.value)
        return np.asarray(stats.t.sf(self._per_error(room), self.degrees_of_freedom))

    def _per_error(self, distance: FloatArray) -> FloatArray:
        # Runs that agree to the last digit leave no error: any distance is then infinitely many errors.
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = distance / self.standard_error
        return np.where((distance == 0) & (self.standard_error == 0), 0.0, ratio)


def mean_of(values: Floats) -> Estimate:
    """Mean of the last axis (…, runs) with its standard error; NaN left out, no error below two runs."""
    runs = np.asarray(values, dtype=np.float64)
    there = np.isfinite(runs)
    count = there.sum(axis=-1)
    blank = np.full(count.shape, np.nan)
    mean = np.divide(np.where(there, runs, 0.0).sum(axis=-1), count, out=blank.copy(), where=count > 0)
    squares = np.where(there, (runs - mean[..., None]) ** 2, 0.0).sum(axis=-1)
    variance = np.divide(squares, (count - 1.0) * count, out=blank.copy(), where=count > 1)
    return Estimate(mean, np.sqrt(variance), np.where(count > 1, count - 1.0, np.nan))


def combined(parts: Sequence[Estimate], sensitivities: Sequence[float] | None = None) -> Estimate:
    """Sum of independent estimates, each times its sensitivity.

    Degrees of freedom by Welch–Satterthwaite (JCGM 100:2008, G.4.1, equation G.2b).
    """
    factors = [1.0] * len(parts) if sensitivities is None else sensitivities
    pairs = list(zip(factors, parts, strict=True))
    value = np.asarray(sum(c * p.value for c, p in pairs))
    variance = np.asarray(sum((c * p.standard_error) ** 2 for c, p in pairs))
    spread = np.asarray(sum((c * p.standard_error) ** 4 / p.degrees_of_freedom for c, p in pairs))
    # Nothing uncertain, or only what is known for good: as many degrees of freedom as one likes.
    freedom = np.divide(variance**2, spread, out=np.full(spread.shape, np.inf), where=spread != 0)
    return Estimate(value, np.sqrt(variance), freedom)


def difference(first: Estimate, second: Estimate) -> Estimate:
    """First less second, independent: of two means this is Welch's (Biometrika 34 (1947) 28)."""
    return combined([first, second], [1.0, -1.0])


def holm(p: Floats) -> FloatArray:
    """p-values adjusted over the last axis, NaN left out (Holm, Scand. J. Statist. 6 (1979) 65)."""
    raw = np.asarray(p, dtype=np.float64)
    order = np.argsort(raw, axis=-1)  # NaN goes last
    rising = np.take_along_axis(raw, order, axis=-1)
    left = np.isfinite(raw).sum(axis=-1, keepdims=True) - np.arange(raw.shape[-1])
    stepped = np.minimum(np.maximum.accumulate(rising * left, axis=-1), 1.0)
    adjusted = np.empty_like(raw)
    np.put_along_axis(adjusted, order, stepped, axis=-1)
    return adjusted


class Verdict(StrEnum):
    """What may be said about two set-ups."""

    DIFFERENT = "different"
    NO_DIFFERENCE_THAT_MATTERS = "no difference that matters"
    CANNOT_TELL = "cannot tell"
    NOT_COMPARABLE = "not comparable"


@dataclass(frozen=True)
class Judgement:
    """One comparison: the verdict and what it rests on, p-values adjusted for all comparisons made."""

    verdict: Verdict
    difference: float
    low: float
    high: float
    p_zero: float
    p_beyond: float


def judge(differences: Estimate, margin: float, alpha: float = 0.05) -> tuple[Judgement, ...]:
    """Judge a family of differences (comparisons,) at once.

    A difference that is real but certainly smaller than `margin` (in its unit) does not matter. Without a
    standard error (fewer than two runs on a side) there is nothing to compare. `low` and `high` are the plain
    interval of each difference at confidence 1 − alpha, not widened for their number.
    """
    p_zero, p_beyond = holm(differences.p_zero()), holm(differences.p_beyond(margin))
    low, high = differences.interval(1 - alpha)
    verdicts = np.select(
        [np.isnan(p_zero), p_beyond <= alpha, p_zero <= alpha],
        [Verdict.NOT_COMPARABLE, Verdict.NO_DIFFERENCE_THAT_MATTERS, Verdict.DIFFERENT],
        Verdict.CANNOT_TELL,
    )
    columns = (differences.value, low, high, p_zero, p_beyond)
    return tuple(
        Judgement(Verdict(verdict), *numbers)
        for verdict, *numbers in zip(verdicts.tolist(), *(c.tolist() for c in columns), strict=True)
    )


def power(difference: float, sd: float, runs_first: int, runs_second: int, alpha: float = 0.05) -> float:
    """Probability that a two-sided t test sees this difference between two set-ups of equal spread.

    Noncentral t (Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed., 1988, ch. 2).
    """
    freedom = runs_first + runs_second - 2
    if freedom < 1 or min(runs_first, runs_second) < 1:
        return 0.0
    shift = abs(difference) / (sd * math.sqrt(1 / runs_first + 1 / runs_second))
    critical = stats.t.ppf(1 - alpha / 2, freedom)
    return float(stats.nct.sf(critical, freedom, shift) + stats.nct.cdf(-critical, freedom, shift))


def runs_needed(difference: float, sd: float, wanted_power: float = 0.8, alpha: float = 0.05) -> int:
    """Fewest runs of each of two set-ups that see this difference with the wanted power.

    Raises
    ------
    NotEnoughData
        Where no number of runs that anyone would make is enough.
    """
    few, many = 1, 2
    while power(difference, sd, many, many, alpha) < wanted_power:
        few, many = many, 2 * many
        if many > _MOST_RUNS:
            raise NotEnoughData(
                f"a difference of {difference:g} with a run-to-run spread of {sd:g} needs more than "
                f"{_MOST_RUNS} runs of each; look for a larger difference or steady the runs"
            )
    while many - few > 1:
        middle = (few + many) // 2
        enough = power(difference, sd, middle, middle, alpha) >= wanted_power
        few, many = (few, middle) if enough else (middle, many)
    return many


@dataclass(frozen=True)
class Spread:
    """A standard deviation and the degrees of freedom it rests on."""

    sd: float
    degrees_of_freedom: int


def pooled_sd(groups: Sequence[Floats]) -> Spread:
    """Standard deviation within groups of equal spread; NaN and groups of one add nothing."""
    squares, freedom = 0.0, 0
    for values in _finite(groups):
        squares += float(np.sum((values - values.mean()) ** 2))
        freedom += values.size - 1
    return Spread(math.sqrt(squares / freedom) if freedom else math.nan, freedom)


@dataclass(frozen=True)
class Repeatability:
    """One-way random-effects analysis of variance, in the terms of ISO 5725-2.

    `repeatability_sd` s_r within a group (one operator, one session), `between_sd` s_L of the groups' true
    means, `reproducibility_sd` s_R of a run in any group.
    """

    sum_of_squares_between: float
    sum_of_squares_within: float
    freedom_between: int
    freedom_within: int
    f_ratio: float
    p_value: float
    repeatability_sd: float
    between_sd: float
    reproducibility_sd: float

    @property
    def repeatability_limit(self) -> float:
        """Two runs of one group differ by more than this once in twenty: 2.8 s_r."""
        return 2.8 * self.repeatability_sd

    @property
    def reproducibility_limit(self) -> float:
        """Two runs of two groups differ by more than this once in twenty: 2.8 s_R."""
        return 2.8 * self.reproducibility_sd


def repeatability(groups: Sequence[Floats]) -> Repeatability:
    """Split the spread of runs into within and between groups (ISO 5725-2:1994, 7.4); sizes may differ.

    Raises
    ------
    NotEnoughData
        Below two groups, or where no group has two runs.
    """
    kept = _finite(groups)
    sizes = np.array([values.size for values in kept])
    total, between = int(sizes.sum()), len(kept) - 1
    within = total - len(kept)
    if between < 1 or within < 1:
        raise NotEnoughData(
            f"repeatability needs two groups and two runs in one of them, found {len(kept)} groups with "
            f"{total} runs. Add runs by another operator or in another session, and repeat one"
        )
    # Differences from a value near all others keep the digits that squares of large numbers would lose.
    origin = kept[0][0]
    means = np.array([np.mean(values - origin) for values in kept])
    grand = float(sizes @ means) / total
    squares_between = float(sizes @ (means - grand) ** 2)
    squares_within = sum(
        float(np.sum((values - origin - mean) ** 2)) for values, mean in zip(kept, means, strict=True)
    )
    variance_between, variance_within = squares_between / between, squares_within / within
    typical_size = (total - float(sizes @ sizes) / total) / between
    excess = max(0.0, (variance_between - variance_within) / typical_size)
    ratio = variance_between / variance_within if variance_within > 0 else math.inf
    return Repeatability(
        sum_of_squares_between=squares_between,
        sum_of_squares_within=squares_within,
        freedom_between=between,
        freedom_within=within,
        f_ratio=ratio,
        p_value=float(stats.f.sf(ratio, between, within)),
        repeatability_sd=math.sqrt(variance_within),
        between_sd=math.sqrt(excess),
        reproducibility_sd=math.sqrt(variance_within + excess),
    )


def _finite(groups: Sequence[Floats]) -> list[FloatArray]:
    """The finite values of each group that has any."""
    arrays = [np.asarray(values, dtype=np.float64) for values in groups]
    return [values[np.isfinite(values)] for values in arrays if np.isfinite(values).any()]
