"""What the fit would have said of each run had it not been made: leave-one-run-out predictions.

Around its mode the fitted model is linear and Gaussian, so that taking a run's information out again is a
downdate of the covariance of its own random effects (Cook & Weisberg, Residuals and Influence in Regression,
1982, § 2.2; for hyperparameters held, as in Vehtari et al., J. Mach. Learn. Res. 17 (2016) 1). Nothing is
refitted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.arrays import BoolArray, FloatArray
from rig.fitting.observations import BINS

_NU = 20.0
_MOST_Z2 = 9.0
"""A run that lies further out is a blunder, and says nothing of the scatter of sound ones."""


@dataclass(frozen=True)
class LeaveOneOut:
    """Each run against what the other runs predict of it; arrays (runs,), NaN where nothing was observed.

    `strained_residual_g`: weighed less predicted, `strained_sd_g` its predictive standard deviation;
    `temp_residual_k`: last reading of the trace less predicted, `temp_sd_k` likewise; `correlation` of the two
    predictive errors, 0 where one is missing.
    """

    strained_residual_g: FloatArray
    strained_sd_g: FloatArray
    temp_residual_k: FloatArray
    temp_sd_k: FloatArray
    correlation: FloatArray

    @property
    def spread_scale(self) -> tuple[float, float]:
        """By how much predictive spreads of added water and of temperature should be stretched.

        Root mean square of the standardised residuals, held at 1 by a prior worth 20 runs.
        """
        return (
            _stretch(self.strained_residual_g / self.strained_sd_g),
            _stretch(self.temp_residual_k / self.temp_sd_k),
        )


def _stretch(z: FloatArray) -> float:
    square = np.minimum(z[np.isfinite(z)] ** 2, _MOST_Z2)
    return float(np.sqrt((_NU + square.sum()) / (_NU + square.size)))


def leave_one_out(
    shared: FloatArray,
    marginal: FloatArray,
    unweighted: FloatArray,
    residual: FloatArray,
    observed: BoolArray,
    strained: int,
    effect_scale: float = 1.0,
) -> LeaveOneOut:
    """Predict each run from all others.

    Parameters
    ----------
    shared
        (runs, obs, obs): covariance of the observations' means under the posterior of the effects, this run included.
    marginal, unweighted
        (runs, obs, obs): covariance of the observations given the effects, with the run's robust weight and
        without.
    residual
        (runs, obs): observed less expected at the fitted effects, before the run's own departures.
    observed
        (runs, obs).
    strained
        Column of the strained mass; the trace's readings are the first `BINS`.
    effect_scale
        What the effects' standard deviations are multiplied by in a prediction.
    """
    # with Q the shared and M the marginal covariance, taking the run out gives M(M − Q)⁻¹r and M(M − Q)⁻¹Q
    downdate = np.matmul(marginal, np.linalg.inv(marginal - shared))
    predicted = np.matmul(downdate, residual[..., None])[..., 0]
    variance = unweighted + effect_scale**2 * np.matmul(downdate, shared)
    row = np.arange(len(residual))
    last = BINS - 1 - np.argmax(observed[:, BINS - 1 :: -1], axis=1)
    has_trace, has_mass = observed[:, :BINS].any(axis=1), observed[:, strained]
    temp_sd = np.sqrt(variance[row, last, last])
    mass_sd = np.sqrt(variance[:, strained, strained])
    both = has_trace & has_mass
    return LeaveOneOut(
        strained_residual_g=np.where(has_mass, predicted[:, strained], np.nan),
        strained_sd_g=np.where(has_mass, mass_sd, np.nan),
        temp_residual_k=np.where(has_trace, predicted[row, last], np.nan),
        temp_sd_k=np.where(has_trace, temp_sd, np.nan),
        correlation=np.where(both, variance[row, last, strained] / (temp_sd * mass_sd), 0.0),
    )
