"""The live call: where this drink is now, how long it has to go, and when to stop.

Made before the start from the fit, then asked again and again with the trace so far. Pure: the same trace gives
the same answer, live or replayed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cache, partial
from typing import Any

import numpy as np

from rig.advice.call.calling import (
    DRAWS,
    SEED,
    USEFUL_ODDS,
    Call,
    DrinkPrediction,
    air_for,
    answerable,
    call_at,
    landing,
)
from rig.advice.call.search import Span, best_moment, durations, run_span_s, widened
from rig.advice.call.texture import NOT_IN_ODDS, Air
from rig.advice.call.words import of_hundred
from rig.advice.live.hand import HandDraws, hand_draws, uncounted_words
from rig.arrays import FloatArray
from rig.bench import Target
from rig.fitting.live_fit import Conditioned, Rehearsal, given_trace, rehearse_run
from rig.fitting.prediction import Basis, BasisKind, Prediction
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.runs import Trace
from rig.signals.moments import Rhythm

REACTION_S = 0.3
"""From the cue to hands at rest; simple reaction to sound or light takes 0.15–0.3 s (common practice, no source)."""
EVERY_S = 0.4
"""How often to ask again: an estimate costs up to a tenth of a second, and between two the time left runs on."""
_READY_S = 3.0
_PAST_SHARE = 0.5
Range = tuple[float, float, float]
"""5th, 50th and 95th percentile."""


class Word(StrEnum):
    """What the live call says."""

    KEEP_GOING = "keep going"
    GET_READY = "get ready"
    STOP = "stop"
    PAST = "past it"
    NO_MOMENT = "no good moment"


@dataclass(frozen=True)
class LiveCall:
    """Everything worked out before the start; ask `estimate` with the trace so far.

    `before`: the call before anything is seen, the same as of any other question; None without a target. `air`, and
    `run_span_s`: what is known of the drink's air, and how long its runs on this set-up were; None where nothing is.
    `hand`: gives what another cadence would make of it, None where no run of this technique had its strokes counted;
    worked out when it is first asked for, since most drinks have a probe or nobody who listens.
    """

    rehearsal: Rehearsal
    target: Target | None
    reaction_s: float
    before: Call | None
    air: Air | None
    run_span_s: Span | None
    hand: Callable[[], HandDraws | None]

    @property
    def basis(self) -> Basis:
        """What the call rests on before anything is seen."""
        return self.rehearsal.prediction.basis if self.before is None else self.before.basis


@dataclass(frozen=True)
class LiveEstimate:
    """The drink at `now_s` [s] from the start of motion.

    `temp_c`, `dilution_by_volume`: the liquid itself, probe lag undone, as percentiles. `stop_at_s`: when the
    cue is due, `seconds_left` until then; `odds_now`, `odds_best`: of landing when stopped now, and at the
    best moment; None without a target. `readings`: how many independent readings it rests on. `note` says
    what a person must know to trust it: no runs of this set-up, or a trace unlike them. `cadence` says what the
    hand's cadence does to the stop, where it is heard and there is no probe. `by_clock`: no probe is believed by now.
    """

    now_s: float
    temp_c: Range
    dilution_by_volume: Range
    stop_at_s: float | None
    seconds_left: float | None
    odds_now: float | None
    odds_best: float | None
    word: Word
    readings: int
    note: str
    cadence: str = ""
    by_clock: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names."""
        out: dict[str, Any] = {"now_s": round(self.now_s, 3), "word": self.word.value}
        for name, digits in (("temp_c", 2), ("dilution_by_volume", 4)):
            low, middle, high = getattr(self, name)
            out[name] = {"p05": round(low, digits), "p50": round(middle, digits), "p95": round(high, digits)}
        for name in ("stop_at_s", "seconds_left", "odds_now", "odds_best"):
            value = getattr(self, name)
            out[name] = None if value is None else round(value, 3)
        return out | {"readings": self.readings, "note": self.note, "cadence": self.cadence}


def live_call(
    fit: Fit,
    situation: Situation,
    target: Target | None,
    *,
    reaction_s: float = REACTION_S,
    draws: int = DRAWS,
) -> LiveCall:
    """Prepare the call for one run about to be made.

    Parameters
    ----------
    situation
        What is known before the start; weigh-ins and stated temperatures narrow the call.
    target
        None: only temperature and dilution are estimated.
    reaction_s
        How long the hands take from the cue to rest [s]; the cue comes that much earlier.

    Raises
    ------
    NotFound, ModelRangeError
        A name not on the bench; a value outside the model's range.
    """
    question, span_s = answerable(fit, situation), run_span_s(fit, situation)
    times = durations(fit, situation.technique)
    rehearsal = rehearse_run(fit, question.situation, times, draws=draws, seed=SEED)
    rehearsal = replace(rehearsal, prediction=widened(rehearsal.prediction, span_s))
    hand = cache(partial(hand_draws, fit, question.situation, times, span_s, draws=draws, seed=SEED))
    if target is None:
        return LiveCall(rehearsal, None, reaction_s, None, None, span_s, hand)
    air = air_for(fit, situation, target)
    drink = DrinkPrediction(question, rehearsal.prediction, span_s)
    before = call_at(drink, target, landing(drink.prediction, target, air).curve)
    return LiveCall(rehearsal, target, reaction_s, before, air, span_s, hand)


def estimate(call: LiveCall, trace: Trace, now_s: float) -> LiveEstimate:
    """Where the drink is at `now_s` and what to say, from the trace until then."""
    return _told(call, given_trace(call.rehearsal, trace, now_s), now_s)


def _told(call: LiveCall, found: Conditioned, now_s: float) -> LiveEstimate:
    p = found.prediction
    temp = _percentiles(p.temp_c, p.duration_s, now_s, float(np.mean(call.rehearsal.start_c)))
    dilution = _percentiles(p.dilution_by_volume, p.duration_s, now_s, None)
    plain = LiveEstimate(
        now_s, temp, dilution, None, None, None, None, Word.KEEP_GOING, found.readings, _note(call, found)
    )
    return plain if call.target is None else _called(plain, p, call.target, call)


def by_the_clock(
    call: LiveCall, now_s: float, rhythm: Rhythm | None = None, before: Trace | None = None
) -> LiveEstimate:
    """Where the drink should be at `now_s` and what to say, where no probe is believed: as called beforehand.

    Where a probe was believed until a while ago, what it read `before` counts. Otherwise, where the hand's `rhythm` is
    heard, and this bench has learned what cadence does, as called for such a hand.
    """
    cadence = ""
    if before is not None and (before.time_s > 0.0).any():
        found = _told(call, given_trace(call.rehearsal, before, now_s), now_s)
        rests, trust = f" and what the probe read in the first {before.time_s[-1]:.0f} s", found.note
    else:
        hand = None if rhythm is None else call.hand()
        drawn = call.rehearsal.prediction if rhythm is None or hand is None else hand.at(rhythm)
        found = _told(call, Conditioned(drawn, np.nan, 0), now_s)
        rests = ": this is the call made before the start" if hand is None else " and the cadence of the hand"
        trust, cadence = (
            _texture_note(call),
            "" if rhythm is None else _cadence_words(call, hand, rhythm, found.stop_at_s),
        )
    lands = "" if found.odds_best is None else f", which lands {of_hundred(found.odds_best)}"
    note = "; ".join(filter(None, (f"by the clock{rests}{lands}", trust)))
    return replace(found, note=note, cadence=cadence, by_clock=True)


def _cadence_words(call: LiveCall, hand: HandDraws | None, rhythm: Rhythm, stop_at_s: float | None) -> str:
    if hand is None:
        return uncounted_words(rhythm)
    before_s = None if call.before is None else call.before.duration_s - call.reaction_s
    moved_s = None if before_s is None or stop_at_s is None else stop_at_s - before_s
    return hand.words(rhythm, moved_s)


def _called(plain: LiveEstimate, p: Prediction, target: Target, call: LiveCall) -> LiveEstimate:
    curve, reaction_s = landing(p, target, call.air).curve, call.reaction_s
    odds, best = curve.odds, best_moment(p.duration_s, curve, call.run_span_s).duration_s
    odds_best = float(np.interp(best, p.duration_s, odds))
    odds_now = float(np.interp(plain.now_s, p.duration_s, odds))
    left = best - reaction_s - plain.now_s
    if odds_best < USEFUL_ODDS:
        word = Word.NO_MOMENT
    elif left > _READY_S:
        word = Word.KEEP_GOING
    elif left > 0.0:
        word = Word.GET_READY
    elif odds_now >= _PAST_SHARE * odds_best or -left < reaction_s:
        word = Word.STOP
    else:
        word = Word.PAST
    return replace(
        plain,
        stop_at_s=best - reaction_s,
        seconds_left=left,
        odds_now=odds_now,
        odds_best=odds_best,
        word=word,
    )


def _percentiles(draws: FloatArray, times: FloatArray, now_s: float, start: float | None) -> Range:
    """Percentiles over draws (draws, times) at one moment; before the first grid time, from the start value."""
    if now_s <= 0.0 and start is not None:
        return (start, start, start)
    right = int(np.clip(np.searchsorted(times, now_s), 1, times.size - 1))
    share = float(np.clip((now_s - times[right - 1]) / (times[right] - times[right - 1]), 0.0, 1.0))
    at = (1.0 - share) * draws[:, right - 1] + share * draws[:, right]
    if now_s < times[0] and start is not None:
        at = start + (draws[:, 0] - start) * max(now_s, 0.0) / times[0]
    low, middle, high = np.percentile(at, [5.0, 50.0, 95.0])
    return float(low), float(middle), float(high)


_PRIOR_ONLY = "no run of this technique, vessel or ice yet: this rests on what is usual, with wide bands"
_TRANSFERRED = "this drink was never measured on this set-up: this rests on related runs"
_BEYOND = "this goes beyond the runs of this drink on this set-up"
_ODD = "the trace does not look like this set-up: check that the probe is in the drink"


def _note(call: LiveCall, found: Conditioned) -> str:
    return "; ".join(filter(None, (_trust_note(call, found), _texture_note(call))))


def _texture_note(call: LiveCall) -> str:
    return NOT_IN_ODDS if call.air is not None and call.air.fit is None else ""


def _trust_note(call: LiveCall, found: Conditioned) -> str:
    if found.odd:
        return _ODD
    transferred = _BEYOND if call.basis.runs else _TRANSFERRED
    if call.basis.kind is BasisKind.PRIOR_ONLY and call.basis.others:
        return f"no run of this technique, vessel or ice here yet: this rests on what others know, {call.basis.others}"
    return {BasisKind.PRIOR_ONLY: _PRIOR_ONLY, BasisKind.TRANSFERRED: transferred}.get(call.basis.kind, "")
