"""The call: how long to shake so that the drink lands in its target, with what odds, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter1d

from rig.advice.cautions import cautions
from rig.advice.levers import Lever, levers
from rig.advice.odds import Limit, OddsCurve, odds_curve
from rig.advice.texture import Texture, air_of, tell, with_air
from rig.arrays import FloatArray
from rig.bench import Target
from rig.errors import ModelRangeError, NotEnoughData
from rig.fitting.prediction import Basis, Prediction, predict
from rig.fitting.priors import MOTIONS
from rig.fitting.result import Fit
from rig.fitting.situation import Situation

USEFUL_ODDS = 0.35
"""Below this the tool says that no duration serves, and what would."""
NEAR_BEST = 0.90
_STEP_S = 0.25
_SHOWN_POINTS = 60
_HOPELESS = 0.01
_GOOD_ENOUGH, _LEAST_GAIN = 0.8, 0.03


@dataclass(frozen=True)
class Band:
    """5th, 50th and 95th percentile of a quantity against duration, (times,) each."""

    p05: FloatArray
    p50: FloatArray
    p95: FloatArray

    def to_dict(self, digits: int) -> dict[str, list[float]]:
        """The three percentiles as lists."""
        return {k: _rounded(getattr(self, k), digits) for k in ("p05", "p50", "p95")}


@dataclass(frozen=True)
class Advice:
    """The call for one drink on one set-up.

    `window_s`: durations whose odds are at least nine tenths of the best. `slip_s`: how many seconds early
    and late the window forgives. `feasible`: the best odds are useful. `limited_by`: in plain words, what
    ends the window on each side. `texture` is None where the target asks for no overrun; else its odds are
    in `odds` wherever enough runs have foam measured.
    """

    situation: Situation
    target: Target
    duration_s: float
    window_s: tuple[float, float]
    slip_s: tuple[float, float]
    odds: float
    feasible: bool
    limited_by: Mapping[str, str]
    basis: Basis
    time_s: FloatArray
    odds_at: FloatArray
    temp_c: Band
    dilution_by_volume: Band
    abv_pct: Band
    volume_ml: Band
    at_call: Mapping[str, tuple[float, float, float]]
    cautions: tuple[str, ...]
    levers: tuple[Lever, ...]
    summary: str
    texture: Texture | None = None

    def to_dict(self) -> dict[str, Any]:
        """The call with stable keys, units in the names; what `advise --json` prints."""
        return {
            "technique": self.situation.technique,
            "vessel": self.situation.vessel,
            "ice": self.situation.ice,
            "recipe": self.situation.recipe,
            "duration_s": round(self.duration_s, 2),
            "window_s": [round(x, 2) for x in self.window_s],
            "slip_s": [round(x, 2) for x in self.slip_s],
            "odds": round(self.odds, 4),
            "feasible": self.feasible,
            "limited_by": dict(self.limited_by),
            "basis": {
                "runs": self.basis.runs,
                "kind": self.basis.kind.value,
                "related_runs": self.basis.related_runs,
                "extrapolated": list(self.basis.extrapolated),
            },
            "target": {
                "name": self.target.name,
                "serve_temp_c_max": self.target.serve_temp_c_max,
                "serve_temp_c_min": self.target.serve_temp_c_min,
                "dilution_by_volume": _listed(self.target.dilution_by_volume),
                "abv_pct": _listed(self.target.abv_pct),
                "volume_ml": _listed(self.target.volume_ml),
            },
            "at_call": {k: {"p05": v[0], "p50": v[1], "p95": v[2]} for k, v in self.at_call.items()},
            "curve": {
                "duration_s": _rounded(self.time_s, 3),
                "odds": _rounded(self.odds_at, 4),
                "temp_c": self.temp_c.to_dict(3),
                "dilution_by_volume": self.dilution_by_volume.to_dict(4),
                "abv_pct": self.abv_pct.to_dict(3),
                "volume_ml": self.volume_ml.to_dict(2),
            },
            "cautions": list(self.cautions),
            "levers": [lever.to_dict() for lever in self.levers],
            "summary": self.summary,
            "texture": None if self.texture is None else self.texture.to_dict(),
        }


def _rounded(values: FloatArray, digits: int) -> list[float]:
    return [float(x) for x in np.round(values, digits)]


def _listed(window: tuple[float, float] | None) -> list[float] | None:
    return None if window is None else list(window)


def advise(
    fit: Fit,
    *,
    technique: str,
    vessel: str,
    ice: str,
    recipe: str,
    target: Target,
    drink_temp_c: float | None = None,
    drink_mass_g: float | None = None,
    ice_mass_g: float | None = None,
    ice_temp_c: float | None = None,
    vessel_temp_c: float | None = None,
    room_temp_c: float | None = None,
    draws: int = 1024,
    with_levers: bool = True,
) -> Advice:
    """How long to move this drink on this ice so that it lands in the target.

    What is not given is taken as usual for the bench: ice as in its description, vessel and drink at room
    temperature unless the recipe says otherwise; each with a wider spread than a measured value.

    Raises
    ------
    NotFound
        A vessel, ice or recipe that is not on the bench.
    ModelRangeError
        A value outside the model's range; the message says the range.
    NotEnoughData
        A target that asks for overrun alone, where too few runs have foam measured.
    """
    situation = Situation(
        technique,
        vessel,
        ice,
        recipe,
        drink_temp_c,
        drink_mass_g,
        ice_mass_g,
        ice_temp_c,
        vessel_temp_c,
        room_temp_c,
    )
    situation = as_usual(fit, situation)
    require_sensible(situation)
    times = durations(fit, situation)
    prediction = predict(fit, situation, times, draws=draws)
    landing = odds_curve(prediction, target)
    air = air_of(fit, technique, recipe) if target.overrun_window is not None else None
    if air is not None and air.fit is None and not landing.misses:
        raise NotEnoughData(f"the target asks for overrun alone. {air.why}")
    curve = landing if air is None else with_air(landing, air, target, times)
    best, window = best_duration(times, curve.odds)
    odds = float(np.interp(best, times, curve.odds))
    feasible = odds >= USEFUL_ODDS
    found = _levers(fit, situation, target, (times, landing, curve), odds) if with_levers else ()
    texture = None
    if air is not None:
        plain, _ = best_duration(times, landing.odds)
        without = plain, float(np.interp(plain, times, landing.odds))
        texture = tell(air, situation, target, times, landing, best, without)
    temp, dilution = band(prediction.temp_c), band(prediction.dilution_by_volume)
    abv, volume = band(prediction.abv_pct()), band(prediction.volume_ml())
    at_call = {
        name: tuple(round(float(np.interp(best, times, getattr(b, p))), 4) for p in ("p05", "p50", "p95"))
        for name, b in (
            ("temp_c", temp),
            ("dilution_by_volume", dilution),
            ("abv_pct", abv),
            ("volume_ml", volume),
        )
    }
    at_call["dilution_of_finished_drink"] = tuple(
        round(d / (1 + d), 4) for d in at_call["dilution_by_volume"]
    )
    shown = _thin(times)
    return Advice(
        situation=situation,
        target=target,
        duration_s=best,
        window_s=window,
        slip_s=(best - window[0], window[1] - best),
        odds=odds,
        feasible=feasible,
        limited_by=_limits(curve, times, best, window),
        basis=prediction.basis,
        time_s=times[shown],
        odds_at=curve.odds[shown],
        temp_c=_take(temp, shown),
        dilution_by_volume=_take(dilution, shown),
        abv_pct=_take(abv, shown),
        volume_ml=_take(volume, shown),
        at_call=at_call,  # type: ignore[arg-type]
        cautions=cautions(fit.bench, situation, prediction),
        levers=found,
        summary=_summary(best, window, odds, feasible, prediction, found),
        texture=texture,
    )


def _levers(
    fit: Fit,
    situation: Situation,
    target: Target,
    curves: tuple[FloatArray, OddsCurve, OddsCurve],
    odds: float,
) -> tuple[Lever, ...]:
    """What would help, the odds of the air at each lever's duration multiplied in."""
    if odds >= _GOOD_ENOUGH:
        return ()
    times, landing, curve = curves
    if curve is landing:
        return levers(fit, situation, target, odds)
    share = np.divide(curve.odds, landing.odds, out=np.ones_like(times), where=landing.odds > 0.0)
    found = levers(fit, situation, target, float(landing.odds.max()))
    airy = [replace(v, odds=v.odds * float(np.interp(v.duration_s, times, share))) for v in found]
    helps = [replace(v, gain=v.odds - odds) for v in airy if v.odds >= odds + _LEAST_GAIN]
    return tuple(sorted(helps, key=lambda v: -v.odds))


def as_usual(fit: Fit, situation: Situation) -> Situation:
    """Fill what was not asked for with what this set-up's runs usually had."""
    runs = [r for r in fit.book.used_runs() if r.ice == situation.ice and r.technique == situation.technique]
    runs = [r for r in runs if r.vessel == situation.vessel] or runs
    if situation.ice_mass_g is None:
        masses = [r.ice_mass_g for r in runs if r.ice_mass_g is not None]
        if masses:
            situation = replace(situation, ice_mass_g=float(np.median(masses)))
    if situation.drink_temp_c is None:
        temps = [r.drink_temp_c for r in runs if r.recipe == situation.recipe and r.drink_temp_c is not None]
        if temps:
            situation = replace(situation, drink_temp_c=float(np.median(temps)))
    return situation


_SENSIBLE = {
    "drink_temp_c": (-5.0, 95.0, "°C"),
    "drink_mass_g": (10.0, 3000.0, "g"),
    "ice_mass_g": (10.0, 5000.0, "g"),
    "ice_temp_c": (-30.0, 0.5, "°C"),
    "vessel_temp_c": (-30.0, 95.0, "°C"),
    "room_temp_c": (-10.0, 50.0, "°C"),
}


def require_sensible(situation: Situation) -> None:
    """Refuse a stated value that no model here was made for."""
    for name, (low, high, unit) in _SENSIBLE.items():
        value = getattr(situation, name)
        if value is not None and not low <= value <= high:
            raise ModelRangeError(
                f"{name} {value:g} {unit} is outside the model's range, {low:g} to {high:g} {unit}"
            )


def durations(fit: Fit, situation: Situation) -> FloatArray:
    """The durations a call is looked for at [s]: a third past the longest measured, or to the longest usual."""
    motion = MOTIONS[fit.bench.motion(situation.technique)]
    longest = motion.longest_s
    measured = [m.duration_s[1] for (s, _), m in fit.measured.items() if s.technique == situation.technique]
    if measured:
        longest = max(1.3 * max(measured), 0.3 * longest)
    count = int(np.ceil(longest / _STEP_S))
    if count > 240:
        steps = [np.arange(1, 121) * _STEP_S, np.linspace(30.5, longest, 180)]
        return np.concatenate(steps).astype(np.float64)
    return np.asarray(np.arange(1, count + 1) * _STEP_S, dtype=float)


def best_duration(times: FloatArray, odds: FloatArray) -> tuple[float, tuple[float, float]]:
    """The duration of best odds, and the window around it in which odds stay within 90 % of the best.

    The middle of the stretch within 2 % of the best is called rather than the very peak: on a flat top the
    peak is chance, and the middle forgives slips on both sides.
    """
    smooth = np.minimum(gaussian_filter1d(odds, 1.5), odds.max())
    peak = int(np.argmax(smooth))
    low, high = _stretch(times, smooth, peak, 0.98)
    best = float(np.clip(0.5 * (low + high), times[0], times[-1]))
    return best, _stretch(times, smooth, peak, NEAR_BEST)


def _stretch(times: FloatArray, odds: FloatArray, peak: int, share: float) -> tuple[float, float]:
    level = share * odds[peak]
    below = np.flatnonzero(odds[:peak] < level)
    above = np.flatnonzero(odds[peak:] < level)
    low, high = float(times[0]), float(times[-1])
    if below.size:
        k = int(below[-1])
        low = float(np.interp(level, odds[k : k + 2], times[k : k + 2]))
    if above.size:
        k = peak + int(above[0])
        high = float(np.interp(-level, -odds[k - 1 : k + 1], times[k - 1 : k + 1]))
    return low, high


def band(draws: FloatArray) -> Band:
    """Percentiles over draws of shape (draws, times)."""
    return Band(*np.percentile(draws, [5.0, 50.0, 95.0], axis=0))


def _take(b: Band, index: np.ndarray) -> Band:
    return Band(b.p05[index], b.p50[index], b.p95[index])


def _thin(times: FloatArray) -> np.ndarray:
    if times.size <= _SHOWN_POINTS * 2:
        return np.arange(times.size)
    return np.unique(np.linspace(0, times.size - 1, _SHOWN_POINTS * 2).astype(int))


def _limits(curve: OddsCurve, times: FloatArray, best: float, window: tuple[float, float]) -> dict[str, str]:
    """What ends the window on each side, in plain words."""

    def main(at: float, side: str) -> str:
        k = int(np.argmin(np.abs(times - at)))
        misses = {limit: float(share[k]) for limit, share in curve.misses.items()}
        if not misses or max(misses.values()) < 0.02:
            return f"nothing {'before' if side == 'early' else 'after'} {at:.0f} s"
        worst = max(misses, key=lambda limit: misses[limit])
        return f"{worst.value} {'before' if side == 'early' else 'after'} {at:.0f} s"

    if curve.odds.max() < _HOPELESS:
        return _never(curve, times)
    early = main(window[0], "early") if window[0] > times[0] else "nothing: any earlier is as good"
    late = main(window[1], "late") if window[1] < times[-1] else "nothing within the durations looked at"
    return {"early": early, "late": late}


def _never(curve: OddsCurve, times: FloatArray) -> dict[str, str]:
    """What stands in the way where no duration lands: the worst miss early on, and the worst at the end."""

    def missed(at: int) -> str:
        worst = max(curve.misses, key=lambda limit: float(curve.misses[limit][at]))
        return f"{worst.value} at {times[at]:.0f} s"

    return {"early": missed(times.size // 4), "late": missed(times.size - 1)}


def _summary(
    best: float,
    window: tuple[float, float],
    odds: float,
    feasible: bool,
    prediction: Prediction,
    found: tuple[Lever, ...],
) -> str:
    technique = prediction.situation.technique
    if feasible:
        text = (
            f"{technique.capitalize()} for {best:.0f} s ({window[0]:.0f} to {window[1]:.0f} s will do): "
            f"lands {odds:.0%} of the time."
        )
    else:
        text = f"No duration lands this often enough: at best {odds:.0%} at {best:.0f} s."
        if found and found[0].odds > odds + 0.05:
            text += f" What would help most: {found[0].what} ({found[0].odds:.0%})."
    return text


__all__ = ["Advice", "Band", "Limit", "advise", "band", "best_duration", "durations"]
