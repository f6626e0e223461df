"""What scatters in a run's observations around its own course: the law by which fits weigh them."""

from __future__ import annotations

import numpy as np

from rig.arrays import BoolArray, FloatArray
from rig.fitting.evidence import BINS
from rig.fitting.melt_fit import (
    BEFORE_SD_K,
    STRAINED_SD_PRIOR_G,
    TRACE_SD_PRIOR_K,
    TRACE_SHARED,
)
from rig.fitting.observing import BEFORE, OBSERVATIONS, STRAINED
from rig.fitting.result import Fit
from rig.fitting.situation import Nominals

_UNSEEN = 1e6


def scatter(
    fit: Fit, techniques: list[str], nominal: Nominals, time_s: FloatArray, seen: BoolArray
) -> FloatArray:
    """Covariance (runs, obs, obs) of noise and misfit; what is not seen gets a variance that mutes it.

    Parameters
    ----------
    techniques
        (runs,) whose learned spreads apply; those without runs take the priors.
    time_s
        (runs, BINS) times of the trace's readings.
    seen
        (runs, obs).
    """
    spreads = fit.posterior.spreads
    known = {t: k for k, t in enumerate(fit.techniques)}
    trace = np.array([spreads.trace_sd_k[known[t]] if t in known else TRACE_SD_PRIOR_K for t in techniques])
    strained = np.array(
        [spreads.strained_sd_g[known[t]] if t in known else STRAINED_SD_PRIOR_G for t in techniques]
    )
    time = np.nan_to_num(time_s)
    apart = np.abs(time[:, :, None] - time[:, None, :]) / (0.06 * nominal.longest_s[:, None, None])
    out = np.zeros((len(techniques), OBSERVATIONS, OBSERVATIONS))
    shape = TRACE_SHARED * np.exp(-apart) + (1.0 - TRACE_SHARED) * np.eye(BINS)
    out[:, :BINS, :BINS] = trace[:, None, None] ** 2 * shape
    out[:, STRAINED, STRAINED] = strained**2 + nominal.drink_mass_sd_g**2
    out[:, BEFORE, BEFORE] = BEFORE_SD_K**2
    out *= seen[:, :, None] & seen[:, None, :]
    out[:, np.arange(OBSERVATIONS), np.arange(OBSERVATIONS)] += np.where(seen, 0.0, _UNSEEN)
    return out
