"""What a bench usually does: where a page starts when nobody has said otherwise."""

from __future__ import annotations

from dashboard.service import BenchView
from rig.bench import Bench
from rig.errors import RigError
from rig.fitting.situation import Situation

OWN = ""
"""The target that names no limits of its own."""


def techniques(view: BenchView) -> tuple[str, ...]:
    """Techniques in use: those of the runs, then those only named on the bench."""
    return tuple(dict.fromkeys((*(r.technique for r in view.book.runs), *view.bench.techniques)))


def recipes(view: BenchView) -> tuple[str, ...]:
    """Recipes that were made."""
    return tuple(dict.fromkeys(r.recipe for r in view.book.runs))


def first_recipe(bench: Bench) -> str:
    """The bench's first recipe.

    Raises
    ------
    RigError
        A bench with no recipe.
    """
    if not bench.recipes:
        raise RigError("This bench has no recipe. Write one into bench.toml, under [recipes.NAME]")
    return next(iter(bench.recipes))


def usual_dilution(bench: Bench) -> tuple[float, float]:
    """The window of dilution of the bench's first target that has one."""
    windows = (t.dilution_by_volume for t in bench.targets.values())
    return next((w for w in windows if w is not None), (0.25, 0.35))


def usual_drink(view: BenchView) -> Situation:
    """The drink and set-up with the most runs.

    Raises
    ------
    RigError
        A bench with no run.
    """
    keys = [(r.set_up, r.recipe) for r in view.book.used_runs()]
    if not keys:
        raise RigError("This bench has no runs yet. Make six runs of one drink, with two or more durations")
    set_up, recipe = max(dict.fromkeys(keys), key=keys.count)
    return Situation(set_up.technique, set_up.vessel, set_up.ice, recipe)


def usual_target(view: BenchView, recipe: str) -> str:
    """The target that the recipe's runs name most, else the bench's first, else none."""
    named = [r.target for r in view.book.runs if r.recipe == recipe and r.target in view.bench.targets]
    if named:
        return max(dict.fromkeys(named), key=named.count) or OWN
    return next(iter(view.bench.targets), OWN)
