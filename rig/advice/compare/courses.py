"""Average courses of several set-ups at common conditions, drawn together so that what they share cancels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.arrays import BoolArray, FloatArray
from rig.fitting.misfit import MODES, misfit_basis
from rig.fitting.observation_model import CHUNK_LANES
from rig.fitting.priors import PHYSICAL, P
from rig.fitting.random_effects import add_misfits, add_up, design_of
from rig.fitting.result import Fit
from rig.fitting.sampling import square_root, standard_normal
from rig.fitting.situation import Nominals, Situation, inputs_for, late_water_g, nominals
from rig.physics.melt import node_fractions, simulate, steps_for

_MISFIT = -1
"""What `Design.columns` holds for the smooth misfits, which belong to no parameter."""


@dataclass(frozen=True)
class Crossing:
    """Where each draw first is as cold as asked, (set-ups, draws); a draw that never is stands at the end."""

    time_s: FloatArray
    dilution_by_volume: FloatArray
    reached: BoolArray


@dataclass(frozen=True)
class AverageCourses:
    """Draws of each situation's average course; draw k is the same draw of all effects in every situation.

    `time_s` (set-ups, nodes); `temp_c`, `dilution_by_volume` (set-ups, nodes, draws); `start_temp_c`
    (set-ups,).
    """

    situations: tuple[Situation, ...]
    start_temp_c: FloatArray
    time_s: FloatArray
    temp_c: FloatArray
    dilution_by_volume: FloatArray

    def at(self, duration_s: float) -> tuple[FloatArray, FloatArray]:
        """Temperature [°C] and dilution after this long, (set-ups, draws); NaN where a course is shorter."""
        count, _, draws = self.temp_c.shape
        temp, dilution = np.full((2, count, draws), np.nan)
        for k, nodes in enumerate(self.time_s):
            if duration_s <= nodes[-1]:
                right = int(np.clip(np.searchsorted(nodes, duration_s), 1, len(nodes) - 1))
                w = (duration_s - nodes[right - 1]) / (nodes[right] - nodes[right - 1])
                temp[k] = (1 - w) * self.temp_c[k, right - 1] + w * self.temp_c[k, right]
                dilution[k] = (1 - w) * self.dilution_by_volume[k, right - 1]
                dilution[k] += w * self.dilution_by_volume[k, right]
        return temp, dilution

    def when_as_cold_as(self, temp_c: FloatArray | float) -> Crossing:
        """When each draw first is at `temp_c` [°C] or below; `temp_c` broadcasts to (set-ups, draws)."""
        goal = np.broadcast_to(temp_c, self.temp_c[:, 0].shape)
        cold = self.temp_c <= goal[:, None]
        reached: BoolArray = np.any(cold, axis=1)
        right = np.where(reached, cold.argmax(axis=1), self.temp_c.shape[1] - 1)
        left = np.maximum(right - 1, 0)
        row, draw = np.ogrid[: goal.shape[0], : goal.shape[1]]
        before, after = self.temp_c[row, left, draw], self.temp_c[row, right, draw]
        with np.errstate(invalid="ignore", divide="ignore"):
            w = np.where(reached & (right > 0), (before - goal) / (before - after), 1.0)
        dilution = self.dilution_by_volume
        return Crossing(
            time_s=(1 - w) * self.time_s[row, left] + w * self.time_s[row, right],
            dilution_by_volume=(1 - w) * dilution[row, left, draw] + w * dilution[row, right, draw],
            reached=reached,
        )


def average_courses(
    fit: Fit, situations: Sequence[Situation], longest_s: FloatArray, draws: int = 512, seed: int = 20
) -> AverageCourses:
    """Draw the fitted effects once for all situations, and follow each average course to `longest_s`.

    The law is that of `predict` without run-to-run variation.

    Parameters
    ----------
    situations
        Each of a technique, vessel, ice and recipe that the fit has runs of, under conditions like theirs.
    longest_s
        (set-ups,) > 0.
    draws
        A power of two.
    """
    nominal = nominals(fit.bench, list(situations))
    parameters, misfit = _joint_draws(fit, situations, nominal, draws, seed)
    count = len(situations)
    row = np.repeat(np.arange(count), draws)
    inputs, curves = inputs_for(nominal, parameters.reshape(-1, len(P)), row), nominal.curves.take(row)
    duration = longest_s[row]
    steps = steps_for(inputs, curves, duration)
    time = longest_s[:, None] * node_fractions(steps)
    temp, added = np.empty((2, count, steps + 1, draws))
    at_once = max(1, CHUNK_LANES // draws)
    for first in range(0, count, at_once):
        mine = slice(first, min(first + at_once, count))
        lanes = np.arange(mine.start * draws, mine.stop * draws)
        course = simulate(curves.take(lanes), inputs.take(lanes), duration[lanes], steps)
        shape = (steps + 1, mine.stop - mine.start, draws)
        temp[mine] = course.temp_c.reshape(shape).swapaxes(0, 1)
        added[mine] = course.added_g.reshape(shape).swapaxes(0, 1)
    _add_misfit(nominal, time, temp, added, misfit)
    added += late_water_g(parameters)[:, None]
    return AverageCourses(
        situations=tuple(situations),
        start_temp_c=nominal.inputs.drink_temp_c,
        time_s=time,
        temp_c=temp,
        dilution_by_volume=np.maximum(added, 0.0) / nominal.start_volume_ml[:, None, None],
    )


def _joint_draws(
    fit: Fit, situations: Sequence[Situation], nominal: Nominals, draws: int, seed: int
) -> tuple[FloatArray, FloatArray]:
    """Parameters (set-ups, draws, parameters) and misfit coefficients (set-ups, draws, MISFITS) from common draws."""
    design = design_of(fit.bench, situations, nominal, fit.random_effects)
    matters = np.isin(design.columns, (_MISFIT, *PHYSICAL, P.LATE))
    columns = design.columns[matters]
    used, place = np.unique(design.effect_index[:, matters], return_inverse=True)
    place = place.reshape(len(situations), -1)
    root = square_root(fit.posterior.covariance[np.ix_(used, used)])
    effects = fit.posterior.effects[used] + standard_normal(draws, used.size, seed) @ root.T
    own = np.moveaxis(effects[:, place], 0, 1) * design.multiplier[:, None, matters]
    parameters = add_up(own.reshape(-1, columns.size), columns).reshape(len(situations), draws, -1)
    return parameters, add_misfits(own[..., columns == _MISFIT])


def _add_misfit(
    nominal: Nominals, time: FloatArray, temp: FloatArray, added: FloatArray, misfit: FloatArray
) -> None:
    """Add to courses (set-ups, nodes, draws) what the model is known to miss on these drinks, in place."""
    basis = misfit_basis(time, nominal.longest_s[:, None])
    coefficients = np.swapaxes(misfit, 1, 2)
    added += nominal.drink_mass_g[:, None, None] * (basis @ coefficients[:, :MODES])
    temp += basis @ coefficients[:, MODES:]
