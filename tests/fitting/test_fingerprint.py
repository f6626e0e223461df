"""A kept fit is stale when something it depends on has changed, and for nothing else."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from rig.bench import Bench, Ice, IceShape, Ingredient, Motion, Target, Technique, Vessel
from rig.brewing import Bean, Brew, BrewMethod
from rig.fitting.bench_fit import BEARS_ON_NO_FIT, fingerprint, make_problem
from rig.fitting.kept_fit import fit_or_kept
from rig.logbook.editing import describe, entry_of
from rig.logbook.store import open_logbook
from rig.runs import PROBE_DOUBT, RunBook, Trace
from tests.cli.small_bench import small_book
from tests.shared_fits import keep_fit

BOOK = small_book()
ICE, VESSEL, RECIPE = (
    next(iter(shelf.values())) for shelf in (BOOK.bench.ice, BOOK.bench.vessels, BOOK.bench.recipes)
)
RUN = next(r for r in BOOK.runs if r.ice == ICE.name or r.recipe == RECIPE.name)
ESPRESSO = Brew(BrewMethod.ESPRESSO, 18.0, yield_g=36.0)
POURED = RECIPE.ingredients[0]
BREWED = replace(POURED, name="brewed", volume_ml=30.0, mass_g=None, brew=ESPRESSO)

OTHERS: Mapping[str, Any] = {
    "shape": IceShape.SPHERE,
    "method": BrewMethod.FILTER,
    "bean": Bean.ROBUSTA,
    "like": Motion.BLEND,
    "brew": Brew(BrewMethod.FILTER, 60.0, water_g=1000.0),
    "batch": (Ingredient("rum", volume_ml=5.0),),
    "allergens": ("milk",),
    "ingredients": (Ingredient("water", volume_ml=60.0),),
    "vessels": {},
    "ice": {},
    "recipes": {},
    "targets": {"x": Target(serve_temp_c_max=-1.0)},
    "techniques": {"whip": Technique("whip", Motion.BLEND)},
    "notes": {"n": 1},
    "started_at": datetime(2031, 1, 1, tzinfo=UTC),
    "trace": Trace(np.array([0.0, 1.0]), {"": np.array([20.0, 3.0])}),
    "extra": {"lid": "open"},
}
TEXTS = {"name", "material", "title", "operator", "session", "trace_file", "notes", "target", "excluded_because", "run",
         "technique", "vessel", "recipe", "method", "bean"}  # fmt: skip


SHELVES_AND_TEXTS = {"ice", "notes"}
"""Of a bench a shelf and a table, of a run a text."""


def other(name: str, value: Any) -> Any:
    """Another value of a field."""
    if isinstance(value, Mapping) or (name in OTHERS and name not in SHELVES_AND_TEXTS):
        return OTHERS[name]
    if isinstance(value, bool):
        return not value
    if name in TEXTS or isinstance(value, str):
        return f"{value or ''} of another kind"
    return 7.25 if value is None else value + 0.125


def with_ice(ice: Any) -> RunBook:
    return _with("ice", BOOK.bench.ice, ICE.name, ice)


def with_vessel(vessel: Any) -> RunBook:
    return _with("vessels", BOOK.bench.vessels, VESSEL.name, vessel)


def with_ingredient(ingredient: Any) -> RunBook:
    return with_recipe(replace(RECIPE, ingredients=(ingredient, *RECIPE.ingredients[1:])))


def with_recipe(recipe: Any) -> RunBook:
    return _with("recipes", BOOK.bench.recipes, RECIPE.name, recipe)


def with_run(run: Any) -> RunBook:
    return replace(BOOK, runs=tuple(run if r is RUN else r for r in BOOK.runs))


def with_bench(bench: Any) -> RunBook:
    return replace(BOOK, bench=bench)


def with_technique(technique: Any) -> RunBook:
    return with_bench(replace(BOOK.bench, techniques={"whip": technique}))


def _with(shelf: str, entries: Mapping[str, Any], name: str, entry: Any) -> RunBook:
    return with_bench(replace(BOOK.bench, **{shelf: {**entries, name: entry}}))


PLACES: list[tuple[Any, Callable[[Any], RunBook]]] = [
    (ICE, with_ice),
    (VESSEL, with_vessel),
    (POURED, with_ingredient),
    (RECIPE, with_recipe),
    (Technique("whip"), with_technique),
    (RUN, with_run),
    (BOOK.bench, with_bench),
    (ESPRESSO, lambda brew: with_ingredient(_changed(BREWED, "brew", brew))),
]
FIELDS = [
    pytest.param(whole, put, f.name, id=f"{type(whole).__name__} {f.name}")
    for whole, put in PLACES
    for f in fields(whole)
]


@pytest.mark.parametrize(("whole", "put", "name"), FIELDS)
def test_every_field_changes_it_but_those_that_bear_on_no_fit(
    whole: Any, put: Callable[[Any], RunBook], name: str
) -> None:
    value = getattr(whole, name)
    before, after = put(whole), put(_changed(whole, name, other(name, value)))
    aside = name in BEARS_ON_NO_FIT.get(type(whole), frozenset()) - {"trace"}  # which is digested by itself
    assert (fingerprint(before) == fingerprint(after)) is aside
    if aside:  # and so it is: the fit is asked the very same
        was, now = (make_problem(b.bench, b.used_runs()) for b in (before, after))
        assert was[1] == now[1]
        for part in ("nominal", "observations"):
            _same(getattr(was[0], part), getattr(now[0], part))


def _changed(whole: Any, name: str, value: Any) -> Any:
    """The same with another value in this field, whether or not the whole would take it."""
    made = replace(whole)
    object.__setattr__(made, name, value)
    return made


def _same(was: Any, now: Any) -> None:
    if isinstance(was, np.ndarray):
        np.testing.assert_array_equal(was, now)
    elif hasattr(was, "__dataclass_fields__"):
        for f in fields(was):
            _same(getattr(was, f.name), getattr(now, f.name))
    elif isinstance(was, list | tuple) and any(isinstance(v, np.ndarray) for v in was):
        for a, b in zip(was, now, strict=True):
            _same(a, b)
    else:
        assert was == now


def test_a_price_leaves_the_kept_fit_and_what_it_is_asked_of_has_the_new_price() -> None:
    with open_logbook(None) as logbook:
        logbook.add(BOOK, "corner", "made for a test")
        keep_fit(logbook, "corner")
        dear = entry_of(logbook, "corner", "ice", ICE.name) | {"price_per_kg": 4.0}
        describe(logbook, "corner", "ice", ICE.name, dear, "the supplier wants more")

        def refuse(share: float) -> None:
            raise AssertionError("it was fitted anew")

        found = fit_or_kept(logbook.book("corner"), logbook, "corner", refuse)
    assert found.bench.ice[ICE.name].price_per_kg == 4.0


def test_a_price_in_a_batch_or_of_a_bottle_leaves_it_too() -> None:
    batch = replace(POURED, batch=(Ingredient("rum", volume_ml=30.0), Ingredient("syrup", volume_ml=10.0)))
    dear = replace(batch, price_per_l=20.0, batch=tuple(replace(i, price_per_kg=9.0) for i in batch.batch))
    assert fingerprint(with_ingredient(batch)) == fingerprint(with_ingredient(dear))


def test_what_is_called_the_same_is_told_apart_by_what_it_is() -> None:
    assert fingerprint(with_bench(Bench(ice={"x": Ice("x")}))) != fingerprint(
        with_bench(Bench(vessels={"x": Vessel("x")}))
    )
    assert fingerprint(with_run(replace(RUN, extra={PROBE_DOUBT: "it was wet"}))) != fingerprint(BOOK)
