"""A plunge test: from the trace of a probe moved from one bath into another to its time constant.

A probe lags: dT_m/dt = (T − T_m)/τ. Time to 63.2 % of a step is τ, to 90 % 2.303 τ (IEC 60751 gives response
in flowing water as t₅₀ and t₉₀). τ belongs to the probe and to the stirring: plunge it into moving water.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import t as student_t

from rig.arrays import FloatArray
from rig.errors import ModelRangeError, NotEnoughData

_LEAST_STEP_K = 5.0
_LEAST_SAMPLES = 8
_LEAST_RISE_SAMPLES = 4
_SETTLED_TAUS = 3.0
_ONE_LAG_MISFIT = 0.005  # of the step: residuals that go together and are larger are not one lag's
_ONE_LAG_LIKENESS = 0.5
_PROBABILITY = 0.95
_PARAMETERS = 4
_MOST_LIKENESS = 0.97
_LEAST_SQUARES = 1e-12  # a trace without any noise is not thereby without uncertainty
_WIDEST_REACH = 5.0


@dataclass(frozen=True)
class Plunge:
    """A time constant [s] with its 95 % interval, and the step it was found from.

    `misfit` is the residual scatter as a share of the step; `doubts` says in words what weakens the result.
    """

    tau_s: float
    tau_std_s: float
    interval_s: tuple[float, float]
    degrees_of_freedom: float
    start_c: float
    end_c: float
    plunged_at_s: float
    residual_std_k: float
    misfit: float
    doubts: tuple[str, ...]


def time_constant(time_s: FloatArray, reading_c: FloatArray) -> Plunge:
    """The time constant from a trace, both of shape (samples,); NaN readings are left out.

    The moment of the plunge and both temperatures are found with it. The interval is widened by the likeness
    of neighbouring residuals, which a wrong model or a filter in the instrument brings about.

    Raises
    ------
    NotEnoughData
        Too few readings, a step under 5 °C, a plunge between two readings, or a trace that ends before the
        probe stands still.
    ModelRangeError
        Where times do not rise.
    """
    t, y = _usable(time_s, reading_c)
    start, end, plunged, tau = _guess(t, y)
    step = end - start
    if abs(step) < _LEAST_STEP_K:
        raise NotEnoughData(
            f"the step is {abs(step):.1f} °C; plunge from one bath into another that differs by "
            f"{_LEAST_STEP_K:g} °C or more, best from a warm room into ice water"
        )
    first = np.array([start, end, plunged, np.log(tau)])
    scale = np.array([abs(step), abs(step), tau, 1.0])

    def residual(x: FloatArray) -> FloatArray:
        return _step_response(t, x) - y

    tries = [
        least_squares(residual, first + np.array([0.0, 0.0, shift * tau, 0.0]), x_scale=scale)
        for shift in (-0.3, 0.0, 0.3)
    ]
    found = min(tries, key=lambda f: float(f.cost))
    start, end, plunged, log_tau = (float(x) for x in found.x)
    tau = float(np.exp(log_tau))
    left = residual(found.x)
    _require_shown(t, plunged, tau)
    squares = max(float(left @ left), _LEAST_SQUARES)
    likeness = float(np.clip(float(left[1:] @ left[:-1]) / squares, 0.0, _MOST_LIKENESS))
    effective = max(t.size * (1.0 - likeness) / (1.0 + likeness), _PARAMETERS + 1.0)
    freedom = effective - _PARAMETERS
    scatter = float(np.sqrt(squares / (t.size - _PARAMETERS)))
    covariance = np.linalg.pinv(found.jac.T @ found.jac) * scatter**2 * t.size / effective
    log_std = float(np.sqrt(covariance[3, 3]))
    reach = min(float(student_t.ppf(0.5 + _PROBABILITY / 2.0, freedom)) * log_std, _WIDEST_REACH)
    misfit = scatter / abs(end - start)
    return Plunge(
        tau,
        tau * log_std,
        (tau * float(np.exp(-reach)), tau * float(np.exp(reach))),
        freedom,
        start,
        end,
        plunged,
        scatter,
        misfit,
        _doubts(t, tau, misfit, likeness),
    )


def _step_response(t: FloatArray, x: FloatArray) -> FloatArray:
    start, end, plunged, log_tau = x
    since = np.maximum(t - plunged, 0.0)
    return np.asarray(end + (start - end) * np.exp(-since / np.exp(log_tau)))


def _usable(time_s: FloatArray, reading_c: FloatArray) -> tuple[FloatArray, FloatArray]:
    kept = np.isfinite(time_s) & np.isfinite(reading_c)
    t, y = np.asarray(time_s, float)[kept], np.asarray(reading_c, float)[kept]
    if t.size < _LEAST_SAMPLES:
        raise NotEnoughData(
            f"{t.size} readings do not show a time constant; record ten a second from before the plunge until "
            "the probe stands still"
        )
    if np.any(np.diff(t) <= 0):
        raise ModelRangeError("the times of the plunge do not rise; sort the trace by time")
    return t, y


def _guess(t: FloatArray, y: FloatArray) -> tuple[float, float, float, float]:
    """Start, end, moment of the plunge and time constant, read off the trace."""
    few = max(t.size // 20, 2)
    start, end = float(np.median(y[:few])), float(np.median(y[-few:]))
    gone = (y - start) / (end - start) if end != start else np.zeros_like(y)
    on_the_way = np.flatnonzero(gone > 0.1)
    k = int(on_the_way[0]) if on_the_way.size else 0
    plunged = float(t[max(k - 1, 0)])
    there = np.flatnonzero((gone > 0.632) & (t > plunged))
    tau = float(t[there[0]] - plunged) if there.size else float(t[-1] - t[0]) / 5.0
    return start, end, plunged, max(tau, 1e-3)


def _require_shown(t: FloatArray, plunged: float, tau: float) -> None:
    in_rise = np.count_nonzero((t > plunged) & (t < plunged + 2.0 * tau))
    if in_rise < _LEAST_RISE_SAMPLES:
        raise NotEnoughData(
            f"only {in_rise} readings fall into the plunge (time constant near {tau:.2g} s); record faster"
        )
    if t[-1] - plunged < _SETTLED_TAUS * tau:
        raise NotEnoughData(
            f"the trace ends {t[-1] - plunged:.3g} s after the plunge and the time constant is near {tau:.2g} s; "
            f"record for {np.ceil(5 * tau):.0f} s, until the probe stands still"
        )


def _doubts(t: FloatArray, tau: float, misfit: float, likeness: float) -> tuple[str, ...]:
    doubts = []
    if misfit > _ONE_LAG_MISFIT and likeness > _ONE_LAG_LIKENESS:
        doubts.append(
            f"the readings leave the curve of a single lag by {100 * misfit:.1f} % of the step: a thick capsule, "
            "or a bath that was not moving"
        )
    if float(np.median(np.diff(t))) > tau / 3.0:
        doubts.append("the readings are slow for this probe: fewer than three in a time constant")
    return tuple(doubts)
