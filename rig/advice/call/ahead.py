"""One drink on one set-up worked out ahead, so that a question about it is answered while the hand still moves.

The runs of a call are drawn at the nodes of a grid over start, ice temperature and ice mass. They rest on the same
underlying draws at every node, so that each draw is a smooth function of the three and can be interpolated by itself;
what is counted, and which moment is called, is then the same as of any other call. Interpolated is the sum of the
value at the usual drink, of what each of the three changes by itself, and of what each two of them change together
(an anchored decomposition; Rabitz and Alış, J. Math. Chem. 25 (1999) 197, cut after the second order).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np
from scipy.interpolate import CubicSpline

from rig.advice.call.assumed import SPREAD_OF, Filled
from rig.advice.call.calling import (
    DRAWS,
    SEED,
    Call,
    DrinkPrediction,
    air_for,
    answerable,
    call_at,
    landing,
    require_sensible,
)
from rig.advice.call.cautions import cautions, contents
from rig.advice.call.search import durations, run_span_s, widened
from rig.arrays import FloatArray, IntArray
from rig.bench import Target
from rig.fitting.prediction import Prediction, basis, parameter_draws, predict_all
from rig.fitting.priors import FREEZER_DRY_BELOW_C, P
from rig.fitting.result import Fit
from rig.fitting.situation import Nominals, Situation, nominals

ALIKE_S, ALIKE_OF_WINDOW, ALIKE_ODDS = 1.0, 0.12, 0.03
"""A call told ahead is alike the one worked out in full where its seconds are within one second, or within so much of
the window where that is wider, and its odds within so much."""
_SURE = 0.5
"""Two ways of interpolating may differ by so much of that, or what is told is only about so."""
_STARTS_C = (-4.0, 10.0, 24.0, 50.0, 94.0)
_ICES_C = (-28.0, -16.0, -6.0, 0.0)
_ICE_MASSES = (0.3, 0.55, 1.0, 1.6, 2.6)
"""Nodes of the ice's mass, as shares of the usual one."""
_MOMENTS = 28
_AT_ONCE = 4
"""So many nodes are integrated together: of more, none is quicker, and whoever asks meanwhile waits longer."""
_VARIED = {"drink_temp_c": P.DRINK_TEMP, "ice_temp_c": P.ICE_TEMP, "ice_mass_g": P.ICE_MASS}
"""What a grid spans, and where its scatter stands among the parameters; of the ice's mass both are logarithms."""

Turn = Callable[[], object]


@dataclass(frozen=True, eq=False)
class Axis:
    """One value that a grid spans: its nodes, rising, and the index of the usual one.

    `unsure` (draws,): how much further each draw lies from the value where that is only usual, and nobody asked.
    """

    nodes: FloatArray
    usual: int
    unsure: FloatArray

    @cached_property
    def spline(self) -> CubicSpline:
        """The weight of each node at a value."""
        return CubicSpline(self.nodes, np.eye(self.nodes.size))

    def at(self, value: float, asked: bool) -> FloatArray:
        """Where the draws lie for a value, (draws,) or (1,), within the nodes."""
        x = np.full(1, value) if asked else value + self.unsure
        return np.asarray(np.clip(x, self.nodes[0], self.nodes[-1]))

    def holds(self, value: float) -> bool:
        """Whether a value lies between the nodes."""
        return bool(self.nodes[0] - 1e-9 <= value <= self.nodes[-1] + 1e-9)


@dataclass(frozen=True, eq=False)
class DrinkAhead:
    """Runs of one drink on one set-up, at the nodes of a grid.

    `usual`, `stated`: the drink with all left open, and with all that varies stated as it usually is. `axes`: start
    [°C], ice temperature [°C] and logarithm of the ice's mass [g]. `made` (nodes, 3): what was worked out, by indices.
    `runs` (draws, nodes, values): temperature [°C] and water [g] at the times of `like`, then what is held back [g].
    `between` (moments, times): from those times to all of a call's. Both in single precision: an answer reads all of
    them, and half the memory is more than twice as quick. `of_contents`: cautions that neither start nor ice changes.
    """

    fit: Fit
    usual: Filled
    stated: Filled
    nominal: Nominals
    axes: tuple[Axis, ...]
    made: IntArray
    runs: FloatArray
    like: Prediction
    times_s: FloatArray
    between: FloatArray
    of_contents: tuple[str, ...]


@dataclass(frozen=True)
class Foretold(Call):
    """A call told ahead: `alike` says that it differs from the one in full by no more than `ALIKE_S` and the others."""

    alike: bool
    cautions: tuple[str, ...]


def work_ahead(fit: Fit, drink: Situation, turn: Turn = lambda: None) -> DrinkAhead:
    """Work out a drink of which nothing but its names is given, which takes seconds.

    Parameters
    ----------
    turn
        Called before each part of the work; it may wait, so that others come first.

    Raises
    ------
    NotFound, ModelRangeError
        A name that is not on the bench; a drink outside the range of the liquid properties.
    """
    usual = answerable(fit, drink)
    at = _values(usual.situation)
    stated = answerable(fit, _asked(drink, at))
    loose, firm = (
        parameter_draws(fit, q.situation, DRAWS, SEED).parameters[:, list(_VARIED.values())].T
        for q in (usual, stated)
    )
    axes = tuple(
        Axis(*_with(nodes, value), unsure)
        for nodes, value, unsure in zip(_nodes(fit, drink, at), at, loose - firm, strict=True)
    )
    every = np.array(list(product(*(range(a.nodes.size) for a in axes))))
    made = every[np.sum(every != [a.usual for a in axes], axis=1) <= 2]
    times = durations(fit, drink.technique)
    brief = times[np.unique(np.round(np.geomspace(1, times.size, _MOMENTS)).astype(int)) - 1]
    asked = [_asked(drink, [a.nodes[i] for a, i in zip(axes, k, strict=True)]) for k in made]
    found: list[Prediction] = []
    for first in range(0, len(asked), _AT_ONCE):
        turn()
        some = [answerable(fit, s).situation for s in asked[first : first + _AT_ONCE]]
        found += predict_all(fit, some, brief, draws=DRAWS, seed=SEED)
    runs = np.stack([np.column_stack([p.temp_c, p.added_g, p.held_back_g]) for p in found], axis=1)
    return DrinkAhead(
        fit,
        usual,
        stated,
        nominals(fit.bench, [usual.situation]),
        axes,
        made,
        runs.astype(np.float32),
        found[0],
        times,
        np.asarray(CubicSpline(brief, np.eye(brief.size))(times)).T.astype(np.float32),
        tuple(contents(fit.bench, usual.situation, found[0])),
    )


def foretell(ahead: DrinkAhead, asked: Situation, target: Target) -> Foretold:
    """What the call on this drink will be.

    Parameters
    ----------
    asked
        The drink as it is asked about: the names that were worked out; start, ice temperature and ice mass at will.

    Raises
    ------
    ModelRangeError, NotEnoughData
        As of a call.
    """
    require_sensible(asked)
    question = _question(ahead, asked)
    air = air_for(ahead.fit, asked, target)
    values = np.matmul(_weights(ahead, question), ahead.runs)
    one, other = (_drink(ahead, question, values[:, way]) for way in (0, 1))
    call, check = (call_at(d, target, landing(d.prediction, target, air).curve) for d in (one, other))
    inside = all(a.holds(v) for a, v in zip(ahead.axes, _values(question.situation), strict=True))
    at_the_end = call.duration_s >= ahead.times_s[-1] - 2.0 * ALIKE_S
    # of a drink that never lands, the moment means little
    alike = inside and not at_the_end and call.feasible and apart(call, check) <= _SURE
    return Foretold(
        **vars(call), alike=alike, cautions=cautions(ahead.fit.bench, question, ahead.of_contents)
    )


def apart(one: Call, other: Call) -> float:
    """How far two calls on the same drink lie apart, where 1 is the furthest that counts as alike."""
    width_s = max(call.window_s[1] - call.window_s[0] for call in (one, other))
    seconds = abs(one.duration_s - other.duration_s) / max(ALIKE_S, ALIKE_OF_WINDOW * width_s)
    return max(seconds, abs(one.odds - other.odds) / ALIKE_ODDS)


def _question(ahead: DrinkAhead, asked: Situation) -> Filled:
    """The question with nothing left open, as `answerable` has it."""
    assumed = dict(ahead.usual.assumed)
    stands: dict[str, Any] = {}
    for name in _VARIED:
        value = getattr(asked, name)
        if value is not None:
            said = ahead.stated.assumed[name]
            share = value / said.value if name == "ice_mass_g" else 1.0
            assumed[name] = replace(said, value=value, std=said.std * share)
            stands |= {name: value, SPREAD_OF[name]: None}
    hot = () if asked.drink_temp_c is not None else ahead.usual.may_be_hot
    return Filled(asked, replace(ahead.usual.situation, **stands), assumed, hot)


def _drink(ahead: DrinkAhead, question: Filled, values: FloatArray) -> DrinkPrediction:
    """Interpolated runs (draws, values) as those of a call."""
    fit, moments = ahead.fit, ahead.like.duration_s.size
    span_s = run_span_s(fit, question.asked)
    start_c, _, log_ice = _values(question.situation)
    inputs = ahead.nominal.inputs.with_values(
        drink_temp_c=np.array([start_c]), ice_mass_g=np.array([np.exp(log_ice)])
    )
    brief = replace(
        ahead.like,
        situation=question.situation,
        basis=basis(fit, question.situation, replace(ahead.nominal, inputs=inputs), ahead.times_s),
        temp_c=values[:, :moments],
        added_g=values[:, moments : 2 * moments],
        held_back_g=values[:, -1],
    )
    brief = widened(brief, span_s)
    added = np.maximum(brief.added_g @ ahead.between, 0.0)
    whole = replace(
        brief,
        duration_s=ahead.times_s,
        temp_c=brief.temp_c @ ahead.between,
        added_g=added,
        dilution_by_volume=added / brief.start_volume_ml,
    )
    return DrinkPrediction(question, whole, span_s)


def _values(situation: Situation) -> list[float]:
    start_c, ice_c, ice_g = (getattr(situation, name) for name in _VARIED)
    return [start_c, ice_c, float(np.log(ice_g))]


def _asked(drink: Situation, values: Sequence[float]) -> Situation:
    start_c, ice_c, log_ice = (float(v) for v in values)
    return replace(drink, drink_temp_c=start_c, ice_temp_c=ice_c, ice_mass_g=float(np.exp(log_ice)))


def _nodes(fit: Fit, drink: Situation, usual: Sequence[float]) -> tuple[FloatArray, ...]:
    ice, ices_c = fit.bench.ice_type(drink.ice), np.array(_ICES_C)
    if ice.temp_c is None and ice.surface_water_pct is None:
        # nothing but its temperature says whether such ice is dry: beyond, it is another ice
        dry = usual[1] < FREEZER_DRY_BELOW_C
        ices_c = np.linspace(
            ices_c[0] if dry else FREEZER_DRY_BELOW_C, FREEZER_DRY_BELOW_C - 0.01 if dry else 0.0, ices_c.size
        )
    return np.array(_STARTS_C), ices_c, usual[2] + np.log(_ICE_MASSES)


def _with(nodes: FloatArray, usual: float) -> tuple[FloatArray, int]:
    """Nodes of which the nearest is moved to what is usual, within the outermost, and its index."""
    out, at = nodes.copy(), int(np.argmin(np.abs(nodes - usual)))
    out[at] = np.clip(usual, nodes[0], nodes[-1])
    return out, at


def _weights(ahead: DrinkAhead, question: Filled) -> FloatArray:
    """How much each node counts, (draws or 1, 2, nodes): by splines, and to check them by parabolas."""
    asked, values = question.asked, _values(question.situation)
    where = [
        axis.at(value, getattr(asked, name) is not None)
        for axis, value, name in zip(ahead.axes, values, _VARIED, strict=True)
    ]
    splines = [np.asarray(axis.spline(x)) for axis, x in zip(ahead.axes, where, strict=True)]
    parabolas = [_parabola(axis.nodes, x) for axis, x in zip(ahead.axes, where, strict=True)]
    return np.stack([_decomposed(each, ahead) for each in (splines, parabolas)], axis=1)


def _decomposed(each: Sequence[FloatArray], ahead: DrinkAhead) -> FloatArray:
    """Weights (draws or 1, nodes) of the usual value, of what each axis changes, and of what each two change together.

    `each`: the weights of the nodes along every axis, (draws or 1, nodes of the axis).
    """
    usual = [axis.usual for axis in ahead.axes]
    moved = ahead.made != usual
    count = moved.sum(axis=1)
    # along an axis that stays, the usual node counts for this much in what the others change by themselves
    stays = np.stack(
        np.broadcast_arrays(*(w[:, at] - 1.0 for w, at in zip(each, usual, strict=True))), axis=1
    )
    out = (1.0 + stays @ (~moved.T & (count < 2))).astype(np.float32)
    out[:, count < 1] += 0.5 * (stays.sum(axis=1) ** 2 - (stays**2).sum(axis=1))[:, None]
    for k, weights in enumerate(each):
        # and what moves along it counts as its node does
        with_one = np.concatenate([weights, np.ones((len(weights), 1))], axis=1, dtype=np.float32)
        out *= with_one[:, np.where(moved[:, k], ahead.made[:, k], -1)]
    return np.asarray(out)


def _parabola(nodes: FloatArray, x: FloatArray) -> FloatArray:
    """Weights of a parabola through the three nodes nearest to each x, (x, nodes)."""
    first = np.searchsorted(0.5 * (nodes[1:-2] + nodes[2:-1]), x)
    out, rows = np.zeros((x.size, nodes.size)), np.arange(x.size)
    for k in range(3):
        others = [nodes[first + n] for n in range(3) if n != k]
        out[rows, first + k] = np.prod([(x - o) / (nodes[first + k] - o) for o in others], axis=0)
    return out
