"""Calls in the logbook: every one that was made, to be held against the runs that came after it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from rig.bench import Target
from rig.errors import NotFound
from rig.logbook import schema
from rig.logbook.changes import insert_unless_there
from rig.logbook.records import fingerprint, json_text
from rig.logbook.schema import call_made as table
from rig.logbook.store import Logbook


@dataclass(frozen=True)
class CallMade:
    """One call as it was given: the question, the answer, and the fit that it rests on.

    `conditions`: what was stated or assumed of drink, ice, vessel and room, by the names of a run's fields;
    `odds` of landing in `target` at `duration_s`; `window_s`: durations that will do; `basis`: measured,
    transferred or prior only; `fit`: the fit's fingerprint; `asked_from`: which screen or command.
    """

    technique: str
    vessel: str
    ice: str
    recipe: str
    conditions: Mapping[str, float]
    target: Target
    duration_s: float
    window_s: tuple[float, float]
    odds: float
    basis: str
    fit: str
    asked_from: str
    asked_at: datetime


@dataclass(frozen=True)
class KeptCall:
    """A call in the logbook: when the same was last asked, and after which run of the bench it was first made."""

    call: CallMade
    last_asked_at: datetime
    after_position: int


def keep_call(logbook: Logbook, bench_name: str, call: CallMade) -> None:
    """Store a call; the same question within the same fit is one row, which notes when it was last asked.

    Raises
    ------
    NotFound
        There is no such bench.
    LogbookError
        Where the logbook does not take it.
    """
    asked = {name: getattr(call, name) for name in schema.TEXTS}
    asked |= {"conditions": json_text(dict(call.conditions)), "target": json_text(_given(call.target))}
    moment = call.asked_at.astimezone(UTC).isoformat()
    with logbook._writing() as connection:
        bench_id = _bench_id(connection, bench_name)
        last = sa.select(sa.func.max(schema.run.c.position)).where(schema.run.c.bench_id == bench_id)
        id_ = fingerprint(json_text({"bench": bench_id, "fit": call.fit} | asked))
        row = asked | {
            "id": id_,
            "bench_id": bench_id,
            "fit": call.fit,
            "asked_at": moment,
            "last_asked_at": moment,
            "asked_from": call.asked_from,
            "after_position": connection.scalar(last) or 0,
            "duration_s": call.duration_s,
            "window_from_s": call.window_s[0],
            "window_to_s": call.window_s[1],
            "odds": call.odds,
            "basis": call.basis,
        }
        if not insert_unless_there(connection, table, row):
            again = table.update().where((table.c.id == id_) & (table.c.last_asked_at < moment))
            connection.execute(again.values(last_asked_at=moment))


def calls_made(logbook: Logbook, bench_name: str) -> tuple[KeptCall, ...]:
    """Every call on a bench, the first one made first; NotFound where there is no such bench."""
    with logbook._reading() as connection:
        mine = table.c.bench_id == _bench_id(connection, bench_name)
        query = sa.select(table).where(mine).order_by(table.c.asked_at, table.c.id)
        return tuple(_call(row) for row in connection.execute(query).mappings())


def arrivals(logbook: Logbook, bench_name: str) -> dict[str, int]:
    """The position of each run of a bench in the order they came into the logbook, by name."""
    columns = schema.run.c.run, schema.run.c.position
    with logbook._reading() as connection:
        mine = schema.run.c.bench_id == _bench_id(connection, bench_name)
        query = sa.select(*columns).where(mine).order_by(schema.run.c.position)
        return {row.run: row.position for row in connection.execute(query)}


def _bench_id(connection: sa.Connection, name: str) -> int:
    found = connection.scalar(sa.select(schema.bench.c.id).where(schema.bench.c.name == name))
    if found is None:
        raise NotFound("bench", name, connection.scalars(sa.select(schema.bench.c.name)).all())
    return int(found)


def _given(target: Target) -> dict[str, Any]:
    return {name: value for name, value in asdict(target).items() if value not in (None, "")}


def _call(row: sa.RowMapping) -> KeptCall:
    given = json.loads(row["target"])
    target: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in given.items()}
    call = CallMade(
        technique=row["technique"],
        vessel=row["vessel"],
        ice=row["ice"],
        recipe=row["recipe"],
        conditions=json.loads(row["conditions"]),
        target=Target(**target),
        duration_s=row["duration_s"],
        window_s=(row["window_from_s"], row["window_to_s"]),
        odds=row["odds"],
        basis=row["basis"],
        fit=row["fit"],
        asked_from=row["asked_from"],
        asked_at=datetime.fromisoformat(row["asked_at"]),
    )
    return KeptCall(call, datetime.fromisoformat(row["last_asked_at"]), row["after_position"])
