"""Judge runs: set aside the values that cannot be true beside the others, name those that are odd.

One place for all ways a run comes in. What is set aside takes no part from there on; what is merely odd stays.
Bounds are worst cases on every side at once (warm and wet ice, a heavy vessel, hot hands), so that what lies
beyond them is no unusual drink.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import Any

import numpy as np

from rig.bench import Bench
from rig.consistency.heat import heat, temperatures
from rig.consistency.objection import GROSS, PROBE, Objection, View
from rig.consistency.timing import durations
from rig.consistency.weighing import masses
from rig.errors import BenchError, ModelRangeError, NotFound, Place
from rig.physics.liquid import Liquid, freezing_point_c
from rig.physics.recipe_liquid import liquid_from_recipe
from rig.plausible import RUN as PLAUSIBLE
from rig.runs import Finding, Gravity, Run

NUMBERS = (
    "ice_mass_g",
    "ice_temp_c",
    "drink_mass_g",
    "drink_temp_c",
    "vessel_temp_c",
    "room_temp_c",
    "duration_s",
    "strained_mass_g",
)
"""The numbers of a run sheet in the order of its columns: a value may slip into the one beside it."""


@dataclass(frozen=True)
class Judged:
    """A run without the values that cannot be, what was set aside for which reason, and what is odd."""

    run: Run
    set_aside: tuple[Objection, ...] = ()
    odd: tuple[Objection, ...] = ()

    def findings(self, place: Place) -> tuple[Finding, ...]:
        """One finding for each, at `place` and the column it is about."""
        return tuple(
            Finding(gravity, o.what, replace(place, column=o.columns[0], run=self.run.run), o.cure)
            for gravity, told in ((Gravity.LEFT_OUT, self.set_aside), (Gravity.DOUBT, self.odd))
            for o in told
        )


def judged(bench: Bench, runs: Sequence[Run]) -> tuple[Judged, ...]:
    """Judge runs, each by its own numbers and what the bench says of its vessel, ice and recipe.

    Names that the bench does not hold are not judged here; what depends on them is then left unasked.
    """
    bases = [_without(run, _out_of_range(run)) for run in runs]
    return tuple(
        _judged(bench, run, base, told) if told or base is not run else Judged(run)
        for run, base, told in zip(runs, bases, objections(bench, bases), strict=True)
    )


def _judged(bench: Bench, raw: Run, run: Run, told: tuple[Objection, ...]) -> Judged:
    """A run against which something speaks: first values that changed places, then the fewest that must go."""
    aside = [
        replace(o, what=f"{o.what}; {o.columns[0]} is not used")
        for c in _out_of_range(raw)
        if (o := _range(raw, c))
    ]
    swap = _swapped(bench, raw, (*aside, *told))
    if swap is not None and not (aside or len(told) > 1 or any(o.impossible for o in told)):
        return Judged(run, (), tuple(replace(o, cure=f"{o.cure}; {swap.what}") for o in told))
    if swap is not None:
        run = _without(raw, swap.columns)
        what = f"{swap.what}; neither is used"
        aside = [replace(swap, what=what), replace(swap, what=what, columns=swap.columns[::-1])]
        (told,) = objections(bench, [run])
    while any(o.impossible for o in told):
        columns, others = _blamed(bench, run, told)
        first = next(o for o in told if o.impossible and set(columns) & set(o.columns))
        cure = first.cure + _slip(bench, run, columns)
        if others:
            cure += f"; {' and '.join(others)} may be the cause as well"
        for column in columns:
            aside.append(Objection((column,), f"{first.what}; {column} is not used", cure, True))
        run = _without(run, columns)
        (told,) = objections(bench, [run])
    return Judged(run, tuple(aside), told)


def _blamed(bench: Bench, run: Run, told: Sequence[Objection]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The value, or two, without which the least is left to object to, and the values that would do as well."""
    involved = [c for o in told if o.impossible for c in o.columns]
    ranked = sorted(dict.fromkeys(involved), key=_BLAME.index)
    tried: list[tuple[str, ...]] = [*((c,) for c in ranked), *combinations(ranked, 2)]
    left = objections(bench, [_without(run, columns) for columns in tried])
    costs = [
        sum(10.0 if o.impossible else 1.0 for o in rest) + 0.1 * len(columns)
        for columns, rest in zip(tried, left, strict=True)
    ]
    best = int(np.argmin(costs))
    as_well = [c for (c, *more), cost in zip(tried, costs, strict=True) if cost <= costs[best] and not more]
    return tried[best], tuple(c for c in as_well if c not in tried[best])


# Where two values would do equally, the one that says least of the others goes: what came out before what went in.
_BLAME = (
    "foam_ml",
    "strained_mass_g",
    *GROSS,
    "duration_s",
    "ice_mass_g",
    "drink_mass_g",
    PROBE,
    "drink_temp_c",
    "ice_temp_c",
    "vessel_temp_c",
    "room_temp_c",
)


def _slip(bench: Bench, run: Run, columns: tuple[str, ...]) -> str:
    """Says so where the value would be in order with its decimal point one place on."""
    (column, *more) = columns
    value = None if more or column == PROBE else getattr(run, column)
    if value is None:
        return ""
    tried = [float(f"{value * factor:.6g}") for factor in (0.1, 10.0)]
    fits = [v for v in tried if PLAUSIBLE[column].low <= v <= PLAUSIBLE[column].high]
    clean = objections(bench, [_with(run, {column: v}) for v in fits])
    good = [v for v, rest in zip(fits, clean, strict=True) if not rest]
    return f"; {good[0]:g} {PLAUSIBLE[column].unit} would fit: look for the decimal point" if good else ""


def _swapped(bench: Bench, raw: Run, told: Sequence[Objection]) -> Objection | None:
    """Two neighbouring numbers that are both objected to, and in order in each other's places."""
    touched = {c for o in told for c in o.columns}
    pairs = [(a, b) for a, b in pairwise(NUMBERS) if {a, b} <= touched and None not in _values(raw, (a, b))]
    swaps = [_with(raw, {a: getattr(raw, b), b: getattr(raw, a)}) for a, b in pairs]
    sound = [not _out_of_range(s) for s in swaps]
    left = objections(bench, [s for s, ok in zip(swaps, sound, strict=True) if ok])
    clean = iter(left)
    for (a, b), ok in zip(pairs, sound, strict=True):
        if ok and not next(clean):
            x, y = _values(raw, (a, b))
            what = f"{a} {x:g} and {b} {y:g} look as if they had changed places"
            return Objection((a, b), what, "Check both, and the cells beside them", True)
    return None


def _values(run: Run, columns: Iterable[str]) -> list[float | None]:
    return [getattr(run, c) for c in columns]


def _out_of_range(run: Run) -> list[str]:
    return [c for c in PLAUSIBLE if _range(run, c) is not None]


def _range(run: Run, column: str) -> Objection | None:
    value = getattr(run, column)
    doubt = None if value is None else PLAUSIBLE[column].doubt(value)
    return None if doubt is None else Objection((column,), *doubt, True)


def _without(run: Run, columns: Iterable[str]) -> Run:
    """The run without these values; without the probe its trace keeps the other channels."""
    gone: dict[str, Any] = dict.fromkeys(columns)
    if PROBE in gone:
        gone[PROBE] = None if run.trace is None else replace(run.trace, probes_c={})
    return replace(run, **gone) if gone else run


def _with(run: Run, values: Mapping[str, Any]) -> Run:
    return replace(run, **values)


def objections(bench: Bench, runs: Sequence[Run]) -> list[tuple[Objection, ...]]:
    """What speaks against the values of each run; all values lie within `rig.plausible`."""
    drinks = _drinks(bench, runs)
    views = [View.of(bench, run, drinks.get(run.recipe)) for run in runs]
    return [
        (*masses(v), *durations(v), *temperatures(bench, v), *paid)
        for v, paid in zip(views, heat(bench, views), strict=True)
    ]


def _drinks(bench: Bench, runs: Sequence[Run]) -> dict[str, Liquid]:
    """The drink of each recipe whose properties are known."""
    found = {}
    for name in {r.recipe for r in runs}:
        try:
            liquid = liquid_from_recipe(bench.recipe(name)).liquid
            freezing_point_c(liquid)
        except (NotFound, BenchError, ModelRangeError):
            continue
        if float(liquid.mass_g) > 0:
            found[name] = liquid
    return found
