"""Noise of the observations of runs not yet made, by the law under which the fit weighs those that were."""

from __future__ import annotations

import numpy as np

from rig.arrays import BoolArray, FloatArray
from rig.fitting.linear_solve import STRAINED_SD_PRIOR_G, TRACE_SD_PRIOR_K
from rig.fitting.observation_model import noise_covariance
from rig.fitting.result import Fit
from rig.fitting.situation import Nominals


def observation_noise(
    fit: Fit, techniques: list[str], nominal: Nominals, time_s: FloatArray, observed: BoolArray
) -> FloatArray:
    """Covariance (runs, obs, obs) of noise and misfit; what is not observed gets a variance that mutes it.

    Parameters
    ----------
    techniques
        (runs,) whose learned spreads apply; those without runs take the priors.
    time_s
        (runs, BINS) times of the trace's readings.
    observed
        (runs, obs).
    """
    spreads = fit.posterior.spreads
    known = {t: k for k, t in enumerate(fit.techniques)}
    trace = np.array([spreads.trace_sd_k[known[t]] if t in known else TRACE_SD_PRIOR_K for t in techniques])
    strained = np.array(
        [spreads.strained_sd_g[known[t]] if t in known else STRAINED_SD_PRIOR_G for t in techniques]
    )
    return noise_covariance(
        trace**2, strained**2 + nominal.drink_mass_sd_g**2, time_s, nominal.longest_s, observed
    )
