"""Curves that rise or fall at one rate or two, weighed over a grid of rates.

    y(t) = y₀ + a₁ (1 − exp(−k₁ t)) + a₂ (1 − exp(−k₂ t)),   k₁ < k₂

For given rates y₀ and the a's are linear and are solved exactly (variable projection: Golub & Pereyra, SIAM
J. Numer. Anal. 10 (1973) 413). The rates are not reduced to one best value: every cell of a grid is weighed
by likelihood and prior, with the between-run variance integrated out. That needs no starting values, has no
local minima, and stays honest where runs are few or flat. Levels carry the prior that makes predictions, not
coefficients, equally likely (a unit-information g-prior: Zellner 1986), so no determinant enters the weights.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray

_ROUNDS = 4  # how often the grid closes in on what the runs allow
_WORTH = 12.0  # cells this far below the best log weight carry less than 1e-5 of it
_LEAST_RATIO, _MOST_RATIO = 1.2, 40.0  # of two rates; closer than this they cannot be told apart


@dataclass(frozen=True)
class RatePrior:
    """What is known of the rate before any run: lognormal. `sd_log` 0.5 is a factor of 1.65 either way."""

    median_per_s: float
    sd_log: float


@dataclass(frozen=True)
class SpreadPrior:
    """What is known of the between-run spread, in the value's unit, and how many runs' worth it counts."""

    sd: float
    degrees_of_freedom: float


@dataclass(frozen=True, eq=False)
class Table:
    """Set-ups side by side (set-ups, runs), padded with weight 0, and a prior or None for each."""

    duration_s: FloatArray
    value: FloatArray
    weight: FloatArray
    rate_priors: tuple[RatePrior | None, ...]
    spread_priors: tuple[SpreadPrior | None, ...]


@dataclass(frozen=True, eq=False)
class RateFamily:
    """The curves with this many rates that the runs of one set-up allow.

    Each cell is one choice of rates: `rates_per_s` (cells, rates) ascending, `weight` (cells,) summing to 1,
    `coefficients` (cells, 1 + rates) y₀ and the a's, `spread_out` (cells, 1 + rates, 1 + rates) whose product
    with its transpose is their covariance for unit variance, `variance` (cells,) between runs of weight 1.
    `aicc` is Akaike's criterion corrected for few runs (Hurvich & Tsai, Biometrika 76 (1989) 297), in which
    the variance counts as a parameter; infinite where the runs are too few for it.
    """

    aicc: float
    degrees_of_freedom: float
    rates_per_s: FloatArray
    weight: FloatArray
    coefficients: FloatArray
    spread_out: FloatArray
    variance: FloatArray

    @property
    def typical_rates_per_s(self) -> FloatArray:
        """Geometric mean of each rate (rates,)."""
        return np.exp(self.weight @ np.log(self.rates_per_s))

    @property
    def rate_sd_log(self) -> FloatArray:
        """Standard deviation of the logarithm of each rate (rates,)."""
        log_rates = np.log(self.rates_per_s)
        return np.sqrt(self.weight @ (log_rates - self.weight @ log_rates) ** 2)

    @property
    def between_run_variance(self) -> float:
        """Variance between runs of weight 1."""
        return float(self.weight @ self.variance)

    def curve(self, duration_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The mean curve (durations,) and the variance of that mean."""
        basis = _basis(self.rates_per_s, duration_s)
        means = np.einsum("ctq,cq->ct", basis, self.coefficients)
        size = np.sum(np.einsum("ctq,cqp->ctp", basis, self.spread_out) ** 2, axis=2)
        mean = self.weight @ means
        return mean, self.weight @ (self.variance[:, None] * size + (means - mean) ** 2)


def one_rate(table: Table) -> list[RateFamily | None]:
    """The one-rate family of each set-up; None where the durations rule every curve out."""
    slowest, fastest = _reach(table)
    return _explore(table, _Grid(slowest[:, None], fastest[:, None], (64,), np.exp), monotone=False)


def two_rates(table: Table, *, monotone: bool) -> list[RateFamily | None]:
    """The two-rate family of each set-up; None where the durations, or `monotone`, rule every curve out."""
    slowest, fastest = _reach(table)
    # Mean rate and ratio rather than the two rates: their errors hardly mix.
    ratio = np.broadcast_to(np.log([[_LEAST_RATIO], [_MOST_RATIO]]), (2, len(slowest)))
    low, high = np.stack([slowest, ratio[0]], axis=1), np.stack([fastest, ratio[1]], axis=1)
    apart = np.array([-0.5, 0.5])
    grid = _Grid(low, high, (24, 16), lambda axes: np.exp(axes[..., :1] + axes[..., 1:] * apart))
    return _explore(table, grid, monotone)


def _reach(table: Table) -> tuple[FloatArray, FloatArray]:
    """Logarithms of the slowest and fastest rate to consider (set-ups,)."""
    made = np.where((table.duration_s > 0) & (table.weight > 0), table.duration_s, np.nan)
    # Slower than this is a straight line over the runs; faster is over before the shortest run ends.
    slowest, fastest = np.log(0.1 / np.nanmax(made, axis=1)), np.log(5.0 / np.nanmin(made, axis=1))
    for s, prior in enumerate(table.rate_priors):
        if prior is not None:
            centre, reach = math.log(prior.median_per_s), 2.5 * prior.sd_log
            slowest[s], fastest[s] = min(slowest[s], centre - reach), max(fastest[s], centre + reach)
    return slowest, fastest


@dataclass(frozen=True, eq=False)
class _Grid:
    """Where rates are looked for: a box (set-ups, axes) cut into `shape` cells; axis 0 is a log rate."""

    low: FloatArray
    high: FloatArray
    shape: tuple[int, ...]
    rates_of: Callable[[FloatArray], FloatArray]


@dataclass(frozen=True, eq=False)
class _Cells:
    """A weighed grid (set-ups, cells, …); `log_weight` is 0 at the best cell, −∞ where ruled out."""

    rates_per_s: FloatArray
    log_weight: FloatArray
    coefficients: FloatArray
    spread_out: FloatArray
    variance: FloatArray
    rss: FloatArray
    count: FloatArray
    freedom: FloatArray
    rate_precision: FloatArray

    def family(self, s: int) -> RateFamily | None:
        kept = self.log_weight[s] > -_WORTH
        if not kept.any():
            return None
        weight = np.exp(self.log_weight[s][kept])
        weight /= weight.sum()
        rates = self.rates_per_s[s][kept]
        log_rate = np.log(rates).mean(axis=1)
        # A rate that its prior knows already, and the runs add nothing to, costs no degree of freedom.
        still_unknown = float(weight @ (log_rate - weight @ log_rate) ** 2 * self.rate_precision[s])
        spent = rates.shape[1] - min(still_unknown, 1.0)
        count, free = float(self.count[s]), 2 * rates.shape[1] + 2
        aicc = math.inf
        if count > free + 1:
            aicc = count * math.log(self.rss[s][kept].min() / count) + 2 * free * count / (count - free - 1)
        return RateFamily(
            aicc=aicc,
            degrees_of_freedom=max(float(self.freedom[s]) - spent, 1.0),
            rates_per_s=rates,
            weight=weight,
            coefficients=self.coefficients[s][kept],
            spread_out=self.spread_out[s][kept],
            variance=self.variance[s][kept],
        )


def _explore(table: Table, grid: _Grid, monotone: bool) -> list[RateFamily | None]:
    """Weigh the grid, close in on the part that counts, and weigh again."""
    unit = np.stack(np.meshgrid(*(np.linspace(0, 1, n) for n in grid.shape), indexing="ij"), axis=-1)
    unit = unit.reshape(-1, len(grid.shape))
    margin = 1.0 / (np.array(grid.shape) - 1)
    low, high = grid.low[:, None, :], grid.high[:, None, :]
    cells = _weigh(table, low + unit * (high - low), grid.rates_of, monotone)
    for _ in range(_ROUNDS - 1):
        worth = (cells.log_weight > -_WORTH)[:, :, None]
        worth |= ~worth.any(axis=1, keepdims=True)  # where all is ruled out, keep the box
        first = np.maximum(np.where(worth, unit, 1.0).min(axis=1, keepdims=True) - margin, 0.0)
        last = np.minimum(np.where(worth, unit, 0.0).max(axis=1, keepdims=True) + margin, 1.0)
        low, high = low + first * (high - low), low + last * (high - low)
        cells = _weigh(table, low + unit * (high - low), grid.rates_of, monotone)
    return [cells.family(s) for s in range(len(low))]


def _weigh(
    table: Table, axes: FloatArray, rates_of: Callable[[FloatArray], FloatArray], monotone: bool
) -> _Cells:
    """Solve for the levels in every cell (set-ups, cells, axes), and say how well runs and priors like it."""
    rates = rates_of(axes)
    root = np.sqrt(table.weight)
    basis = root[:, None, :, None] * _basis(rates, table.duration_s[:, None, :])
    target = (root * table.value)[:, None, :, None]
    across, up = np.linalg.qr(basis)
    seen = np.swapaxes(across, 2, 3) @ target
    count = (table.weight > 0).sum(axis=1).astype(np.float64)
    # No scale reads to better than a billionth: keeps a perfect fit from weighing infinitely much.
    least = count[:, None] * (1e-9 * np.abs(target).max(axis=(2, 3))) ** 2
    rss = np.maximum(np.sum((target - across @ seen)[..., 0] ** 2, axis=2), least)
    # Rates so fast that the runs see only a plateau, or too alike to be told apart, leave no inverse.
    each = np.arange(basis.shape[3])
    blind = (np.abs(up[..., each, each]) < 1e-9 * np.linalg.norm(up, axis=2)).any(axis=2)
    inverse = np.linalg.inv(np.where(blind[..., None, None], np.eye(len(each)), up))
    coefficients = (inverse @ seen)[..., 0]
    heights = coefficients[..., 1:]
    turns = heights.min(axis=2) * heights.max(axis=2) < 0

    spread = [prior or SpreadPrior(0.0, 0.0) for prior in table.spread_priors]
    extra = np.array([p.degrees_of_freedom for p in spread])
    freedom = count - len(each) + extra
    total = rss + np.array([p.degrees_of_freedom * p.sd**2 for p in spread])[:, None]
    centre = np.array([0.0 if p is None else math.log(p.median_per_s) for p in table.rate_priors])
    precision = np.array([0.0 if p is None else p.sd_log**-2 for p in table.rate_priors])
    strays = (axes[..., 0] - centre[:, None]) ** 2 * precision[:, None]
    log_weight = -0.5 * (freedom[:, None] * np.log(total) + strays)
    log_weight = np.where(blind | (turns & monotone), -np.inf, log_weight)
    best = log_weight.max(axis=1, keepdims=True)
    return _Cells(
        rates_per_s=rates,
        log_weight=log_weight - np.where(np.isfinite(best), best, 0.0),
        coefficients=coefficients,
        spread_out=inverse,
        variance=total / np.maximum(freedom, 1.0)[:, None],
        rss=rss,
        count=count,
        freedom=freedom,
        rate_precision=precision,
    )


def _basis(rates_per_s: FloatArray, duration_s: FloatArray) -> FloatArray:
    """1 and 1 − exp(−k t) (…, cells, times, 1 + rates), from rates (…, cells, rates) and times (…, times)."""
    rising = -np.expm1(-rates_per_s[..., None, :] * duration_s[..., None])
    return np.concatenate([np.ones((*rising.shape[:-1], 1)), rising], axis=-1)
