"""Texture in the call: how likely a drink is to hold the air that is wanted, against duration, from measured runs.

`foam_ml` of a run is taken as the volume [ml] of the whole drink, foam and all, read in a measuring glass as soon
as it is strained; not the layer of foam alone. Overrun [%] is then 100·(foam_ml ÷ liquid − 1), the liquid's
volume at 20 °C by its weight. `foam_half_life_s` is the time until its foam is half as high as at first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.advice.call.odds import Limit, OddsCurve
from rig.arrays import FloatArray, Floats
from rig.bench import Target
from rig.errors import NotEnoughData
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.physics.foam import LEAST_DURATIONS, LEAST_RUNS, OverrunFit, fit_overrun, half_life_over_runs
from rig.physics.liquid import Liquid, volume_ml
from rig.physics.recipe_liquid import liquid_from_recipe
from rig.runs import Run

READING_SD_PCT = 3.0
"""Scatter of one overrun from a line on a measuring glass, some 3 ml in 100 (common practice, no source)."""
_LEAST_PCT, _MOST_PCT = -8.0, 1500.0
_NEARLY = 0.9
Range = tuple[float, float, float]


@dataclass(frozen=True)
class Foamed:
    """One run whose foamed volume was read; `half_life_s` is NaN where that was not."""

    run: str
    duration_s: float
    overrun_pct: float
    half_life_s: float


@dataclass(frozen=True, eq=False)
class Air:
    """What is known of a technique's air in a drink; `fit` None where runs are too few, `why` then says so."""

    runs: tuple[Foamed, ...]
    not_used: tuple[str, ...]
    fit: OverrunFit | None
    why: str

    def overrun_pct(self, duration_s: Floats) -> tuple[FloatArray, FloatArray, FloatArray]:
        """5th, 50th and 95th percentile of a new run's overrun [%], (times,) each, by the normal law."""
        assert self.fit is not None
        mean, sd = self.fit.predict(self._known(duration_s))
        low, high = (np.maximum(mean + z * sd, 0.0) for z in (-1.645, 1.645))
        return low, np.maximum(mean, 0.0), high

    def odds_at_least(self, wanted_pct: float, duration_s: Floats) -> FloatArray:
        """Odds that a new run holds that much air or more, (times,)."""
        assert self.fit is not None
        return self.fit.odds_at_least(wanted_pct, self._known(duration_s))

    def _known(self, duration_s: Floats) -> FloatArray:
        # The rise has long saturated there, so that later durations are told as the last that is known.
        assert self.fit is not None
        return np.asarray(np.minimum(np.asarray(duration_s, float), 2.0 * float(self.fit.longest_s)))


def air_of(fit: Fit, technique: str, recipe: str) -> Air:
    """The overrun of a technique and recipe against duration, from the runs whose foamed volume was read."""
    found, not_used = [], []
    for run in fit.book.used_runs():
        if (run.technique, run.recipe) != (technique, recipe) or run.foam_ml is None or not run.duration_s:
            continue
        pct = overrun_of(fit, run)
        if pct is None:
            not_used.append(run.run)
            continue
        half_life = np.nan if run.foam_half_life_s is None else run.foam_half_life_s
        found.append(Foamed(run.run, run.duration_s, pct, half_life))
    what = f"{_runs(len(found))} of {recipe} by {technique} with foam measured"
    try:
        made = fit_overrun(
            [f.duration_s for f in found] or [np.nan],
            [f.overrun_pct for f in found] or [np.nan],
            overrun_sd_pct=READING_SD_PCT,
        )
    except NotEnoughData:
        why = (
            f"Texture is not in these odds: there is {what}, and at least {LEAST_RUNS} over {LEAST_DURATIONS} "
            "durations are wanted. Strain a short, a usual and a long one into a measuring glass and write the "
            "volume of the whole drink, foam and all, into foam_ml"
        ).replace("there is no", "there are no", 1)
        return Air(tuple(found), tuple(not_used), None, why + _left_out(not_used) + ".")
    return Air(tuple(found), tuple(not_used), made, "")


def overrun_of(fit: Fit, run: Run) -> float | None:
    """Overrun of a run [%] as its foam was read; None where it was not, or its liquid is not known."""
    liquid_ml = None if run.foam_ml is None else strained_ml(fit, run)
    if run.foam_ml is None or liquid_ml is None:
        return None
    pct = 100.0 * (run.foam_ml / liquid_ml - 1.0)
    return max(pct, 0.0) if _LEAST_PCT <= pct <= _MOST_PCT else None


def air_missed(target: Target, overrun_pct: float) -> dict[Limit, float]:
    """The limit of air that an overrun [%] misses, and by how much [%]; nothing where it lands or none is asked for."""
    low, high = target.overrun_window or (0.0, None)
    if overrun_pct < low:
        return {Limit.TOO_FLAT: low - overrun_pct}
    return {Limit.TOO_FOAMY: overrun_pct - high} if high is not None and overrun_pct > high else {}


NOT_IN_ODDS = "nothing is known of texture: too few drinks had their foam read, and it is not in these odds"
"""What a call says of the air it was asked for and cannot foretell."""


def _runs(count: int) -> str:
    return "1 run" if count == 1 else f"{count or 'no'} runs"


def _left_out(not_used: list[str] | tuple[str, ...]) -> str:
    if not not_used:
        return ""
    return f" (foam_ml of {', '.join(not_used)} is less than the liquid alone, or its liquid was not weighed)"


def strained_ml(fit: Fit, run: Run) -> float | None:
    """Volume [ml at 20 °C] of a run's strained liquid without its air; None where it was not weighed."""
    liquid = liquid_from_recipe(fit.bench.recipe(run.recipe)).liquid
    start_g = float(liquid.mass_g) if run.drink_mass_g is None else run.drink_mass_g
    added_g = next((r.added_g for r in fit.runs if r.run == run.run), None)
    if run.strained_mass_g is None or run.strained_mass_g <= 0.0:
        return None
    if added_g is None:
        added_g = max(run.strained_mass_g - start_g, 0.0)
    scale = start_g / float(liquid.mass_g)
    parts = (liquid.ethanol_g, liquid.sugar_g, liquid.water_g, liquid.solids_g)
    diluted = Liquid(*(np.asarray(part * scale) for part in parts)).plus_water(max(added_g, 0.0))
    return run.strained_mass_g * float(volume_ml(diluted, check=False)) / float(diluted.mass_g)


def with_air(landing: OddsCurve, air: Air, target: Target, times: FloatArray) -> OddsCurve:
    """The landing odds times those of the air wanted, as if the two were independent."""
    window = target.overrun_window
    if window is None or air.fit is None:
        return landing
    low, high = window
    flat = 1.0 - air.odds_at_least(low, times)
    misses = {**landing.misses, Limit.TOO_FLAT: flat}
    foamy = np.zeros_like(flat)
    if high is not None:
        foamy = misses[Limit.TOO_FOAMY] = air.odds_at_least(high, times)
    return OddsCurve(landing.odds * np.clip(1.0 - flat - foamy, 0.0, 1.0), misses)


@dataclass(frozen=True, eq=False)
class Texture:
    """What a call says of texture.

    `odds_at` (times,) are those of the air alone, None where too few runs have it measured. `without` is the
    duration and odds of the call that does not ask for air. `notes`: what is traded and what it rests on.
    """

    wanted_pct: tuple[float, float | None]
    runs: int
    time_s: FloatArray
    odds_at: FloatArray | None
    odds: float | None
    overrun_pct: Range | None
    without: tuple[float, float]
    half_life_s: Range | None
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names."""
        return {
            "wanted_overrun_pct": {"min": self.wanted_pct[0], "max": self.wanted_pct[1]},
            "in_odds": self.odds_at is not None,
            "odds": None if self.odds is None else round(self.odds, 4),
            "overrun_pct_at_call": _percentiles(self.overrun_pct, 1),
            "without_texture": {"duration_s": round(self.without[0], 2), "odds": round(self.without[1], 4)},
            "curve": None
            if self.odds_at is None
            else {
                "duration_s": [float(x) for x in np.round(self.time_s, 3)],
                "odds": [float(x) for x in np.round(self.odds_at, 4)],
            },
            "half_life_s": _percentiles(self.half_life_s, 1),
            "runs": self.runs,
            "notes": list(self.notes),
        }


def _percentiles(values: Range | None, digits: int) -> Mapping[str, float] | None:
    if values is None:
        return None
    return dict(zip(("p05", "p50", "p95"), (round(v, digits) for v in values), strict=True))


def tell(
    air: Air,
    situation: Situation,
    target: Target,
    times: FloatArray,
    landing: OddsCurve,
    best: float,
    without: tuple[float, float],
) -> Texture:
    """Texture at the called duration, in figures and in words.

    Parameters
    ----------
    landing
        The odds without texture.
    without
        Duration and odds of the call that would be made by them.
    """
    window = target.overrun_window
    assert window is not None
    if air.fit is None:
        return Texture(window, len(air.runs), times, None, None, None, without, half_life_of(air), (air.why,))
    odds_at = with_air(OddsCurve(np.ones_like(times), {}), air, target, times).odds
    odds = float(np.interp(best, times, odds_at))
    low, middle, high = (float(v[0]) for v in air.overrun_pct([best]))
    durations = [f.duration_s for f in air.runs]
    notes = [
        _trade(window, times, odds_at, landing, best),
        f"At {best:.0f} s the overrun is {middle:.0f} % ({low:.0f} to {high:.0f}); {overrun_words(target)} lands "
        f"{odds:.0%} of the time on its own. Without it the call would be {without[0]:.0f} s, {without[1]:.0%}.",
        f"Rests on {_runs(len(air.runs))} of {situation.recipe} by {situation.technique} with foam measured, "
        f"{min(durations):.0f} to {max(durations):.0f} s{_left_out(air.not_used)}; taken as independent of "
        "temperature and dilution, so that the odds multiply.",
    ]
    half_life = half_life_of(air)
    if half_life is not None:
        notes.append(
            f"The foam is half gone after {half_life[1]:.0f} s ({half_life[0]:.0f} to {half_life[2]:.0f})."
        )
    return Texture(
        window, len(air.runs), times, odds_at, odds, (low, middle, high), without, half_life, tuple(notes)
    )


def _trade(
    window: tuple[float, float | None],
    times: FloatArray,
    odds_at: FloatArray,
    landing: OddsCurve,
    best: float,
) -> str:
    """What a longer or shorter go would win in air, and what it would cost."""
    top = float(odds_at.max())
    k = int(np.argmax(odds_at >= _NEARLY * top))
    if top < 0.5:
        return f"No duration reaches {window[0]:.0f} % overrun often: at most {top:.0%} of the time."
    # A step of half a second is what a hand can keep.
    if _NEARLY * top <= float(np.interp(best, times, odds_at)) + 0.005:
        return "Nothing is traded: the call is as good for the air as any duration."
    if times[k] > best:
        at, gain = k, "Foamier after"
    else:
        at, gain = int(np.flatnonzero(odds_at >= _NEARLY * top)[-1]), "Less foamy before"
    worst = max(landing.misses, key=lambda m: float(landing.misses[m][at]), default=None)
    share = 0.0 if worst is None else float(landing.misses[worst][at])
    shown = f"{times[at]:.0f}" if abs(times[at] - best) >= 1.0 else f"{times[at]:.1f}"
    text = f"{gain} {shown} s ({odds_at[at]:.0%} for the air)"
    return (
        f"{text}, but {worst.value} then, {share:.0%} of the time." if worst and share > 0.02 else text + "."
    )


def half_life_of(air: Air) -> Range | None:
    """How long the foam of such drinks stood until it was half as high [s], 90 %; None where hardly any was timed."""
    known = [f.half_life_s for f in air.runs if np.isfinite(f.half_life_s) and f.half_life_s > 0.0]
    if len(known) < 2:
        return None
    found = half_life_over_runs(known)
    return float(found.low_s), float(found.typical_s), float(found.high_s)


def overrun_words(target: Target) -> str:
    """The air a target asks for, in words; nothing where it asks for none."""
    window = target.overrun_window
    if window is None:
        return ""
    low, high = window
    return f"overrun {low:g} % or more" if high is None else f"overrun {low:g} to {high:g} %"
