"""When a drink lands, said once: which result misses which limit of a target, and the share of runs that land."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from rig.arrays import BoolArray, FloatArray
from rig.bench import Target
from rig.fitting.prediction import Prediction


class Result(StrEnum):
    """What a drink comes to, in the order of every axis of results."""

    TEMP_C = "temp_c"
    DILUTION = "dilution_by_volume"
    ABV_PCT = "abv_pct"
    VOLUME_ML = "volume_ml"


RESULTS = tuple(Result)


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


LATE = frozenset({Limit.TOO_COLD, Limit.TOO_THIN, Limit.TOO_WEAK, Limit.TOO_LARGE, Limit.TOO_FOAMY})
"""What a drink can become by going on for longer; the others it can be by stopping early."""

ENDS = {
    Result.TEMP_C: (Limit.TOO_COLD, Limit.TOO_WARM),
    Result.DILUTION: (Limit.TOO_LITTLE_WATER, Limit.TOO_THIN),
    Result.ABV_PCT: (Limit.TOO_WEAK, Limit.TOO_STRONG),
    Result.VOLUME_ML: (Limit.TOO_SMALL, Limit.TOO_LARGE),
}
"""What a result below and above its window is called."""


def windows_of(target: Target) -> dict[Result, tuple[float, float]]:
    """What a target asks of each result, lowest and highest; infinite where there is no limit. Air is not in it."""
    out: dict[Result, tuple[float, float]] = {}
    if target.serve_temp_c_max is not None or target.serve_temp_c_min is not None:
        low = -np.inf if target.serve_temp_c_min is None else target.serve_temp_c_min
        high = np.inf if target.serve_temp_c_max is None else target.serve_temp_c_max
        out[Result.TEMP_C] = (low, high)
    for result in RESULTS[1:]:
        window = getattr(target, result.value)
        if window is not None:
            out[result] = window
    return out


def misses(values_of: Callable[[Result], FloatArray], target: Target) -> dict[Limit, BoolArray]:
    """Which values miss which limit, in the shape of the values; a value that is not known misses both ends."""
    out: dict[Limit, BoolArray] = {}
    for result, (low, high) in windows_of(target).items():
        values, (below, above) = values_of(result), ENDS[result]
        if np.isfinite(low):
            out[below] = ~(values >= low)
        if np.isfinite(high):
            out[above] = ~(values <= high)
    return out


def lands(results: FloatArray, target: Target) -> BoolArray:
    """Whether results (…, results) miss nothing, (…,)."""
    missed = misses(lambda result: results[..., RESULTS.index(result)], target)
    return _none_of(missed, results.shape[:-1])


@dataclass(frozen=True)
class OddsCurve:
    """Odds against duration, (times,), and the share of draws that miss in each way, (times,) each."""

    odds: FloatArray
    misses: Mapping[Limit, FloatArray]


def odds_curve(prediction: Prediction, target: Target) -> OddsCurve:
    """Share of draws that land, at each duration of the prediction; what overrun is wanted is not in it."""
    values: dict[Result, Callable[[], FloatArray]] = {
        Result.TEMP_C: lambda: prediction.temp_c,
        Result.DILUTION: lambda: prediction.dilution_by_volume,
        Result.ABV_PCT: prediction.abv_pct,
        Result.VOLUME_ML: prediction.volume_ml,
    }
    missed = misses(lambda result: values[result](), target)
    landed = _none_of(missed, prediction.temp_c.shape)
    return OddsCurve(landed.mean(axis=0), {limit: m.mean(axis=0) for limit, m in missed.items()})


def _none_of(missed: Mapping[Limit, BoolArray], shape: tuple[int, ...]) -> BoolArray:
    return np.asarray(~np.logical_or.reduce([np.zeros(shape, dtype=bool), *missed.values()]))
