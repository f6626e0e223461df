"""Kill either side of a sync, again and again, and see that every run is there once and every edit is kept.

Two logbooks, each a file, are brought together with a venue of a PostgreSQL of the drill's own while both record and
correct. A child process syncs; at a statement drawn beforehand, on either side, before or after a commit, it kills
itself or has the server killed. `python -m tests.logbook.drill` (200 kills, 1,000 runs, 500 corrections).
"""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import sys
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa

from rig.bench import Bench, Ice, Ingredient, Recipe, Vessel
from rig.errors import LogbookError
from rig.logbook.edits import disputed
from rig.logbook.migrations import migrate
from rig.logbook.store import Logbook, open_logbook
from rig.logbook.sync import sync_with
from rig.logbook.venues import Right, add_venues, let_in
from rig.runs import Run, RunBook, Trace
from tests.logbook.postgres_server import Server, own_server

BENCH = Bench(
    vessels={"tin": Vessel("tin")},
    ice={"cube": Ice("cube")},
    recipes={"black": Recipe("black", (Ingredient("coffee", volume_ml=50),))},
)
NOW = "now"


@dataclass
class Drill:
    """What was done to the two logbooks, to be found again everywhere."""

    files: tuple[Path, Path]
    address: str
    rng: random.Random
    runs: list[Run] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)

    def work(self, runs: int, corrections: int) -> None:
        """Record and correct in either logbook; half the corrections are of the few runs that both knew at first."""
        both = [run.run for run in self.runs[:6]]
        for first, file in zip((True, False), self.files, strict=True):
            made = [self._run(file.stem) for _ in range(_half(runs, first))]
            with open_logbook(file) as logbook:
                if made:
                    logbook.add(RunBook(BENCH, tuple(made)), "bar", f"session {len(self.runs)}")
                known = [r.run.run for r in logbook.list_runs("bar")]
                for _ in range(_half(corrections, first)):
                    why = f"reason {len(self.reasons)}"
                    name = self.rng.choice(self.rng.choice((both, known)))
                    logbook.edit_run("bar", name, {"duration_s": round(self.rng.uniform(5, 30), 2)}, why)
                    self.reasons.append(why)
            self.runs += made

    def sync_all(self) -> list[Logbook]:
        """Bring all together, undisturbed; the logbooks, open."""
        logbooks = [open_logbook(file) for file in self.files]
        for logbook in (*logbooks, logbooks[0]):
            sync_with(logbook, self.address)
        return logbooks

    def _run(self, mark: str) -> Run:
        number = len(self.runs) * 1000 + self.rng.randrange(1000)
        probe = np.round(np.linspace(20, -4, 30) + np.random.default_rng(number).normal(0, 0.1, 30), 2)
        trace = Trace(np.arange(30) / 2, {"": probe})
        name = f"{mark}{self.rng.getrandbits(48):012x}"
        return Run(name, "shake", "tin", "cube", "black", duration_s=12.0, trace=trace)


def _half(count: int, first: bool) -> int:
    return count // 2 + (count % 2 if first else 0)


def child(pipe: Connection, file: str, address: str, side: str, at: int) -> None:
    """Sync, and have one side killed at a statement; ends with 0 where it came to its end before."""
    left = at

    def count(*_any: Any) -> None:
        nonlocal left
        left -= 1
        if left == 0 and side == "here":
            os.kill(os.getpid(), signal.SIGKILL)
        elif left == 0:
            pipe.send(NOW)
            pipe.recv()

    with open_logbook(file) as logbook:
        sa.event.listen(sa.Engine, "before_cursor_execute", count)
        sa.event.listen(sa.Engine, "commit", count)
        try:
            sync_with(logbook, address)
        except LogbookError:
            sys.exit(1)


def killed(file: Path, address: str, side: str, at: int, server: Server) -> bool:
    """Let a child sync and kill one side; whether that came before its end."""
    processes = multiprocessing.get_context("forkserver")  # which has imported everything once
    processes.set_forkserver_preload(["tests.logbook.sync_drill"])
    ours, theirs = processes.Pipe()
    process = processes.Process(target=child, args=(theirs, str(file), address, side, at))
    process.start()
    theirs.close()
    with ours, suppress(EOFError):  # where it ends without a word
        assert ours.recv() == NOW
        server.kill()
        server.start()
        ours.send("go on")
    process.join()
    return process.exitcode != 0


def found_of(logbook: Logbook) -> tuple[dict[str, Run], Counter[str], dict[str, tuple[str, ...]]]:
    """The runs of a logbook, how often each reason stands in it, and which corrections stand side by side."""
    book = logbook.book("bar")
    histories = {run.run: logbook.history("bar", run.run) for run in book.runs}
    reasons = Counter(change.why for history in histories.values() for change in history)
    open_ = {
        f"{run} {of}": tuple(c.id for c in sides)
        for run, history in histories.items()
        for of, sides in disputed(history).items()
    }
    return {run.run: run for run in book.runs}, reasons, open_


def drill(kills: int, runs: int, corrections: int, seed: int, folder: Path) -> str:
    """Do it; what was found, in words. Raises AssertionError where anything is lost, there twice, or otherwise."""
    rng = random.Random(seed)
    with own_server() as server:
        keeper = sa.create_engine(server.keeper)
        migrate(keeper)
        with keeper.begin() as connection:
            add_venues(connection, ["harbour"])
            connection.exec_driver_sql("create role anna login")
            let_in(connection, "harbour", "anna", Right.BARISTA)
        keeper.dispose()
        address = server.keeper.replace("postgres@", "anna@")
        made = Drill((folder / "a.sqlite", folder / "b.sqlite"), address, rng)
        sides: Counter[str] = Counter()
        made.work(12, 0)
        for logbook in made.sync_all():
            logbook.close()
        for kill in range(kills):
            new_runs = runs * (kill + 1) // kills - len(made.runs)
            made.work(max(0, new_runs), max(2, corrections * (kill + 1) // kills - len(made.reasons)))
            for _ in range(20):  # a sync that is nearly done comes to its end sooner
                side, file = ("here", "there")[kill % 2], made.files[rng.randrange(2)]
                if killed(file, address, side, rng.randrange(1, 25 + 8 * runs // kills), server):
                    sides[side] += 1
                    break
                made.work(2, 0)
        logbooks = made.sync_all()
        shared = open_logbook(address)
        expected = {run.run: run.trace for run in made.runs}
        first, *others = [found_of(logbook) for logbook in (shared, *logbooks)]
        found, reasons, open_ = first
        assert {name: run.trace for name, run in found.items()} == expected
        assert {why: n for why, n in reasons.items() if why.startswith("reason")} == dict.fromkeys(
            made.reasons, 1
        )
        assert all(other == first for other in others)
        for logbook in (shared, *logbooks):
            logbook.close()
    assert sum(sides.values()) == kills
    return (
        f"{sides['here']} kills of a bar's program and {sides['there']} of the server, {len(expected)} runs and "
        f"{len(made.reasons)} corrections: every run once and every correction kept, in all three logbooks; "
        f"{len(open_)} values corrected side by side, and shown so in each"
    )
