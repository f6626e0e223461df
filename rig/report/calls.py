"""The calls worth printing for a bench: each measured drink, each target, the set-ups that serve it best."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rig.advice.call import Advice, advise
from rig.errors import ModelRangeError
from rig.fitting.result import Fit

DRAWS = 512


@dataclass(frozen=True)
class DrinkCalls:
    """One recipe into one target: every set-up it was measured on, best odds first."""

    recipe: str
    target: str
    calls: tuple[Advice, ...]

    @property
    def best(self) -> Advice:
        """The set-up that serves it best."""
        return self.calls[0]


def drink_calls(fit: Fit, progress: Callable[[float], None] | None = None) -> tuple[DrinkCalls, ...]:
    """Calls for every measured recipe and target, surest first; none where the bench names no target.

    Where runs name the target they were made for, only those pairs of recipe and target are called.
    A call out of the model's range is left out.
    """
    pairs = _pairs(fit)
    recipes_of = sorted(fit.measured)
    work = [(pair, set_up) for pair in pairs for set_up, recipe in recipes_of if recipe == pair[0]]
    found: dict[tuple[str, str], list[Advice]] = {}
    for done, (pair, set_up) in enumerate(work):
        try:
            call = advise(
                fit,
                technique=set_up.technique,
                vessel=set_up.vessel,
                ice=set_up.ice,
                recipe=pair[0],
                target=fit.bench.target(pair[1]),
                draws=DRAWS,
                with_levers=False,
            )
        except ModelRangeError:
            continue
        found.setdefault(pair, []).append(call)
        if progress is not None:
            progress((done + 1) / len(work))
    groups = [
        DrinkCalls(recipe, target, tuple(sorted(calls, key=lambda c: -c.odds)))
        for (recipe, target), calls in found.items()
    ]
    return tuple(sorted(groups, key=lambda g: -g.best.odds))


def with_levers(fit: Fit, call: Advice) -> Advice:
    """The same call in full, with what would help where it does not land often."""
    s = call.situation
    return advise(
        fit,
        technique=s.technique,
        vessel=s.vessel,
        ice=s.ice,
        recipe=s.recipe,
        target=call.target,
        drink_temp_c=s.drink_temp_c,
        drink_mass_g=s.drink_mass_g,
        ice_mass_g=s.ice_mass_g,
        ice_temp_c=s.ice_temp_c,
        vessel_temp_c=s.vessel_temp_c,
        room_temp_c=s.room_temp_c,
    )


def _pairs(fit: Fit) -> list[tuple[str, str]]:
    recipes = list(dict.fromkeys(recipe for _, recipe in fit.measured))
    told = dict.fromkeys(
        (r.recipe, r.target)
        for r in fit.book.used_runs()
        if r.target is not None and r.target in fit.bench.targets and r.recipe in recipes
    )
    return list(told) or [(recipe, target) for recipe in recipes for target in fit.bench.targets]
