"""Nonlinear least squares on many small problems at once, each a lane.

Levenberg–Marquardt (Marquardt, J. SIAM 11 (1963) 431) with the column scaling of Moré (Lecture Notes in
Mathematics 630 (1978) 105), the damping rule of Nielsen (IMM-REP-1999-05, Technical University of Denmark,
1999), bounds by an active set with projection, and the relative offset criterion of Bates & Watts
(Technometrics 23 (1981) 179) to say when a lane is done.

A model is written once, over rows: `residuals(params, lane)` is given parameters (rows, params) and the lane
that each row belongs to (rows,), and returns (rows, residuals). All lanes, and all the perturbed copies that
a numerical Jacobian needs, travel in one call.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

import numpy as np

from rig.arrays import BoolArray, FloatArray, Floats, IntArray

# (rows, params) and lanes (rows,) to residuals (rows, residuals), or to a Jacobian (rows, residuals, params).
RowFunction = Callable[[FloatArray, IntArray], FloatArray]

_LEAST_DAMPING = 1e-14
_HOPELESS_DAMPING = 1e16
_FLAT = 1e-14  # curvature, as a share of the steepest, that rounding cannot tell from none


class Differences(Enum):
    """How a numerical Jacobian is taken: CENTRAL costs two rows a parameter and lane, FORWARD one."""

    CENTRAL = "central"
    FORWARD = "forward"


@dataclass(frozen=True)
class Tolerances:
    """When a lane is done, judged by the step that an undamped iteration would still take.

    `offset` is that step as a share of the parameters' own confidence region (Bates & Watts: 0.001 is
    enough for any purpose of inference), `step` its size relative to the parameters; either suffices. A lane
    that rounding keeps from going further counts as converged where it meets one of the `stalled` pair.
    """

    offset: float = 1e-6
    step: float = 1e-12
    stalled_offset: float = 1e-3
    stalled_step: float = 1e-6


FINE = Tolerances()


@dataclass(frozen=True, eq=False)
class Solution:
    """Where each lane ended, and whether it may be believed.

    `params` (lanes, params). `unit_covariance` (lanes, params, params) is the inverse of JᵀJ: the covariance
    where residuals come in units of their own standard deviation. A parameter held at a bound is taken as
    known and has zero variance; one that the residuals do not speak of has infinite variance. `rss`,
    `degrees_of_freedom` (residuals present less parameters), `converged` and `iterations` are (lanes,);
    `at_bound` is (lanes, params).
    """

    params: FloatArray
    unit_covariance: FloatArray
    rss: FloatArray
    degrees_of_freedom: IntArray
    converged: BoolArray
    at_bound: BoolArray
    iterations: IntArray

    @property
    def determined(self) -> BoolArray:
        """Whether the residuals speak of every parameter (lanes,)."""
        return np.asarray(np.isfinite(self.unit_covariance).all(axis=(1, 2)))

    @property
    def residual_sd(self) -> FloatArray:
        """√(rss ÷ degrees of freedom) (lanes,); NaN where there are none left."""
        left = self.degrees_of_freedom > 0
        blank = np.full_like(self.rss, np.nan)
        return np.sqrt(np.divide(self.rss, self.degrees_of_freedom, out=blank, where=left))

    @property
    def covariance(self) -> FloatArray:
        """Covariance (lanes, params, params) where the residuals themselves say how large they are."""
        with np.errstate(invalid="ignore"):  # unknown and without any residual left: 0 × ∞ is not a number
            return self.unit_covariance * (self.residual_sd**2)[:, None, None]

    @property
    def standard_error(self) -> FloatArray:
        """Square root of the diagonal of `covariance` (lanes, params)."""
        return np.sqrt(np.diagonal(self.covariance, axis1=1, axis2=2))


def solve(
    residuals: RowFunction,
    start: FloatArray,
    *,
    lower: Floats | None = None,
    upper: Floats | None = None,
    jacobian: RowFunction | None = None,
    differences: Differences = Differences.CENTRAL,
    first_damping: float = 100.0,
    max_iterations: int = 200,
    tolerances: Tolerances = FINE,
) -> Solution:
    """Least squares in every lane.

    Parameters
    ----------
    residuals
        See the module's text. NaN at the start marks a residual as missing for good; one that turns NaN or
        infinite later makes the solver turn back from that step.
    start
        (lanes, params); moved inside the bounds.
    lower, upper
        Broadcast to (lanes, params). Equal bounds hold a parameter fixed.
    jacobian
        ∂residual/∂param (rows, residuals, params), rows as for `residuals`; numerical where not given.
    first_damping
        The default takes short first steps, so that a far start is not overshot; 0.001 saves some four
        iterations where the start is known to be near.

    Raises
    ------
    ValueError
        Where shapes do not fit or a lower bound lies above its upper one.
    """
    problem = _problem(residuals, start, lower, upper, jacobian, differences)
    lanes, count = problem.start.shape
    everyone = np.arange(lanes)
    params = problem.start.copy()
    rss = problem.rss(params, everyone)
    exact = 1e-28 * rss
    gram, gradient = np.zeros((lanes, count, count)), np.zeros((lanes, count))
    scale = np.zeros((lanes, count))
    damping, growth = np.full(lanes, first_damping), np.full(lanes, 2.0)
    iterations = np.zeros(lanes, dtype=np.int64)
    converged, moved = np.zeros(lanes, dtype=np.bool_), np.ones(lanes, dtype=np.bool_)
    running = np.isfinite(rss)

    for iteration in range(max_iterations + 1):
        lane = np.flatnonzero(running & moved)
        if lane.size:
            gram[lane], gradient[lane] = problem.normal_equations(params[lane], lane)
            scale[lane] = np.fmax(scale[lane], _column_norms(gram[lane]))
            moved[lane] = False
            # Without a finite slope there is no direction to go: such a lane ends here, not converged.
            running[lane] = np.isfinite(gram[lane]).all(axis=(1, 2)) & np.isfinite(gradient[lane]).all(axis=1)
        lane = np.flatnonzero(running)
        if not lane.size:
            break
        held = problem.held(params[lane], gradient[lane], lane)
        offset, step = problem.left_to_go(params[lane], rss[lane], gram[lane], gradient[lane], held, lane)
        done = (offset <= tolerances.offset) | (step <= tolerances.step) | (rss[lane] <= exact[lane])
        near = (offset <= tolerances.stalled_offset) | (step <= tolerances.stalled_step)
        stopped = (damping[lane] > _HOPELESS_DAMPING) | (iteration == max_iterations)
        converged[lane] = done | (stopped & near)
        running[lane] = ~(done | stopped)

        lane, held = lane[running[lane]], held[running[lane]]
        if not lane.size:
            continue
        iterations[lane] += 1
        local = _quadratic(gram[lane], gradient[lane], held, scale[lane])
        trial = problem.inside(params[lane] + local.step(damping[lane]), lane)
        trial_rss = problem.rss(trial, lane)
        promised = local.reduction(trial - params[lane])
        gained = rss[lane] - trial_rss
        better = (gained > 0) & (promised > 0)
        kept, turned = lane[better], lane[~better]
        params[kept], rss[kept], moved[kept] = trial[better], trial_rss[better], True
        quality = np.minimum(gained[better] / promised[better], 1.0)
        damping[kept] = np.maximum(
            damping[kept] * np.maximum(0.1, 1 - (2 * quality - 1) ** 3), _LEAST_DAMPING
        )
        growth[kept] = 2.0
        damping[turned] *= growth[turned]
        growth[turned] *= 2.0

    held = problem.held(params, gradient, everyone)
    return Solution(
        params=params,
        unit_covariance=_inverse(gram, held),
        rss=rss,
        degrees_of_freedom=problem.present.sum(axis=1) - count,
        converged=converged,
        at_bound=held,
        iterations=iterations,
    )


@dataclass(frozen=True, eq=False)
class _Problem:
    """The question as asked: the model, where it starts, its bounds, and which residuals exist."""

    residuals: RowFunction
    jacobian: RowFunction | None
    differences: Differences
    start: FloatArray
    lower: FloatArray
    upper: FloatArray
    present: BoolArray

    def inside(self, params: FloatArray, lane: IntArray) -> FloatArray:
        return np.clip(params, self.lower[lane], self.upper[lane])

    def values(self, params: FloatArray, lane: IntArray) -> FloatArray:
        """Residuals, zero where missing."""
        # A trial step may lead far out; what overflows there is turned back from, not worth a warning.
        with np.errstate(over="ignore", invalid="ignore"):
            return np.where(self.present[lane], self.residuals(params, lane), 0.0)

    def rss(self, params: FloatArray, lane: IntArray) -> FloatArray:
        with np.errstate(over="ignore"):
            total = np.sum(self.values(params, lane) ** 2, axis=1)
        return np.where(np.isnan(total), np.inf, total)

    def size(self, params: FloatArray, lane: IntArray) -> FloatArray:
        """How large each parameter is; near zero, a thousandth of where it started, else of one."""
        start = np.abs(self.start[lane])
        return np.maximum(np.abs(params), 1e-3 * np.where(start > 0, start, 1.0))

    def slopes(self, params: FloatArray, lane: IntArray) -> FloatArray:
        """∂residual/∂param (rows, residuals, params), zero where missing."""
        if self.jacobian is not None:
            with np.errstate(over="ignore", invalid="ignore"):
                return np.where(self.present[lane][:, :, None], self.jacobian(params, lane), 0.0)
        rows, count = params.shape
        central = self.differences is Differences.CENTRAL
        width = np.finfo(np.float64).eps ** (1 / 3 if central else 1 / 2) * self.size(params, lane)
        ahead, behind = self.inside(params + width, lane), self.inside(params - width, lane)
        if not central:
            # No room ahead at an upper bound: look back instead.
            ahead, behind = np.where(ahead > params, ahead, behind), params
        stacked = np.concatenate(
            [_one_moved(params, ahead), _one_moved(params, behind)[: count if central else 1]]
        )
        found = self.values(stacked.reshape(-1, count), np.tile(lane, len(stacked)))
        found = found.reshape(len(stacked), rows, found.shape[1])
        apart = (ahead - behind).T[:, :, None]
        with np.errstate(invalid="ignore"):
            rise = found[:count] - found[count:]
        return np.moveaxis(np.divide(rise, apart, out=np.zeros_like(rise), where=apart != 0), 0, 2)

    def normal_equations(self, params: FloatArray, lane: IntArray) -> tuple[FloatArray, FloatArray]:
        """JᵀJ (rows, params, params) and Jᵀr (rows, params)."""
        slope, value = self.slopes(params, lane), self.values(params, lane)
        transposed = np.swapaxes(slope, 1, 2)
        with np.errstate(over="ignore", invalid="ignore"):
            return transposed @ slope, (transposed @ value[:, :, None])[:, :, 0]

    def held(self, params: FloatArray, gradient: FloatArray, lane: IntArray) -> BoolArray:
        """Parameters at a bound that the fit would push further out, or that have no room at all."""
        low, high = self.lower[lane], self.upper[lane]
        return ((params <= low) & (gradient >= 0)) | ((params >= high) & (gradient <= 0))

    def left_to_go(
        self,
        params: FloatArray,
        rss: FloatArray,
        gram: FloatArray,
        gradient: FloatArray,
        held: BoolArray,
        lane: IntArray,
    ) -> tuple[FloatArray, FloatArray]:
        """What an undamped step would still do (rows,): relative offset, and change relative to params."""
        local = _quadratic(gram, gradient, held, _column_norms(gram))
        gain = local.undamped_gain
        free = np.maximum(local.free.sum(axis=1), 1)
        over = self.present[lane].sum(axis=1) - free
        noise = np.maximum(rss - gain, 0.0)
        ratio = np.full_like(rss, np.inf)
        np.divide(gain * over, noise * free, out=ratio, where=(noise > 0) & (over > 0))
        change = np.abs(local.step(np.zeros(len(lane)))) / self.size(params, lane)
        return np.sqrt(ratio), np.max(change, axis=1, initial=0.0)


def _problem(
    residuals: RowFunction,
    start: FloatArray,
    lower: Floats | None,
    upper: Floats | None,
    jacobian: RowFunction | None,
    differences: Differences,
) -> _Problem:
    start = np.asarray(start, dtype=np.float64)
    if start.ndim != 2:
        raise ValueError(f"start must have shape (lanes, params), found {start.shape}")
    low = np.broadcast_to(np.asarray(-np.inf if lower is None else lower, dtype=np.float64), start.shape)
    high = np.broadcast_to(np.asarray(np.inf if upper is None else upper, dtype=np.float64), start.shape)
    if (low > high).any():
        raise ValueError("a lower bound lies above its upper bound")
    start = np.clip(start, low, high)
    with np.errstate(over="ignore", invalid="ignore"):
        first = residuals(start, np.arange(len(start)))
    if first.ndim != 2 or len(first) != len(start):
        raise ValueError(f"residuals must have shape ({len(start)}, residuals), found {first.shape}")
    return _Problem(residuals, jacobian, differences, start, low, high, ~np.isnan(first))


@dataclass(frozen=True, eq=False)
class _Quadratic:
    """Each lane's sum of squares near where it stands, along principal axes of its scaled free parameters."""

    scale: FloatArray
    free: BoolArray
    curvature: FloatArray
    axes: FloatArray
    slope: FloatArray

    @property
    def floor(self) -> FloatArray:
        """The curvature below which an axis counts as flat (rows, 1)."""
        steepest = self.curvature.max(axis=1, keepdims=True, initial=0.0)
        return np.asarray(_FLAT * steepest + np.finfo(np.float64).tiny)

    @property
    def undamped_gain(self) -> FloatArray:
        """By how much an undamped step would lower the sum of squares (rows,)."""
        return np.asarray(np.sum(self.slope**2 / np.maximum(self.curvature, self.floor), axis=1))

    def step(self, damping: FloatArray) -> FloatArray:
        """The damped step (rows, params); with no damping, none along flat axes."""
        stiff = self.curvature + damping[:, None]
        along = np.divide(self.slope, stiff, out=np.zeros_like(self.slope), where=stiff > self.floor)
        return np.asarray(-np.einsum("lpk,lk->lp", self.axes, along) / self.scale)

    def reduction(self, move: FloatArray) -> FloatArray:
        """By how much the sum of squares should fall on this move (rows,)."""
        along = np.einsum("lpk,lp->lk", self.axes, np.where(self.free, move * self.scale, 0.0))
        return np.asarray(-np.sum(2 * self.slope * along + self.curvature * along**2, axis=1))


def _quadratic(gram: FloatArray, gradient: FloatArray, held: BoolArray, scale: FloatArray) -> _Quadratic:
    free = ~held & (_column_norms(gram) > 0)
    scale = np.where(free, scale, 1.0)
    both = free[:, :, None] & free[:, None, :]
    scaled = np.where(both, gram / (scale[:, :, None] * scale[:, None, :]), np.eye(gram.shape[1]))
    curvature, axes = np.linalg.eigh(scaled)
    slope = np.einsum("lpk,lp->lk", axes, np.where(free, gradient / scale, 0.0))
    return _Quadratic(scale, free, np.maximum(curvature, 0.0), axes, slope)


def _one_moved(params: FloatArray, to: FloatArray) -> FloatArray:
    """A copy of `params` (rows, params) for each parameter, with that one moved: (params, rows, params)."""
    this = np.eye(params.shape[1], dtype=np.bool_)[:, None, :]
    return np.where(this, to, params)


def _column_norms(gram: FloatArray) -> FloatArray:
    return np.asarray(np.sqrt(np.diagonal(gram, axis1=1, axis2=2)))


def _inverse(gram: FloatArray, held: BoolArray) -> FloatArray:
    """Inverse of JᵀJ over the parameters not held; infinite variance where nothing speaks of a parameter."""
    lost = np.asarray(~np.isfinite(gram).all(axis=(1, 2)))
    gram = np.where(lost[:, None, None], 0.0, gram)
    local = _quadratic(gram, np.zeros(held.shape), held, _column_norms(gram))
    flat = local.curvature <= local.floor
    stretch = np.divide(1.0, local.curvature, out=np.zeros_like(local.curvature), where=~flat)
    inverse: FloatArray = np.einsum("lpk,lk,lqk->lpq", local.axes, stretch, local.axes)
    inverse /= local.scale[:, :, None] * local.scale[:, None, :]
    inverse[~(local.free[:, :, None] & local.free[:, None, :])] = 0.0
    unknown = (np.einsum("lpk,lk->lp", local.axes**2, flat) > 1e-8) | (~local.free & ~held)
    each = np.arange(gram.shape[1])
    inverse[:, each, each] = np.where(unknown, np.inf, inverse[:, each, each])
    return inverse
