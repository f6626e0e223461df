"""Fit a bench: gather what its runs show, fit the melt model, and judge every run by it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from typing import Any

import numpy as np

from rig.bench import Bench, Ice, Ingredient
from rig.errors import ModelRangeError, NotEnoughData, NotFound, Place
from rig.fitting.cadence import UsualCadence, mean_cadence_hz, usual_cadences
from rig.fitting.effect_priors import random_effects_of, run_sd_prior
from rig.fitting.labels import likely_labels
from rig.fitting.leave_one_out import LeaveOneOut
from rig.fitting.linear_solve import STRAINED_SD_PRIOR_G, TRACE_SD_PRIOR_K, Spreads, State
from rig.fitting.melt_fit import MeltPosterior, Progress, fit_melt
from rig.fitting.observation_model import Problem
from rig.fitting.observations import Observations, duration_of, observations_of, strained_mass_g
from rig.fitting.priors import CADENCE_POWER_SD, P
from rig.fitting.random_effects import RandomEffects, design_of
from rig.fitting.result import Fit, Measured, RunFit, Verdict
from rig.fitting.situation import Nominals, Situation, nominals
from rig.fitting.version import model_version
from rig.population import Population
from rig.runs import HEARD_HZ, PROBE_DOUBT, Finding, Gravity, Run, RunBook, SetUp

STRAINED_DOUBT_Z = 3.7
TRACE_DOUBT_Z = 2.2
START_DOUBT_K = 4.0
STRAINED_ODD_Z, TRACE_ODD_Z = 2.0, 1.6
"""Beyond these a run is tried under other labels."""
_ODDER = 1.2
"""A run that has grown by so much odder since the fit before is tried again."""
_MOST_TRIED = 16
"""So many of the oddest: more than a person mends at once, and each costs as much as a call."""


def fit(book: RunBook, progress: Progress | None = None, warm: Fit | None = None) -> Fit:
    """Fit all set-ups of a bench, or of a selection from the logbook, at once.

    Parameters
    ----------
    book
        The bench and its runs; runs excluded by hand are left out of the fit and kept in the result.
    progress
        Called with the share done, 0…1.
    warm
        A fit of nearly the same book, from which this one starts: much quicker where one run was added.

    Raises
    ------
    NotEnoughData
        Where no run has a duration together with a trace or a strained mass.
    """
    usable, set_aside = _usable(book)
    try:
        problem, techniques = _problem_of(book, usable)
    except (NotFound, ModelRangeError):
        usable, out_of_range = _in_range(book.bench, usable)
        set_aside += out_of_range
        problem, techniques = _problem_of(book, usable)
    posterior = fit_melt(problem, progress, _warm_state(problem, techniques, usable, warm))
    judged = tuple(_judge(book.bench, problem, posterior, row, run) for row, run in enumerate(usable))
    order = {run.run: k for k, run in enumerate(book.runs)}
    runs = tuple(sorted((*judged, *set_aside), key=lambda r: order[r.run]))
    fitted = Fit(
        book=book,
        posterior=posterior,
        techniques=techniques,
        runs=runs,
        measured=_measured(usable, problem),
        findings=(),
        fingerprint=fingerprint(book),
    )
    runs = _with_labels(fitted, warm)
    return replace(fitted, runs=runs, findings=book.findings + tuple(_finding(r) for r in runs if r.reasons))


def _with_labels(fit: Fit, warm: Fit | None) -> tuple[RunFit, ...]:
    """Runs that are odd under their own ice, vessel and recipe, and fit another much better, are doubted for that.

    What was as odd under the fit before is not tried again: what was found then stands.
    """
    odd = {run.run: size for run in fit.runs if (size := _oddness(run)) > 1.0}
    judged = {run.run: run for run in warm.runs} if warm is not None and warm.bench == fit.bench else {}
    before = {name: _oddness(judged[name]) for name in odd if name in judged}
    tried = {name for name, size in before.items() if size > 1.0 and odd[name] < _ODDER * size}
    likely = {name: told for name in tried if (told := judged[name].likely) is not None}
    oddest = sorted(odd.keys() - tried, key=lambda name: -odd[name])[:_MOST_TRIED]
    found = likely_labels(fit, [run for run in fit.book.runs if run.run in oddest])
    likely |= {name: suggestion.sentence() for name, suggestion in found.items()}
    return tuple(
        replace(run, verdict=Verdict.DOUBTFUL, reasons=(told, *run.reasons), likely=told)
        if (told := likely.get(run.run)) is not None
        else run
        for run in fit.runs
    )


def _oddness(run: RunFit) -> float:
    """How far a run lies from its set-up, against what would make it odd."""
    return max(abs(run.strained_z or 0.0) / STRAINED_ODD_Z, (run.trace_z or 0.0) / TRACE_ODD_Z)


_WARM_SHARE = 0.7


def _warm_state(
    problem: Problem, techniques: tuple[str, ...], runs: Sequence[Run], warm: Fit | None
) -> State | None:
    """Where another fit of mostly the same runs stands; None where it is another bench, or too little of it."""
    if warm is None or not warm.random_effects.keys:
        return None
    state, post = State.start(problem), warm.posterior
    place = warm.random_effects.index()
    known = [(k, place[key]) for k, key in enumerate(problem.random_effects.keys) if key in place]
    fitted = [r.run for r in warm.runs if r.verdict in (Verdict.GOOD, Verdict.DOUBTFUL)]
    row = {name: k for k, name in enumerate(fitted)}
    same = [(k, row[run.run]) for k, run in enumerate(runs) if run.run in row]
    if len(same) < _WARM_SHARE * len(runs):
        return None
    here, there = (np.array(x, dtype=np.int64) for x in zip(*known, strict=True))
    state.effects[here] = post.effects[there]
    here, there = (np.array(x, dtype=np.int64) for x in zip(*same, strict=True))
    state.departures[here], state.weight[here] = post.departures[there], post.weight[there]
    spreads = state.spreads
    spreads.strained_sd_g[:], spreads.trace_sd_k[:] = STRAINED_SD_PRIOR_G, TRACE_SD_PRIOR_K
    for k, technique in enumerate(techniques):
        if technique in warm.techniques:
            g = warm.techniques.index(technique)
            spreads.run_sd[k] = post.spreads.run_sd[g]
            spreads.strained_sd_g[k], spreads.trace_sd_k[k] = (
                post.spreads.strained_sd_g[g],
                post.spreads.trace_sd_k[g],
            )
    scale = dict(zip(warm.random_effects.components, post.spreads.component_scale, strict=True))
    spreads.component_scale[:] = [scale.get(c, 1.0) for c in problem.random_effects.components]
    return state


def prior_fit(book: RunBook) -> Fit:
    """What stands before any run: no effect is known, so every answer rests on the priors alone."""
    none, zero = np.zeros(0), np.zeros((0, len(P)))
    posterior = MeltPosterior(
        random_effects=RandomEffects((), none, none),
        effects=none,
        covariance=np.zeros((0, 0)),
        spreads=Spreads(zero, none, none, none),
        departures=zero,
        departure_sd=zero,
        **dict.fromkeys(_BY_RUN, none),
        weight=np.zeros((0, 2)),
        leave_one_out=LeaveOneOut(none, none, none, none, none),
        effect_scale=1.0,
        iterations=0,
        converged=True,
    )
    usable, set_aside = _usable(book)
    set_aside += _in_range(book.bench, usable)[1]
    return Fit(book, posterior, (), tuple(set_aside), {}, book.findings, fingerprint(book))


_BY_RUN = (
    "end_temp_c",
    "end_added_g",
    "expected_temp_c",
    "expected_added_g",
    "expected_strained_g",
    "strained_residual_g",
    "strained_sd_g",
    "strained_z",
    "trace_z",
)


def _usable(book: RunBook) -> tuple[list[Run], list[RunFit]]:
    """The runs that were observed, and those set aside because they were not."""
    good: list[Run] = []
    aside: list[RunFit] = []
    for run in book.runs:
        if run.excluded_because is not None:
            aside.append(_set_aside(run, Verdict.EXCLUDED, f"excluded: {run.excluded_because}"))
        elif duration_of(run) is None:
            aside.append(_set_aside(run, Verdict.NOT_FITTED, "no duration and no trace that shows one"))
        elif strained_mass_g(run) is None and (run.trace is None or run.trace.probe_c is None):
            aside.append(_set_aside(run, Verdict.NOT_FITTED, "neither a trace nor a strained mass"))
        else:
            good.append(run)
    return good, aside


def _in_range(bench: Bench, runs: Sequence[Run]) -> tuple[list[Run], list[RunFit]]:
    """The runs that the bench describes and the model reaches, and those set aside because it does not."""
    good: list[Run] = []
    aside: list[RunFit] = []
    for run in runs:
        try:
            nominals(bench, [Situation.of(run)])
        except (NotFound, ModelRangeError) as error:
            aside.append(_set_aside(run, Verdict.NOT_FITTED, str(error)))
        else:
            good.append(run)
    return good, aside


def _set_aside(run: Run, verdict: Verdict, reason: str) -> RunFit:
    return RunFit(run.run, run.set_up, run.recipe, verdict, (reason,), run.duration_s)


def _problem_of(book: RunBook, runs: Sequence[Run]) -> tuple[Problem, tuple[str, ...]]:
    if not runs:
        raise NotEnoughData(
            "no run can be fitted: a run needs a duration (or a trace that shows it) and a trace or a strained "
            "mass. Note those on the run sheet for six runs of one set-up, with two or more durations"
        )
    return make_problem(book.bench, runs, book.population)


def make_problem(
    bench: Bench, runs: Sequence[Run], population: Population | None = None
) -> tuple[Problem, tuple[str, ...]]:
    """The arrays of a fit, and the techniques in the order of its groups."""
    cadences = usual_cadences(runs)
    situations = [_with_cadence(Situation.of(r), mean_cadence_hz(r), cadences) for r in runs]
    nominal = nominals(bench, situations)
    duration = np.array([duration_of(r) or 1.0 for r in runs])
    techniques = tuple(dict.fromkeys(r.technique for r in runs))
    random_effects = random_effects_of(bench, situations, population)
    observed = observations_of(runs, duration)
    problem = Problem(
        nominal=_doubting_starts(_uncounted(nominal, situations, cadences), observed),
        observations=observed,
        design=design_of(bench, situations, nominal, random_effects),
        random_effects=random_effects,
        group=np.array([techniques.index(r.technique) for r in runs]),
        run_sd=np.array([run_sd_prior(bench, t, population) for t in techniques]),
    )
    return problem, techniques


def _with_cadence(s: Situation, hz: float | None, usual: Mapping[str, UsualCadence]) -> Situation:
    return s if hz is None else replace(s, cadence_log_ratio=float(np.log(hz / usual[s.technique].median_hz)))


def _uncounted(
    nominal: Nominals, situations: Sequence[Situation], usual: Mapping[str, UsualCadence]
) -> Nominals:
    """Where other runs of a technique had their strokes counted, those that had not may have been as much off."""
    spread = nominal.spread.copy()
    for row, s in enumerate(situations):
        if s.cadence_log_ratio is None and s.technique in usual:
            spread[row, P.RATE] = CADENCE_POWER_SD * usual[s.technique].log_sd
    return replace(nominal, spread=spread)


def _doubting_starts(nominal: Nominals, observed: Observations) -> Nominals:
    """Where the probe that waits in the drink shows another start than was noted, the note may be as wrong as that.

    So may the vessel's, where that is what the probe shows: two numbers that changed places.
    """
    x, before_c = nominal.inputs, observed.before_c
    off, of_vessel = (np.abs(np.nan_to_num(before_c - t)) for t in (x.drink_temp_c, x.vessel_temp_c))
    doubted = off > START_DOUBT_K
    spread = nominal.spread.copy()
    for column, rows in ((P.DRINK_TEMP, doubted), (P.VESSEL_TEMP, doubted & (of_vessel < START_DOUBT_K))):
        spread[:, column] = np.where(rows, np.maximum(spread[:, column], off), spread[:, column])
    return replace(nominal, spread=spread)


def _judge(bench: Bench, problem: Problem, post: MeltPosterior, row: int, run: Run) -> RunFit:
    reasons = []
    z, trace_z = post.strained_z[row], post.trace_z[row]
    residual = post.strained_residual_g[row]
    if np.isfinite(z) and abs(z) > STRAINED_DOUBT_Z:
        more = "more" if residual > 0 else "less"
        likely = (
            "a mis-keyed weight, ice chips through the strainer, wet ice, or a longer shake than noted"
            if residual > 0
            else "a mis-keyed weight, drink spilled or left behind, or a run stopped early"
        )
        reasons.append(
            f"strained mass is {abs(residual):.0f} g {more} than its heat and its set-up can explain "
            f"({abs(z):.1f} times the usual spread); likely {likely}. Check the weight, then correct or exclude it"
        )
    if np.isfinite(trace_z) and trace_z > TRACE_DOUBT_Z:
        reasons.append(
            f"trace departs from its set-up by {trace_z:.1f} times the usual spread; likely a probe out of the "
            "liquid, another probe, or motion that stopped early. Look at the trace, then correct or exclude it"
        )
    if PROBE_DOUBT in run.extra:
        reasons.append(run.extra[PROBE_DOUBT])
    start, off = float(problem.nominal.inputs.drink_temp_c[row]), float(post.departures[row, P.DRINK_TEMP])
    if run.drink_temp_c is not None and abs(off) > START_DOUBT_K:
        reasons.append(
            f"the drink was noted at {run.drink_temp_c:z.1f} °C before the ice, by its trace and weighing it was at "
            f"about {start + off:z.0f} °C. Check the number, then correct it"
        )
    volume = float(problem.nominal.start_volume_ml[row])
    added = float(post.end_added_g[row])
    slope_sd = float(np.sqrt(post.spreads.strained_sd_g[problem.group[row]] ** 2 + 0.3))
    return RunFit(
        run=run.run,
        set_up=run.set_up,
        recipe=run.recipe,
        verdict=Verdict.DOUBTFUL if reasons else Verdict.GOOD,
        reasons=tuple(reasons),
        duration_s=float(problem.observations.duration_s[row]),
        start_temp_c=start + off,
        temp_c=float(post.end_temp_c[row]),
        added_g=added,
        added_sd_g=slope_sd,
        dilution_by_volume=added / volume,
        expected_added_g=float(post.expected_added_g[row]),
        strained_residual_g=None if not np.isfinite(residual) else float(residual),
        strained_z=None if not np.isfinite(z) else float(z),
        trace_z=None if not np.isfinite(trace_z) else float(trace_z),
        start_volume_ml=volume,
    )


def _measured(runs: Sequence[Run], problem: Problem) -> dict[tuple[SetUp, str], Measured]:
    rows: dict[tuple[SetUp, str], list[int]] = {}
    for k, run in enumerate(runs):
        rows.setdefault((run.set_up, run.recipe), []).append(k)

    def span(values: np.ndarray, at: list[int]) -> tuple[float, float]:
        return float(values[at].min()), float(values[at].max())

    return {
        key: Measured(
            len(at),
            span(problem.observations.duration_s, at),
            span(problem.nominal.inputs.drink_temp_c, at),
            span(problem.nominal.inputs.ice_mass_g, at),
        )
        for key, at in rows.items()
    }


def _finding(run: RunFit) -> Finding:
    gravity = Gravity.DOUBT if run.verdict is Verdict.DOUBTFUL else Gravity.LEFT_OUT
    return Finding(gravity, "; ".join(run.reasons), Place(run=run.run))


BEARS_ON_NO_FIT: Mapping[type, frozenset[str]] = {
    Bench: frozenset(("title", "targets", "notes")),
    Ice: frozenset(("price_per_kg",)),
    Ingredient: frozenset(("price_per_l", "price_per_kg", "allergens", "caffeine_mg")),
    Run: frozenset(
        (
            *("started_at", "operator", "session", "target", "notes", "extra"),
            *("trace", "trace_file", "foam_ml", "foam_half_life_s"),
        )
    ),
}
"""What a fit never reads, by what it is a field of; a field that is not named here makes a kept fit stale.

A run's trace, and the one of its `extra` that is read, are digested by themselves.
"""


def fingerprint(book: RunBook) -> str:
    """A digest of everything a fit depends on: bench, runs with their traces, population, and the model's sources."""
    digest = hashlib.sha256(model_version().encode())
    digest.update(repr(_bearing(book.bench)).encode())
    if book.population is not None:
        digest.update(book.population.to_json().encode())
    for run in book.runs:
        digest.update(noted(run).encode())
        if run.trace is not None:
            for name, values in run.trace.channels().items():
                digest.update(name.encode())
                digest.update(np.ascontiguousarray(values).tobytes())
    return digest.hexdigest()


def noted(run: Run) -> str:
    """All that was noted of a run and bears on its fit, its trace left out."""
    return repr((_bearing(run), {k: v for k, v in run.extra.items() if k in (PROBE_DOUBT, HEARD_HZ)}))


def _bearing(value: Any) -> Any:
    """A value without what bears on no fit."""
    if is_dataclass(value) and not isinstance(value, type):
        aside = BEARS_ON_NO_FIT.get(type(value), frozenset())
        return {f.name: _bearing(getattr(value, f.name)) for f in fields(value) if f.name not in aside}
    if isinstance(value, Mapping):
        return {k: _bearing(v) for k, v in value.items()}
    if isinstance(value, tuple):
        return tuple(map(_bearing, value))
    return value
