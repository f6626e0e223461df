"""When a chill stopped, from the break that the end of motion leaves in the probe's fall."""

from __future__ import annotations

import math

import numpy as np

from rig.arrays import FloatArray
from rig.signals.moments import Moment, Source

CLEAR_T = 8.0
"""A change of slope counts from this many of its standard errors on."""
CLEAR_GAIN = 20.0
"""So much better than a smooth chill must a chill that stops explain the trace (F ratio)."""
LEAST_BREAK = 0.5
"""The stop of motion takes away at least this share of the rate of chill."""
COARSE_S, FINE_S, FEWEST = 0.2, 0.02, 10
SMOOTH_CHILLS_S = tuple(np.geomspace(0.3, 60.0, 10).tolist())


def end_of_chill(
    time_s: FloatArray, probe_c: FloatArray, start_s: float, lag_s: float = 0.0
) -> Moment | None:
    """The break of slope that beats a smooth chill by most, None where none does; arrays of shape (samples,).

    A change of slope in the drink reaches a probe of lag τ as slope · (s − τ (1 − e^(−s/τ))), s seconds after it.
    """
    read = np.isfinite(time_s) & np.isfinite(probe_c)
    time, temp = time_s[read], probe_c[read]
    best: tuple[float, float, FloatArray, FloatArray] | None = None
    for instant in np.arange(start_s + 2.0 + 2.0 * lag_s, time[-1] - 1.0 - lag_s, COARSE_S).tolist():
        low, high = max(instant - 3.0 - lag_s, start_s + 0.5 + lag_s), instant + 2.0 + 2.0 * lag_s
        near = (time >= low) & (time <= high)
        t, y = time[near], temp[near]
        if t.size < FEWEST:
            continue
        weights, sum_sq, dof = _break_fit(t, y, instant, lag_s)
        if weights[1] > 0 or weights[2] < LEAST_BREAK * abs(weights[1]):
            continue
        gain = (_smooth_sum_sq(t, y) - sum_sq) / (sum_sq / dof)
        if gain > CLEAR_GAIN and (best is None or gain > best[0]):
            best = gain, instant, t, y
    return None if best is None else _refined(*best[1:], lag_s, float(np.median(np.diff(time))))


def _refined(coarse_s: float, t: FloatArray, y: FloatArray, lag_s: float, every_s: float) -> Moment | None:
    """The instant that leaves least, as wide as its profile; None where its change of slope is not clear."""
    instants = np.arange(coarse_s - 0.5, coarse_s + 0.5 + 1e-9, FINE_S)
    fits = [_break_fit(t, y, instant, lag_s) for instant in instants.tolist()]
    left = np.array([sum_sq for _, sum_sq, _ in fits])
    at = int(np.argmin(left))
    weights, sum_sq, dof = fits[at]
    design = _break_design(t - instants[at], lag_s)
    std = math.sqrt(sum_sq / dof * float(np.linalg.pinv(design.T @ design)[2, 2]) + 1e-18)
    if abs(weights[2]) < CLEAR_T * std:
        return None
    within = instants[left <= sum_sq * (1.0 + 1.0 / dof) + 1e-15]
    half_s = max(float(within[-1] - within[0]), FINE_S) / 2.0
    spread_s = math.hypot(half_s, every_s / math.sqrt(12.0))
    return Moment(float(instants[at]), spread_s, Source.PROBE, "probe stops falling")


def _break_design(s: FloatArray, lag_s: float) -> FloatArray:
    """Level, slope, change of slope, and curvature of the chill that ends, as the probe shows them."""
    before, after = np.clip(s, None, 0.0), np.clip(s, 0.0, None)
    left = np.exp(-after / lag_s) if lag_s > 0 else np.where(s > 0, 0.0, 1.0)
    ramp = after - lag_s * (1.0 - left)
    bend = np.where(s < 0, before**2 - 2 * lag_s * before, 0.0) + 2 * lag_s**2 * left
    twist = (
        np.where(s < 0, before**3 - 3 * lag_s * before**2 + 6 * lag_s**2 * before, 0.0) - 6 * lag_s**3 * left
    )
    return np.column_stack([np.ones_like(s), s, ramp, bend, twist])


def _break_fit(t: FloatArray, y: FloatArray, instant: float, lag_s: float) -> tuple[FloatArray, float, int]:
    weights, sum_sq = _least_squares(_break_design(t - instant, lag_s), y)
    return weights, sum_sq, t.size - weights.size - 1


def _smooth_sum_sq(t: FloatArray, y: FloatArray) -> float:
    """What a chill that goes on, level + slope + exponential, leaves unexplained at best."""
    s = t - t[0]
    designs = (np.column_stack([np.ones_like(s), s, np.exp(-s / chill_s)]) for chill_s in SMOOTH_CHILLS_S)
    return min(_least_squares(d, y)[1] for d in designs)


def _least_squares(design: FloatArray, y: FloatArray) -> tuple[FloatArray, float]:
    weights = np.asarray(np.linalg.lstsq(design, y, rcond=None)[0], dtype=float)
    residual = y - design @ weights
    return weights, float(residual @ residual)
