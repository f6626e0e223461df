"""Many cells of a run sheet changed at once, and runs written down by hand: all of it or nothing, as one step."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

import sqlalchemy as sa

from rig.bench import Bench
from rig.consistency.judging import judged, objections
from rig.errors import BenchError, NotFound, Place, RigError
from rig.logbook import schema
from rig.logbook.changes import keep_history
from rig.logbook.edits import JUDGED, checked_changes, refuse_contradictions, typed_value
from rig.logbook.intake import add_by_hand
from rig.logbook.records import Record
from rig.logbook.rows import bench_id_of, bench_of, run_row, run_with_trace
from rig.logbook.schema import TEXTS
from rig.logbook.store import Logbook
from rig.names import refuse_unclear
from rig.runs import Run

Texts = Mapping[str, str]
NAME = "run"


@dataclass(frozen=True)
class SheetEdits:
    """What was typed: texts by field for each run that is there, by its name, and for each new one."""

    cells: Mapping[str, Texts] = field(default_factory=dict)
    new: Sequence[Texts] = ()

    @property
    def changes(self) -> int:
        """How many cells are written anew."""
        return sum(map(len, self.cells.values())) + sum(
            bool(t.strip()) for row in self.new for t in row.values()
        )


@dataclass(frozen=True)
class CellFault:
    """A cell that cannot be saved: of which run, or which new row from 0; what is wrong and what to do."""

    run: str
    new: int | None
    field: str
    what: str
    cure: str = ""


@dataclass(frozen=True)
class Checked:
    """Edits as values: changes by run, new runs; and every cell that is none."""

    changes: Mapping[str, Record]
    new: Sequence[Run]
    faults: tuple[CellFault, ...]


def check_sheet(logbook: Logbook, bench_name: str, edits: SheetEdits) -> tuple[CellFault, ...]:
    """Every cell that cannot be saved; nothing is written."""
    with logbook._reading() as connection:
        return _checked(connection, bench_id_of(connection, bench_name), edits).faults


def save_sheet(logbook: Logbook, bench_name: str, edits: SheetEdits, why: str) -> tuple[CellFault, ...]:
    """Save all of it as one step, or nothing where a cell is at fault; the faults.

    Raises
    ------
    BenchError
        Where there is nothing to save.
    """
    with logbook._step(bench_name, why) as (connection, made):
        found = _checked(connection, made.bench_id, edits)
        if found.faults:
            return found.faults
        if not (found.changes or found.new):
            raise BenchError("there is nothing to save", Place(), "Change a cell first")
        for name, record in found.changes.items():
            row = run_row(connection, made.bench_id, name, for_update=True)
            made.changed(row, keep_history(connection, row, record, why))
        bench = bench_of(connection, made.bench_id)
        add_by_hand(connection, made, [one for run in found.new for one in judged(bench, [run])])
        return ()


def _checked(connection: sa.Connection, bench_id: int, edits: SheetEdits) -> Checked:
    bench = bench_of(connection, bench_id)
    changes: dict[str, Record] = {}
    faults: list[CellFault] = []
    for name, texts in edits.cells.items():
        record: Record = {}
        for key, text in texts.items():
            try:
                record |= checked_changes(bench, name, {key: typed_value(key, text)})
            except RigError as error:
                faults.append(_fault(error, key, run=name))
        try:
            row = run_row(connection, bench_id, name)
            if not JUDGED.isdisjoint(record):
                refuse_contradictions(bench, run_with_trace(connection, row), record)
        except RigError as error:
            faults.append(_fault(error, next(iter(texts), NAME), run=name))
        else:
            changes[name] = record
    known = list(connection.scalars(sa.select(schema.run.c.run).where(schema.run.c.bench_id == bench_id)))
    new: list[Run] = []
    for number, texts in enumerate(edits.new):
        if not any(t.strip() for t in texts.values()):
            continue
        run, wrong = _new_run(bench, texts, [*known, *(r.run for r in new)])
        faults += [replace(w, new=number) for w in wrong]
        if run is not None:
            new.append(run)
    return Checked(changes, new, tuple(faults))


def _new_run(bench: Bench, texts: Texts, known: Sequence[str]) -> tuple[Run | None, list[CellFault]]:
    name = " ".join(texts.get(NAME, "").split())
    faults: list[CellFault] = []
    try:
        if name in known:
            raise BenchError(f"there is a run {name!r}", Place(), "Give another name, or change that one")
        refuse_unclear("run", [name], known)
    except RigError as error:
        faults.append(_fault(error, NAME))
    record: Record = {}
    for key in dict.fromkeys((*TEXTS, *texts)):
        if key != NAME:
            try:
                record |= checked_changes(bench, name, {key: typed_value(key, texts.get(key, ""))})
            except RigError as error:
                faults.append(_fault(error, key))
    if faults:
        return None, faults
    blank = Run(name, "", "", "", "")
    values = {f: v for f, v in record.items() if v is not None}
    started = values.pop("started_at", None)
    run = replace(blank, **values, started_at=None if started is None else datetime.fromisoformat(started))
    impossible = [o for o in objections(bench, [run])[0] if o.impossible]
    return run, [
        CellFault("", None, next((c for c in o.columns if record.get(c) is not None), NAME), o.what, o.cure)
        for o in impossible
    ]


def _fault(error: RigError, key: str, run: str = "") -> CellFault:
    if isinstance(error, BenchError):
        return CellFault(run, None, error.place.column or key, error.what, error.cure)
    what = str(error)
    if isinstance(error, NotFound):
        what = what.rstrip(".")
    return CellFault(run, None, key, what)
