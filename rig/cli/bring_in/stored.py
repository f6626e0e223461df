"""Tables stored as a run: in the logbook or a bench folder, new or into one that is there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from rig.cli.source import existing_logbook
from rig.errors import ModelRangeError, RigError
from rig.session.places import logbook_at

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.importing.proposal import Proposal
    from rig.importing.table_run import Joined
    from rig.importing.tables import Table
    from rig.importing.weighing_in import Step
    from rig.logbook.store import Logbook as OpenLogbook
    from rig.runs import Run, RunBook
    from rig.signals.moments import Moment

AUTO, MARK = "auto", "mark"
PARTS = ("technique", "vessel", "ice", "recipe")


@dataclass(frozen=True)
class Told:
    """Everything a command line says about tables and the run they belong to."""

    settings: Mapping[str, Any]
    columns: Mapping[str, str]
    uses: Mapping[str, str]
    profile: str | None
    save_profile: str | None
    marks: Mapping[str, str]
    start_at: str
    starts_at: datetime | None
    run: Mapping[str, Any]
    into: str | None
    weigh_ins: bool
    weighed: Mapping[str, tuple[int, ...]]
    dry_run: bool
    as_json: bool
    logbook: str | None
    bench: Path | None
    bench_name: str | None


def bench_of(told: Told) -> Bench | None:
    """The bench the run belongs to; None where none is named and nothing needs it."""
    if told.bench is not None:
        from rig.importing.bench_folder import open_bench

        return open_bench(told.bench).bench
    if told.into is None and not told.run.get("recipe"):
        return None
    opened = existing_logbook(told.logbook)
    return opened.bench(bench_name(opened, told.bench_name))


def logbook_for_profiles(told: Told) -> OpenLogbook | None:
    """The logbook whose profiles may fit; none where there is no logbook and none is asked for."""
    at = logbook_at(told.logbook)
    if told.profile is None and "://" not in at and not Path(at).exists():
        return None
    return existing_logbook(told.logbook)


def bench_name(opened: OpenLogbook, name: str | None) -> str:
    """The bench asked for, or the only one."""
    names = [b.name for b in opened.benches()]
    if name is None and len(names) != 1:
        raise RigError(
            f"say which bench: --bench-name {' | '.join(names)}" if names else "the logbook is empty"
        )
    return name or names[0]


def existing_run(told: Told) -> tuple[Run, OpenLogbook | None, str]:
    """The run that is to take the trace."""
    assert told.into is not None
    if told.bench is not None:
        from rig.errors import NotFound
        from rig.importing.bench_folder import open_bench

        book = open_bench(told.bench)
        for run in book.runs:
            if run.run == told.into:
                return run, None, ""
        raise NotFound("run", told.into, [r.run for r in book.runs])
    opened = existing_logbook(told.logbook)
    name = bench_name(opened, told.bench_name)
    return opened.run(name, told.into), opened, name


@dataclass(frozen=True)
class Made:
    """A run as it would be stored: its book, the logbook and bench it goes to, what its weigh-ins gave it."""

    book: RunBook
    opened: OpenLogbook | None
    bench_name: str
    weighed: Mapping[str, float]


def made_run(proposals: Sequence[Proposal], told: Told, steps: Sequence[Step], joined: Joined | None) -> Made:
    """The run made or completed, still to be stored.

    Raises
    ------
    RigError
        Where something of it is not on the bench, or a value is out of all range.
    """
    from rig.importing.table_run import judged_book, with_trace
    from rig.importing.weighing_in import mass_of, masses_of
    from rig.runs import Run

    given = {k: v for k, v in told.run.items() if v is not None}
    opened: OpenLogbook | None = None
    if told.into is not None:
        given.pop("run", None)
        run, opened, name = existing_run(told)
    else:
        missing = [k for k in PARTS if k not in given]
        if missing:
            raise typer.BadParameter("a new run needs " + ", ".join(f"--{k}" for k in missing))
        run, name = Run(given.pop("run"), **{k: given.pop(k) for k in PARTS}), ""
        if told.bench is None:
            opened = existing_logbook(told.logbook)
            name = bench_name(opened, told.bench_name)
    bench = bench_of(told)
    assert bench is not None
    _refuse_strangers(bench, replace(run, **{k: v for k, v in given.items() if k in (*PARTS, "target")}))
    weighed = {f: m for f, m in masses_of(steps, bench.recipe(run.recipe)).items() if getattr(run, f) is None}
    weighed |= {f: mass_of(steps, numbers) for f, numbers in told.weighed.items()}
    weighed = {f: m for f, m in weighed.items() if f in told.weighed or f not in given}
    tables = for_trace(proposals, told)
    kept = [p for p in proposals if joined is None or p.table in tables or told.weigh_ins]
    if joined is not None:
        run = with_trace(run, joined, kept)
    stated = plausible(weighed, "--weighed ") | given
    return Made(judged_book(bench, replace(run, **stated), kept), opened, name, weighed)


def plausible(fields: Mapping[str, Any], option: str = "--") -> dict[str, Any]:
    """The fields of a run, where each value can be."""
    from rig.plausible import RUN as PLAUSIBLE

    for name, value in fields.items():
        if name in PLAUSIBLE and (doubt := PLAUSIBLE[name].doubt(value)) is not None:
            said = name if option.endswith(" ") else name.replace("_", "-")
            raise RigError(f"{option}{said}: {doubt[0]}. {doubt[1]}")
    return dict(fields)


def store_run(made: Made, proposals: Sequence[Proposal], told: Told, joined: Joined | None) -> str:
    """Store a run; where it is."""
    (run,) = made.book.runs
    if told.bench is not None:
        from rig.importing.bench_rows import add_row, attach_trace

        if joined is None:
            raise RigError("a bench folder takes a run with its trace: give a file with a probe")
        path = attach_trace(told.bench, run) if told.into is not None else add_row(told.bench, run)
        return f"{told.bench} with its trace in {path.name}"
    opened, name = made.opened, made.bench_name
    assert opened is not None
    if told.into is None and any(d.run == run.run for d in opened.deleted_runs(name)):
        raise RigError(
            f"a run {run.run!r} was deleted on {name}. Bring it back (chillrig runs --restore {run.run}), "
            "or name another"
        )
    if told.into is None and any(r.run.run == run.run for r in opened.list_runs(name)):
        raise RigError(
            f"there is a run {run.run!r} on {name}. Add to it with --into {run.run}, or name another"
        )
    store = opened.add if told.into is None else opened.complete
    store(made.book, name, "; ".join(p.file for p in proposals))
    return f"the logbook at {opened.where}, bench {name}"


def _refuse_strangers(bench: Bench, run: Run) -> None:
    """Raise NotFound where the bench does not hold what the run names."""
    bench.vessel(run.vessel)
    bench.ice_type(run.ice)
    bench.recipe(run.recipe)
    if run.target is not None:
        bench.target(run.target)


def for_trace(proposals: Sequence[Proposal], told: Told) -> list[Table]:
    """The tables that make the trace: where weigh-ins are asked for, a scale alone is only weighed with."""
    from rig.importing.tables import Role

    tables = [p.table for p in proposals if p.table is not None]
    if not told.weigh_ins:
        return tables
    return [t for t in tables if t.of_role(Role.TEMPERATURE)]


def joined_tables(tables: Sequence[Table], told: Told) -> Joined:
    """The tables on one clock from the start of motion.

    Raises
    ------
    RigError
        Where there is no common clock, or the start is not clear; it names the option that settles it.
    """
    from rig.errors import NoCommonClock, StartUnclear
    from rig.importing.table_run import join, own_start, told_start

    marks = {Path(f).name: _moment_s(text, f, tables) for f, text in told.marks.items()}
    first = tables[0]
    start: Moment | None
    if told.start_at == MARK:
        if first.file not in marks:
            raise typer.BadParameter("--start-at mark needs --mark FILE=SECONDS for the first file")
        start = told_start(marks[first.file])
    elif told.start_at == AUTO:
        start = own_start(first)
    else:
        start = told_start(_moment_s(told.start_at, first.file, tables))
    try:
        joined = join(tables, marks_s=marks or None, start=start)
    except NoCommonClock as refusal:
        raise RigError(
            f"{refusal.reason}. Give the moment that is the same in each: "
            + " ".join(f"--mark {t.file}=SECONDS" for t in tables)
        ) from refusal
    except StartUnclear as refusal:
        ways = [f"--start-at {s:g}" for s in refusal.candidates_s] or ["--start-at SECONDS"]
        raise RigError(
            f"{refusal.reason}. Say when it was: {' or '.join([*ways, '--start-at 21:04:10'])}"
        ) from refusal
    if told.starts_at is not None:
        began = told.starts_at + timedelta(seconds=joined.start.time_s)
        joined = replace(joined, started_at=began)
    return joined


def _moment_s(text: str, file: str, tables: Sequence[Table]) -> float:
    """A moment after a table's time 0 [s]: seconds of the file's own time, or the time of day."""
    from rig.importing.table_run import moment_s

    found = next((t for t in tables if t.file == Path(file).name), None)
    try:
        return moment_s(text, file, found)
    except ModelRangeError as error:
        raise typer.BadParameter(str(error)) from error
