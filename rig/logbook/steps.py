"""What was done to a bench and its runs, step by step: told, counted where it is kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from rig.bench import SECTIONS, parse_bench
from rig.bench_text import tables_of
from rig.logbook import schema
from rig.logbook.edits import undoes
from rig.logbook.rows import bench_id_of
from rig.logbook.store import Logbook

KIND = {s: "ice" if s == "ice" else s.removesuffix("s") for s in SECTIONS}
"""What one entry of a section is called."""


@dataclass(frozen=True)
class Was:
    """One thing that a step changed of a bench: in which section, of what, which field, before and after."""

    section: str
    of: str
    field: str
    before: Any
    after: Any


@dataclass(frozen=True)
class StepTaken:
    """One step: its number, when, why, how many runs it brought in or changed, and what it changed of the bench.

    `added_run`, `changed_run`: the one it brought in, or changed, where it is one. `stands`: it was not taken back.
    `is_undo`: it took back another.
    """

    number: int
    changed_at: datetime
    why: str
    is_undo: bool
    stands: bool
    began_bench: bool
    added: int
    changed: int
    added_run: str
    changed_run: str
    described: tuple[Was, ...]

    @property
    def words(self) -> str:
        """What it did, in a few words."""
        said = [f"{n} begun" for n in ("the bench",) if self.began_bench]
        if self.added:
            said.append(f"{runs_named(self.added, self.added_run)} brought in")
        if self.changed:
            said.append(f"{runs_named(self.changed, self.changed_run)} changed")
        said += dict.fromkeys(_entry_words(w) for w in self.described)
        return ", ".join(said) or "nothing"


def runs_named(count: int, run: str) -> str:
    """So many runs, or the one by its name."""
    return f"run {run}" if count == 1 else f"{count} runs"


def _entry_words(was: Was) -> str:
    if was.field == "name":
        return f"{was.of} is now {was.after}"
    done = "added" if was.before is None else "removed" if was.after is None else "changed"
    return f"{was.of} {'changed' if was.field else done}"


def steps(logbook: Logbook, bench_name: str, most: int = 50) -> tuple[StepTaken, ...]:
    """What was done to a bench and its runs, the last first; by one statement."""
    with logbook._reading() as connection:
        found = _rows(connection, bench_name, most)
        if not found:  # is there such a bench at all
            bench_id_of(connection, bench_name)
        return tuple(step_taken(row) for row in found)


def last_step(logbook: Logbook, bench_name: str) -> StepTaken | None:
    """The step that `undo_step` takes back, None where there is none."""
    with logbook._reading() as connection:
        row = standing_step(connection, bench_name)
        if row is None:
            bench_id_of(connection, bench_name)
        return None if row is None else step_taken(row)


def _rows(
    connection: sa.Connection, bench_name: str, most: int, before: int | None = None
) -> Sequence[sa.RowMapping]:
    """A bench's steps, the last first, each with what is counted of its runs and with the bench around it."""
    step, bench, past = schema.step, schema.bench, schema.bench_history
    was, then, away = past.alias("was"), past.alias("then"), schema.bench_put_away
    added, changed = schema.run.alias("added"), schema.run.alias("changed")
    wanted = sa.select(step.c.id).join(bench).where(bench.c.name == bench_name)
    if before is not None:
        wanted = wanted.where(step.c.id < before)
    counted = _counted(wanted.order_by(step.c.id.desc()).limit(most))
    bench_undone = (
        sa.exists()
        .where((past.c.bench_id == step.c.bench_id) & (past.c.why == _undo_of(step.c.bench_rev)))
        .correlate(step)
    )
    query = (
        sa.select(
            step,
            bench.c.toml,
            was.c.toml_before,
            then.c.toml_before.label("toml_then"),
            away.c.put_away_at.is_not(None).label("put_away"),
            bench_undone.label("bench_undone"),
            *(counted.c[name] for name in ("added", "changed", "standing")),
            added.c.run.label("added_run"),
            changed.c.run.label("changed_run"),
        )
        .join_from(counted, step, step.c.id == counted.c.id)
        .join(bench)
        .join(was, (was.c.bench_id == bench.c.id) & (was.c.rev == step.c.bench_rev - 1), isouter=True)
        .join(then, (then.c.bench_id == bench.c.id) & (then.c.rev == step.c.bench_rev), isouter=True)
        .join(away, away.c.bench_id == bench.c.id, isouter=True)
        .join(added, added.c.id == counted.c.added_id, isouter=True)
        .join(changed, changed.c.id == counted.c.changed_id, isouter=True)
        .order_by(step.c.id.desc())
    )
    return connection.execute(query).mappings().all()


def _counted(steps: sa.Select[tuple[int]]) -> sa.Subquery:
    """Of each step how many runs it brought in and changed, at how many of them it stands, and one of each."""
    step, mine, gone, past = schema.step, schema.step_run, schema.run_deleted, schema.run_history
    undone = (
        sa.exists()
        .where((past.c.run_id == mine.c.run_id) & (past.c.why == _undo_of(mine.c.rev)))
        .correlate(mine)
    )
    stands = sa.case((mine.c.rev == 1, gone.c.run_id.is_(None)), else_=~undone)
    return (
        sa.select(
            step.c.id,
            sa.func.count().filter(mine.c.rev == 1).label("added"),
            sa.func.count().filter(mine.c.rev > 1).label("changed"),
            sa.func.count().filter(mine.c.rev.is_not(None) & stands).label("standing"),
            sa.func.min(sa.case((mine.c.rev == 1, mine.c.run_id))).label("added_id"),
            sa.func.min(sa.case((mine.c.rev > 1, mine.c.run_id))).label("changed_id"),
        )
        .join_from(step, mine, isouter=True)
        .join(gone, gone.c.run_id == mine.c.run_id, isouter=True)
        .where(step.c.id.in_(steps.subquery().select()))
        .group_by(step.c.id)
        .subquery()
    )


def _undo_of(rev: sa.ColumnElement[Any]) -> sa.ColumnElement[str]:
    """The reason that is kept of the undo of a revision, as the database says it."""
    return sa.literal(undoes(0).removesuffix("0"), sa.Text) + sa.cast(rev, sa.Text)


def standing_step(connection: sa.Connection, bench_name: str) -> sa.RowMapping | None:
    """The last step that still stands and took back no other."""
    before = None
    while rows := _rows(connection, bench_name, 50, before):
        for row in rows:
            if not row["is_undo"] and _stands(row):
                return row
        before = rows[-1]["id"]
    return None


def _stands(row: sa.RowMapping) -> bool:
    return (
        (row["bench_rev"] is not None and not row["bench_undone"])
        or row["standing"] > 0
        or (row["began_bench"] and not row["put_away"])
    )


def step_taken(row: sa.RowMapping) -> StepTaken:
    """The step of a row of `standing_step`."""
    described: tuple[Was, ...] = ()
    if row["bench_rev"] is not None:
        described = differences(row["toml_before"], row["toml_then"] or row["toml"])
    return StepTaken(
        number=row["id"],
        changed_at=datetime.fromisoformat(row["changed_at"]),
        why=row["why"],
        is_undo=row["is_undo"],
        stands=not row["is_undo"] and _stands(row),
        began_bench=row["began_bench"],
        added=row["added"],
        changed=row["changed"],
        added_run=row["added_run"] or "",
        changed_run=row["changed_run"] or "",
        described=described,
    )


def differences(before: str, after: str) -> tuple[Was, ...]:
    """What two texts of a bench.toml say differently, entry by entry and field by field."""
    was, now = tables_of(before), tables_of(after)
    found = []
    titles = [parse_bench(t)[0].title for t in (before, after)]
    if titles[0] != titles[1]:
        found.append(Was("", "title", "title", *titles))
    for section in SECTIONS:
        gone, come = (
            tuple(n for n in a[section] if n not in b[section]) for a, b in ((was, now), (now, was))
        )
        if len(gone) == len(come) == 1:  # one cannot be taken off and another put on in one step
            found.append(Was(section, f"{KIND[section]} {gone[0]}", "name", gone[0], come[0]))
            was[section][come[0]] = was[section].pop(gone[0])
        for name in dict.fromkeys((*was[section], *now[section])):
            old, new = was[section].get(name), now[section].get(name)
            of = f"{KIND[section]} {name}"
            if isinstance(old, dict) and isinstance(new, dict):
                keys = [k for k in dict.fromkeys((*old, *new)) if old.get(k) != new.get(k)]
                found += [Was(section, of, k, old.get(k), new.get(k)) for k in keys]
            elif old != new:
                found.append(Was(section, of, "", old, new))
    return tuple(found)
