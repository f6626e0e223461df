"""What a drink not yet made will do: draws of its course, with everything that is not known in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from enum import StrEnum

import numpy as np

from rig.arrays import FloatArray, take_rows
from rig.errors import ModelRangeError
from rig.fitting.effect_priors import run_sd_prior
from rig.fitting.known_effects import known_of
from rig.fitting.misfit import MODES, misfit_basis
from rig.fitting.priors import P
from rig.fitting.random_effects import (
    EFFECTS_A_RUN,
    Owner,
    add_misfits,
    add_up,
    effects_of,
    multipliers_of,
)
from rig.fitting.result import Fit
from rig.fitting.sampling import square_root, standard_normal
from rig.fitting.situation import Nominals, Situation, held_back_g, inputs_for, late_water_g, nominals
from rig.physics.liquid import Liquid, abv_pct, volume_ml
from rig.physics.melt import Course, DrinkCurves, MeltInputs, simulate, steps_for
from rig.physics.recipe_liquid import liquid_from_recipe


class BasisKind(StrEnum):
    """What a prediction rests on."""

    MEASURED = "measured"
    TRANSFERRED = "transferred"
    PRIOR_ONLY = "prior only"


@dataclass(frozen=True)
class Basis:
    """How many runs a prediction rests on and of which kind; `extrapolated` says in what it goes beyond them.

    `others`: how many other bars and runs it was begun from, in words; empty where published priors were.
    """

    runs: int
    kind: BasisKind
    related_runs: int
    extrapolated: tuple[str, ...] = ()
    others: str = ""


@dataclass(frozen=True)
class Prediction:
    """Draws of a new run's course; arrays of shape (draws, times) unless noted.

    `duration_s` (times,). `held_back_g` (draws,). `start_volume_ml`: the ingredients' volumes at 20 °C.
    """

    situation: Situation
    basis: Basis
    duration_s: FloatArray
    temp_c: FloatArray
    added_g: FloatArray
    dilution_by_volume: FloatArray
    held_back_g: FloatArray
    start_volume_ml: float
    liquid: Liquid

    def abv_pct(self) -> FloatArray:
        """Alcohol by volume at 20 °C [%] of the diluted drink."""
        return abv_pct(self.liquid.plus_water(self.added_g))

    def volume_ml(self) -> FloatArray:
        """Volume [ml] that reaches the glass: the diluted drink less what ice and vessel hold back."""
        diluted = self.liquid.plus_water(self.added_g)
        volume = volume_ml(diluted)
        return volume * (1.0 - self.held_back_g[:, None] / np.asarray(diluted.mass_g))


@dataclass(frozen=True)
class ParameterDraws:
    """Draws of a situation's parameters and the nominal values they modify."""

    nominal: Nominals
    parameters: FloatArray
    misfit: FloatArray
    rows: np.ndarray


def parameter_draws(
    fit: Fit, situation: Situation, draws: int, seed: int, new_run: bool = True
) -> ParameterDraws:
    """Draw what is not known: the fitted effects, and with `new_run` the next run's own departures."""
    return _parameter_draws(fit, situation, nominals(fit.bench, [situation]), _points(draws, seed), new_run)


def _points(draws: int, seed: int) -> FloatArray:
    """(draws, effects a run + parameters)."""
    return standard_normal(draws, EFFECTS_A_RUN + len(P), seed)


def _parameter_draws(
    fit: Fit, situation: Situation, nominal: Nominals, points: FloatArray, new_run: bool
) -> ParameterDraws:
    listed = effects_of(fit.bench, situation)
    known = known_of(fit, listed)
    effects = known.mean + points[:, : len(listed)] @ square_root(known.covariance).T
    keys = [key for key, _ in listed]
    columns = np.array([-1 if key[0] is None else int(key[0]) for key in keys])
    parameters = add_up(effects * multipliers_of([situation], nominal, keys), columns)
    if new_run:
        parameters += points[:, len(listed) :] * run_spread(fit, situation, nominal)
    return ParameterDraws(
        nominal, parameters, add_misfits(effects[:, columns < 0]), np.zeros(len(points), dtype=np.int64)
    )


def run_spread(fit: Fit, situation: Situation, nominal: Nominals) -> FloatArray:
    """Standard deviation of a new run's departures, (parameters,)."""
    spreads = fit.posterior.spreads
    if situation.technique in fit.techniques:
        sd = spreads.run_sd[fit.techniques.index(situation.technique)]
    else:
        sd = run_sd_prior(fit.bench, situation.technique, fit.book.population)
    variance: FloatArray = sd**2 + nominal.spread[0] ** 2
    if situation.cadence_log_ratio is None and situation.technique in fit.cadences:
        variance[P.RATE] += _by_cadence(fit, situation.technique)
    return np.sqrt(variance)


def _by_cadence(fit: Fit, technique: str) -> float:
    """Variance of a run's rate where nobody counts its strokes, and the fit's runs had theirs counted."""
    place = fit.random_effects.index()[P.RATE, Owner.CADENCE, (technique,)]
    post = fit.posterior
    power2 = float(post.effects[place] ** 2 + post.covariance[place, place])
    return power2 * fit.cadences[technique].log_sd ** 2


def predict(
    fit: Fit,
    situation: Situation,
    duration_s: FloatArray,
    *,
    draws: int = 1024,
    seed: int = 20,
    new_run: bool = True,
) -> Prediction:
    """Draws of temperature and dilution of a new run at each duration.

    Parameters
    ----------
    duration_s
        (times,), rising, > 0.
    draws
        A power of two spreads best.
    new_run
        False leaves out run-to-run variation: the spread is then that of the set-up's average course.

    Raises
    ------
    NotFound, ModelRangeError
        A name not on the bench; a drink outside the range of the liquid properties.
    """
    (prediction,) = predict_all(fit, [situation], duration_s, draws=draws, seed=seed, new_run=new_run)
    return prediction


def predict_all(
    fit: Fit,
    situations: Sequence[Situation],
    duration_s: FloatArray,
    *,
    draws: int = 1024,
    seed: int = 20,
    new_run: bool = True,
) -> list[Prediction]:
    """As `predict`, for several situations in one integration, all with the same underlying draws."""
    times = rising(duration_s)
    points, nominal = _points(draws, seed), nominals(fit.bench, situations)
    made = [
        _parameter_draws(fit, s, take_rows(nominal, np.array([k])), points, new_run)
        for k, s in enumerate(situations)
    ]
    course = run_course(made, float(times[-1]))
    temp, added = (at_times(course, v, times) for v in (course.temp_c, course.added_g))
    lanes = [slice(k * draws, (k + 1) * draws) for k in range(len(made))]
    found = [
        prediction_from(fit, s, f, times, temp[part], added[part])
        for s, f, part in zip(situations, made, lanes, strict=True)
    ]
    return [stretched(fit, p) for p in found] if new_run else found


def stretched(fit: Fit, p: Prediction) -> Prediction:
    """Draws spread about their median by what runs left out in turn say of the fit's spreads."""
    water_scale, temp_scale = fit.posterior.leave_one_out.spread_scale

    def about_median(draws: FloatArray, scale: float) -> FloatArray:
        middle = np.median(draws, axis=0)
        return np.asarray(middle + scale * (draws - middle))

    added = np.maximum(about_median(p.added_g, water_scale), 0.0)
    temp = about_median(p.temp_c, temp_scale)
    return replace(p, temp_c=temp, added_g=added, dilution_by_volume=added / p.start_volume_ml)


def rising(duration_s: FloatArray) -> FloatArray:
    """Durations as an array [s], refused where they do not rise from above zero."""
    times = np.asarray(duration_s, dtype=float)
    if times.size == 0 or times[0] <= 0 or np.any(np.diff(times) < 0):
        raise ModelRangeError("durations must be above zero and rising")
    return times


def run_course(made: Sequence[ParameterDraws], longest_s: float) -> Course:
    """Run the draws of all forecasts through `longest_s` in one integration; (nodes, draws of all)."""
    each = [inputs_for(f.nominal, f.parameters, f.rows) for f in made]
    inputs = MeltInputs(*(np.concatenate([getattr(x, f.name) for x in each]) for f in fields(MeltInputs)))
    drinks = [f.nominal.curves.take(f.rows) for f in made]
    curves = DrinkCurves(*(np.concatenate([getattr(c, f.name) for c in drinks]) for f in fields(DrinkCurves)))
    whole = np.full(len(inputs.ice_mass_g), longest_s)
    return simulate(curves, inputs, whole, steps_for(inputs, curves, whole))


def prediction_from(
    fit: Fit, situation: Situation, f: ParameterDraws, times: FloatArray, temp: FloatArray, added: FloatArray
) -> Prediction:
    """What the courses of one situation, (draws, times), come to with misfit and late water."""
    basis_at = misfit_basis(times, f.nominal.longest_s[0])
    mass = float(f.nominal.drink_mass_g[0])
    temp = temp + f.misfit[:, MODES:] @ basis_at.T
    added = added + mass * (f.misfit[:, :MODES] @ basis_at.T)
    added = np.maximum(added + late_water_g(f.parameters)[:, None], 0.0)
    found = basis(fit, situation, f.nominal, times)
    added = _never_less(times, added)
    volume = float(f.nominal.start_volume_ml[0])
    return Prediction(
        situation=situation,
        basis=found,
        duration_s=times,
        temp_c=temp,
        added_g=added,
        dilution_by_volume=added / volume,
        held_back_g=held_back_g(f.nominal.held_back_g[0], f.parameters),
        start_volume_ml=volume,
        liquid=liquid_of(fit, situation, mass),
    )


_FREEZING_ON_S = 3.0


def _never_less(times: FloatArray, added: FloatArray) -> FloatArray:
    """Added water (draws, times) that does not fall.

    After the first seconds, in which cold ice may freeze some on, ice in a moving drink only melts, whatever
    the smooth misfit says.
    """
    later = times >= _FREEZING_ON_S
    out = added.copy()
    out[:, later] = np.maximum.accumulate(added[:, later], axis=1)
    return out


def at_times(course: Course, values: FloatArray, times: FloatArray) -> FloatArray:
    """Values of every lane at common times, (lanes, times); all lanes share their nodes."""
    nodes = course.time_s[:, 0]
    right = np.clip(np.searchsorted(nodes, times), 1, len(nodes) - 1)
    w = ((times - nodes[right - 1]) / (nodes[right] - nodes[right - 1]))[:, None]
    return ((1 - w) * values[right - 1] + w * values[right]).T


def liquid_of(fit: Fit, situation: Situation, mass_g: float) -> Liquid:
    """`mass_g` of a situation's drink before the ice."""
    liquid = liquid_from_recipe(fit.bench.recipe(situation.recipe)).liquid
    return liquid.times(mass_g / float(liquid.mass_g))


FEW_RUNS = 6
"""Up to so many runs of a drink on a set-up what others know still shows in its call."""
_NEAR_TEMP_K = 6.0
_NEAR_ICE_SHARE = 0.3


def basis(fit: Fit, situation: Situation, nominal: Nominals, times: FloatArray) -> Basis:
    """What a prediction for this situation rests on."""
    population = fit.book.population
    others = "" if population is None else population.words
    measured = fit.measured.get((situation.set_up, situation.recipe))
    related = sum(
        m.runs
        for (s, _), m in fit.measured.items()
        if s.ice == situation.ice or (s.technique, s.vessel) == (situation.technique, situation.vessel)
    )
    if measured is None:
        kind = BasisKind.TRANSFERRED if related else BasisKind.PRIOR_ONLY
        never = ("this drink was never measured on this set-up",) if related else ()
        return Basis(0, kind, related, never, others)
    beyond = []
    low, high = measured.start_temp_c
    start = float(nominal.inputs.drink_temp_c[0])
    if not low - _NEAR_TEMP_K <= start <= high + _NEAR_TEMP_K:
        beyond.append(f"a start at {start:z.0f} °C, measured from {low:.0f} to {high:z.0f} °C")
    low, high = measured.ice_mass_g
    ice = float(nominal.inputs.ice_mass_g[0])
    if not low * (1 - _NEAR_ICE_SHARE) <= ice <= high * (1 + _NEAR_ICE_SHARE):
        beyond.append(f"{ice:.0f} g of ice, measured from {low:.0f} to {high:.0f} g")
    kind = BasisKind.TRANSFERRED if beyond else BasisKind.MEASURED
    return Basis(measured.runs, kind, related, tuple(beyond), others if measured.runs < FEW_RUNS else "")
