"""Fit a bench: gather what its runs show, fit the melt model, and judge every run by it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np

from rig.bench import Bench
from rig.errors import ModelRangeError, NotEnoughData, NotFound, Place
from rig.fitting.blend import Shown, blends
from rig.fitting.evidence import duration_of, evidence, strained_mass_g
from rig.fitting.latents import Latents, composition, latents_of
from rig.fitting.melt_fit import BELIEVED, MeltPosterior, Progress, Spreads, fit_melt
from rig.fitting.observing import Problem, smooth_basis
from rig.fitting.priors import LATE_G, MOTIONS, P
from rig.fitting.result import Fit, Measured, RunFit, Verdict
from rig.fitting.situation import Situation, inputs_for, nominals
from rig.physics.melt import simulate, steps_for
from rig.runs import Finding, Gravity, Run, RunBook, SetUp

FIT_VERSION = "7"
STRAINED_DOUBT_Z = 3.7
TRACE_DOUBT_Z = 2.2


def fit(book: RunBook, progress: Progress | None = None) -> Fit:
    """Fit all set-ups of a bench, or of a selection from the logbook, at once.

    Parameters
    ----------
    book
        The bench and its runs; runs excluded by hand are left out of the fit and kept in the result.
    progress
        Called with the share done, 0…1.

    Raises
    ------
    NotEnoughData
        Where no run has a duration together with a trace or a strained mass.
    """
    usable, set_aside = _usable(book)
    if not usable:
        raise NotEnoughData(
            "no run can be fitted: a run needs a duration (or a trace that shows it) and a trace or a strained "
            "mass. Note those on the run sheet for six runs of one set-up, with two or more durations"
        )
    problem, techniques = make_problem(book.bench, usable)
    posterior = fit_melt(problem, progress)
    judged = tuple(_judge(book.bench, problem, posterior, row, run) for row, run in enumerate(usable))
    order = {run.run: k for k, run in enumerate(book.runs)}
    runs = tuple(sorted((*judged, *set_aside), key=lambda r: order[r.run]))
    return Fit(
        book=book,
        posterior=posterior,
        techniques=techniques,
        runs=runs,
        measured=_measured(usable, problem),
        findings=book.findings + tuple(_finding(r) for r in runs if r.reasons),
        fingerprint=fingerprint(book),
        blends=blends(_shown(book.bench, problem, posterior, usable)),
    )


def prior_fit(book: RunBook) -> Fit:
    """What stands before any run: no effect is known, so every answer rests on the priors alone."""
    none, zero = np.zeros(0), np.zeros((0, len(P)))
    posterior = MeltPosterior(
        latents=Latents((), none, none),
        effects=none,
        covariance=np.zeros((0, 0)),
        spreads=Spreads(zero, none, none),
        departures=zero,
        departure_sd=zero,
        **dict.fromkeys(_BY_RUN, none),
        weight=np.zeros((0, 2)),
        iterations=0,
        converged=True,
    )
    _, set_aside = _usable(book)
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
    good: list[Run] = []
    aside: list[RunFit] = []

    def set_aside(run: Run, verdict: Verdict, reason: str) -> None:
        aside.append(RunFit(run.run, run.set_up, run.recipe, verdict, (reason,), run.duration_s))

    for run in book.runs:
        if run.excluded_because is not None:
            set_aside(run, Verdict.EXCLUDED, f"excluded: {run.excluded_because}")
        elif duration_of(run) is None:
            set_aside(run, Verdict.NOT_FITTED, "no duration and no trace that shows one")
        elif strained_mass_g(run) is None and (run.trace is None or run.trace.probe_c is None):
            set_aside(run, Verdict.NOT_FITTED, "neither a trace nor a strained mass")
        else:
            try:
                nominals(book.bench, [Situation.of(run)])
            except (NotFound, ModelRangeError) as error:
                set_aside(run, Verdict.NOT_FITTED, str(error))
            else:
                good.append(run)
    return good, aside


def make_problem(bench: Bench, runs: Sequence[Run]) -> tuple[Problem, tuple[str, ...]]:
    """The arrays of a fit, and the techniques in the order of its groups."""
    situations = [Situation.of(r) for r in runs]
    nominal = nominals(bench, situations)
    duration = np.array([duration_of(r) or 1.0 for r in runs])
    techniques = tuple(dict.fromkeys(r.technique for r in runs))
    latents = latents_of(bench, situations)
    problem = Problem(
        nominal=nominal,
        evidence=evidence(runs, duration),
        composition=composition(bench, situations, nominal, latents),
        latents=latents,
        group=np.array([techniques.index(r.technique) for r in runs]),
        run_rate_sd=np.array([MOTIONS[bench.motion(t)].run_rate_log_sd for t in techniques]),
    )
    return problem, techniques


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
    volume = float(problem.nominal.start_volume_ml[row])
    added = float(post.end_added_g[row])
    slope_sd = float(np.sqrt(post.spreads.strained_sd_g[problem.group[row]] ** 2 + 0.3))
    return RunFit(
        run=run.run,
        set_up=run.set_up,
        recipe=run.recipe,
        verdict=Verdict.DOUBTFUL if reasons else Verdict.GOOD,
        reasons=tuple(reasons),
        duration_s=float(problem.evidence.duration_s[row]),
        start_temp_c=float(problem.nominal.inputs.drink_temp_c[row] + post.departures[row, P.DRINK_TEMP]),
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
            span(problem.evidence.duration_s, at),
            span(problem.nominal.inputs.drink_temp_c, at),
            span(problem.nominal.inputs.ice_mass_g, at),
        )
        for key, at in rows.items()
    }


_LEAST_TEMP_SD_K = 0.15


def _shown(
    bench: Bench, problem: Problem, post: MeltPosterior, runs: Sequence[Run]
) -> dict[tuple[SetUp, str], Shown]:
    """What the believed runs of each drink on each set-up showed against the melt model."""
    rows: dict[tuple[SetUp, str], list[int]] = {}
    for k, run in enumerate(runs):
        if np.min(post.weight[k]) > BELIEVED and np.isfinite(post.strained_residual_g[k]):
            rows.setdefault((run.set_up, run.recipe), []).append(k)
    temp_residual = post.end_temp_c - post.expected_temp_c
    temp_sd = max(float(np.std(temp_residual)), _LEAST_TEMP_SD_K)
    out = {}
    for key, at in rows.items():
        part = problem.subset(np.array(at))
        longest = float(part.evidence.duration_s.max())
        course = mean_course(part, post, longest)
        out[key] = Shown(
            duration_s=part.evidence.duration_s,
            added_residual_g=post.strained_residual_g[at],
            temp_residual_k=temp_residual[at],
            added_sd_g=post.strained_sd_g[at],
            temp_sd_k=np.full(len(at), temp_sd),
            course_s=course[0],
            course_added_g=course[1],
            course_temp_c=course[2],
        )
    return out


def mean_course(
    part: Problem, post: MeltPosterior, longest_s: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Time, added water and temperature (nodes,) at the mean conditions of runs of one drink and set-up."""
    n = part.nominal
    mean = type(n.inputs)(*(np.mean(getattr(n.inputs, f.name), keepdims=True) for f in fields(n.inputs)))
    first = np.array([0])
    one = replace(part.subset(first).nominal, inputs=mean)
    parameters = part.composition.parameters(post.effects)[:1]
    inputs = inputs_for(one, parameters, first)
    whole = np.array([longest_s])
    course = simulate(one.curves, inputs, whole, steps_for(inputs, one.curves, whole))
    time = course.time_s[:, 0]
    level, slope = smooth_basis(time, n.longest_s[0])
    d = part.composition.discrepancies(post.effects)[0]
    water = course.added_g[:, 0] + LATE_G + parameters[0, P.LATE]
    water = water + n.drink_mass_g[0] * (level * d[0] + slope * d[1])
    return time, water, course.temp_c[:, 0] + level * d[2] + slope * d[3]


def _finding(run: RunFit) -> Finding:
    gravity = Gravity.DOUBT if run.verdict is Verdict.DOUBTFUL else Gravity.LEFT_OUT
    return Finding(gravity, "; ".join(run.reasons), Place(run=run.run))


def fingerprint(book: RunBook) -> str:
    """A digest of everything a fit depends on: the bench, the runs with their traces, and this model's version."""
    digest = hashlib.sha256(FIT_VERSION.encode())
    digest.update(repr(book.bench).encode())
    for run in book.runs:
        digest.update(
            repr({k: v for k, v in vars(run).items() if k not in ("trace", "notes", "extra")}).encode()
        )
        if run.trace is not None:
            for name, values in run.trace.channels().items():
                digest.update(name.encode())
                digest.update(np.ascontiguousarray(values).tobytes())
    return digest.hexdigest()
