"""What the figures draw: the course of each set-up with its band and runs, and one run beside its fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rig.advice.call.assumed import Filled
from rig.advice.call.call import Band, band
from rig.advice.call.calling import DRAWS, DrinkPrediction, predict_drink
from rig.arrays import FloatArray
from rig.errors import NotFound
from rig.fitting.misfit import MODES, misfit_basis
from rig.fitting.observations import duration_of
from rig.fitting.prediction import Basis
from rig.fitting.priors import LAG_MEDIAN_S, MOTIONS, P
from rig.fitting.random_effects import design_of
from rig.fitting.result import Fit, RunFit, Verdict
from rig.fitting.situation import Nominals, Situation, held_back_g, inputs_for, late_water_g, nominals
from rig.physics.melt import MeltInputs, lagged, simulate, steps_for
from rig.report.look import places
from rig.runs import Run, SetUp

_NAMES = ("technique", "vessel", "ice", "recipe")
EARLY_S = (0.02, 0.1)
"""Times before the shortest duration of a call, for a line that starts at the start."""


@dataclass(frozen=True)
class Course:
    """A drink's predicted course on its set-up in bands, (times,) each; `filled`: what it starts from."""

    filled: Filled
    basis: Basis
    duration_s: FloatArray
    temp_c: Band
    dilution_by_volume: Band


@dataclass(frozen=True)
class SetUpCourse(Course):
    """A course beside others, with the runs it rests on.

    `place` is that of its mark, the same on every figure while there are colours enough; `label` names it
    by what tells it from the others drawn with it.
    """

    set_up: SetUp
    label: str
    place: int
    runs: tuple[RunFit, ...]

    @property
    def situation(self) -> Situation:
        """The drink it starts from."""
        return self.filled.situation


def set_up_courses(
    fit: Fit,
    set_ups: Sequence[SetUp],
    recipe: str,
    *,
    longest_s: float | None = None,
    conditions: Situation | None = None,
    draws: int = DRAWS,
) -> tuple[SetUpCourse, ...]:
    """The course of a recipe on each set-up, with the 90 % band of single runs.

    Parameters
    ----------
    longest_s
        End of the courses [s]; by default a little beyond the longest run, or the usual of the technique.
    conditions
        Temperatures and masses to hold alike; its names are not used. What it leaves open is as usual there.

    Raises
    ------
    NotFound, ModelRangeError
        A name not on the bench; a condition outside the model's range.
    """
    courses = [course_of(foreseen(fit, s, recipe, conditions, draws)) for s in set_ups]
    return side_by_side(fit, courses, longest_s)


def foreseen(
    fit: Fit, set_up: SetUp, recipe: str, conditions: Situation | None = None, draws: int = DRAWS
) -> DrinkPrediction:
    """Single runs of a recipe on a set-up as usual there, at `EARLY_S` and all durations of a call."""
    asked = Situation(set_up.technique, set_up.vessel, set_up.ice, recipe)
    if conditions is not None:
        held: dict[str, Any] = {n: v for n, v in conditions.asked.items() if n not in _NAMES}
        asked = replace(asked, **held)
    return predict_drink(fit, asked, early_s=EARLY_S, draws=draws)


def course_of(drink: DrinkPrediction) -> Course:
    """The bands of a drink's draws."""
    p = drink.prediction
    return Course(drink.filled, p.basis, p.duration_s, band(p.temp_c), band(p.dilution_by_volume))


def side_by_side(
    fit: Fit, courses: Sequence[Course], longest_s: float | None = None
) -> tuple[SetUpCourse, ...]:
    """Courses of one recipe, named by what tells them apart; `longest_s` as in `set_up_courses`."""
    drawn = [c.filled.asked.set_up for c in courses]
    labels = short_names(drawn)
    known = places(fit.set_ups, drawn)
    out = []
    for course, set_up in zip(courses, drawn, strict=True):
        shown = course.duration_s <= (longest_s or _longest_s(fit, set_up))
        out.append(
            SetUpCourse(
                filled=course.filled,
                basis=course.basis,
                duration_s=course.duration_s[shown],
                temp_c=course.temp_c.take(shown),
                dilution_by_volume=course.dilution_by_volume.take(shown),
                set_up=set_up,
                label=labels[set_up],
                place=known[set_up],
                runs=fit.runs_of(set_up, course.filled.asked.recipe),
            )
        )
    return tuple(out)


def short_names(set_ups: Sequence[SetUp]) -> dict[SetUp, str]:
    """Names without the parts that all of these set-ups share; the full name where there is only one."""
    parts = [(s.technique, s.vessel, s.ice) for s in set_ups]
    telling = [k for k in range(3) if len({p[k] for p in parts}) > 1]
    return {s: " · ".join(p[k] for k in telling) or str(s) for s, p in zip(set_ups, parts, strict=True)}


def _longest_s(fit: Fit, set_up: SetUp) -> float:
    measured = [m.duration_s[1] for (s, _), m in fit.measured.items() if s.technique == set_up.technique]
    return 1.1 * max(measured) if measured else MOTIONS[fit.bench.motion(set_up.technique)].longest_s


@dataclass(frozen=True, eq=False)
class RunCourse:
    """One run beside its fit; arrays (times,).

    `temp_c` is the liquid, `shown_c` what a probe with the fitted lag and offset shows of it;
    `dilution_by_volume` is that of the drink in the glass if it were stopped then.
    """

    run: Run
    found: RunFit
    time_s: FloatArray
    temp_c: FloatArray
    shown_c: FloatArray
    dilution_by_volume: FloatArray
    lag_s: float
    offset_k: float


@dataclass(frozen=True, eq=False)
class FittedInputs:
    """A run's inputs of the melt model, as fitted: one row of arrays.

    `misfit` (MISFITS,): coefficients of the smooth misfits. `late_g`: water that joins
    between the stop and the glass.
    """

    run: Run
    nominal: Nominals
    inputs: MeltInputs
    misfit: FloatArray
    lag_s: float
    offset_k: float
    held_back_g: float
    late_g: float


def fitted_inputs(fit: Fit, name: str, *, own_departures: bool = True) -> FittedInputs:
    """What the fit makes of one run: its set-up's effects, and the run's own departures unless left out.

    Raises
    ------
    NotFound
        Where no run of that name was fitted.
    """
    fitted = [r.run for r in fit.runs if r.verdict in (Verdict.GOOD, Verdict.DOUBTFUL)]
    if name not in fitted:
        raise NotFound("fitted run", name, fitted)
    run = next(r for r in fit.book.runs if r.run == name)
    situation = Situation.of(run)
    nominal = nominals(fit.bench, [situation])
    design = design_of(fit.bench, [situation], nominal, fit.random_effects)
    effects = fit.posterior.effects
    parameters = design.parameters(effects) + own_departures * fit.posterior.departures[[fitted.index(name)]]
    return FittedInputs(
        run=run,
        nominal=nominal,
        inputs=inputs_for(nominal, parameters, np.zeros(1, dtype=np.int64)),
        misfit=design.misfits(effects)[0],
        lag_s=float(LAG_MEDIAN_S * np.exp(np.clip(parameters[0, P.LAG], -3.0, 3.0))),
        offset_k=float(parameters[0, P.OFFSET]),
        held_back_g=float(held_back_g(nominal.held_back_g, parameters)[0]),
        late_g=float(late_water_g(parameters)[0]),
    )


def run_course(fit: Fit, name: str) -> RunCourse:
    """A run's own fitted course, and what its probe should show of it.

    Raises
    ------
    NotFound
        Where no run of that name was fitted.
    """
    own = fitted_inputs(fit, name)
    nominal = own.nominal
    duration = np.array([duration_of(own.run) or 1.0])
    course = simulate(nominal.curves, own.inputs, duration, steps_for(own.inputs, nominal.curves, duration))
    basis = misfit_basis(course.time_s[:, 0], nominal.longest_s[0])
    water, warp = basis @ own.misfit[:MODES], basis @ own.misfit[MODES:]
    shown = lagged(course.time_s, course.temp_c, np.array([own.lag_s]), course.temp_c[0])[:, 0]
    added = course.added_g[:, 0] + nominal.drink_mass_g[0] * water + own.late_g
    return RunCourse(
        run=own.run,
        found=next(r for r in fit.runs if r.run == name),
        time_s=course.time_s[:, 0],
        temp_c=course.temp_c[:, 0] + warp,
        shown_c=shown + warp + own.offset_k,
        dilution_by_volume=np.maximum(added, 0.0) / nominal.start_volume_ml[0],
        lag_s=own.lag_s,
        offset_k=own.offset_k,
    )
