"""A routine of several drinks by the clock: what to do when, whether it fits the time, and the odds that all land."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np
from scipy.stats import norm

from rig.advice.call.calling import air_for, call_for
from rig.advice.call.odds import lands
from rig.advice.call.slopes import known_effects, slopes
from rig.arrays import FloatArray
from rig.bench import Target
from rig.errors import BenchError
from rig.fitting.prediction import Basis, run_spread
from rig.fitting.result import Fit
from rig.fitting.situation import Situation, nominals

_DRAWS = 4096


class Stage(StrEnum):
    """What a step does, in the order of a drink."""

    WEIGH = "weigh"
    ICE = "ice"
    MOVE = "move"
    STRAIN = "strain"
    GARNISH = "garnish"


USUAL_S: Mapping[Stage, float] = {
    Stage.WEIGH: 25.0,
    Stage.ICE: 8.0,
    Stage.STRAIN: 8.0,
    Stage.GARNISH: 10.0,
}
"""How long a practised hand takes (common practice, no source)."""
_SLOP_SHARE, _MOVE_SLOP_S = 0.2, 0.5
"""Spread of a step's time as a share of it, and of the time in motion, which goes by the clock (no source)."""


@dataclass(frozen=True)
class Order:
    """One drink of a routine; `times_s` how long its steps take where not as usual, zero to leave one out."""

    situation: Situation
    target: Target
    times_s: Mapping[Stage, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Step:
    """One step on the clock, all in seconds from the start."""

    drink: int
    recipe: str
    stage: Stage
    does: str
    start_s: float
    duration_s: float

    @property
    def end_s(self) -> float:
        """When it ends."""
        return self.start_s + self.duration_s

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "drink": self.drink,
            "recipe": self.recipe,
            "stage": self.stage.value,
            "does": self.does,
            "start_s": round(self.start_s, 1),
            "duration_s": round(self.duration_s, 1),
            "end_s": round(self.end_s, 1),
        }


@dataclass(frozen=True)
class RoutineDrink:
    """One drink of the routine: its called duration, its odds, and what they rest on."""

    situation: Situation
    target: Target
    duration_s: float
    odds: float
    basis: Basis

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        s = self.situation
        return {
            "technique": s.technique,
            "vessel": s.vessel,
            "ice": s.ice,
            "recipe": s.recipe,
            "target": self.target.name,
            "duration_s": round(self.duration_s, 2),
            "odds": round(self.odds, 4),
            "basis": {"runs": self.basis.runs, "kind": self.basis.kind.value},
        }


@dataclass(frozen=True)
class Routine:
    """A routine on the clock.

    `slack_s`: what is left of `limit_s`, None without a limit; `odds_in_time`: that the steps, each with its
    spread, end within it. `odds_all`: that every drink lands, what the drinks share (same ice, same hand's rate)
    taken into account; `expected`: how many land on average.
    """

    drinks: tuple[RoutineDrink, ...]
    steps: tuple[Step, ...]
    total_s: float
    total_sd_s: float
    limit_s: float | None
    odds_in_time: float | None
    odds_all: float
    expected: float
    notes: tuple[str, ...]

    @property
    def slack_s(self) -> float | None:
        """Time left, negative where it does not fit."""
        return None if self.limit_s is None else self.limit_s - self.total_s

    @property
    def odds_all_in_time(self) -> float | None:
        """Odds that all drinks land and are done in time."""
        return None if self.odds_in_time is None else self.odds_all * self.odds_in_time

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names."""

        def shown(value: float | None, digits: int) -> float | None:
            return None if value is None else round(value, digits)

        return {
            "drinks": [d.to_dict() for d in self.drinks],
            "steps": [s.to_dict() for s in self.steps],
            "total_s": round(self.total_s, 1),
            "total_sd_s": round(self.total_sd_s, 1),
            "limit_s": self.limit_s,
            "slack_s": shown(self.slack_s, 1),
            "odds_in_time": shown(self.odds_in_time, 4),
            "odds_all": round(self.odds_all, 4),
            "odds_all_in_time": shown(self.odds_all_in_time, 4),
            "expected_landed": round(self.expected, 3),
            "notes": list(self.notes),
        }


def plan_routine(fit: Fit, orders: Sequence[Order], limit_s: float | None = None) -> Routine:
    """Put drinks on the clock, one after the other, each moved for as long as its call says.

    Raises
    ------
    BenchError
        No drink at all, or a limit that is none.
    NotFound, ModelRangeError
        As `advise`.
    """
    if not orders:
        raise BenchError("a routine needs at least one drink", cure="List them under [[drinks]]")
    if limit_s is not None and not (math.isfinite(limit_s) and limit_s > 0):
        raise BenchError(f"limit_s must be above zero, found {limit_s:g}")
    called: dict[tuple[Situation, Target], RoutineDrink] = {}
    for o in orders:
        if (o.situation, o.target) not in called:
            call = call_for(fit, o.situation, o.target, air_for(fit, o.situation, o.target))
            called[o.situation, o.target] = RoutineDrink(
                call.situation, o.target, call.duration_s, call.odds, call.basis
            )
    drinks = tuple(called[o.situation, o.target] for o in orders)
    steps = clock(drinks, orders)
    total = steps[-1].end_s if steps else 0.0
    sd = math.sqrt(sum(_slop(s) ** 2 for s in steps))
    together, expected = landing_together(fit, drinks)
    return Routine(
        drinks=drinks,
        steps=steps,
        total_s=total,
        total_sd_s=sd,
        limit_s=limit_s,
        odds_in_time=None if limit_s is None else float(norm.cdf((limit_s - total) / max(sd, 1e-9))),
        odds_all=together,
        expected=expected,
        notes=_notes(drinks, total, sd, limit_s),
    )


def clock(drinks: Sequence[RoutineDrink], orders: Sequence[Order]) -> tuple[Step, ...]:
    """Every step with its start, one drink after the other; steps of no time are left out."""
    out: list[Step] = []
    now = 0.0
    for number, (drink, order) in enumerate(zip(drinks, orders, strict=True), start=1):
        for stage in Stage:
            usual = drink.duration_s if stage is Stage.MOVE else USUAL_S[stage]
            duration = order.times_s.get(stage, usual)
            if duration > 0:
                does = _does(stage, drink)
                out.append(Step(number, drink.situation.recipe, stage, does, now, duration))
                now += duration
    return tuple(out)


def _does(stage: Stage, drink: RoutineDrink) -> str:
    s = drink.situation
    if stage is Stage.WEIGH:
        return (
            f"weigh in {s.recipe}"
            if s.drink_mass_g is None
            else f"weigh in {s.drink_mass_g:.0f} g of {s.recipe}"
        )
    if stage is Stage.ICE:
        return f"add {s.ice}" if s.ice_mass_g is None else f"add {s.ice_mass_g:.0f} g of {s.ice}"
    if stage is Stage.MOVE:
        return f"{s.technique} {drink.duration_s:.0f} s"
    return {Stage.STRAIN: "strain", Stage.GARNISH: "garnish and serve"}[stage]


def _slop(step: Step) -> float:
    return _MOVE_SLOP_S if step.stage is Stage.MOVE else _SLOP_SHARE * step.duration_s


def landing_together(fit: Fit, drinks: Sequence[RoutineDrink], seed: int = 11) -> tuple[float, float]:
    """Odds that all drinks land, and how many land on average.

    One draw of the effects serves all drinks, each with run departures of its own, linear around the average
    drink. Each drink's share is scaled to its own call's odds, which are not linear.
    """
    known = known_effects(fit, [d.situation for d in drinks])
    rng = np.random.default_rng(seed)
    values, vectors = np.linalg.eigh(known.covariance)
    effects = rng.normal(size=(_DRAWS, values.size)) @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
    landed = np.empty((len(drinks), _DRAWS))
    average: dict[RoutineDrink, tuple[FloatArray, FloatArray]] = {}
    for k, d in enumerate(drinks):
        if d not in average:
            made = slopes(fit, d.situation, np.array([d.duration_s]), known)
            spread = run_spread(fit, d.situation, nominals(fit.bench, [d.situation]))
            shared = made.value[:, 0] + effects @ made.by_effect(values.size)[:, 0].T
            average[d] = shared, (made.by_parameter[:, 0] * spread).T
        shared, by_departure = average[d]
        own = rng.normal(size=(_DRAWS, len(by_departure))) @ by_departure
        landed[k] = lands(shared + own, d.target)
    each = landed.mean(axis=1)
    called = np.array([d.odds for d in drinks])
    expected = float(called.sum())
    if np.any(each == 0):
        return float(np.prod(called)), expected
    # What sharing adds over independence is read off the draws; the odds themselves are the calls'.
    sharing = float(landed.prod(axis=0).mean() / np.prod(each))
    return float(min(np.prod(called) * sharing, called.min())), expected


def _notes(drinks: Sequence[RoutineDrink], total: float, sd: float, limit_s: float | None) -> tuple[str, ...]:
    out = []
    if limit_s is not None and total > limit_s:
        out.append(f"It does not fit: {total - limit_s:.0f} s too long.")
    elif limit_s is not None and limit_s - total < 2 * sd:
        out.append(f"Tight: {limit_s - total:.0f} s of slack, and steps scatter by ±{2 * sd:.0f} s in all.")
    worst = min(drinks, key=lambda d: d.odds)
    if len(set(drinks)) > 1:
        out.append(
            f"The drink most likely to miss is {worst.situation.recipe}: it lands {100 * worst.odds:.0f} % "
            "of the time."
        )
    bare = sorted({d.situation.recipe for d in drinks if d.basis.runs == 0})
    if bare:
        out.append(f"Never measured on its set-up: {', '.join(bare)}. Make three runs of each first.")
    out.append(
        "Times of weighing, icing, straining and garnish are as stated, else usual ones; time your own."
    )
    return tuple(out)
