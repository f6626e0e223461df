"""Did this drink land, by how much not, and why: one sentence for Live, `chillrig record` and the run's page.

By measurement where there is one: water from the strained mass and what is held back, temperature from the run's own
probe with its lag undone. Beside it stands what was foretold, and the moment that was called.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri

from rig.advice.call.odds import ENDS, Limit, Result, odds_curve, windows_of
from rig.advice.call.texture import READING_SD_PCT, air_missed, overrun_of
from rig.advice.call.words import seconds, will_do
from rig.advice.live.live import live_call
from rig.answer_units import true_minus
from rig.arrays import FloatArray
from rig.bench import Target
from rig.errors import RigError
from rig.fitting.live_fit import given_trace
from rig.fitting.observations import strained_mass_g
from rig.fitting.prediction import Prediction
from rig.fitting.priors import UNCHECKED_SCALE_G
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.runs import PROBE_DOUBT, THERMOMETER, Run
from rig.signals.probe_faults import probe_doubt

Range = tuple[float, float, float]
"""5th, 50th and 95th percentile."""
LANDED, SENTENCE, RESTS_ON = "landed", "how it landed", "how it landed rests on"
MISSED, WINDOW = "missed", "window called [s]"
"""What a kept run's `extra` holds of its verdict, by these names."""
_YES, _NO, _UNKNOWN = "yes", "no", "not known"
_HANDS_S = 0.5
THERMOMETER_STD_K = 0.5
"""How far a kitchen thermometer, read by hand in a drink at rest, may be off (common practice, no source)."""
_SEED = 23


@dataclass(frozen=True)
class Landing:
    """How a drink landed. None where it was not measured, `landed` also where that leaves it open.

    `missed`: each limit that was missed, and by how much in words. `sure`: the share of what the measurements
    leave possible that landed. `overrun_pct`: of its foam, where the target asks for air. `foretold`: dilution at its
    end before it was weighed. `duration_s` beside
    `called_s`, the moment called, and `window_s`, the moments that would do.
    """

    landed: bool | None
    missed: Mapping[Limit, str]
    not_known: tuple[str, ...]
    sure: float | None
    temp_c: Range | None
    dilution_by_volume: Range | None
    foretold: Range
    technique: str
    duration_s: float
    called_s: float
    window_s: tuple[float, float]
    overrun_pct: float | None = None

    @property
    def headline(self) -> str:
        """Landed, or missed by how much."""
        if self.landed:
            return "Landed"
        if self.landed is None:
            return f"Not known: no {' and no '.join(self.not_known)}"
        return f"Missed: {', '.join(f'{limit} by {by}' for limit, by in self.missed.items())}"

    @property
    def why(self) -> str:
        """What was measured beside what was foretold, and when it was stopped beside when it should have been."""
        told = [t for t in (self._temp(), self._water(), self._air(), self._time()) if t]
        if self.sure is not None and 0.05 < self.sure < 0.95 and self.landed is not None:
            share = self.sure if self.landed else 1.0 - self.sure
            told.append(f"sure in {100.0 * share:.0f} of 100: it is close to the edge")
        return true_minus(". ".join(f"{t[0].upper()}{t[1:]}" for t in told))

    @property
    def sentence(self) -> str:
        """All of it."""
        return f"{self.headline}. {self.why}."

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names."""

        def band(values: Range | None, digits: int) -> dict[str, float] | None:
            return (
                None
                if values is None
                else {k: round(v, digits) + 0.0 for k, v in zip(("p05", "p50", "p95"), values, strict=True)}
            )

        return {
            "landed": self.landed,
            "missed": {limit.value: by for limit, by in self.missed.items()},
            "odds_landed": None if self.sure is None else round(self.sure, 3),
            "temp_c": band(self.temp_c, 2),
            "dilution_by_volume": band(self.dilution_by_volume, 4),
            "overrun_pct": None if self.overrun_pct is None else round(self.overrun_pct, 1),
            "foretold_dilution_by_volume": band(self.foretold, 4),
            "duration_s": round(self.duration_s, 2),
            "called_s": round(self.called_s, 2),
            "sentence": self.sentence,
        }

    def _temp(self) -> str:
        if self.temp_c is None:
            return ""
        low, middle, high = self.temp_c
        return f"{middle:z.1f} °C at the end ({low:z.1f} to {high:z.1f})"

    def _water(self) -> str:
        low, middle, high = (100.0 * v for v in self.foretold)
        foretold = f"{middle:.0f} % ({low:.0f} to {high:.0f})"
        if self.dilution_by_volume is None:
            return f"foretold {foretold} water, not weighed"
        least, weighed, most = (100.0 * v for v in self.dilution_by_volume)
        as_said = "more than" if weighed > high else "less than" if weighed < low else "as"
        return f"weighed {weighed:.0f} % water ({least:.0f} to {most:.0f}), foretold {foretold}: {as_said} foretold"

    def _air(self) -> str:
        return "" if self.overrun_pct is None else f"overrun {self.overrun_pct:.0f} %, by its foam"

    def _time(self) -> str:
        low, high = self.window_s
        called = f"called {seconds(self.called_s)} s, {will_do(self.window_s)}"
        made = f"{self.duration_s:.1f} s of {self.technique}"
        if low - _HANDS_S <= self.duration_s <= high + _HANDS_S:
            return f"{made}; {called}"
        short = self.duration_s < low
        off_s = low - self.duration_s if short else self.duration_s - high
        return f"{made}, {off_s:.1f} s too {'short' if short else 'long'}; {called}"


def how_it_landed(fit: Fit, run: Run, target: Target) -> Landing | None:
    """The verdict on a run that was made for a target; None where it was not moved for any known time.

    Raises
    ------
    NotFound, ModelRangeError
        A name that is not on the fit's bench; a value outside the model's range.
    """
    if not run.duration_s or not (windows_of(target) or target.overrun_window):
        return None
    call = live_call(fit, Situation.of(run), target)
    assert call.before is not None
    p, read = call.rehearsal.prediction, _read_to_the_end(run)
    shown = given_trace(call.rehearsal, run.trace, run.duration_s).prediction if read and run.trace else p
    temp_c, foretold_g = (_at(shown, v, run.duration_s) for v in (shown.temp_c, shown.added_g))
    if read and (by_hand_c := _read_by_hand(run)) is not None:
        # it was read in the drink at rest: no model has a say in that, only how well such a thermometer is known
        temp_c = _drawn(by_hand_c, run.probe_std_k or THERMOMETER_STD_K, temp_c.size)
    weighed_g = _added_g(p, run)
    added_g = foretold_g if weighed_g is None else weighed_g
    asked, overrun_pct = windows_of(target).keys(), overrun_of(fit, run)
    unknown = {
        "temperature at the end": Result.TEMP_C in asked and not read,
        "weight in the glass": bool(asked - {Result.TEMP_C}) and weighed_g is None,
        "foam volume": target.overrun_window is not None and overrun_pct is None,
    }
    not_known = tuple(name for name, so in unknown.items() if so)
    drawn = _ended(p, run.duration_s, temp_c, added_g, p.held_back_g)
    medians = (np.median(v, keepdims=True) for v in (temp_c, added_g, p.held_back_g))
    judged = [r for r in asked if (read if r is Result.TEMP_C else weighed_g is not None)]
    missed = _missed(_ended(p, run.duration_s, *medians), target, judged)
    if overrun_pct is not None:
        missed |= {limit: f"{by:.0f} % overrun" for limit, by in air_missed(target, overrun_pct).items()}
    return Landing(
        landed=False if missed else None if not_known else True,
        missed=missed,
        not_known=not_known,
        sure=None
        if not_known
        else float(odds_curve(drawn, target).odds[0]) * _sure_of_air(target, overrun_pct),
        temp_c=_range(temp_c) if read else None,
        dilution_by_volume=None if weighed_g is None else _range(weighed_g / p.start_volume_ml),
        foretold=_range(foretold_g / p.start_volume_ml),
        overrun_pct=overrun_pct if target.overrun_window is not None else None,
        technique=run.technique,
        duration_s=run.duration_s,
        called_s=call.before.duration_s,
        window_s=call.before.window_s,
    )


def landing_of(fit: Fit, run: Run) -> Landing | None:
    """As `how_it_landed`, for the target that the run was made for; None where there is none, or no telling."""
    target = fit.bench.targets.get(run.target or "")
    try:
        return None if target is None else how_it_landed(fit, run, target)
    except RigError:
        return None


def with_landing(run: Run, landing: Landing | None) -> Run:
    """The run with its verdict in its `extra`."""
    if landing is None:
        return run
    did = _UNKNOWN if landing.landed is None else _YES if landing.landed else _NO
    low_s, high_s = landing.window_s
    told = {
        LANDED: did,
        SENTENCE: landing.sentence,
        RESTS_ON: _rests_on(run),
        WINDOW: f"{low_s:.2f} to {high_s:.2f}",
        MISSED: "; ".join(landing.missed),
    }
    return replace(run, extra={**run.extra, **{k: v for k, v in told.items() if v}})


def kept_landed(run: Run) -> bool | None:
    """Whether a run landed, as it was told when it was made; None where that was not known."""
    return {_YES: True, _NO: False}.get(run.extra.get(LANDED, ""))


def kept_window_s(run: Run) -> tuple[float, float] | None:
    """The durations that would have done, as they were told when the run was made; None where that was not known."""
    parts = run.extra.get(WINDOW, "").split(" to ")
    return (float(parts[0]), float(parts[1])) if len(parts) == 2 else None


def kept_missed(run: Run) -> tuple[Limit, ...]:
    """The limits that a run missed, as they were told when it was made."""
    return tuple(Limit(name) for name in run.extra.get(MISSED, "").split("; ") if name)


def is_told(run: Run) -> bool:
    """Whether a run carries its verdict, and nothing that rests on has been corrected since."""
    return run.extra.get(RESTS_ON) == _rests_on(run)


def told_anew(fit: Fit, run: Run) -> Run:
    """The run with its verdict: as it was told when it was made, or anew where it has been corrected since."""
    return run if is_told(run) else with_landing(run, landing_of(fit, run))


def sentence_of(fit: Fit, run: Run) -> str:
    """How a run landed: as it was told when it was made, or anew where it has been corrected since; else empty."""
    if is_told(run):
        return run.extra[SENTENCE]
    found = landing_of(fit, run)
    return "" if found is None else found.sentence


def _rests_on(run: Run) -> str:
    names = (
        "target",
        "recipe",
        "duration_s",
        "drink_mass_g",
        "drink_temp_c",
        "ice_mass_g",
        "strained_mass_g",
    )
    foam = () if run.foam_ml is None else ("foam_ml",)
    return "; ".join(f"{n} {getattr(run, n)}" for n in (*names, *foam))


def _read_to_the_end(run: Run) -> bool:
    """Whether the run's own probe is believed until the drink came to rest."""
    trace = run.trace
    if trace is None or trace.probe_c is None or not run.duration_s or PROBE_DOUBT in run.extra:
        return False
    moving = np.isfinite(trace.probe_c) & (trace.time_s > 0.0) & (trace.time_s <= run.duration_s)
    doubt = probe_doubt(trace.time_s, trace.probe_c, run.duration_s, usual_c=None, in_drink=False)
    return bool(moving.any()) and doubt is None


def _read_by_hand(run: Run) -> float | None:
    """What a thermometer showed at the end; None where the trace is that of a probe."""
    by_hand = None if run.trace is None else run.trace.probes_c.get(THERMOMETER)
    return None if by_hand is None else float(by_hand[-1])


def _drawn(value: float, std: float, draws: int) -> FloatArray:
    """A reading with what is not known of it, (draws,), its median the reading itself."""
    even = ndtri((np.arange(draws) + 0.5) / draws)
    return np.asarray(value + std * np.random.default_rng(_SEED).permutation(even))


def _added_g(p: Prediction, run: Run) -> FloatArray | None:
    """Water added by weighing [g], (draws,): the spread is that of the scale and of what is held back."""
    strained_g = strained_mass_g(run)
    if strained_g is None:
        return None
    drink_g = float(p.liquid.mass_g) if run.drink_mass_g is None else run.drink_mass_g
    scale_g = UNCHECKED_SCALE_G if run.scale_std_g is None else run.scale_std_g
    slips = np.random.default_rng(_SEED).normal(0.0, scale_g, p.held_back_g.size)
    return np.maximum(strained_g + p.held_back_g - drink_g + slips, 0.0)


def _sure_of_air(target: Target, overrun_pct: float | None) -> float:
    """The share of what a reading of foam leaves possible that has the air asked for; 1 where none is asked for."""
    window = target.overrun_window
    if window is None or overrun_pct is None:
        return 1.0
    low, high = window
    least = float(ndtr((overrun_pct - low) / READING_SD_PCT))
    return least if high is None else least - float(ndtr((overrun_pct - high) / READING_SD_PCT))


def _at(p: Prediction, draws: FloatArray, at_s: float) -> FloatArray:
    """Draws (draws, times) at one duration, (draws,); beyond the last duration as at the last."""
    place = np.interp(at_s, p.duration_s, np.arange(p.duration_s.size))
    low = int(place)
    high = min(low + 1, p.duration_s.size - 1)
    return np.asarray(draws[:, low] + (place - low) * (draws[:, high] - draws[:, low]))


def _ended(
    p: Prediction, at_s: float, temp_c: FloatArray, added_g: FloatArray, held_g: FloatArray
) -> Prediction:
    """A prediction of one duration alone, with what was found there, (draws,) each."""
    return replace(
        p,
        duration_s=np.array([at_s]),
        temp_c=temp_c[:, None],
        added_g=added_g[:, None],
        dilution_by_volume=added_g[:, None] / p.start_volume_ml,
        held_back_g=held_g,
    )


def _missed(middle: Prediction, target: Target, judged: Sequence[Result]) -> dict[Limit, str]:
    """The limits that a drink missed, and by how much."""
    values = {
        Result.TEMP_C: lambda: middle.temp_c,
        Result.DILUTION: lambda: middle.dilution_by_volume,
        Result.ABV_PCT: middle.abv_pct,
        Result.VOLUME_ML: middle.volume_ml,
    }
    out: dict[Limit, str] = {}
    for result in judged:
        (low, high), value = windows_of(target)[result], float(np.asarray(values[result]()).ravel()[0])
        for limit, by in zip(ENDS[result], (low - value, value - high), strict=True):
            if by > 0.0:
                out[limit] = _amount(result, by)
    return out


def _amount(result: Result, by: float) -> str:
    shown, unit = {
        Result.TEMP_C: (by, "°C"),
        Result.DILUTION: (100.0 * by, "% water"),
        Result.ABV_PCT: (by, "% ABV"),
        Result.VOLUME_ML: (by, "ml"),
    }[result]
    return (
        f"{shown:.0f} {unit}"
        if shown >= 2.0 and result is not Result.TEMP_C
        else f"{max(shown, 0.1):.1f} {unit}"
    )


def _range(draws: FloatArray) -> Range:
    low, middle, high = np.percentile(draws, [5.0, 50.0, 95.0])
    return float(low), float(middle), float(high)
