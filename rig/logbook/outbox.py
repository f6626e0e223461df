"""What is new in a logbook and waits for another one, and how far the two have been brought together."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from rig.errors import LogbookError
from rig.logbook import schema
from rig.logbook.changes import OUTBOX_LOCK, Kind, now_text
from rig.logbook.store import Logbook

_TRIES, _BETWEEN_S = 40, 0.05


@dataclass(frozen=True)
class Noted:
    """One entry of an outbox: its place in it, of which kind, and the id, or the bench's name, of what is new."""

    seq: int
    kind: Kind
    ref: str


@dataclass(frozen=True)
class Waiting:
    """What waits for another logbook.

    `since`: when the first of it was noted; `synced_at`: when the two were last brought together whole; `said`: why
    the last attempt failed; `refused`: how many things it does not take from this login.
    """

    address: str
    count: int
    since: datetime | None
    synced_at: datetime | None
    said: str | None
    refused: int


def waiting(logbook: Logbook) -> Waiting | None:
    """What waits for the logbook that this one was synced with last; None where there is none."""
    peer, outbox, refused = schema.peer, schema.outbox, schema.peer_refused
    with logbook._reading() as connection:
        row = (
            connection.execute(sa.select(peer).order_by(peer.c.tried_at.desc()).limit(1))
            .mappings()
            .one_or_none()
        )
        if row is None:
            return None
        behind = outbox.c.seq > row["sent_seq"]
        count, since = connection.execute(
            sa.select(sa.func.count(), sa.func.min(outbox.c.noted_at)).where(behind)
        ).one()
        mine = refused.c.address == row["address"]
        not_taken = connection.scalar(sa.select(sa.func.count()).select_from(refused).where(mine))
        return Waiting(
            row["address"],
            count,
            None if since is None else datetime.fromisoformat(since),
            None if row["synced_at"] is None else datetime.fromisoformat(row["synced_at"]),
            row["said"],
            int(not_taken or 0),
        )


def waiting_words(found: Waiting | None) -> str:
    """What waits for the shared logbook and since when, in a sentence or two."""
    if found is None:
        return "This logbook is brought together with no other: chillrig sync ADDRESS begins it."
    at = found.address.partition("?")[0]
    said = (
        f"Nothing waits for {at}"
        if not found.count
        else f"{found.count} {'entry waits' if found.count == 1 else 'entries wait'} for {at}"
        f" since {_when(found.since)}"
    )
    said += f"; last brought together {_when(found.synced_at)}." if found.synced_at else "; never sent yet."
    if found.refused:
        said += f" {found.refused} not taken there: your login may not do that; an owner of the venue may."
    return said + (f" The last try failed: {found.said}." if found.said else "")


def _when(moment: datetime | None) -> str:
    return "now" if moment is None else f"{moment.astimezone():%Y-%m-%d %H:%M}"


def newly_noted(connection: sa.Connection, after: int, most: int) -> list[Noted]:
    """What was noted after a place, in order; all of it is committed, and nothing before it is still to come.

    In PostgreSQL a place is taken before it is committed, so that a later one may be seen first: an outbox is read
    only while nobody writes into it. Nobody waits for who reads.

    Raises
    ------
    LogbookError
        Others write without pause.
    """
    if connection.dialect.name == "postgresql":
        for _ in range(_TRIES):
            if connection.scalar(sa.select(sa.func.pg_try_advisory_xact_lock(OUTBOX_LOCK))):
                break
            time.sleep(_BETWEEN_S)
        else:
            raise LogbookError("others are writing into it without pause. Nothing is lost; try again later")
    table = schema.outbox
    query = sa.select(table).where(table.c.seq > after).order_by(table.c.seq).limit(most)
    return [Noted(r["seq"], Kind(r["kind"]), r["ref"]) for r in connection.execute(query).mappings()]


def stands_at(connection: sa.Connection, seq: int, ref: str | None) -> bool:
    """Whether an outbox has at a place what it had there: not where the logbook was restored from a copy since."""
    table = schema.outbox
    return seq == 0 or connection.scalar(sa.select(table.c.ref).where(table.c.seq == seq)) == ref


def note_attempt(logbook: Logbook, address: str, said: str | None, *, whole: bool) -> None:
    """Note that the two logbooks were to be brought together: what hindered it, or that it was done whole."""
    table = schema.peer
    values = {"tried_at": now_text(), "said": said} | ({"synced_at": now_text()} if whole else {})
    with logbook._writing() as connection:
        changed = connection.execute(table.update().where(table.c.address == address).values(values)).rowcount
        if not changed:
            fresh = {"address": address, "sent_seq": 0, "received_seq": 0}
            connection.execute(table.insert(), fresh | values)


def refused_before(connection: sa.Connection, address: str) -> Sequence[Noted]:
    """What the other logbook did not take so far."""
    table, outbox = schema.peer_refused, schema.outbox
    query = sa.select(outbox).join(table, table.c.seq == outbox.c.seq).where(table.c.address == address)
    rows = connection.execute(query.order_by(outbox.c.seq)).mappings()
    return [Noted(r["seq"], Kind(r["kind"]), r["ref"]) for r in rows]
