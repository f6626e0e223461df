"""What the fits of many benches in PostgreSQL take on one Dask worker, on two, and on two of which one is killed.

`python -m tests.benchmarks.many_benches --postgres URL [--benches 100] [--runs 100]`; the URL is of a database that may
be filled, in a schema of its own that is dropped again. Goals: two workers take no more than 0.6 of the time of one, no
worker more than 600 MB, and a worker killed half-way changes nothing in the result.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np
import sqlalchemy as sa
from distributed import Client, LocalCluster

from rig.fitting.kept_fit import fit_from_bytes
from rig.fitting.many_benches import each_bench, fit_one
from rig.logbook import schema
from rig.logbook.connect import url_from, writing
from rig.logbook.store import Logbook, open_logbook
from rig.work import workers_on
from tests.benchmarks.long_logbook import long_book
from tests.benchmarks.processes import peak_mib


@dataclass(frozen=True)
class Took:
    """What all fits took on so many workers [s], the most memory of any [MiB], and a digest of what they came to."""

    workers: int
    killed: int
    whole_s: float
    peak_mib: float
    digest: str


@contextmanager
def filled(url: str, benches: int, runs: int) -> Iterator[str]:
    """The address of a logbook of so many benches with so many runs each, in a schema that is dropped again."""
    engine, name = sa.create_engine(url_from(url)), "many_benches"
    with engine.begin() as connection:
        connection.exec_driver_sql(f"drop schema if exists {name} cascade")
        connection.exec_driver_sql(f"create schema {name}")
    at = url_from(url).update_query_dict({"options": f"-csearch_path={name}"}).render_as_string(False)
    try:
        with open_logbook(at) as logbook:
            for k in range(benches):
                book = long_book(runs, seed=k)
                logbook.add(replace(book, bench=replace(book.bench, title=f"Bar {k}")), _bench(k), "made up")
        yield at
    finally:
        with engine.begin() as connection:
            connection.exec_driver_sql(f"drop schema {name} cascade")
        engine.dispose()


def _bench(k: int) -> str:
    return f"bar {k:03d}"


def measure(at: str, benches: int, workers: int, kill: bool = False) -> Took:
    """Fit all benches anew; `kill`: one worker is killed when half of them are done."""
    names = [_bench(k) for k in range(benches)]
    with open_logbook(at) as logbook, writing(logbook._engine).begin() as connection:
        connection.execute(schema.fit_cache.delete())
    with (
        LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address=None,
        ) as cluster,
        Client(cluster) as client,
    ):
        client.wait_for_workers(workers)
        killed, peaks = 0, [0.0]
        before = time.perf_counter()
        for done, _ in enumerate(
            each_bench(fit_one, at, names, workers_on(cluster.scheduler_address), lambda _: None), 1
        ):
            if kill and not killed and done >= benches // 2:
                os.kill(next(iter(client.run(os.getpid).values())), signal.SIGKILL)
                killed = 1
        whole_s = time.perf_counter() - before
        peaks += client.run(peak_mib).values()
    with open_logbook(at) as logbook:
        return Took(workers, killed, whole_s, max(peaks), _digest(logbook, names))


def _digest(logbook: Logbook, names: list[str]) -> str:
    """Of the kept fits' effects, their covariance and their verdicts."""
    digest = hashlib.sha256()
    for name in names:
        fit = fit_from_bytes(logbook.last_cached(name), logbook.book(name))
        assert fit is not None
        digest.update(np.ascontiguousarray(fit.posterior.effects).tobytes())
        digest.update(np.ascontiguousarray(fit.posterior.covariance).tobytes())
        digest.update(repr([r.verdict for r in fit.runs]).encode())
    return digest.hexdigest()[:12]


def main() -> None:
    """Measure and print."""
    told = argparse.ArgumentParser(description=__doc__)
    told.add_argument("--postgres", required=True, help="the URL of a PostgreSQL database")
    told.add_argument("--benches", type=int, default=100)
    told.add_argument("--runs", type=int, default=100)
    args = told.parse_args()
    with filled(args.postgres, args.benches, args.runs) as at:
        one = None
        for workers, kill in ((1, False), (2, False), (2, True)):
            took = measure(at, args.benches, workers, kill)
            one = one or took
            same = "the same result" if took.digest == one.digest else "ANOTHER RESULT"
            how = f"{took.workers} workers" + (", one killed half-way" if took.killed else "")
            print(
                f"{args.benches} benches of {args.runs} runs, {how}: {took.whole_s:.1f} s, "
                f"{took.whole_s / one.whole_s:.2f} times one worker; at most {took.peak_mib:.0f} MiB a worker; {same}",
                flush=True,
            )


if __name__ == "__main__":
    main()
