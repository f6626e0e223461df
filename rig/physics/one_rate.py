"""Curves with one rate: y = a·shape(k·t), their odds over the rate, batch-first; what foam and its age need.

For each rate on a grid the size `a` and the scatter are known in closed form (linear regression; flat in the
logarithms of size, rate and scatter, the scatter at least the instrument's), so the posterior of everything is
a weighted set of Student's t distributions: no iteration, no start values, no failure to converge. Bates &
Watts, Nonlinear Regression Analysis (1988), § 3.5 (separable least squares); Gelman et al., Bayesian Data
Analysis (2013), § 3.2 (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import gammainc, gammaln, stdtr, stdtrit

from rig.arrays import BoolArray, FloatArray, Floats
from rig.errors import NotEnoughData

Shape = Callable[[FloatArray], FloatArray]

_TINY = 1e-300
_T_PARTS = (np.arange(15) + 0.5) / 15.0


def rising(x: FloatArray) -> FloatArray:
    """A saturating rise, 1 − e^(−x)."""
    return np.asarray(-np.expm1(-x))


def falling(x: FloatArray) -> FloatArray:
    """A decay, e^(−x)."""
    return np.asarray(np.exp(-x))


@dataclass(frozen=True, eq=False)
class RateFit:
    """Posterior over a grid of rates.

    `rate` is (grid,); `weight`, `size` and `size_sd` are (…, grid); `scatter` (…, grid) is the standard
    deviation of one reading about the curve, `freedom` (…) the degrees of freedom of the t distributions.
    """

    shape: Shape
    rate: FloatArray
    weight: FloatArray
    size: FloatArray
    size_sd: FloatArray
    scatter: FloatArray
    freedom: FloatArray

    def quantile(self, part: float, values: Floats) -> FloatArray:
        """Quantile over the grid alone of a value per grid point, (grid,) or (…, grid)."""
        v = np.broadcast_to(np.asarray(values, float), self.weight.shape)
        return weighted_quantile(v, self.weight, part)

    def spread_of(self, of: Callable[[FloatArray, FloatArray], FloatArray]) -> tuple[FloatArray, FloatArray]:
        """Values and weights (…, grid × 15) of a function of size and rate, the size's own spread included."""
        t = stdtrit(self.freedom[..., None, None], _T_PARTS)
        size = self.size[..., None] + self.size_sd[..., None] * t
        values = of(size, np.broadcast_to(self.rate[:, None], size.shape))
        weight = np.broadcast_to(self.weight[..., None] / _T_PARTS.size, values.shape)
        flat = (*values.shape[:-2], -1)
        return values.reshape(flat), weight.reshape(flat)

    def predict(self, time_s: Floats) -> Forecast:
        """What a new reading at each time is likely to be."""
        basis = self.shape(self.rate[:, None] * np.asarray(time_s, float))
        centre = self.size[..., None] * basis
        width = np.hypot(self.scatter[..., None], self.size_sd[..., None] * basis)
        return Forecast(self.weight[..., None], centre, width, self.freedom[..., None, None])


@dataclass(frozen=True, eq=False)
class Forecast:
    """Weighted t distributions of a new reading; `centre` and `width` are (…, grid, times)."""

    weight: FloatArray
    centre: FloatArray
    width: FloatArray
    freedom: FloatArray

    @property
    def mean(self) -> FloatArray:
        """Mean of a new reading, (…, times)."""
        return np.asarray((self.weight * self.centre).sum(axis=-2))

    @property
    def sd(self) -> FloatArray:
        """Standard deviation of a new reading, (…, times)."""
        own = self.width**2 * np.where(
            self.freedom > 2.0, self.freedom / np.maximum(self.freedom - 2.0, 1.0), 3.0
        )
        across = (self.centre - self.mean[..., None, :]) ** 2
        return np.asarray(np.sqrt((self.weight * (own + across)).sum(axis=-2)))

    def odds_at_least(self, wanted: Floats) -> FloatArray:
        """Probability that a new reading is `wanted` or more, (…, times)."""
        z = (self.centre - np.asarray(wanted, float)[..., None, None]) / np.maximum(self.width, _TINY)
        return np.asarray((self.weight * stdtr(self.freedom, z)).sum(axis=-2))


def fit_one_rate(
    time_s: Floats,
    reading: Floats,
    shape: Shape,
    rate: FloatArray,
    *,
    least_scatter: Floats = 0.0,
    correlated: bool = False,
) -> RateFit:
    """Fit a·shape(k·t) to readings over the last axis, NaN where there is none.

    `least_scatter` is what the instrument alone scatters. `correlated` widens for readings of one course
    that wander together: by their lag-one autocorrelation ρ, n readings count as n·(1 − ρ)/(1 + ρ).

    Raises
    ------
    NotEnoughData
        Fewer than three readings in any row.
    """
    t, y = np.broadcast_arrays(np.asarray(time_s, float), np.asarray(reading, float))
    seen = np.isfinite(t) & np.isfinite(y)
    n = seen.sum(axis=-1)
    if np.any(n < 3):
        raise NotEnoughData(f"a curve needs at least 3 readings, found {int(np.min(n))}; take more of them")
    basis = shape(rate[:, None] * np.where(seen, t, 0.0)[..., None, :]) * seen[..., None, :]
    y0 = np.where(seen, y, 0.0)[..., None, :]
    power = np.maximum((basis**2).sum(axis=-1), _TINY)
    size = (basis * y0).sum(axis=-1) / power
    residual = (y0 - size[..., None] * basis) * seen[..., None, :]
    squares = (residual**2).sum(axis=-1)
    least = np.asarray(least_scatter, float)[..., None] ** 2 + _TINY
    count = n.astype(float)
    if correlated:
        at = np.argmin(squares, axis=-1)[..., None, None]
        count = count * _independent_share(
            np.take_along_axis(residual, at, axis=-2)[..., 0, :], seen, least[..., 0]
        )
    freedom = np.maximum(count - 1.0, 1.0)
    squares = squares + _TINY
    above = np.maximum(size, _TINY)
    half = 0.5 * freedom[..., None]
    log_odds = -0.5 * np.log(power) - np.log(above) - half * np.log(squares)
    # Scatter below the instrument's own is cut off: the integral over the rest is this function.
    independent = squares * (count / n)[..., None]
    log_odds = log_odds + _log_lower_gamma(half, 0.5 * independent / least)
    log_odds = np.where(size > 0.0, log_odds, -np.inf)
    if np.any(~np.isfinite(log_odds).any(axis=-1)):
        raise NotEnoughData("the readings are not above zero, so there is no curve to fit")
    weight = np.exp(log_odds - log_odds.max(axis=-1, keepdims=True))
    weight /= weight.sum(axis=-1, keepdims=True)
    scatter = np.sqrt(np.maximum(squares / np.maximum(n - 1.0, 1.0)[..., None], least))
    effective = np.sqrt((count / n)[..., None])
    return RateFit(shape, rate, weight, size, scatter / np.sqrt(power) / effective, scatter, freedom)


def _log_lower_gamma(a: FloatArray, x: FloatArray) -> FloatArray:
    """Logarithm of the regularised lower incomplete gamma function, down to the smallest x."""
    small = a * np.log(np.maximum(x, _TINY)) - gammaln(a + 1.0)
    return np.asarray(np.where(x > 1e-3 * a, np.log(np.maximum(gammainc(a, x), _TINY)), small))


def _independent_share(residual: FloatArray, seen: BoolArray, least: FloatArray) -> FloatArray:
    """Share of independent readings among them, from the lag-one autocorrelation; 0.1 to 1.

    Residuals smaller than the instrument's own scatter, of variance `least`, cannot tell.
    """
    both = seen[..., 1:] & seen[..., :-1]
    cross = (residual[..., 1:] * residual[..., :-1] * both).sum(axis=-1)
    power = np.maximum((residual**2).sum(axis=-1), seen.sum(axis=-1) * least)
    rho = np.clip(cross / power, 0.0, 0.82)
    return np.asarray((1.0 - rho) / (1.0 + rho))


def weighted_quantile(values: FloatArray, weight: FloatArray, part: float) -> FloatArray:
    """Quantile of weighted values over the last axis; infinite values count as the largest."""
    order = np.argsort(values, axis=-1)
    v = np.take_along_axis(values, order, axis=-1)
    w = np.cumsum(np.take_along_axis(weight, order, axis=-1), axis=-1)
    first = np.argmax(w >= part * w[..., -1:] - 1e-12, axis=-1)[..., None]
    return np.asarray(np.take_along_axis(v, first, axis=-1)[..., 0])
