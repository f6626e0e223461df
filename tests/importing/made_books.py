"""Strategies for benches, traces and whole books, whatever the trade writes into them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, timedelta, timezone
from typing import Any

import numpy as np
from hypothesis import strategies as st

from rig.bench import Bench, Ice, IceShape, Ingredient, Motion, Recipe, Target, Technique, Vessel
from rig.consistency.judging import judged
from rig.names import alike, unclear_words
from rig.plausible import RUN, TRACE, TRACE_PROBE
from rig.runs import Run, RunBook, Trace

words = st.text(
    st.characters(exclude_categories=("Cs", "Cc"), include_characters="\n\r\t"), min_size=1, max_size=12
)
texts = words.map(str.strip).filter(bool)
names = texts.filter(lambda name: unclear_words("thing", name) is None)


def measures(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_subnormal=False)


def maybe(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | strategy


amounts = measures(0.01, 500)
windows = st.tuples(measures(0, 0.4), measures(0.5, 30))
shares = measures(0, 60)

vessels = st.builds(
    Vessel,
    name=names,
    material=words,
    mass_g=maybe(amounts),
    heat_capacity_j_per_k=maybe(amounts),
    held_back_g=maybe(shares),
)
ices = st.builds(
    Ice,
    name=names,
    shape=st.sampled_from(IceShape),
    edge_mm=maybe(amounts),
    temp_c=maybe(measures(-30, 0)),
    surface_water_pct=maybe(shares),
)


@st.composite
def ingredients(draw: st.DrawFn) -> Ingredient:
    measure, sweetness = (
        draw(st.sampled_from(["volume_ml", "mass_g"])),
        draw(st.sampled_from(["brix", "sugar_g_per_100ml"])),
    )
    return Ingredient(
        name=draw(words),
        **{measure: draw(amounts), sweetness: draw(maybe(shares))},
        abv_pct=draw(shares),
        density_g_per_ml=draw(maybe(amounts)),
        temp_c=draw(maybe(measures(-20, 90))),
        allergens=tuple(draw(st.lists(words, max_size=2))),
        caffeine_mg=draw(maybe(shares)),
        solids_pct=draw(shares),
    )


recipes = st.builds(
    Recipe, name=names, ingredients=st.lists(ingredients(), min_size=1, max_size=3).map(tuple)
)
targets = st.builds(
    Target,
    name=names,
    serve_temp_c_max=measures(-10, 5),
    serve_temp_c_min=maybe(measures(-20, -10)),
    dilution_by_volume=maybe(windows),
    abv_pct=maybe(windows),
    volume_ml=maybe(windows),
)
techniques = st.builds(Technique, name=names, like=maybe(st.sampled_from(Motion)))
toml_values = st.recursive(
    words | st.integers() | st.booleans() | st.floats(allow_nan=False) | st.dates() | st.datetimes(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=3),
    max_leaves=5,
)


def shelf(entries: st.SearchStrategy[Any], least: int) -> st.SearchStrategy[dict[str, Any]]:
    listed = st.lists(entries, min_size=least, max_size=2, unique_by=lambda e: alike(e.name))
    return listed.map(lambda found: {e.name: e for e in found})


@st.composite
def benches(draw: st.DrawFn) -> Bench:
    bench = Bench(
        title=draw(words),
        vessels=draw(shelf(vessels, 1)),
        ice=draw(shelf(ices, 1)),
        recipes=draw(shelf(recipes, 1)),
        targets=draw(shelf(targets, 0)),
        techniques=draw(shelf(techniques, 0)),
    )
    paths = [f"vessels.{n}.x{k}" for n in bench.vessels for k in draw(st.lists(words, max_size=1))]
    paths += [f"recipes.{n}.{i.name}.x" for n, r in bench.recipes.items() for i in r.ingredients[:1]]
    paths += [*draw(st.lists(words.map("x".__add__), max_size=1)), "note"]
    return replace(bench, notes={p: draw(toml_values) for p in paths})


@st.composite
def traces(draw: st.DrawFn) -> Trace:
    count = draw(st.integers(1, 6))
    time_s = sorted(draw(st.lists(measures(-5, 300), min_size=count, max_size=count, unique=True)))

    def channel(low: float, high: float) -> np.ndarray:
        values = draw(st.lists(measures(low, high) | st.just(np.nan), min_size=count, max_size=count))
        if np.isnan(values).all():
            values[0] = low
        return np.array(values, dtype=np.float64)

    probe_names = draw(st.lists(st.just("") | texts, min_size=1, max_size=3, unique=True))
    limits = {n: (p.low, p.high) for n, p in TRACE.items()}
    return Trace(
        np.array(time_s),
        {n: channel(TRACE_PROBE.low, TRACE_PROBE.high) for n in probe_names},
        **{n: channel(*limits[n]) if draw(st.booleans()) else None for n in limits},
    )


zones = st.sampled_from([UTC, timezone(timedelta(hours=-9, minutes=-30))])
moments = st.datetimes() | st.datetimes(timezones=zones)


@st.composite
def books(draw: st.DrawFn) -> RunBook:
    bench = draw(benches())
    extra_columns = draw(st.lists(texts.map("x".__add__), max_size=2, unique=True))
    runs = []
    for number, name in enumerate(draw(st.lists(names, max_size=3, unique_by=alike))):
        numbers = {c: draw(maybe(measures(p.low, p.high))) for c, p in RUN.items()}
        trace = draw(maybe(traces()))
        runs.append(
            Run(
                run=name,
                technique=draw(texts),
                vessel=draw(st.sampled_from(sorted(bench.vessels))),
                ice=draw(st.sampled_from(sorted(bench.ice))),
                recipe=draw(st.sampled_from(sorted(bench.recipes))),
                target=draw(st.sampled_from([None, *bench.targets])),
                started_at=draw(maybe(moments)),
                **{c: draw(maybe(texts)) for c in ("operator", "session", "notes", "excluded_because")},
                **numbers,
                trace=trace,
                trace_file=f"{number}.csv" if trace is not None else None,
                extra=dict(zip(extra_columns, draw(st.lists(texts, max_size=2)), strict=False)),
            )
        )
    return RunBook(bench, tuple(one.run for one in judged(bench, runs)))
