"""The calls worth printing for a bench: each measured drink, each target, the set-ups that serve it best."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from rig.advice.call.call import Advice, advice_on
from rig.advice.call.calling import Call, air_for, call_at, landing
from rig.bench import Target
from rig.errors import ModelRangeError, NotEnoughData
from rig.fitting.result import Fit
from rig.report.courses import Course, course_of, foreseen
from rig.runs import SetUp


@dataclass(frozen=True)
class Foreseen:
    """A measured drink: its course, and its call into each target that it can be called into."""

    course: Course
    calls: Mapping[str, Call]


@dataclass(frozen=True)
class DrinkCalls:
    """One recipe into one target: every set-up it was measured on, best odds first."""

    recipe: str
    target: Target
    calls: tuple[Call, ...]

    @property
    def best(self) -> Call:
        """The set-up that serves it best."""
        return self.calls[0]


def all_foreseen(
    fit: Fit, progress: Callable[[float], None] = lambda share: None
) -> dict[tuple[SetUp, str], Foreseen]:
    """Every measured drink; one that lies outside the model's range is left out.

    Its draws are read here once, and dropped: a bench may have hundreds.
    """
    wanted = _pairs(fit)
    out = {}
    for done, (set_up, recipe) in enumerate(sorted(fit.measured), 1):
        try:
            targets = [fit.bench.target(t) for r, t in wanted if r == recipe]
            out[set_up, recipe] = foresee(fit, set_up, recipe, targets)
        except ModelRangeError:
            continue
        progress(done / len(fit.measured))
    return out


def foresee(fit: Fit, set_up: SetUp, recipe: str, targets: Sequence[Target]) -> Foreseen:
    """A recipe on a set-up as usual there: its course, and its call into each target, from the same draws.

    Raises
    ------
    NotFound, ModelRangeError
        A name not on the bench; a drink outside the model's range.
    """
    drink = foreseen(fit, set_up, recipe)
    asked, called = drink.called(), {}
    for target in targets:
        air = air_for(fit, drink.filled.asked, target)
        try:
            called[target.name] = call_at(asked, target, landing(asked.prediction, target, air).curve)
        except NotEnoughData:  # a target of air alone, which no run has measured
            continue
    return Foreseen(course_of(drink), called)


def drink_calls(fit: Fit, drinks: Mapping[tuple[SetUp, str], Foreseen]) -> tuple[DrinkCalls, ...]:
    """Calls for every measured recipe and target, surest first; none where the bench names no target.

    Where runs name the target they were made for, only those pairs of recipe and target are called.
    """
    groups = []
    for recipe, name in _pairs(fit):
        mine = [d.calls[name] for (_, r), d in drinks.items() if r == recipe and name in d.calls]
        if mine:
            ranked = tuple(sorted(mine, key=lambda c: -c.odds))
            groups.append(DrinkCalls(recipe, fit.bench.target(name), ranked))
    return tuple(sorted(groups, key=lambda g: -g.best.odds))


def in_full(fit: Fit, call: Call) -> Advice:
    """The same call with its curves, its cautions and what would help."""
    return advice_on(fit, call.asked, call.target)


def _pairs(fit: Fit) -> list[tuple[str, str]]:
    recipes = list(dict.fromkeys(recipe for _, recipe in fit.measured))
    told = dict.fromkeys(
        (r.recipe, r.target)
        for r in fit.book.used_runs()
        if r.target is not None and r.target in fit.bench.targets and r.recipe in recipes
    )
    return list(told) or [(recipe, target) for recipe in recipes for target in fit.bench.targets]
