"""A scale's log as the steps by which a drink was built, named against its recipe where they fit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from rig.bench import Recipe
from rig.errors import ModelRangeError, RigError
from rig.physics.recipe_liquid import liquid_from_recipe
from rig.signals.scale import Plateau

ICE = "ice"
_FIT_SHARE, _FIT_G = 0.08, 1.5  # a pour may miss its recipe by this much (common practice, no source)
_LEAST_STEP_G = 1.0
_LEAST_ICE_G = 40.0
_STEPS = re.compile(r"(\d{1,4})(?:\s*[-–]\s*(\d{1,4}))?", re.ASCII)


@dataclass(frozen=True)
class Step:
    """What one rest of a scale's log adds to the one before [g]; `name` is None where nothing fits it.

    `number` counts from 1; the first step is what the scale bore when the log began.
    """

    number: int
    start_s: float
    end_s: float
    total_g: float
    added_g: float
    name: str | None = None


def steps_of(weighed: Sequence[Plateau], recipe: Recipe | None = None) -> tuple[Step, ...]:
    """The steps between rests, named by the ingredients of a recipe where the added mass fits one.

    An ingredient names one step, the one nearest to its mass. Where every ingredient is found, the one other
    step that adds 40 g or more is the ice; where there are several, none is.
    """
    steps: list[Step] = []
    before = 0.0
    for w in weighed:
        added = w.mass_g - before
        if steps and abs(added) < _LEAST_STEP_G:
            steps[-1] = replace(steps[-1], end_s=w.stop_s)
            continue
        steps.append(Step(len(steps) + 1, w.start_s, w.stop_s, w.mass_g, added))
        before = w.mass_g
    return _named(steps, recipe) if recipe is not None else tuple(steps)


def masses_of(steps: Sequence[Step], recipe: Recipe) -> dict[str, float]:
    """The run's `drink_mass_g` and `ice_mass_g` [g] as far as the names of the steps settle them."""
    by_name = {s.name: s.added_g for s in steps if s.name is not None}
    names = [i.name for i in recipe.ingredients]
    found = {}
    if len(set(names)) == len(names) and all(n in by_name for n in names):
        found["drink_mass_g"] = round(sum(by_name[n] for n in names), 2)
    if ICE in by_name and ICE not in names:
        found["ice_mass_g"] = round(by_name[ICE], 2)
    return found


def numbers_of(text: str) -> tuple[int, ...]:
    """Numbers of steps as people write them: `3`, `2-4`, `2+3+4`, `2-3+5`.

    Raises
    ------
    ModelRangeError
        Where the text is none of these, runs backwards, or takes a step twice.
    """
    found: list[int] = []
    for part in text.split("+"):
        match = _STEPS.fullmatch(part.strip())
        first, last = (0, -1) if match is None else (int(match[1]), int(match[2] or match[1]))
        if last < first:
            raise ModelRangeError(f"{text!r} names no steps. Write 3, 2-4 or 2+3+4")
        found += range(first, last + 1)
    if len(set(found)) < len(found):
        raise ModelRangeError(f"{text!r} takes a step twice")
    return tuple(found)


def mass_of(steps: Sequence[Step], numbers: Sequence[int]) -> float:
    """What the steps of these numbers added, together [g].

    Raises
    ------
    RigError
        Where there is no such step.
    """
    by_number = {s.number: s.added_g for s in steps}
    missing = [n for n in numbers if n not in by_number]
    if missing:
        raise RigError(
            f"there is no step {missing[0]}; there are {len(steps)}. See them with --weigh-ins --dry-run"
        )
    return round(sum(by_number[n] for n in numbers), 2)


def _named(steps: Sequence[Step], recipe: Recipe) -> tuple[Step, ...]:
    wanted = {
        i.name: float(liquid_from_recipe(Recipe(i.name, (i,))).liquid.mass_g) for i in recipe.ingredients
    }
    pairs = sorted(
        (abs(s.added_g - mass) / mass, at, name)
        for at, s in enumerate(steps)
        for name, mass in wanted.items()
        if at > 0 and abs(s.added_g - mass) <= max(_FIT_SHARE * mass, _FIT_G)
    )
    names: dict[int, str] = {}
    for _, at, name in pairs:
        if at not in names and name not in names.values():
            names[at] = name
    if len(names) == len(wanted):
        heavy = [at for at, s in enumerate(steps) if at > 0 and at not in names and s.added_g >= _LEAST_ICE_G]
        if len(heavy) == 1:
            names[heavy[0]] = ICE
    return tuple(replace(s, name=names.get(at)) for at, s in enumerate(steps))
