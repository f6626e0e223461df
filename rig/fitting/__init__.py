"""From runs to fitted models and predictions."""

from rig.fitting.bench_fit import fit
from rig.fitting.prediction import predict
from rig.fitting.result import Fit

__all__ = ["Fit", "fit", "predict"]
