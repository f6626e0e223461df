"""When a drink began to chill, from the probe that reads it: the start, with its band and its grounds.

A probe of lag τ₁ in a drink that begins to chill at t₀ with time constant τ₂ shows two first-order lags in series:
y = level − depth · (1 − (τ₂ e^(−s/τ₂) − τ₁ e^(−s/τ₁)) / (τ₂ − τ₁)), s = t − t₀. The fall begins at t₀, but slowly;
where it first stands out is late by about the lag. So t₀ is fitted, over a grid of t₀, τ₁ and τ₂, with level, drift
and depth taken out by linear least squares (variable projection: Golub & Pereyra, SIAM J. Numer. Anal. 10, 413
(1973)); the posterior's mean and standard deviation are reported.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import savgol_filter

from rig.arrays import FloatArray
from rig.signals.moments import Moment, MotionSpan, Source

LAGS_S = (0.05, 0.3, 0.6, 1.0, 1.5, 2.2, 3.2, 4.5, 6.5)
"""Time constants of probes, from a bare junction to a thick capsule."""
CHILLS_S = tuple(np.geomspace(1.0, 60.0, 9).tolist())
DRIFT_STD_K_PER_S = 0.1
"""How fast a drink at rest may cool, or a probe still settle; common practice, no source."""
HAND_STD_S = 0.15
"""A hand comes up to speed within about half a second; common practice, no source."""
LEAST_FALL_K, LEAST_RISE_K, LEAST_RATE_K_PER_S = 1.0, 0.25, 0.15
RATE_HALF_WINDOWS_S = (1.0, 1.5, 2.5)
SETTLES_S = 3.0
"""A probe that rose until less than this before it fell has not been at rest."""
CLEAR_SIGMAS = 5.0
RIVAL_SHARE = 1.0 / 3.0
"""A second fall of this share of the deepest makes the start a question."""
FITTED_CALM_S, FEWEST_CALM = 15.0, 3
FITTED_SHARE, FEWEST_FITTED = 0.4, 6
"""A fall is fitted down to this share of its depth: further on, a drink is no single exponential."""
CLEAR_START_S = 1.0
"""A start known no better than this (standard deviation) is asked for, not taken."""
FINEST_SAMPLING_S = 0.1
MOST_FITTED = 600
"""As many readings and starts are fitted at the most: a minute's; those of a slow fall lie further apart."""
COARSE_S = 0.1
FALLS_AT_ONCE = "the probe falls from the first reading on; motion is taken to start with the readings"


@dataclass(frozen=True)
class _Slope:
    """A stretch in which the probe falls or rises: its first and last reading and how far [K]."""

    first: int
    last: int
    depth_k: float


def start_of_chill(time_s: FloatArray, probe_c: FloatArray, *, lag_s: float | None = None) -> MotionSpan:
    """The start of motion as a probe in the drink shows it; arrays of shape (samples,), NaN where not read.

    `lag_s` is the probe's lag where it is known. A fall that is under way at the first reading is taken to start
    there. Where the start is None, the doubts say why and the candidates are when it may have been.
    """
    read = np.isfinite(time_s) & np.isfinite(probe_c)
    time, temp = _thinned(np.asarray(time_s, float)[read], np.asarray(probe_c, float)[read])
    if time.size < 2 * FEWEST_CALM:
        return MotionSpan(None, None, ("there are too few probe readings to see a chill",))
    noise_k = _noise_k(temp)
    falls, rises = _slopes(time, temp, noise_k)
    if not falls:
        return MotionSpan(None, None, ("the probe shows no chill",))
    main = max(falls, key=lambda f: f.depth_k)
    rivals = [f for f in falls if f.depth_k >= RIVAL_SHARE * main.depth_k]
    if len(rivals) > 1:
        candidates = tuple(_fitted(time, temp, noise_k, f, lag_s) for f in rivals)
        which = " and ".join(
            f"at {m.time_s:.1f} s from {temp[f.first]:.1f} to {temp[f.last]:z.1f} °C"
            for f, m in zip(rivals, candidates, strict=True)
        )
        return MotionSpan(None, None, (f"the probe falls {len(rivals)} times: {which}",), candidates)
    calm = _calm_from(time, temp, main.first, noise_k)
    rests = main.first - calm + 1 >= FEWEST_CALM
    rise = next((r for r in rises[::-1] if 0.0 <= time[main.first] - time[r.last] < SETTLES_S), None)
    if rise is None and not rests and calm > 0:
        rise = replace(main, first=calm - 1)
    if rise is not None:
        jump = Moment(float(time[rise.first]), 1.0, Source.PROBE, f"probe leaves {temp[rise.first]:z.1f} °C")
        doubt = (
            f"the probe does not rest before it falls: {temp[rise.first]:z.1f} °C at {jump.time_s:.1f} s, "
            f"then {temp[main.first]:z.1f} °C and falling"
        )
        return MotionSpan(None, None, (doubt,), (jump,))
    start = _fitted(time, temp, noise_k, main, lag_s)
    if calm == 0 and (not rests or start.time_s < time[0] + 2.0 * start.uncertainty_s):
        words = f"probe falls from its first reading on, {temp[0]:z.1f} °C"
        begin = Moment(float(time[0]), max(start.uncertainty_s, _step_s(time)), Source.PROBE, words)
        return MotionSpan(begin, None, (FALLS_AT_ONCE,))
    if start.uncertainty_s > CLEAR_START_S:
        doubt = (
            f"the probe falls from about {start.time_s:.1f} s, known to ±{2 * start.uncertainty_s:.0f} s only"
        )
        return MotionSpan(None, None, (doubt,), (start,))
    return MotionSpan(start, None)


def _thinned(time: FloatArray, temp: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Means of blocks, so that there are at most ten readings a second."""
    every = math.floor(FINEST_SAMPLING_S / _step_s(time) + 0.01) if time.size > 1 else 1
    if every < 2:
        return time, temp
    whole = time.size // every * every
    return time[:whole].reshape(-1, every).mean(axis=1), temp[:whole].reshape(-1, every).mean(axis=1)


def _step_s(time: FloatArray) -> float:
    return max(float(np.median(np.diff(time))), 1e-3)


def _noise_k(temp: FloatArray) -> float:
    """Standard deviation of a reading, from second differences, which a steady fall leaves at zero."""
    spread = float(np.median(np.abs(np.diff(temp, 2)))) / 0.6745 / math.sqrt(6.0)
    steps = np.diff(np.unique(np.round(temp, 6)))
    resolution = float(steps.min()) / math.sqrt(12.0) if steps.size else 0.0
    return max(spread, resolution, 1e-3)


def _slopes(time: FloatArray, temp: FloatArray, noise_k: float) -> tuple[list[_Slope], list[_Slope]]:
    """The stretches in which the smoothed probe falls far enough to be a chill, and those in which it rises.

    Each is clear somewhere and goes on for as long as its rate is likely at all.
    """
    step_s = _step_s(time)
    even = np.arange(time[0], time[-1] + step_s / 2.0, step_s)
    for half_s in RATE_HALF_WINDOWS_S:  # the narrowest window in which the noise leaves the rate clear
        window = min(2 * max(1, round(half_s / step_s)) + 1, (even.size - 1) // 2 * 2 + 1)
        rate_std = noise_k / step_s * math.sqrt(12.0 / (window * (window**2 - 1)))
        if CLEAR_SIGMAS * rate_std <= 2.0 * LEAST_RATE_K_PER_S:
            break
    rate = savgol_filter(np.interp(even, time, temp), window, 1, deriv=1, delta=step_s)
    clear = max(LEAST_RATE_K_PER_S, CLEAR_SIGMAS * rate_std)
    likely = max(LEAST_RATE_K_PER_S / 2.0, 2.0 * rate_std)

    def stretches(rate: FloatArray, way: float, least_k: float) -> list[_Slope]:
        edges = np.flatnonzero(np.diff((rate > likely).astype(int), prepend=0, append=0))
        found = []
        for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if rate[begin:end].max() > clear:
                ends = np.searchsorted(time, even[[begin, end - 1]] - step_s / 2.0)
                first, last = np.minimum(ends, time.size - 1).tolist()
                gone_k = way * (temp[first : last + 1] - temp[first])
                first += int(np.flatnonzero(gone_k <= gone_k.min() + _near_k(noise_k))[-1])
                found.append(_Slope(first, last, way * float(temp[last] - temp[first])))
        return [s for s in found if s.depth_k > max(least_k, CLEAR_SIGMAS * noise_k)]

    return stretches(-rate, -1.0, LEAST_FALL_K), stretches(rate, 1.0, LEAST_RISE_K)


def _near_k(noise_k: float) -> float:
    """Within this of a level, a reading has not left it."""
    return CLEAR_SIGMAS * noise_k + LEAST_RISE_K


def _calm_from(time: FloatArray, temp: FloatArray, first: int, noise_k: float) -> int:
    """The first reading of the rest that ends at `first`, at most `FITTED_CALM_S` before it."""
    back_s = time[first] - time[: first + 1]
    near = np.abs(temp[: first + 1] - temp[first]) <= _near_k(noise_k) + DRIFT_STD_K_PER_S * back_s
    outside = np.flatnonzero(~near | (back_s > FITTED_CALM_S))
    return int(outside[-1]) + 1 if outside.size else 0


def _fitted(time: FloatArray, temp: FloatArray, noise_k: float, fall: _Slope, lag_s: float | None) -> Moment:
    """Posterior mean and standard deviation of the instant at which a fall began."""
    calm = _calm_from(time, temp, fall.first, noise_k)
    level_c = float(np.median(temp[calm : fall.first + 1]))
    below = np.flatnonzero(temp[fall.first : fall.last + 1] <= level_c - FITTED_SHARE * fall.depth_k)
    end = fall.first + max(int(below[0]) if below.size else fall.last, FEWEST_FITTED)
    last = min(end, fall.last)
    near = slice(calm, last + 1, 1 + (last - calm) // MOST_FITTED)
    t, y = time[near], temp[near] - level_c
    lags = LAGS_S if lag_s is None else (max(lag_s, LAGS_S[0]),)
    step_s = max(COARSE_S, float(t[-1] - t[0]) / MOST_FITTED)
    coarse = _posterior(t, y, noise_k, np.arange(t[0], t[-1], step_s), lags)
    low, high = max(t[0], coarse[0] - 5.0 * coarse[1]), coarse[0] + 5.0 * coarse[1]
    mean_s, std_s = _posterior(t, y, noise_k, np.linspace(low, high, 121), lags)
    std_s = math.hypot(std_s, HAND_STD_S)
    return Moment(mean_s, std_s, Source.PROBE, f"probe falls from {level_c:z.1f} °C")


def _posterior(
    t: FloatArray, y: FloatArray, noise_k: float, starts_s: FloatArray, lags_s: tuple[float, ...]
) -> tuple[float, float]:
    """Mean and standard deviation [s] over candidate starts; shapes: t, y (samples,), starts_s (starts,)."""
    responses = _responses(t, starts_s, lags_s)
    # one pseudo-reading holds the drift before the fall to what a drink at rest may do
    base = np.vstack([np.column_stack([np.ones_like(t), t - t[0]]), [0.0, noise_k / DRIFT_STD_K_PER_S]])
    q = np.linalg.qr(base)[0]
    y_free = np.append(y, 0.0)
    y_free -= q @ (q.T @ y_free)
    along = responses @ y_free[:-1]
    power = np.sum(responses**2, axis=-1) - np.sum((responses @ q[:-1]) ** 2, axis=-1)
    explained = np.where(along > 0, along**2 / np.maximum(power, 1e-12), 0.0)
    sum_sq = float(y_free @ y_free) - explained
    variance = max(noise_k**2, float(sum_sq.min()) / max(t.size - 5, 1))
    weight = np.exp(-0.5 * (sum_sq - sum_sq.min()) / variance).sum(axis=-1)
    weight /= weight.sum()
    mean_s = float(weight @ starts_s)
    grid_s = float(starts_s[1] - starts_s[0]) if starts_s.size > 1 else COARSE_S
    return mean_s, max(math.sqrt(float(weight @ (starts_s - mean_s) ** 2)), grid_s)


def _responses(t: FloatArray, starts_s: FloatArray, lags_s: tuple[float, ...]) -> FloatArray:
    """What a probe shows of a unit chill; shape (starts, pairs of time constants, samples), 0 before each start."""
    since = np.clip(t - starts_s[:, None], 0.0, None)
    pairs = [(lag, chill) for lag in lags_s for chill in CHILLS_S if chill > 1.01 * lag or len(lags_s) == 1]
    left = {tau: np.exp(-since / tau) for tau in {tau for pair in pairs for tau in pair}}
    parts = [
        (chill * left[chill] - lag * left[lag]) / (chill - lag) - 1.0 for lag, chill in pairs if lag != chill
    ]
    return np.stack(parts, axis=1)
