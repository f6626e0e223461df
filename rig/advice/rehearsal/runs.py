"""The runs of a rehearsal as arrays: what each came to, and how each departed from the usual one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.advice.call.slopes import Slopes, slopes
from rig.advice.evidence.noise import observation_noise
from rig.arrays import BoolArray, FloatArray
from rig.errors import NotEnoughData
from rig.fitting.bench_fit import make_problem
from rig.fitting.observation_model import STRAINED, Linearised, Problem, linearise
from rig.fitting.observations import BINS
from rig.fitting.prediction import run_spread
from rig.fitting.priors import P
from rig.fitting.result import Fit, RunFit, Verdict
from rig.fitting.situation import Situation, held_back_g
from rig.physics.liquid import Liquid, abv_pct, volume_ml
from rig.physics.recipe_liquid import liquid_from_recipe
from rig.runs import Run

_LAST_READINGS = 3
_COURSE_POINTS = 120


@dataclass(frozen=True, eq=False)
class Rehearsed:
    """Sound runs of one drink on one set-up, in the order they were made.

    `results` (runs, results): what each came to, as best known from trace, weighing and model together;
    `as_read` (runs, results): as its own last readings and weighing alone have it; `duration_s`, `plan_s` (how long
    each was meant to last: the usual time, unless a series of several was planned), `drink_mass_g` (runs,);
    `departures` (runs, parameters): each run's parameters less the usual run's, from what was stated and what its
    trace and weighing tell of the rest; `left_open` (runs, parameters, parameters): covariance of what they do not
    tell; `usual`: the usual run with its slopes.
    """

    runs: tuple[Run, ...]
    fits: tuple[RunFit, ...]
    results: FloatArray
    as_read: FloatArray
    duration_s: FloatArray
    plan_s: FloatArray
    drink_mass_g: FloatArray
    departures: FloatArray
    left_open: FloatArray
    usual: Slopes

    def __len__(self) -> int:
        return len(self.runs)

    @property
    def names(self) -> tuple[str, ...]:
        """The runs' names."""
        return tuple(r.run for r in self.runs)

    @property
    def usual_s(self) -> float:
        """The usual duration [s]."""
        return float(np.median(self.duration_s))

    @property
    def is_planned(self) -> bool:
        """Several durations were meant."""
        return bool(np.ptp(self.plan_s) > 0.0)

    def take(self, rows: Sequence[int]) -> Rehearsed:
        """Some of the runs, against the same usual run."""
        at = np.asarray(rows, dtype=np.int64)
        return replace(
            self,
            runs=tuple(self.runs[k] for k in at),
            fits=tuple(self.fits[k] for k in at),
            **{
                name: getattr(self, name)[at]
                for name in (
                    "results",
                    "as_read",
                    "duration_s",
                    "plan_s",
                    "drink_mass_g",
                    "departures",
                    "left_open",
                )
            },
        )


def rehearsed(fit: Fit, chosen: Sequence[Run]) -> Rehearsed:
    """Gather the sound ones among these runs, all of one drink on one set-up.

    Raises
    ------
    NotEnoughData
        None of them is sound.
    """
    judged = [f for f in fit.runs if f.verdict in (Verdict.GOOD, Verdict.DOUBTFUL)]
    row_of = {f.run: k for k, f in enumerate(judged)}
    by_name = {r.run: r for r in fit.book.runs}
    sound = [r for r in chosen if r.run in row_of and judged[row_of[r.run]].verdict is Verdict.GOOD]
    if not sound:
        raise NotEnoughData(
            "none of these runs is sound: a run needs a duration and a trace or a strained mass. "
            "Check the doubtful ones, or make six runs"
        )
    sound.sort(key=lambda r: (r.started_at is None, r.started_at.isoformat() if r.started_at else ""))
    whole, _ = make_problem(fit.bench, [by_name[f.run] for f in judged])
    rows = np.array([row_of[r.run] for r in sound])
    problem, post = whole.subset(rows), fit.posterior
    own = post.departures[rows]
    linear = linearise(problem, post.effects, own)
    left = linear.pseudo - np.einsum("rop,rp->ro", linear.by_parameter, own)
    left -= np.einsum("roe,re->ro", linear.by_effect, post.effects[problem.design.effect_index])
    usual_s = problem.observations.duration_s
    usual = slopes(fit, usual_situation(sound, problem), _times(usual_s))
    return Rehearsed(
        runs=tuple(sound),
        fits=tuple(judged[k] for k in rows),
        results=_results(fit, problem, sound[0].recipe, post.end_temp_c[rows], post.end_added_g[rows]),
        as_read=_results(
            fit,
            problem,
            sound[0].recipe,
            post.end_temp_c[rows] + _last_readings(left, linear.observed),
            post.end_added_g[rows] + left[:, STRAINED],
        ),
        duration_s=usual_s,
        plan_s=np.full_like(usual_s, np.median(usual_s)),
        drink_mass_g=problem.nominal.drink_mass_g,
        departures=own + _stated(problem),
        left_open=_left_open(fit, sound, problem, linear),
        usual=usual,
    )


def usual_situation(runs: Sequence[Run], problem: Problem) -> Situation:
    """The middle of what these runs had."""
    x, n = problem.nominal.inputs, problem.nominal
    middle = {
        "drink_temp_c": x.drink_temp_c,
        "drink_mass_g": n.drink_mass_g,
        "ice_mass_g": x.ice_mass_g,
        "ice_temp_c": x.ice_temp_c,
        "vessel_temp_c": x.vessel_temp_c,
        "room_temp_c": x.room_temp_c,
    }
    first = runs[0]
    return Situation(
        first.technique,
        first.vessel,
        first.ice,
        first.recipe,
        **{name: float(np.median(values)) for name, values in middle.items()},
    )


def _times(duration_s: FloatArray) -> FloatArray:
    low, high = 0.5 * float(duration_s.min()), 1.4 * float(duration_s.max())
    return np.linspace(max(low, 0.5), high, _COURSE_POINTS)


def _stated(problem: Problem) -> FloatArray:
    """(runs, parameters): what was stated of each run, less the middle of all."""
    x = problem.nominal.inputs
    out = np.zeros((len(problem), len(P)))
    for parameter, values in (
        (P.DRINK_TEMP, x.drink_temp_c),
        (P.ICE_TEMP, x.ice_temp_c),
        (P.VESSEL_TEMP, x.vessel_temp_c),
        (P.ICE_MASS, np.log(x.ice_mass_g)),
    ):
        out[:, parameter] = values - np.median(values)
    return out


def _left_open(fit: Fit, runs: Sequence[Run], problem: Problem, linear: Linearised) -> FloatArray:
    """Covariance of each run's departures given its own observations, the shared effects as fitted."""
    spread = np.stack(
        [run_spread(fit, Situation.of(r), problem.subset(np.array([k])).nominal) for k, r in enumerate(runs)]
    )
    j, variance = linear.by_parameter, spread**2
    noise = observation_noise(
        fit, [r.technique for r in runs], problem.nominal, problem.observations.bin_time_s, linear.observed
    )
    shown = variance[:, :, None] * np.swapaxes(j, 1, 2)
    marginal = noise + np.matmul(j, shown)
    told = np.matmul(shown, np.linalg.solve(marginal, np.swapaxes(shown, 1, 2)))
    return np.asarray(np.stack([np.diag(v) for v in variance]) - told)


def _last_readings(left: FloatArray, seen: BoolArray) -> FloatArray:
    """What the last readings of each trace show beyond its fitted course [K]; nothing without a trace."""
    last = np.cumsum(seen[:, BINS - 1 :: -1], axis=1)[:, ::-1] <= _LAST_READINGS
    last &= seen[:, :BINS]
    return np.asarray((left[:, :BINS] * last).sum(axis=1) / np.maximum(last.sum(axis=1), 1))


def _results(fit: Fit, problem: Problem, recipe: str, temp_c: FloatArray, added_g: FloatArray) -> FloatArray:
    """(runs, results) of runs that end at this temperature with so much water added, (runs,) each."""
    n = problem.nominal
    held = held_back_g(n.held_back_g, problem.design.parameters(fit.posterior.effects))
    liquid = liquid_from_recipe(fit.bench.recipe(recipe)).liquid
    scale = n.drink_mass_g / float(np.sum(liquid.mass_g))
    parts = (getattr(liquid, part) * scale for part in ("ethanol_g", "sugar_g", "water_g", "solids_g"))
    diluted = Liquid(*parts).plus_water(np.maximum(added_g, 0.0))
    poured = 1.0 - held / np.asarray(diluted.mass_g)
    return np.column_stack(
        [temp_c, added_g / n.start_volume_ml, abv_pct(diluted), volume_ml(diluted) * poured]
    )
