"""A bench edited in the logbook: begun, described, its history told, the last step taken back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from rig.bench import SECTIONS, parse_bench
from rig.bench_text import tables_of, with_entry, with_entry_renamed, with_title, without_entry
from rig.errors import BenchError, NotFound, Place
from rig.logbook import schema
from rig.logbook.changes import (
    TAKEN_BACK,
    Step,
    begin_bench_row,
    describe_bench,
    history_of,
    keep_history,
    now_text,
    set_deleted,
    step,
)
from rig.logbook.edits import refuse_strangers, undoes
from rig.logbook.intake import keep_text, kept_text, take_out
from rig.logbook.rows import bench_id_of, bench_of, run_row
from rig.logbook.steps import KIND, StepTaken, runs_named, standing_step, step_taken
from rig.logbook.store import Logbook, put_back
from rig.names import refuse_unclear

USED_BY = {
    "vessels": "vessel",
    "ice": "ice",
    "recipes": "recipe",
    "targets": "target",
    "techniques": "technique",
}
"""The field of a run that names an entry, by section."""


def begin_bench(logbook: Logbook, name: str, title: str = "") -> None:
    """Begin a bench with nothing on it; one of this name that was put away comes back as it was.

    Raises
    ------
    BenchError
        There is one of that name, or one that looks like it, or the name is no name.
    """
    text = with_title("", title.strip() or name.strip())
    with logbook._writing() as connection:
        known = list(connection.scalars(sa.select(schema.bench.c.name)))
        if name not in known:
            refuse_unclear("bench", [name], known)
        is_new = begin_bench_row(connection, name, title.strip() or name, text)
        bench_id = bench_id_of(connection, name)
        if not (is_new or take_out(connection, bench_id)):
            raise BenchError(f"there is a bench {name!r}", Place(), "Give another name")
        if is_new:
            keep_text(connection, bench_id, text)
        with step(connection, bench_id, "begun") as made:
            made.began_bench = True


def bench_text(logbook: Logbook, bench_name: str) -> str:
    """What describes a bench, as the text of a bench.toml."""
    with logbook._reading() as connection:
        text = connection.scalar(sa.select(schema.bench.c.toml).where(schema.bench.c.name == bench_name))
        return _text(connection, bench_id_of(connection, bench_name)) if text is None else str(text)


def kept_files(logbook: Logbook, bench_name: str) -> dict[str, bytes]:
    """The files of the folder that was imported last, as `RunBook.files` has them; without a run sheet where none was.

    A bench that was begun here, or came in some other way, has its first text alone.
    """
    table = schema.bench_file
    with logbook._reading() as connection:
        mine = table.c.bench_id == bench_id_of(connection, bench_name)
        return {
            n: bytes(data)
            for n, data in connection.execute(sa.select(table.c.name, table.c.data).where(mine))
        }


def entry_of(logbook: Logbook, bench_name: str, section: str, name: str) -> dict[str, Any]:
    """What the bench says of an entry, as it is written there; NotFound where there is none."""
    entries = tables_of(bench_text(logbook, bench_name))[_section(section)]
    if name not in entries:
        raise NotFound(KIND[section], name, entries)
    return dict(entries[name])


def describe(
    logbook: Logbook,
    bench_name: str,
    section: str,
    name: str,
    table: Mapping[str, Any],
    why: str,
    *,
    was: str | None = None,
) -> bool:
    """Say of an entry what it is, a new one where there is none of that name; whether that changed anything.

    With `was`, the entry of that name gets the new one, on the bench and in every run that names it.

    Raises
    ------
    NotFound, BenchError
        No such bench, section or entry; a name that is taken or looks like another; what the reader of bench folders
        does not take, with its reason and cure.
    """
    with _describing(logbook, bench_name, why) as (text, write):
        entries = tables_of(text)[_section(section)]
        if was is not None and was not in entries:
            raise NotFound(KIND[section], was, entries)
        fresh = name.strip()
        if name not in entries or was not in (None, name):
            if fresh in entries:
                raise BenchError(f"there is a {KIND[section]} {fresh!r}", Place(), "Give another name")
            refuse_unclear(KIND[section], [fresh], [n for n in entries if n != was])
            if was is not None:
                text = with_entry_renamed(text, section, was, fresh)
                write.rename_in_runs(USED_BY[section], was, fresh)
        else:
            fresh = name
        known_as = None if was is None else (f"'{section}.{was}.", f"'{section}.{fresh}.")
        return write(with_entry(text, section, fresh, table), known_as)


def entitle(logbook: Logbook, bench_name: str, title: str, why: str) -> bool:
    """Give a bench another title; whether that changed anything."""
    if not title.strip():
        raise BenchError("a bench has no title", Place(), "Give it one")
    with _describing(logbook, bench_name, why) as (text, write):
        return write(with_title(text, title.strip()))


def remove(logbook: Logbook, bench_name: str, section: str, name: str, why: str) -> None:
    """Take an entry off the bench.

    Raises
    ------
    NotFound, BenchError
        There is none; runs name it, or something on the bench is made from it.
    """
    with _describing(logbook, bench_name, why) as (text, write):
        entries = tables_of(text)[_section(section)]
        if name not in entries:
            raise NotFound(KIND[section], name, entries)
        used = write.runs_with(USED_BY[section], name)
        if used:
            named = f"{runs_named(len(used), used[0])} name{'s' if len(used) == 1 else ''} it"
            raise BenchError(
                f"{KIND[section]} {name!r} cannot be taken off: {named}",
                Place(),
                "Give them another one first, or rename it",
            )
        write(without_entry(text, section, name))


def rename(logbook: Logbook, bench_name: str, section: str, old: str, new: str, why: str) -> None:
    """Give an entry another name, on the bench and in every run that names it; raises as `describe` does."""
    table = entry_of(logbook, bench_name, section, old)
    describe(logbook, bench_name, section, new, table, why, was=old)


@dataclass(frozen=True)
class _Writer:
    """Takes a bench's new text, where the reader of bench folders takes it."""

    connection: sa.Connection
    made: Step
    text: str

    def __call__(self, text: str, known_as: tuple[str, str] | None = None) -> bool:
        """Write the text; `known_as` is how notes on an entry began before and begin now that it has another name."""
        bench, notes = parse_bench(text)
        known = {note.text for note in parse_bench(self.text)[1]}
        if known_as is not None:
            known |= {told.replace(*known_as) for told in known}
        for note in notes:
            if note.text not in known:
                if note.left_out is None:
                    raise BenchError(note.text.replace(" kept as a note", ""), Place(), note.cure)
                section, name = note.left_out
                what = note.text.removesuffix(f"; {section}.{name} is left out")
                raise BenchError(what, Place(), note.cure)
        if kept_text(self.connection, self.made.bench_id) is None:
            keep_text(self.connection, self.made.bench_id, self.text)
        self.made.bench_rev = describe_bench(
            self.connection, self.made.bench_id, bench.title, text, self.made.why
        )
        return self.made.bench_rev is not None

    def runs_with(self, field: str, value: str) -> tuple[str, ...]:
        """The runs that say this of a field, deleted ones too: they may be brought back."""
        query = sa.select(schema.run.c.run).where(self._of(field, value)).order_by(schema.run.c.position)
        return tuple(self.connection.scalars(query))

    def rename_in_runs(self, field: str, old: str, new: str) -> None:
        """Let all runs that name the one name the other."""
        rows = self.connection.execute(sa.select(schema.run).where(self._of(field, old))).mappings().all()
        for row in rows:
            self.made.changed(row, keep_history(self.connection, row, {field: new}, self.made.why))

    def _of(self, field: str, value: str) -> sa.ColumnElement[bool]:
        return (schema.run.c.bench_id == self.made.bench_id) & (schema.run.c[field] == value)


@contextmanager
def _describing(logbook: Logbook, bench_name: str, why: str) -> Iterator[tuple[str, _Writer]]:
    with logbook._step(bench_name, why) as (connection, made):
        text = _text(connection, made.bench_id, for_update=True)
        yield text, _Writer(connection, made, text)


def _text(connection: sa.Connection, bench_id: int, *, for_update: bool = False) -> str:
    query = sa.select(schema.bench.c.toml).where(schema.bench.c.id == bench_id)
    return str(connection.scalar(query.with_for_update() if for_update else query))


def _section(section: str) -> str:
    if section not in SECTIONS:
        raise NotFound("shelf of a bench", section[:80], SECTIONS)
    return section


def undo_step(logbook: Logbook, bench_name: str) -> StepTaken:
    """Take back the last step that was not taken back yet, whole; gives it.

    Raises
    ------
    BenchError
        There is none.
    """
    with logbook._writing() as connection:
        bench_id = bench_id_of(connection, bench_name)
        connection.execute(
            sa.select(schema.bench.c.id).where(schema.bench.c.id == bench_id).with_for_update()
        )
        row = standing_step(connection, bench_name)
        if row is None:
            raise BenchError("there is no step to undo", Place(), "Nothing was done here that still stands")
        taken = step_taken(row)
        with step(connection, bench_id, f"{TAKEN_BACK}{row['why']}", is_undo=True) as made:
            _take_back(connection, row, made)
        return taken


def _take_back(connection: sa.Connection, row: sa.RowMapping, made: Step) -> None:
    """Take back what of a step still stands, as part of another."""
    if row["bench_rev"] is not None and not row["bench_undone"]:
        before = row["toml_before"]
        title = parse_bench(before)[0].title
        made.bench_rev = describe_bench(connection, made.bench_id, title, before, undoes(row["bench_rev"]))
    for name, rev in _standing_runs(connection, row):
        run = run_row(connection, made.bench_id, name, for_update=True)
        if rev == 1:
            made.changed(run, set_deleted(connection, run, f"{TAKEN_BACK}{row['why']}", deleted=True))
        else:
            change = next(c for c in history_of(connection, run["id"]) if c.rev == rev)
            made.changed(run, put_back(connection, run, change))
    _refuse_orphans(connection, made.bench_id)
    if row["began_bench"] and not row["put_away"]:
        values = {"bench_id": made.bench_id, "put_away_at": now_text()}
        connection.execute(schema.bench_put_away.insert(), values)
        made.began_bench = True


def _refuse_orphans(connection: sa.Connection, bench_id: int) -> None:
    """Refuse a bench that lacks what one of its runs names."""
    bench = bench_of(connection, bench_id)
    parts = ("vessel", "ice", "recipe", "target")
    there = (schema.run.c.bench_id == bench_id) & schema.present()
    query = sa.select(*(schema.run.c[p] for p in parts)).where(there).distinct()
    for named in connection.execute(query).mappings():
        refuse_strangers(bench, dict(named))


def _standing_runs(connection: sa.Connection, row: sa.RowMapping) -> list[tuple[str, int]]:
    """The runs of a step by name, with the revision that it gave them and nobody took back; the last first."""
    mine, history, gone = schema.step_run, schema.run_history, schema.run_deleted
    query = (
        sa.select(schema.run.c.run, mine.c.rev, mine.c.run_id, gone.c.run_id.label("gone"))
        .join_from(mine, schema.run)
        .join(gone, gone.c.run_id == mine.c.run_id, isouter=True)
        .where(mine.c.step_id == row["id"])
        .order_by(schema.run.c.position.desc(), mine.c.rev.desc())
    )
    found = connection.execute(query).all()
    ids = sa.select(mine.c.run_id).where(mine.c.step_id == row["id"])
    whys = sa.select(history.c.run_id, history.c.why).where(
        history.c.run_id.in_(ids) & history.c.why.startswith(undoes(0).removesuffix("0"))
    )
    undone = {(run_id, why) for run_id, why in connection.execute(whys)}
    return [
        (name, rev)
        for name, rev, run_id, is_gone in found
        if (is_gone is None if rev == 1 else (run_id, undoes(rev)) not in undone)
    ]
