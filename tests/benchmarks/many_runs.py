"""What lists, runs and the overview take on a logbook of 100,000 runs, in SQLite and PostgreSQL.

`python -m tests.benchmarks.many_runs [--runs N] [--postgres URL]`; the URL is of a database that may be filled, in a
schema of its own that is dropped again. Half of the runs are on one bench, the others on fifty; every run has a trace.
Rows are written straight into the tables, from a seed: to import them would take an hour.
"""

from __future__ import annotations

import argparse
import hashlib
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

import numpy as np
import sqlalchemy as sa

from rig.advice.compare.overview import RECENT, overview
from rig.logbook import schema
from rig.logbook.connect import url_from, writing
from rig.logbook.listing import LogbookListing, RunFilter
from rig.logbook.records import CODEC, blobs_from_trace, columns_of, fingerprint, json_text, record_from_run
from rig.logbook.store import Logbook, open_logbook
from rig.logbook.weighed import weighed_cells
from rig.runs import Run, Trace
from tests.benchmarks.long_logbook import BENCH

LONG, OTHERS = "long", 50
_TEMPLATES, _BATCH, _TIMES = 500, 2_000, 7


@dataclass(frozen=True)
class Took:
    """What was done, where, and how long it took: in the middle of several times, and at the least [ms]."""

    store: str
    what: str
    ms: float
    least_ms: float


def fill(logbook: Logbook, runs: int, seed: int = 11) -> int:
    """Put so many runs into an empty logbook; the bytes of their compressed traces."""
    rng = np.random.default_rng(seed)
    templates = [blobs_from_trace(_trace(rng)) for _ in range(_TEMPLATES)]
    names = [LONG, *(f"bar {n:02d}" for n in range(OTHERS))]
    benches = [
        {"id": n, "name": name, "title": f"The {name} bench", "toml": BENCH, "rev": 1}
        for n, name in enumerate(names, 1)
    ]
    size = 0
    with writing(logbook._engine).begin() as connection:
        connection.execute(schema.bench.insert(), benches)
    for first in range(0, runs, _BATCH):
        made, traces, channels = [], [], []
        for k in range(first, min(first + _BATCH, runs)):
            blobs = templates[k % _TEMPLATES]
            digest = hashlib.sha256(f"{seed} {k}".encode()).hexdigest()
            traces.append({"digest": digest, "samples": 150})
            for n, (name, data) in enumerate(blobs):
                channels.append({"trace": digest, "position": n, "name": name, "codec": CODEC, "data": data})
                size += len(data)
            made.append(_row(rng, k, digest))
        with writing(logbook._engine).begin() as connection:
            connection.execute(schema.trace.insert(), traces)
            connection.execute(schema.channel.insert(), channels)
            connection.execute(schema.run.insert(), made)
    with logbook._engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("analyze" if connection.dialect.name == "sqlite" else "vacuum analyze")
    return size


def _trace(rng: np.random.Generator) -> Trace:
    time_s = np.arange(-20, 130) / 10 + rng.uniform(0, 0.02, 150)  # stamped as it arrives
    course = -4 + 26 * np.exp(-np.maximum(time_s, 0) / 4) + rng.normal(0, 0.05, time_s.size)
    scale = 420 + rng.normal(0, 0.3, time_s.size).cumsum()
    return Trace(time_s, {"": course.round(3)}, scale_g=scale.round(1), room_c=np.full(time_s.size, 21.3))


def _row(rng: np.random.Generator, k: int, digest: str) -> dict[str, object]:
    vessel, ice, recipe = rng.integers(2), rng.integers(3), rng.integers(2)
    duration_s = float(rng.uniform(6, 20))
    run = Run(
        f"r{k:06d}",
        "shake",
        ("two-piece steel", "three-piece steel")[vessel],
        ("freezer cube", "bar cube", "cracked")[ice],
        ("night shift", "day shift")[recipe],
        started_at=datetime(2024, 1, 5, 17, tzinfo=UTC) + timedelta(minutes=7 * k),
        operator=("ada", "bo", "cy")[k % 3],
        session=f"evening {k // 400}",
        ice_mass_g=round(float(rng.normal(205, 6))),
        drink_mass_g=88.0,
        drink_temp_c=round(float(rng.normal(22, 1.5)), 1),
        duration_s=round(duration_s, 1),
        strained_mass_g=round(88 + (22 + 9 * ice) * (1 - np.exp(-duration_s / 6)) + rng.normal(0, 1), 1),
        notes="lid slipped" if k % 97 == 0 else None,
        excluded_because="spilt" if k % 211 == 0 else None,
    )
    record = record_from_run(run) | {"trace": digest}
    imported = json_text(record)
    # every other run is on the long bench
    bench = 1 if k % 2 == 0 else 2 + (k // 2) % OTHERS
    return columns_of(record) | {
        "id": str(UUID(int=int(rng.integers(2**62)) << 60 | k)),
        "bench_id": bench,
        "position": k + 1,
        "rev": 1,
        "source": "made up",
        "imported": imported,
        "fingerprint": fingerprint(imported),
    }


def measure(url: str, runs: int) -> Iterator[Took | str]:
    """Fill a store, then time what pages and commands ask of it."""
    with open_logbook(url) as logbook:
        store = logbook._engine.dialect.name
        began = time.perf_counter()
        size = fill(logbook, runs)
        yield f"{store}: {runs} runs written in {time.perf_counter() - began:.0f} s"
        lists = LogbookListing(url)
        newest, deep = RunFilter(), runs // 4
        asked: dict[str, Callable[[], object]] = {
            "list page, the newest": lambda: lists.page(LONG, newest, 0, 40),
            "list page, half way down": lambda: lists.page(LONG, newest, deep, 40),
            "list page, of one set-up": lambda: lists.page(LONG, RunFilter(ice="cracked"), 0, 40),
            "list page, by words": lambda: lists.page(LONG, RunFilter(words="slipped"), 0, 40),
            "benches with their counts": lists.states,
            "what to filter by": lambda: lists.facets(LONG),
            "open a run": lambda: logbook.run(LONG, f"r{deep * 2:06d}"),
            "one channel of a run": lambda: logbook.channel(LONG, f"r{deep * 2:06d}", "probe_c"),
            "overview": lambda: overview(
                {n: s.tally for n, s in lists.states().items()}, weighed_cells(logbook, RECENT), "night shift"
            ),
        }
        for what, ask in asked.items():
            times = [_ms(ask) for _ in range(_TIMES)]
            yield Took(store, what, statistics.median(times), min(times))
        lists.close()
        held = _bytes(logbook)
        yield f"{store}: {held / 1e6:.0f} MB for {size / 1e6:.0f} MB of compressed traces: {held / size:.2f} ×"


def _ms(ask: Callable[[], object]) -> float:
    began = time.perf_counter()
    ask()
    return 1e3 * (time.perf_counter() - began)


def _bytes(logbook: Logbook) -> int:
    """What the logbook takes of the disk, with its indexes."""
    with logbook._engine.connect() as connection:
        if connection.dialect.name == "sqlite":
            pages, page = (
                connection.exec_driver_sql(f"pragma {p}").scalar() for p in ("page_count", "page_size")
            )
            return int(pages) * int(page)
        query = "select sum(pg_total_relation_size(c.oid)) from pg_class c join pg_namespace n on n.oid = relnamespace"
        return int(
            connection.exec_driver_sql(f"{query} where relkind = 'r' and nspname = current_schema()").scalar()
        )


def main() -> None:
    """Measure and print."""
    told = argparse.ArgumentParser(description=__doc__)
    told.add_argument("--runs", type=int, default=100_000)
    told.add_argument("--postgres", help="the URL of a PostgreSQL database")
    args = told.parse_args()
    with tempfile.TemporaryDirectory() as home:
        _print(f"sqlite:///{Path(home) / 'many.sqlite'}", args.runs)
    if args.postgres:
        engine, name = sa.create_engine(url_from(args.postgres)), "many_runs"
        with engine.begin() as connection:
            connection.exec_driver_sql(f"drop schema if exists {name} cascade")
            connection.exec_driver_sql(f"create schema {name}")
        url = url_from(args.postgres).update_query_dict({"options": f"-csearch_path={name}"})
        _print(url.render_as_string(False), args.runs)
        with engine.begin() as connection:
            connection.exec_driver_sql(f"drop schema {name} cascade")


def _print(url: str, runs: int) -> None:
    for found in measure(url, runs):
        if isinstance(found, Took):
            times = f"{found.ms:8.1f} ms, at the least {found.least_ms:.1f} ms"
            print(f"{found.store:12} {found.what:28} {times}", flush=True)
        else:
            print(found, flush=True)


if __name__ == "__main__":
    main()
