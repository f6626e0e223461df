"""What the drink was while a lagging probe read something else: the lag undone, with its uncertainty.

State: reading without noise m, drink x, rate of the drink v [K/s]; dm/dt = (x − m)/τ, dx/dt = v, v wandering
(local linear trend; A. C. Harvey, Forecasting, Structural Time Series Models and the Kalman Filter, 1989,
ch. 3). Filtered for live use, smoothed (Rauch–Tung–Striebel) for a trace that is complete. Differentiating the
reading, T + τ dT/dt, would do the same for a probe without noise, and multiplies the noise of any other.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.errors import ModelRangeError, NotEnoughData

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(6)
_START_STD = np.array([1.0, 1e3, 1e3])  # of the state, in units of the noise: nothing is known of x and v
_WANDERS = 10.0 ** np.arange(-3.0, 8.01, 0.5)  # [1/s³], in units of the noise variance
_PASSED_OVER = 2  # innovations that only find x and v
_KICK_K_PER_S = 8.0
"""Standard deviation of the rate that the start of motion brings: a hard shake begins at 5 to 10 K/s."""


@dataclass(frozen=True)
class LagModel:
    """A probe's time constant [s], its noise [°C], and how freely the drink's rate wanders [K²/s³].

    The default wander lets a rate change by about 3 K/s within the 4 s in which a hard shake chills.
    """

    tau_s: float
    tau_std_s: float = 0.0
    noise_std_k: float = 0.05
    wander_k2_per_s3: float = 2.0

    def __post_init__(self) -> None:
        if not (
            self.tau_s > 0 and self.tau_std_s >= 0 and self.noise_std_k > 0 and self.wander_k2_per_s3 > 0
        ):
            raise ModelRangeError(
                f"time constant {self.tau_s:g} s, noise {self.noise_std_k:g} °C and wander "
                f"{self.wander_k2_per_s3:g} must be above zero; do a plunge test"
            )


@dataclass(frozen=True, eq=False)
class Undone:
    """The drink [°C] at the times of the readings, its standard uncertainty, its rate [K/s]; shape (samples,)."""

    temp_c: FloatArray
    std_k: FloatArray
    rate_k_per_s: FloatArray
    model: LagModel


@dataclass(frozen=True, eq=False)
class Live:
    """The drink at the newest sample [°C], its standard uncertainty, and the state to go on from."""

    time_s: float
    temp_c: float
    std_k: float
    mean: FloatArray
    covariance: FloatArray


def undo_lag(
    time_s: FloatArray,
    reading_c: FloatArray,
    model: LagModel,
    *,
    learn: bool = True,
    motion_starts_s: float | None = 0.0,
) -> Undone:
    """The drink behind a complete trace, both of shape (samples,); NaN readings are bridged.

    `learn`: noise and wander are those most likely for this trace; else those of the model. At
    `motion_starts_s` the rate may jump; None where nothing starts.

    Raises
    ------
    NotEnoughData
        Fewer than five readings.
    ModelRangeError
        Where times do not rise.
    """
    t, y = _checked(time_s, reading_c)
    if learn:
        model = _most_likely(t, y, model, motion_starts_s)
    steps = _steps(t, model, motion_starts_s)
    r = model.noise_std_k**2
    mean, cov, ahead_mean, ahead_cov, _ = _filtered(y, steps, np.array([model.wander_k2_per_s3 / r]))
    mean, cov = _smoothed(steps, mean[:, 0], cov[:, 0], ahead_mean[:, 0], ahead_cov[:, 0])
    return Undone(mean[:, 1], _std(mean, cov * r, model), mean[:, 2], model)


def follow(
    state: Live | None,
    time_s: float,
    reading_c: float,
    model: LagModel,
    *,
    motion_starts_s: float | None = 0.0,
) -> Live:
    """The newest sample taken in: what the drink is now, from readings up to now only.

    `state` is None at the first sample. A NaN reading only lets time pass. In the first second after
    `motion_starts_s` little can be known, and the uncertainty says so.

    Raises
    ------
    ModelRangeError
        Where time does not advance.
    """
    r = model.noise_std_k**2
    if state is None:
        mean, cov = _start(reading_c if np.isfinite(reading_c) else 20.0)
    else:
        if time_s <= state.time_s:
            raise ModelRangeError(f"time went from {state.time_s:g} to {time_s:g} s; give samples in order")
        steps = _steps(np.array([state.time_s, time_s]), model, motion_starts_s)
        phi = steps.phi[0]
        mean = phi @ state.mean
        cov = phi @ state.covariance @ phi.T + steps.wander[0] * (model.wander_k2_per_s3 / r) + steps.kick[0]
    if np.isfinite(reading_c):
        mean, cov, _, _ = _taken_in(mean, cov, reading_c)
    std = float(_std(mean[None], cov[None] * r, model)[0])
    return Live(time_s, float(mean[1]), std, mean, cov)


def _std(mean: FloatArray, cov: FloatArray, model: LagModel) -> FloatArray:
    """Of the drink: from the noise, and from the time constant, as ∂x/∂τ = dm/dt = (x − m)/τ."""
    by_tau = (mean[:, 1] - mean[:, 0]) / model.tau_s * model.tau_std_s
    return np.sqrt(np.maximum(cov[:, 1, 1], 0.0) + by_tau**2)


def _checked(time_s: FloatArray, reading_c: FloatArray) -> tuple[FloatArray, FloatArray]:
    t, y = np.asarray(time_s, float), np.asarray(reading_c, float)
    if np.count_nonzero(np.isfinite(y)) < 5:
        raise NotEnoughData("fewer than five readings; a lag cannot be undone")
    if np.any(~(np.diff(t) > 0)):
        raise ModelRangeError("the times of the trace do not rise; sort it by time")
    return t, y


@dataclass(frozen=True, eq=False)
class _Steps:
    """From sample to sample, each (samples − 1, 3, 3): transition, and covariance that wander and start add."""

    phi: FloatArray
    wander: FloatArray
    kick: FloatArray


def _steps(t: FloatArray, model: LagModel, motion_starts_s: float | None) -> _Steps:
    phi, wander = _transition(np.diff(t), model.tau_s)
    kick = np.zeros_like(phi)
    if motion_starts_s is not None:
        here = (t[:-1] <= motion_starts_s) & (motion_starts_s < t[1:])
        jump = phi[here, :, 2] * (_KICK_K_PER_S / model.noise_std_k)
        kick[here] = jump[:, :, None] * jump[:, None, :]
    return _Steps(phi, wander, kick)


def _transition(dt: FloatArray, tau: float) -> tuple[FloatArray, FloatArray]:
    """State transition, and covariance of what unit wander adds; each of shape (steps, 3, 3)."""
    gone = -np.expm1(-dt / tau)
    phi = np.zeros((dt.size, 3, 3))
    phi[:, 0] = np.stack([1.0 - gone, gone, dt - tau * gone], axis=1)
    phi[:, 1, 1] = phi[:, 2, 2] = 1.0
    phi[:, 1, 2] = dt
    s = 0.5 * dt[:, None] * (_NODES + 1.0)
    g = np.stack([s + tau * np.expm1(-s / tau), s, np.ones_like(s)], axis=2)
    weights = 0.5 * dt[:, None] * _WEIGHTS
    return phi, np.einsum("nk,nki,nkj->nij", weights, g, g)


def _start(reading_c: Floats) -> tuple[FloatArray, FloatArray]:
    return np.array([reading_c, reading_c, 0.0], float), np.diag(_START_STD**2)


def _taken_in(
    mean: FloatArray, cov: FloatArray, reading: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Mean and covariance after a reading of unit noise; its innovation and that one's variance; (..., 3)."""
    innovation = reading - mean[..., 0]
    variance = cov[..., 0, 0] + 1.0
    gain = cov[..., :, 0] / variance[..., None]
    mean = mean + gain * innovation[..., None]
    cov = cov - gain[..., :, None] * gain[..., None, :] * variance[..., None, None]
    return mean, cov, innovation, variance


Filtered = tuple[FloatArray, FloatArray, FloatArray, FloatArray, tuple[FloatArray, FloatArray]]


def _filtered(y: FloatArray, steps: _Steps, wanders: FloatArray) -> Filtered:
    """Filter with several wanders at once, noise 1: states after and before each reading, and the likelihood.

    Means have shape (samples, wanders, 3); the last are the sums of squared innovations and of the logarithms
    of their variances, shape (wanders,).
    """
    n, several = y.size, wanders.size
    first_mean, first_cov = _start(y[np.isfinite(y)][0])
    mean, cov = np.tile(first_mean, (several, 1)), np.tile(first_cov, (several, 1, 1))
    means, ahead_means = np.empty((n, several, 3)), np.empty((n, several, 3))
    covs, ahead_covs = np.empty((n, several, 3, 3)), np.empty((n, several, 3, 3))
    squares, logs, seen = np.zeros(several), np.zeros(several), 0
    for k in range(n):
        if k:
            phi = steps.phi[k - 1]
            mean = mean @ phi.T
            cov = phi @ cov @ phi.T + steps.wander[k - 1] * wanders[:, None, None] + steps.kick[k - 1]
        ahead_means[k], ahead_covs[k] = mean, cov
        if np.isfinite(y[k]):
            mean, cov, innovation, variance = _taken_in(mean, cov, y[k])
            seen += 1
            if seen > _PASSED_OVER:
                squares += innovation**2 / variance
                logs += np.log(variance)
        means[k], covs[k] = mean, cov
    return means, covs, ahead_means, ahead_covs, (squares, logs)


def _most_likely(t: FloatArray, y: FloatArray, model: LagModel, motion_starts_s: float | None) -> LagModel:
    """The model with the noise and wander under which these readings are most likely."""
    _, _, _, _, (squares, logs) = _filtered(y, _steps(t, model, motion_starts_s), _WANDERS)
    n = np.count_nonzero(np.isfinite(y)) - _PASSED_OVER
    noise = np.maximum(squares / n, _rounding_variance(y))
    best = int(np.argmin(n * np.log(noise) + squares / noise + logs))
    return replace(
        model, noise_std_k=float(np.sqrt(noise[best])), wander_k2_per_s3=float(_WANDERS[best] * noise[best])
    )


def _rounding_variance(y: FloatArray) -> float:
    """Variance of rounding to the smallest step between readings; a reading is never surer than its digits."""
    levels = np.unique(y[np.isfinite(y)])
    step = float(np.diff(levels).min()) if levels.size > 1 else 0.0
    return max(step, 1e-3) ** 2 / 12.0


def _smoothed(
    steps: _Steps, mean: FloatArray, cov: FloatArray, ahead_mean: FloatArray, ahead_cov: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Rauch–Tung–Striebel, backwards over the filtered states (samples, 3)."""
    mean, cov = mean.copy(), cov.copy()
    for k in range(mean.shape[0] - 2, -1, -1):
        gain = np.linalg.solve(ahead_cov[k + 1], steps.phi[k] @ cov[k]).T
        mean[k] += gain @ (mean[k + 1] - ahead_mean[k + 1])
        cov[k] += gain @ (cov[k + 1] - ahead_cov[k + 1]) @ gain.T
    return mean, cov
