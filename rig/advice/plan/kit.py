"""What the next thing to measure with would do for a call: from the fit's own uncertainty, before it is bought.

Every kit's runs are Gaussian observations with that kit's own noise; what a fit of them would leave unknown, and how
often the call made anew would then land, follow without making them (preposterior analysis, as in `plan_gain`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rig.advice.call.calling import USEFUL_ODDS, Call, air_for, call_for
from rig.advice.call.odds import RESULTS
from rig.advice.call.slopes import Known, known_effects
from rig.advice.evidence.noise import observation_noise
from rig.advice.plan.candidates import (
    Candidate,
    Experiments,
    candidates,
    linear_experiments,
    pretended,
    problem_of,
)
from rig.advice.plan.gain import Question, after, choose, with_runs, worth
from rig.advice.plan.kit_parts import Kit, Part, ladder
from rig.advice.plan.plan import WORTH_IT, carried, question_of, wanted_of
from rig.arrays import FloatArray
from rig.bench import Motion, Target
from rig.fitting.observation_model import OBSERVATIONS, STRAINED, expected, grids, linearise
from rig.fitting.observations import BINS, Observations, strained_mass_g
from rig.fitting.prediction import run_spread
from rig.fitting.priors import P
from rig.fitting.result import Fit
from rig.fitting.situation import Situation, nominals
from rig.runs import HEARD, HEARD_HZ, RunBook

RUNS = (1, 6)
_ORDER = tuple(Part)
_MOST_ALIKE = 2
_UNMEASURED = {
    "drink_temp_std_k": P.DRINK_TEMP,
    "ice_temp_std_k": P.ICE_TEMP,
    "vessel_temp_std_k": P.VESSEL_TEMP,
}
"""What nobody can note without a thermometer; the fit then takes it as wide as it does any blank."""
_TIME_STEP_S = 0.25
_WATCHED, _APART_S = 0.75, 0.7
"""A live call rests on so much of the shake; readings closer than the second are no news."""


@dataclass(frozen=True)
class Gain:
    """What `runs` with a kit are expected to do: odds of the call made anew, and how far [s] it may still be off.

    `off_s`: standard deviation of the best duration about the one called.
    """

    runs: int
    odds: float
    off_s: float


@dataclass(frozen=True)
class PartWorth:
    """What a kit is worth to a call.

    `live_odds`: once its runs are made and it says stop itself; None without a probe.
    """

    kit: Kit
    gains: tuple[Gain, ...]
    live_odds: float | None

    @property
    def best_odds(self) -> float:
        """The most it brings: after its runs, or live."""
        return max(self.gains[-1].odds, self.live_odds or 0.0)

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names."""
        return {
            "part": self.kit.part.value,
            "tells": self.kit.tells,
            "price": self.kit.price,
            "after_runs": [
                {"runs": g.runs, "odds": round(g.odds, 4), "off_s": round(g.off_s, 3)} for g in self.gains
            ],
            "odds_live": None if self.live_odds is None else round(self.live_odds, 4),
            "figures": [
                {"what": f.what, "std": round(f.std, 3), "unit": f.unit, "source": f.source}
                for f in self.kit.figures
            ],
        }


@dataclass(frozen=True)
class KitWorth:
    """What each part would do for one call. `has`: the most that is there to measure with.

    `off_s`: how far [s] the call may be off today, as a standard deviation; `odds_at_most`: were all known of this
    set-up, its drinks made as unevenly as ever.
    """

    call: Call
    off_s: float
    odds_at_most: float
    has: Part
    parts: tuple[PartWorth, ...]

    @property
    def mine(self) -> PartWorth | None:
        """What is there already; None where that is nothing."""
        return next((p for p in reversed(self.parts) if _ORDER.index(p.kit.part) <= self._owned), None)

    @property
    def _owned(self) -> int:
        return _ORDER.index(self.has)

    @property
    def odds_with_mine(self) -> float:
        """What six more runs bring, or calling live, with what is there; the call's own odds where nothing is."""
        return max(self.call.odds, 0.0 if self.mine is None else self.mine.best_odds)

    @property
    def next_part(self) -> PartWorth | None:
        """The first part to get that brings at least half of what any could; None where none is worth it."""
        others = [p for p in self.parts if _ORDER.index(p.kit.part) > self._owned]
        gains = [p.best_odds - self.odds_with_mine for p in others]
        most = max(gains, default=0.0)
        if most < WORTH_IT or self.odds_at_most < USEFUL_ODDS:
            return None
        return next(p for p, gain in zip(others, gains, strict=True) if gain >= max(WORTH_IT, 0.5 * most))

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names; what `kit --json` prints beside the sentence."""
        chosen = self.next_part
        return {
            "call": self.call.to_dict(),
            "off_s": round(self.off_s, 3),
            "odds_at_most": round(self.odds_at_most, 4),
            "has": self.has.value,
            "next": None if chosen is None else chosen.kit.part.value,
            "parts": [p.to_dict() for p in self.parts],
        }


def kit_worth(fit: Fit, asked: Situation, target: Target, has: Part | None = None) -> KitWorth:
    """Weigh up every kit for one call.

    Parameters
    ----------
    has
        What is there already; told from the runs unless given.

    Raises
    ------
    NotFound, ModelRangeError, NotEnoughData
        As `call_for`.
    """
    call = call_for(fit, asked, target, air_for(fit, asked, target))
    kits = ladder(heard=fit.bench.motion(asked.technique) is Motion.SHAKE)
    runs = [runs_with(kit, fit, call) for kit in kits]
    known = known_effects(fit, [call.situation, *(c.situation for each in runs for c in each)])
    q = question_of(fit, Candidate(call.situation, call.duration_s), target, known)
    nothing = np.zeros_like(known.covariance)
    all_known = worth(q, known.covariance, nothing)
    parts = tuple(_part(kit, fit, call, each, known, q) for kit, each in zip(kits, runs, strict=True))
    return KitWorth(
        call=call,
        off_s=all_known.duration_sd_s,
        odds_at_most=carried(call.odds, all_known.odds_as_called, all_known.odds),
        has=has or kit_of(fit.book),
        parts=parts,
    )


def kit_of(book: RunBook) -> Part:
    """The most that any run of a bench was made with."""
    runs = book.used_runs()
    readings = [
        int(np.isfinite(r.trace.probe_c).sum())
        for r in runs
        if r.trace is not None and r.trace.probe_c is not None
    ]
    if any(r.probe_std_k is not None for r in runs):
        return Part.CALIBRATION
    if readings and max(readings) > 1:
        return Part.PROBE
    if any(HEARD in r.extra or HEARD_HZ in r.extra for r in runs):
        return Part.EAR
    if readings:
        return Part.THERMOMETER
    return Part.SCALE if any(strained_mass_g(r) is not None for r in runs) else Part.NOTHING


def runs_with(kit: Kit, fit: Fit, call: Call) -> tuple[Candidate, ...]:
    """Runs of the called drink that could be made with a kit; what it cannot measure is left blank."""
    s = replace(call.situation, probe_std_k=kit.probe_std_k, scale_std_g=kit.scale_std_g)
    made = candidates(fit, [Candidate(s, call.duration_s)], [s.set_up], [s.drink_temp_c or 0.0])
    if kit.measures_start:
        return made
    bare = nominals(fit.bench, [Situation(s.technique, s.vessel, s.ice, s.recipe)]).spread[0]
    unsure: dict[str, Any] = {name: float(bare[column]) for name, column in _UNMEASURED.items()}
    return tuple(replace(c, situation=replace(c.situation, **unsure)) for c in made)


def observed_with(kit: Kit, start_c: FloatArray, duration_s: FloatArray) -> Observations:
    """What a kit shows of runs so long: the strained mass, one reading at the end, or a trace all along."""
    seen = pretended(start_c, duration_s, traced=kit.traced, weighed=True)
    if kit.end_std_k is None:
        return seen
    time, temp = seen.bin_time_s.copy(), seen.bin_temp_c.copy()
    time[:, -1], temp[:, -1] = duration_s, 0.0
    return replace(seen, bin_time_s=time, bin_temp_c=temp)


def experiments_with(kit: Kit, fit: Fit, runs: Sequence[Candidate], known: Known) -> Experiments:
    """Runs made with a kit, linear in the effects: the bench's own scatter, and the kit's noise on top of it."""
    nominal = nominals(fit.bench, [c.situation for c in runs])
    duration = np.array([c.duration_s for c in runs])
    seen = observed_with(kit, nominal.inputs.drink_temp_c, duration)
    made = linear_experiments(fit, runs, known, seen)
    noise = made.noise + _timing(kit, fit, runs, known, seen)
    noise[:, STRAINED, STRAINED] += np.maximum(2.0 * kit.weigh_std_g**2 - nominal.drink_mass_sd_g**2, 0.0)
    if kit.end_std_k is not None:
        noise[:, BINS - 1, BINS - 1] += kit.end_std_k**2
    return replace(made, noise=noise)


def _timing(kit: Kit, fit: Fit, runs: Sequence[Candidate], known: Known, seen: Observations) -> FloatArray:
    """Covariance (runs, obs, obs) that comes of not knowing start and stop: an observation moves with the clock."""
    zero = np.zeros((len(runs), len(P)))
    rows = np.arange(len(runs))
    later = replace(
        seen, duration_s=seen.duration_s + _TIME_STEP_S, bin_time_s=seen.bin_time_s + _TIME_STEP_S
    )
    problems = [problem_of(fit, runs, known, o) for o in (seen, later)]
    steps = int(grids(problems[1], known.mean, zero).max())
    at = problems[0].design.parameters(known.mean)
    first, second = (expected(p, at, rows, steps)[0] for p in problems)
    rate = (second - first) / _TIME_STEP_S
    shown = np.zeros((len(runs), OBSERVATIONS), dtype=bool)
    shown[:, :BINS], shown[:, STRAINED] = np.isfinite(seen.bin_time_s), True
    by_start = np.where(shown, rate, 0.0)
    by_stop = by_start.copy()
    if kit.traced:
        by_stop[:, :BINS] = 0.0  # a trace's readings have their own clock
    return np.asarray(
        kit.start_std_s**2 * by_start[:, :, None] * by_start[:, None, :]
        + kit.stop_std_s**2 * by_stop[:, :, None] * by_stop[:, None, :]
    )


def _part(
    kit: Kit, fit: Fit, call: Call, runs: tuple[Candidate, ...], known: Known, q: Question
) -> PartWorth:
    made = experiments_with(kit, fit, runs, known)
    picked, _ = choose(made, wanted_of(q), max(RUNS), _MOST_ALIKE)
    then = [with_runs(made, picked[:n]) for n in RUNS]
    gains = tuple(_gain(n, call, q, known.covariance, c) for n, c in zip(RUNS, then, strict=True))
    live = _live_odds(kit, fit, call, known, q, then[-1]) if kit.traced else None
    return PartWorth(kit, gains, live)


def _gain(runs: int, call: Call, q: Question, now: FloatArray, then: FloatArray) -> Gain:
    told = worth(q, now, then)
    left = worth(q, then, np.zeros_like(then))
    return Gain(runs, carried(call.odds, told.odds_as_called, told.odds), left.duration_sd_s)


def _live_odds(kit: Kit, fit: Fit, call: Call, known: Known, q: Question, then: FloatArray) -> float:
    """Odds with the call made anew from most of the drink's own trace, which tells of this hand and this ice."""
    s = replace(call.situation, probe_std_k=kit.probe_std_k, scale_std_g=kit.scale_std_g)
    drink = [Candidate(s, call.duration_s)]
    watched_s = np.array([_WATCHED * call.duration_s])
    seen = pretended(np.array([s.drink_temp_c or 0.0]), watched_s, traced=True, weighed=False)
    apart = max(1, int(np.ceil(BINS * _APART_S / watched_s[0])))
    hidden = np.arange(BINS) % apart != 0
    time = np.where(hidden, np.nan, seen.bin_time_s)
    seen = replace(seen, bin_time_s=time, bin_temp_c=np.where(hidden, np.nan, seen.bin_temp_c))
    problem = problem_of(fit, drink, known, seen)
    linear = linearise(problem, known.mean, np.zeros((1, len(P))))
    effects = len(known.mean)
    slope = np.zeros((OBSERVATIONS, effects + len(P)))
    slope[:, problem.design.effect_index[0]] = linear.by_effect[0]
    slope[:, effects:] = linear.by_parameter[0]
    noise = observation_noise(
        fit, [s.technique], problem.nominal, problem.observations.bin_time_s, linear.observed
    )[0]
    own = run_spread(fit, call.situation, problem.nominal)
    now, before = (_joined(c, own) for c in (known.covariance, then))
    by_run = np.swapaxes(q.slopes.by_parameter, 0, 1)
    whole = replace(
        q,
        by_effect=np.concatenate([q.by_effect, by_run], axis=2),
        run_root=np.zeros((len(q.value), len(RESULTS), 1)),
    )
    told = worth(whole, now, after(before, slope, noise))
    return carried(call.odds, told.odds_as_called, told.odds)


def _joined(effects: FloatArray, run_sd: FloatArray) -> FloatArray:
    """Covariance of the effects and of one run's own departures, which know nothing of each other."""
    size = len(effects) + run_sd.size
    out = np.zeros((size, size))
    out[: len(effects), : len(effects)] = effects
    out[range(len(effects), size), range(len(effects), size)] = run_sd**2
    return out
