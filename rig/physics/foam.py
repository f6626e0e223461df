"""Texture: how much air a drink holds, and how long its foam lasts.

Two half-lives, never one for the other:

* *drainage half-life*: time until half of the liquid that was in the foam at the start has drained out of it;
* *collapse half-life*: time until the foam is half as high as at the start.

Overrun is gas ÷ liquid by volume [%]. Intervals hold 90 %. All functions take batches: runs or readings lie on
the last axis, NaN where there is none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from rig.arrays import FloatArray, Floats
from rig.errors import ModelRangeError, NotEnoughData
from rig.physics.ethanol_water import require
from rig.physics.one_rate import RateFit, falling, fit_one_rate, rising, weighted_quantile

OVERRUN_MAX_PCT = 1500.0
LEAST_RUNS, LEAST_DURATIONS = 4, 3
_LOW, _HIGH = 0.05, 0.95
_GRID = 240
_MM3_PER_ML = 1000.0


def straight_glass_ml(height_mm: float, width_mm: float) -> float:
    """Volume [ml] of what stands so high [mm] in a straight glass, so wide inside [mm]."""
    return float(np.pi * (width_mm / 2.0) ** 2 * height_mm / _MM3_PER_ML)


@dataclass(frozen=True, eq=False)
class Overrun:
    """Overrun [%] and its standard uncertainty, from what the scale and the fill level may be off."""

    pct: FloatArray
    sd_pct: FloatArray


def overrun_pct(liquid_g: Floats, foamed_g: Floats) -> FloatArray:
    """Overrun [%] from one cup filled level twice, with the drink before and after the air went in.

    100·(liquid − foamed) ÷ foamed by mass at equal volume, the gas's own mass left out.

    Raises
    ------
    ModelRangeError
        A mass at or below zero, or an overrun outside 0…1500 % (beyond 3 % of scatter below zero).
    """
    liquid, foamed = np.asarray(liquid_g, float), np.asarray(foamed_g, float)
    require("mass of a filled cup", np.minimum(liquid, foamed), 1e-3, np.inf, "g")
    out = np.asarray(100.0 * (liquid - foamed) / foamed)
    if np.any(out < -3.0):
        raise ModelRangeError(
            f"the foamed cup weighs more than the plain one (overrun {np.min(out):.0f} %): "
            "fill both to the same line, and subtract the empty cup"
        )
    require("overrun", np.maximum(out, 0.0), 0.0, OVERRUN_MAX_PCT, "%")
    return out


def overrun_from_cup(
    foamed_g: Floats,
    cup_ml: Floats,
    liquid_g_per_ml: Floats,
    *,
    mass_sd_g: Floats = 0.2,
    cup_relative_sd: Floats = 0.01,
) -> Overrun:
    """Overrun from one weighing of a cup of known volume, filled level with the foamed drink.

    `liquid_g_per_ml` is the plain drink's density (mass ÷ `liquid.volume_ml`). The uncertainty is that of
    scale and fill line, by the law of propagation (JCGM 100:2008, § 5.1). Raises as `overrun_pct`.
    """
    liquid_g = np.asarray(cup_ml, float) * np.asarray(liquid_g_per_ml, float)
    pct = overrun_pct(liquid_g, foamed_g)
    relative = np.hypot(
        np.asarray(mass_sd_g, float) / np.asarray(foamed_g, float), np.asarray(cup_relative_sd, float)
    )
    return Overrun(pct, np.asarray((100.0 + pct) * relative))


def foamed_volume_ml(liquid_ml: Floats, overrun_pct: Floats) -> FloatArray:
    """Volume [ml] of a drink with its air in."""
    return np.asarray(np.asarray(liquid_ml, float) * (1.0 + np.asarray(overrun_pct, float) / 100.0))


@dataclass(frozen=True, eq=False)
class HalfLife:
    """A half-life [s] of one foam or a batch: median and 90 % interval, arrays of the batch's shape.

    `of` names which half-life. `read_s` is read off the course without any model, NaN where half was not
    reached; then the half-life rests on the curve beyond the last reading.
    """

    of: str
    low_s: FloatArray
    typical_s: FloatArray
    high_s: FloatArray
    read_s: FloatArray
    readings: FloatArray


DRAINAGE = "drainage half-life: until half of the liquid first in the foam has drained"
COLLAPSE = "collapse half-life: until the foam is half as high as at first"


def drainage_half_life(
    time_s: Floats, drained_ml: Floats, liquid_in_foam_ml: Floats | None = None, *, reading_sd_ml: float = 0.3
) -> HalfLife:
    """Drainage half-life from liquid drained against time.

    Fits V = V∞·(1 − e^(−kt)). `liquid_in_foam_ml` is the liquid in the foam at the start (its mass ÷
    density); where it is not known it is taken as V∞, all that will ever drain, so that half-life = ln 2 ÷ k.

    Raises
    ------
    NotEnoughData
        Fewer than 4 readings, or nothing has drained.
    ModelRangeError
        More has drained than was in the foam.
    """
    t, v = np.broadcast_arrays(np.asarray(time_s, float), np.asarray(drained_ml, float))
    _require_course(t, v, "liquid drained")
    fit = fit_one_rate(
        t, v, rising, _rates(t), least_scatter=np.full(t.shape[:-1], reading_sd_ml), correlated=True
    )
    if liquid_in_foam_ml is None:
        values, weight = np.broadcast_to(np.log(2.0) / fit.rate, fit.weight.shape), fit.weight
        size = fit.quantile(0.5, fit.size)
        half = np.where(np.nanmax(v, axis=-1) < 0.9 * size, np.nan, 0.5 * size)
    else:
        whole = np.asarray(liquid_in_foam_ml, float)
        if np.any(np.nanmax(v, axis=-1) > whole * 1.05 + 2.0 * reading_sd_ml):
            raise ModelRangeError(
                f"more liquid has drained ({np.nanmax(v):g} ml) than was in the foam: check liquid_in_foam_ml"
            )

        def until_half(size: FloatArray, rate: FloatArray) -> FloatArray:
            part = 0.5 * whole[..., None, None] / np.maximum(size, 1e-9)
            return np.where(part < 1.0, -np.log1p(-np.minimum(part, 1.0 - 1e-12)) / rate, np.inf)

        values, weight = fit.spread_of(until_half)
        half = 0.5 * whole
    return _half_life(DRAINAGE, values, weight, _crossing(t, v, half), t, v)


def collapse_half_life(time_s: Floats, foam_height: Floats, *, reading_sd: float = 0.5) -> HalfLife:
    """Collapse half-life from the foam's height (or volume) against time, any one unit.

    Fits h = h₀·e^(−kt). Raises NotEnoughData below 4 readings.
    """
    t, h = np.broadcast_arrays(np.asarray(time_s, float), np.asarray(foam_height, float))
    _require_course(t, h, "foam height")
    fit = fit_one_rate(
        t, h, falling, _rates(t), least_scatter=np.full(t.shape[:-1], reading_sd), correlated=True
    )
    values = np.broadcast_to(np.log(2.0) / fit.rate, fit.weight.shape)
    first = np.take_along_axis(h, np.argmax(np.isfinite(h), axis=-1)[..., None], axis=-1)[..., 0]
    return _half_life(COLLAPSE, values, fit.weight, _crossing(t, -h, -0.5 * first), t, h)


def half_life_over_runs(half_life_s: Floats) -> HalfLife:
    """Half-life of a technique from several runs: the geometric mean, with a t interval over runs.

    Runs differ more than readings within a run, so this interval is the one to compare techniques by.

    Raises
    ------
    NotEnoughData
        Fewer than two runs.
    """
    x = np.log(np.asarray(half_life_s, float))
    n = np.isfinite(x).sum(axis=-1)
    if np.any(n < 2):
        raise NotEnoughData(f"a half-life needs at least 2 runs for an interval, found {int(np.min(n))}")
    mean = np.nanmean(x, axis=-1)
    half = stdtrit(n - 1.0, _HIGH) * np.nanstd(x, axis=-1, ddof=1) / np.sqrt(n)
    return HalfLife(
        of="half-life over runs",
        low_s=np.asarray(np.exp(mean - half)),
        typical_s=np.asarray(np.exp(mean)),
        high_s=np.asarray(np.exp(mean + half)),
        read_s=np.full(np.shape(mean), np.nan),
        readings=np.asarray(n, float),
    )


def _require_course(t: FloatArray, v: FloatArray, what: str) -> None:
    n = (np.isfinite(t) & np.isfinite(v)).sum(axis=-1)
    if np.any(n < 4):
        raise NotEnoughData(
            f"{what} against time needs at least 4 readings, found {int(np.min(n))}: read on until about half is gone"
        )
    if np.nanmin(t) < 0.0 or np.nanmin(v) < 0.0:
        raise ModelRangeError(f"{what} and its times must be 0 or more")


def _rates(t: FloatArray) -> FloatArray:
    """Rates [1/s] whose half-lives span from a fifth of the first interval to fifty times the course."""
    longest = float(np.nanmax(t))
    positive = t[np.isfinite(t) & (t > 0.0)]
    if positive.size == 0:
        raise NotEnoughData("all readings are at time 0: read the foam again later")
    return np.geomspace(np.log(2.0) / (50.0 * longest), np.log(2.0) / (0.2 * float(positive.min())), _GRID)


def _half_life(
    of: str, values: FloatArray, weight: FloatArray, read_s: FloatArray, t: FloatArray, v: FloatArray
) -> HalfLife:
    low, typical, high = (weighted_quantile(values, weight, p) for p in (_LOW, 0.5, _HIGH))
    seen = (np.isfinite(t) & np.isfinite(v)).sum(axis=-1).astype(float)
    return HalfLife(of, low, typical, high, read_s, np.asarray(seen))


def _crossing(t: FloatArray, rising_v: FloatArray, level: FloatArray) -> FloatArray:
    """Where a course first reaches a level, straight between readings; NaN where it does not."""
    flat_t, flat_v = t.reshape(-1, t.shape[-1]), rising_v.reshape(-1, t.shape[-1])
    levels = np.broadcast_to(level, t.shape[:-1]).reshape(-1)
    out = np.full(levels.shape, np.nan)
    for k, want in enumerate(levels):
        seen = np.isfinite(flat_t[k]) & np.isfinite(flat_v[k])
        x, y = flat_t[k][seen], flat_v[k][seen]
        reached = np.flatnonzero(y >= want)
        if not np.isfinite(want) or reached.size == 0:
            continue
        i = int(reached[0])
        span = y[i] - y[i - 1] if i else 0.0
        out[k] = x[i] if i == 0 or span <= 0.0 else x[i - 1] + (want - y[i - 1]) / span * (x[i] - x[i - 1])
    return out.reshape(t.shape[:-1])


@dataclass(frozen=True, eq=False)
class OverrunFit:
    """Overrun against duration for a technique, or a batch of them: a saturating rise.

    Plateau [%] and time constant [s] as (low, typical, high) arrays of the batch's shape; `runs` behind it;
    `scatter_pct` is the standard deviation from run to run. `longest_s` is the longest duration measured.
    """

    fit: RateFit
    plateau_pct: tuple[FloatArray, FloatArray, FloatArray]
    time_constant_s: tuple[FloatArray, FloatArray, FloatArray]
    scatter_pct: FloatArray
    runs: FloatArray
    longest_s: FloatArray

    def predict(self, duration_s: Floats) -> tuple[FloatArray, FloatArray]:
        """Mean and standard deviation [%] of a new run's overrun at each duration; (…, times) each."""
        forecast = self.fit.predict(self._within(duration_s))
        return forecast.mean, forecast.sd

    def odds_at_least(self, wanted_pct: Floats, duration_s: Floats) -> FloatArray:
        """Odds that a new run's overrun is `wanted_pct` or more, at each duration; (…, times).

        The predictive is a mixture of Student's t, which tends to the normal as runs grow.

        Raises
        ------
        ModelRangeError
            Durations at or below zero, or beyond twice the longest measured.
        """
        return self.fit.predict(self._within(duration_s)).odds_at_least(wanted_pct)

    def _within(self, duration_s: Floats) -> FloatArray:
        duration = np.asarray(duration_s, float)
        require("duration", duration, 1e-6, 2.0 * float(np.min(self.longest_s)), "s")
        return duration


def fit_overrun(duration_s: Floats, overrun_pct: Floats, *, overrun_sd_pct: float = 2.0) -> OverrunFit:
    """Fit overrun = plateau·(1 − e^(−t/τ)) to runs on the last axis.

    `overrun_sd_pct` is what one weighed cup alone scatters (see `overrun_from_cup`). Time constants from a
    tenth of the shortest to four times the longest duration are weighed.

    Raises
    ------
    NotEnoughData
        Fewer than 4 runs, or fewer than 3 different durations.
    """
    t, y = np.broadcast_arrays(np.asarray(duration_s, float), np.asarray(overrun_pct, float))
    seen = np.isfinite(t) & np.isfinite(y)
    if t.size == 0:
        raise NotEnoughData(
            f"overrun against duration needs {LEAST_RUNS} weighed runs over {LEAST_DURATIONS} durations, found none"
        )
    rows = [np.unique(np.round(a[s], 1)) for a, s in zip(_rows(t), _rows(seen), strict=True)]
    runs = seen.sum(axis=-1)
    if np.any(runs < LEAST_RUNS) or min(r.size for r in rows) < LEAST_DURATIONS:
        raise NotEnoughData(
            f"overrun against duration needs {LEAST_RUNS} weighed runs over {LEAST_DURATIONS} durations, found "
            f"{int(np.min(runs))} over {min(r.size for r in rows)}: weigh a short, a usual and a long one"
        )
    require("duration of a run", t[seen], 1e-3, 1e4, "s")
    require("overrun", np.maximum(y[seen], 0.0), 0.0, OVERRUN_MAX_PCT, "%")
    taus = np.geomspace(0.1 * float(t[seen].min()), 4.0 * float(t[seen].max()), _GRID)
    fit = fit_one_rate(
        np.where(seen, t, np.nan), y, rising, 1.0 / taus, least_scatter=np.full(t.shape[:-1], overrun_sd_pct)
    )
    plateau, weight = fit.spread_of(lambda size, _: size)
    parts = (_LOW, 0.5, _HIGH)
    low, typical, high = (weighted_quantile(plateau, weight, p) for p in parts)
    tau_low, tau_typical, tau_high = (fit.quantile(p, taus) for p in parts)
    return OverrunFit(
        fit=fit,
        plateau_pct=(low, typical, high),
        time_constant_s=(tau_low, tau_typical, tau_high),
        scatter_pct=fit.quantile(0.5, fit.scatter),
        runs=np.asarray(runs, float),
        longest_s=np.asarray(np.nanmax(np.where(seen, t, np.nan), axis=-1)),
    )


def _rows(a: FloatArray) -> FloatArray:
    return np.asarray(a.reshape(-1, a.shape[-1]))
