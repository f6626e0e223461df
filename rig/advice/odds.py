"""Landing odds: the share of runs of a given duration that fall into the target window."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from rig.arrays import BoolArray, FloatArray
from rig.bench import Target
from rig.fitting.prediction import Prediction


class Limit(StrEnum):
    """How a drink can miss."""

    TOO_WARM = "too warm"
    TOO_COLD = "too cold"
    TOO_LITTLE_WATER = "too little dilution"
    TOO_THIN = "too thin"
    TOO_STRONG = "too strong"
    TOO_WEAK = "too weak"
    TOO_SMALL = "too little in the glass"
    TOO_LARGE = "too much for the glass"
    TOO_FLAT = "too flat"
    TOO_FOAMY = "too foamy"


@dataclass(frozen=True)
class OddsCurve:
    """Odds against duration, (times,), and the share of draws that miss in each way, (times,) each."""

    odds: FloatArray
    misses: Mapping[Limit, FloatArray]


def misses(prediction: Prediction, target: Target) -> dict[Limit, BoolArray]:
    """Which draws miss which limit, (draws, times) each; only limits the target sets, its overrun left out."""
    out: dict[Limit, BoolArray] = {}
    if target.serve_temp_c_max is not None:
        out[Limit.TOO_WARM] = prediction.temp_c > target.serve_temp_c_max
    if target.serve_temp_c_min is not None:
        out[Limit.TOO_COLD] = prediction.temp_c < target.serve_temp_c_min
    if target.dilution_by_volume is not None:
        low, high = target.dilution_by_volume
        out[Limit.TOO_LITTLE_WATER] = prediction.dilution_by_volume < low
        out[Limit.TOO_THIN] = prediction.dilution_by_volume > high
    if target.abv_pct is not None:
        low, high = target.abv_pct
        abv = prediction.abv_pct()
        out[Limit.TOO_STRONG], out[Limit.TOO_WEAK] = abv > high, abv < low
    if target.volume_ml is not None:
        low, high = target.volume_ml
        volume = prediction.volume_ml()
        out[Limit.TOO_SMALL], out[Limit.TOO_LARGE] = volume < low, volume > high
    return out


def odds_curve(prediction: Prediction, target: Target) -> OddsCurve:
    """Share of draws that land, at each duration of the prediction; what overrun is wanted is not in it."""
    missed = misses(prediction, target)
    lands = ~np.logical_or.reduce([np.zeros(prediction.temp_c.shape, dtype=bool), *missed.values()])
    return OddsCurve(lands.mean(axis=0), {limit: m.mean(axis=0) for limit, m in missed.items()})
