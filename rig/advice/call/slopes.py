"""How the average drink changes with everything that makes it, around one usual drink."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.arrays import FloatArray
from rig.fitting.known_effects import effects_before, known_of
from rig.fitting.misfit import MISFITS
from rig.fitting.prediction import (
    Basis,
    ParameterDraws,
    Prediction,
    at_times,
    prediction_from,
    rising,
    run_course,
)
from rig.fitting.priors import P
from rig.fitting.random_effects import MISFIT_LEVELS, Design, Key, RandomEffects, design_of, effects_of
from rig.fitting.result import Fit
from rig.fitting.situation import Situation, nominals


@dataclass(frozen=True)
class Known:
    """What is known of all effects that some situations need: Gaussian, priors where no run has taught.

    `mean` (effects,), `covariance` (effects, effects).
    """

    random_effects: RandomEffects
    mean: FloatArray
    covariance: FloatArray


def known_effects(fit: Fit, situations: list[Situation]) -> Known:
    """The fitted effects, followed by those that the fit has not met, at their priors."""
    new: dict[Key, float] = {}
    met = set(fit.random_effects.keys)
    for s in situations:
        new |= {key: sd for key, sd in effects_of(fit.bench, s) if key not in met}
    mean, sd = effects_before(fit, list(new.items()))
    random_effects = RandomEffects(
        keys=(*fit.random_effects.keys, *new),
        prior_mean=np.concatenate([fit.random_effects.prior_mean, mean]),
        prior_sd=np.concatenate([fit.random_effects.prior_sd, sd]),
    )
    known = known_of(
        fit, [*zip(fit.random_effects.keys, fit.random_effects.prior_sd, strict=True), *new.items()]
    )
    return Known(random_effects, known.mean, known.covariance)


_STEP = np.full(len(P), 0.1)
_STEP[[P.DRINK_TEMP, P.ICE_TEMP, P.VESSEL_TEMP, P.HELD, P.LATE]] = 0.5
_STEP[[P.ICE_MASS, P.THICKNESS]] = 0.03
_MISFIT_STEP = 0.01
_MASS_STEP = 0.02


@dataclass(frozen=True)
class Slopes:
    """The average drink of one situation and its slopes; `duration_s` (times,).

    `value` (results, times); `by_parameter` (results, times, parameters); `by_misfit` (results, times, MISFITS);
    `by_drink_mass` (results, times), per gram of drink on the same ice; `members` and `factors` (effects a
    run,): which effects make the parameters, as in `Design`, with their `columns`.
    """

    situation: Situation
    basis: Basis
    duration_s: FloatArray
    value: FloatArray
    by_parameter: FloatArray
    by_misfit: FloatArray
    by_drink_mass: FloatArray
    design: Design

    def by_effect(self, effects: int) -> FloatArray:
        """Slopes by effect, (results, times, effects)."""
        results, times, _ = self.by_parameter.shape
        out = np.zeros((results, times, effects))
        shared = self.design.columns >= 0
        own = self.by_parameter[:, :, self.design.columns[shared]] * self.design.multiplier[0, shared]
        out[:, :, self.design.effect_index[0, shared]] = own
        out[:, :, self.design.effect_index[0, ~shared]] = np.tile(self.by_misfit, MISFIT_LEVELS)
        return out

    def at(self, duration_s: FloatArray) -> FloatArray:
        """The average drink's results (runs, results) at other durations [s], (runs,)."""
        return np.column_stack([np.interp(duration_s, self.duration_s, v) for v in self.value])


def slopes(fit: Fit, situation: Situation, duration_s: FloatArray, known: Known | None = None) -> Slopes:
    """Follow the average drink and its neighbours, each with one thing changed, in one integration.

    Parameters
    ----------
    duration_s
        (times,) rising, > 0.
    known
        What is known of the effects; the fit's own unless given.

    Raises
    ------
    NotFound, ModelRangeError
        A name not on the bench; a drink outside the range of the liquid properties.
    """
    times = rising(duration_s)
    nominal = nominals(fit.bench, [situation])
    mass = float(nominal.drink_mass_g[0])
    more = replace(situation, drink_mass_g=mass * (1.0 + _MASS_STEP))
    less = replace(situation, drink_mass_g=mass * (1.0 - _MASS_STEP))
    known = known_effects(fit, [situation]) if known is None else known
    design = design_of(fit.bench, [situation], nominal, known.random_effects)
    size, misfits = len(P), MISFITS
    step = np.zeros((1 + 2 * (size + misfits), size + misfits))
    step[1 : 1 + size + misfits] = np.diag(np.concatenate([_STEP, np.full(misfits, _MISFIT_STEP)]))
    step[1 + size + misfits :] = -step[1 : 1 + size + misfits]
    at = design.parameters(known.mean) + step[:, :size]
    misfit = design.misfits(known.mean) + step[:, size:]
    made = [ParameterDraws(nominal, at, misfit, np.zeros(len(at), dtype=np.int64))]
    for other in (more, less):
        changed = nominals(fit.bench, [other])
        own = design_of(fit.bench, [other], changed, known.random_effects)
        made.append(
            ParameterDraws(changed, own.parameters(known.mean), misfit[:1], np.zeros(1, dtype=np.int64))
        )
    course = run_course(made, float(times[-1]))
    temp, added = (at_times(course, v, times) for v in (course.temp_c, course.added_g))
    first = len(at)
    lanes = (slice(first), slice(first, first + 1), slice(first + 1, first + 2))
    found = [
        prediction_from(fit, s, f, times, temp[k], added[k])
        for s, f, k in zip((situation, more, less), made, lanes, strict=True)
    ]
    values, heavier, lighter = (_results(p) for p in found)
    up, down = values[:, 1 : 1 + size + misfits], values[:, 1 + size + misfits :]
    width = 2.0 * step[1 : 1 + size + misfits].sum(axis=1)
    slope = np.moveaxis((up - down) / width[:, None], 1, 2)
    return Slopes(
        situation=situation,
        basis=found[0].basis,
        duration_s=times,
        value=values[:, 0],
        by_parameter=slope[:, :, :size],
        by_misfit=slope[:, :, size:],
        by_drink_mass=(heavier[:, 0] - lighter[:, 0]) / (2.0 * _MASS_STEP * mass),
        design=design,
    )


def _results(p: Prediction) -> FloatArray:
    """(results, lanes, times)."""
    return np.stack([p.temp_c, p.dilution_by_volume, p.abv_pct(), p.volume_ml()])
