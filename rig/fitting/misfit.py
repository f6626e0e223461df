"""The smooth misfit: what the melt model gets wrong over time, as a Gaussian process in few modes.

A misfit is zero at the start of motion and smooth in the logarithm of time. Its covariance is
σ²·r(x)·r(x′)·exp(−(ln x − ln x′)²/2ℓ²) with x = time ÷ the technique's longest usual duration and
r(x) = 1 − exp(−x/x₀); it is written as its first Karhunen–Loève modes (Rasmussen & Williams, Gaussian
Processes for Machine Learning, MIT Press 2006, § 4.3), so that a misfit is a few independent random effects
of standard deviation σ, which the bench's own runs teach.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from rig.arrays import FloatArray

MODES = 4
"""Modes of one misfit; they carry 97 % of the variance over the durations that are made."""
MISFITS = 2 * MODES
"""Coefficients of a run's two misfits: added water as a share of the drink's mass, then temperature [K]."""
RISE_SHARE = 0.06
"""x₀: how long a misfit takes to arise, and is remembered, as a share of the longest usual duration."""
_LOG_LENGTH = 0.9
_SHORTEST, _LONGEST, _NODES = 0.01, 1.5, 160


def misfit_basis(time_s: FloatArray, longest_s: FloatArray) -> FloatArray:
    """Values of the modes, each for a coefficient of unit variance.

    Parameters
    ----------
    time_s
        (…) times since the start of motion [s].
    longest_s
        Broadcasts against `time_s`: the technique's longest usual duration [s].

    Returns
    -------
    (…, MODES)
    """
    log_x, modes = _modes()
    x = np.asarray(time_s, dtype=float) / longest_s
    at = np.log(np.clip(x, _SHORTEST, _LONGEST))
    place = (at - log_x[0]) / (log_x[1] - log_x[0])
    low = np.clip(place.astype(np.int64), 0, _NODES - 2)
    w = (place - low)[..., None]
    return np.asarray(_rise(x)[..., None] * ((1.0 - w) * modes[low] + w * modes[low + 1]))


def _rise(x: FloatArray) -> FloatArray:
    return np.asarray(-np.expm1(-np.maximum(x, 0.0) / RISE_SHARE))


@cache
def _modes() -> tuple[FloatArray, FloatArray]:
    """Nodes in ln x (nodes,), and the modes there without the rise, (nodes, MODES)."""
    log_x = np.linspace(np.log(_SHORTEST), np.log(_LONGEST), _NODES)
    rise = _rise(np.exp(log_x))
    smooth = np.exp(-0.5 * ((log_x[:, None] - log_x) / _LOG_LENGTH) ** 2)
    values, vectors = np.linalg.eigh(rise[:, None] * smooth * rise)
    first = np.argsort(values)[::-1][:MODES]
    # Nyström: the covariance of any point with the nodes carries a mode to that point
    return log_x, (smooth * rise) @ vectors[:, first] / np.sqrt(values[first])
