"""Next runs: which would most narrow a call, what they are expected to gain, and how many a comparison takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats
from scipy.special import expit, logit

from rig.advice.call.assumed import Filled
from rig.advice.call.calling import USEFUL_ODDS, Call, air_for, call_for
from rig.advice.call.odds import RESULTS, windows_of
from rig.advice.call.slopes import Known, known_effects, slopes
from rig.advice.plan.air import AirKnown, air_known, wanted_of_air, with_foam
from rig.advice.plan.candidates import Candidate, candidates, linear_experiments
from rig.advice.plan.gain import Question, choose, question, with_runs, worth
from rig.arrays import FloatArray
from rig.bench import Target
from rig.errors import ModelRangeError, NotEnoughData
from rig.fitting.prediction import Basis, run_spread
from rig.fitting.result import Fit
from rig.fitting.situation import Situation, nominals
from rig.physics.foam import LEAST_DURATIONS, LEAST_RUNS
from rig.runs import SetUp

USUAL_COUNT = 6
MOST_COUNT = 60
_MOST_ALIKE = 2
_GRID_POINTS = 41
_AROUND = (0.75, 1.0, 1.3)
_Z90 = float(stats.norm.ppf(0.95))
WORTH_IT = 0.02
"""Expected gains in odds below this are no reason to make a run."""


@dataclass(frozen=True)
class Asked:
    """A drink to be called, and the target it must land in."""

    situation: Situation
    target: Target


@dataclass(frozen=True)
class Narrowing:
    """What the planned runs are expected to do for one call.

    Half widths of 90 % bands at the called duration, now and then: of the average drink (`average`) and of a
    single next one (`single`), which run-to-run variation keeps from closing. `duration_s` and `odds_now` are the
    call's own; `odds_then` expected once the call is made anew with the runs; `odds_at_most` if all were known of
    this set-up. `duration_sd_s`: how far the runs are expected to move the call.
    """

    filled: Filled
    target: Target
    basis: Basis
    duration_s: float
    duration_sd_s: float
    odds_now: float
    odds_then: float
    odds_at_most: float
    temp_average_k: tuple[float, float]
    temp_single_k: tuple[float, float]
    dilution_average: tuple[float, float]
    dilution_single: tuple[float, float]

    @property
    def situation(self) -> Situation:
        """The drink called."""
        return self.filled.situation

    def to_dict(self) -> dict[str, Any]:
        """Stable keys; bands as `{"now": …, "then": …}`."""

        def band(name: str, digits: int) -> dict[str, float]:
            now, then = getattr(self, name)
            return {"now": round(now, digits), "then": round(then, digits)}

        s = self.situation
        return {
            "technique": s.technique,
            "vessel": s.vessel,
            "ice": s.ice,
            "recipe": s.recipe,
            "target": self.target.name,
            "assumed": self.filled.to_dict(),
            "basis": {"runs": self.basis.runs, "kind": self.basis.kind.value},
            "duration_s": round(self.duration_s, 2),
            "duration_sd_s": round(self.duration_sd_s, 2),
            "odds_now": round(self.odds_now, 4),
            "odds_then": round(self.odds_then, 4),
            "odds_at_most": round(self.odds_at_most, 4),
            "temp_average_k": band("temp_average_k", 3),
            "temp_single_k": band("temp_single_k", 3),
            "dilution_average": band("dilution_average", 5),
            "dilution_single": band("dilution_single", 5),
        }


@dataclass(frozen=True)
class PlannedRun:
    """A run to make; `place` is its turn, `block` the session (and ice batch) it belongs to.

    `tells`: its share of what all planned runs narrow, as chosen one after the other.
    """

    place: int
    block: int
    situation: Situation
    duration_s: float
    tells: float

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        s = self.situation
        return {
            "place": self.place,
            "block": self.block,
            "technique": s.technique,
            "vessel": s.vessel,
            "ice": s.ice,
            "recipe": s.recipe,
            "drink_temp_c": s.drink_temp_c,
            "ice_mass_g": s.ice_mass_g,
            "duration_s": self.duration_s,
            "tells": round(self.tells, 4),
        }


@dataclass(frozen=True)
class RunPlan:
    """Runs to make next, in order, and what they are expected to do for each call asked about."""

    runs: tuple[PlannedRun, ...]
    narrowings: tuple[Narrowing, ...]
    considered: int
    seed: int
    summary: str
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names; what `plan --json` prints."""
        return {
            "runs": [r.to_dict() for r in self.runs],
            "narrowings": [n.to_dict() for n in self.narrowings],
            "considered": self.considered,
            "seed": self.seed,
            "summary": self.summary,
            "notes": list(self.notes),
        }


def plan_runs(
    fit: Fit,
    asked: Sequence[Asked],
    *,
    count: int = USUAL_COUNT,
    set_ups: Sequence[SetUp] | None = None,
    start_temps_c: Sequence[float] | None = None,
    blocks: int | None = None,
    seed: int = 1,
) -> RunPlan:
    """Choose the runs that most narrow these calls.

    Runs are taken one after the other, each the one that most lowers the variance of the average drink at the
    calls, every limited result measured in its own run-to-run spread, its air included where the target asks for any.
    No run is planned more than twice.

    Parameters
    ----------
    asked
        What is not stated of a situation is taken as usual for the bench.
    set_ups, start_temps_c
        What can be used; see `candidates`.
    blocks
        Sessions, or batches of ice, to spread the runs over; one for every six unless given.
    seed
        Of the order.

    Raises
    ------
    NotFound
        A name that is not on the bench.
    ModelRangeError
        Counts, starts or conditions that cannot be meant.
    """
    if not asked:
        raise NotEnoughData("there is no call to plan runs for: name a drink and a target")
    if not 1 <= count <= MOST_COUNT:
        raise ModelRangeError(f"{count} runs cannot be planned at once; ask for 1 to {MOST_COUNT}")
    calls = [call_for(fit, a.situation, a.target, air_for(fit, a.situation, a.target)) for a in asked]
    as_called = [Candidate(c.situation, c.duration_s) for c in calls]
    airs = _airs(fit, as_called, asked)
    telling = [*as_called, *(Candidate(as_called[n].situation, air.about_s) for n, air in airs.items())]
    considered = candidates(fit, telling, set_ups, start_temps_c)
    known = known_effects(fit, [c.situation for c in (*as_called, *considered)])
    questions = [question_of(fit, c, a.target, known) for c, a in zip(as_called, asked, strict=True)]
    experiments = with_foam(linear_experiments(fit, considered, known), list(airs.values()))
    effects, of_air = len(known.mean), 2 * len(airs)
    wanted = np.concatenate([wanted_of(q) for q in questions])
    wanted = np.pad(wanted, ((0, 0), (0, len(experiments.covariance) - effects)))
    for k, air in enumerate(airs.values()):
        rows = wanted_of_air(air, k, len(airs), np.array(_AROUND) * air.about_s)
        wanted = np.concatenate([wanted, np.pad(rows, ((0, 0), (wanted.shape[1] - of_air, 0)))])
    picked, gains = choose(experiments, wanted, count, _MOST_ALIKE)
    then = with_runs(experiments, picked)[:effects, :effects]
    narrowings = tuple(
        _narrowing(q, c, known.covariance, then) for q, c in zip(questions, calls, strict=True)
    )
    runs = ordered(
        [(considered[k], gain / max(sum(gains), 1e-12)) for k, gain in zip(picked, gains, strict=True)],
        blocks if blocks is not None else -(-len(picked) // 6),
        seed,
    )
    summary, notes = _words(fit, narrowings, len(runs))
    foam = tuple(note for a in asked for note in foam_notes(fit, a.situation, a.target, runs))
    return RunPlan(runs, narrowings, len(considered), seed, summary, (*dict.fromkeys(foam), *notes))


def _airs(fit: Fit, calls: Sequence[Candidate], asked: Sequence[Asked]) -> dict[int, AirKnown]:
    """The airs that are asked for, each with the first call that asks for it."""
    out: dict[int, AirKnown] = {}
    for n, (call, a) in enumerate(zip(calls, asked, strict=True)):
        air = air_for(fit, call.situation, a.target)
        if air is not None and not any(known.made_by(call.situation) for known in out.values()):
            out[n] = air_known(fit, call, air)
    return out


def question_of(fit: Fit, call: Candidate, target: Target, known: Known) -> Question:
    """A call as runs are weighed up for it: the average drink around the called duration, and how runs scatter."""
    times = np.linspace(0.35, 2.2, _GRID_POINTS) * max(call.duration_s, 1.0)
    spread = run_spread(fit, call.situation, nominals(fit.bench, [call.situation]))
    made = slopes(fit, call.situation, times, known)
    return question(made, target, call.duration_s, spread, len(known.mean))


def wanted_of(q: Question) -> FloatArray:
    """(limits × times, effects): what is to be narrowed, around the call, in units of its run-to-run spread."""
    rows = [RESULTS.index(result) for result in windows_of(q.target)]
    duration = q.slopes.duration_s
    times = [int(np.argmin(np.abs(duration - f * duration[q.call]))) for f in _AROUND]
    return np.concatenate([q.by_effect[t, rows] / q.run_sd[rows, None] for t in times])


def _narrowing(q: Question, call: Call, now: FloatArray, then: FloatArray) -> Narrowing:
    at = q.by_effect[q.call]

    def half_widths(k: int) -> tuple[tuple[float, float], tuple[float, float]]:
        average = [float(at[k] @ c @ at[k]) for c in (now, then)]
        run = q.run_sd[k] ** 2
        wide = [(_Z90 * np.sqrt(max(v, 0.0)), _Z90 * np.sqrt(max(v, 0.0) + run)) for v in average]
        return (float(wide[0][0]), float(wide[1][0])), (float(wide[0][1]), float(wide[1][1]))

    temp, dilution = half_widths(0), half_widths(1)
    planned, all_known = worth(q, now, then), worth(q, now, np.zeros_like(now))
    odds_then, at_most = (carried(call.odds, w.odds_as_called, w.odds) for w in (planned, all_known))
    return Narrowing(
        filled=call.filled,
        target=q.target,
        basis=call.basis,
        duration_s=call.duration_s,
        duration_sd_s=planned.duration_sd_s,
        odds_now=call.odds,
        odds_then=odds_then,
        odds_at_most=max(at_most, odds_then),
        temp_average_k=temp[0],
        temp_single_k=temp[1],
        dilution_average=dilution[0],
        dilution_single=dilution[1],
    )


def carried(odds: float, linear_now: float, linear_then: float) -> float:
    """Odds of the call once more is known, from what the linear model expects of its own.

    The gain is carried over as a difference or in log-odds, whichever promises less.
    """
    now, then = np.clip([linear_now, max(linear_then, linear_now)], 1e-3, 1.0 - 1e-3)
    plain = odds + float(then - now)
    by_log_odds = float(expit(logit(np.clip(odds, 1e-6, 1.0 - 1e-6)) + logit(then) - logit(now)))
    return max(odds, min(plain, by_log_odds))


def ordered(picked: Sequence[tuple[Candidate, float]], blocks: int, seed: int) -> tuple[PlannedRun, ...]:
    """Deal runs over blocks so that each holds short and long ones of every kind, and shuffle within each block.

    Blocking keeps a warm day or a new batch of ice from passing for a difference between runs; chance within
    the block keeps warm-up from doing so (R. A. Fisher, The Design of Experiments, 1935).
    """
    rng = np.random.default_rng(seed)
    blocks = int(np.clip(blocks, 1, max(len(picked), 1)))
    by_kind = sorted(
        picked,
        key=lambda p: (str(p[0].situation.set_up), p[0].situation.drink_temp_c or 0.0, p[0].duration_s),
    )
    turn = rng.permutation(blocks)
    dealt: list[list[tuple[Candidate, float]]] = [[] for _ in range(blocks)]
    for n, entry in enumerate(by_kind):
        dealt[turn[n % blocks]].append(entry)
    out: list[PlannedRun] = []
    for block, mine in enumerate(dealt, start=1):
        for k in rng.permutation(len(mine)):
            c, tells = mine[k]
            out.append(PlannedRun(len(out) + 1, block, c.situation, c.duration_s, tells))
    return tuple(out)


def foam_notes(fit: Fit, asked: Situation, target: Target, runs: Sequence[PlannedRun]) -> tuple[str, ...]:
    """What to read of the foam in these runs, where the target asks for air, and whether it will then be foretold."""
    air = air_for(fit, asked, target)
    if air is None:
        return ()
    mine = [
        r.duration_s
        for r in runs
        if (r.situation.technique, r.situation.recipe) == (asked.technique, asked.recipe)
    ]
    there = [f.duration_s for f in air.runs]
    ask = (
        f"{target.name or 'The target'} asks for air: read the foam of each run of {asked.recipe} by {asked.technique} "
        "(the whole drink, foam and all, right after straining) into foam_ml"
    )
    if air.fit is not None:
        return (
            f"{ask}. {len(there)} runs have it by now, and it is in these odds. These runs were chosen for what they "
            "tell of it too; the odds expected then do not count that.",
        )
    durations = len({round(t) for t in (*there, *mine)})
    more = max(LEAST_RUNS - len(there) - len(mine), 0)
    enough = not more and durations >= LEAST_DURATIONS
    then = "; with it the next call counts it" if enough else ""
    lacking = (
        ""
        if enough
        else (f"; {LEAST_RUNS} runs over {LEAST_DURATIONS} durations are wanted before a call can count it")
    )
    return (
        f"{ask}{then}{lacking}. These runs were chosen for that too. Until then nothing is known of texture, and it is "
        "not in these odds.",
    )


def _words(fit: Fit, narrowings: Sequence[Narrowing], runs: int) -> tuple[str, tuple[str, ...]]:
    most = max(narrowings, key=lambda n: n.odds_then - n.odds_now)
    now, then, limit = (f"{100 * x:.0f} %" for x in (most.odds_now, most.odds_then, most.odds_at_most))
    wide = " K to ±".join(f"{x:.2g}" for x in most.temp_average_k)
    thin = " to ±".join(f"{100 * x:.2g}" for x in most.dilution_average)
    summary = (
        f"{runs} run{'s are' if runs != 1 else ' is'} expected to narrow the average drink from ±{wide} K and "
        f"from ±{thin} ml of water to 100 ml of drink, and to take the odds from {now} to {then} "
        f"(at most {limit}, were all known of this set-up)."
    )
    notes = [
        "Expected by the fit as it stands: linear around it, its spreads taken as known. Runs may surprise.",
    ]
    if most.odds_at_most < USEFUL_ODDS:
        notes.insert(
            0,
            "Even were all known, no duration would land this often: runs will not help, a change will "
            "(chillrig advise names the levers).",
        )
    elif most.odds_then - most.odds_now < WORTH_IT:
        notes.insert(
            0,
            "These runs would hardly change the call: what is left is mostly run-to-run variation. Practise "
            "instead (chillrig rehearse), or change what limits it (chillrig advise names the levers).",
        )
    if not fit.runs or not fit.measured:
        notes.append(
            "No run has been fitted yet: everything rests on what is usual for such vessels and ice."
        )
    return summary, tuple(notes)
