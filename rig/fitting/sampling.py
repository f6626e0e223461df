"""Evenly spread normal draws: scrambled Sobol' points through the normal quantiles, the one sampler of the house.

(Owen, J. Complexity 14 (1998) 466, from memory, on scrambling.) A power of two of draws spreads best.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import norm, qmc

from rig.arrays import FloatArray

_TAIL = 1e-6
"""Points are kept this far from 0 and 1, where the quantiles would run away."""


def standard_normal(draws: int, size: int, seed: int) -> FloatArray:
    """(draws, size) independent standard normal variables."""
    uniform = qmc.Sobol(size, rng=np.random.default_rng(seed)).random(draws)
    return np.asarray(norm.ppf(np.clip(uniform, _TAIL, 1.0 - _TAIL)))


def square_root(covariance: FloatArray) -> FloatArray:
    """(size, size) R with R Rᵀ = covariance, widest directions first: they take the best-spread coordinates."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0)))[:, ::-1])
