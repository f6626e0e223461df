"""Two logbooks brought together: what is new in either goes into the other, once, in order, whatever is cut short.

What comes is written together with how far it came, in one transaction of the local logbook. What goes is known to the
other logbook by its id, so that what was sent and not noted as sent is sent again and left as it is. What two people
said of one value without knowing of each other stays side by side until somebody settles it (`edits.heads`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError

from rig.bench import parse_bench
from rig.bench_text import merged
from rig.errors import LogbookError
from rig.logbook import schema
from rig.logbook.changes import (
    Kind,
    Step,
    begin_bench_row,
    describe_bench,
    history_of,
    identity,
    step,
)
from rig.logbook.connect import url_from
from rig.logbook.edits import disputed
from rig.logbook.intake import keep_text, lock_bench, named_by_runs
from rig.logbook.outbox import Noted, newly_noted, note_attempt, refused_before, stands_at
from rig.logbook.passwords import without_password
from rig.logbook.rows import bench_id_of
from rig.logbook.store import Logbook, open_logbook
from rig.logbook.travel import Coming, ComingRun, read, take_in, those_there

_BATCH = 20
_PATIENCE_S = 10
"""How long a server may take to answer, where the address does not say."""
_NOT_ALLOWED = "42501"
"""SQLSTATE insufficient_privilege (PostgreSQL documentation, appendix A)."""
Progress = Callable[[int, int], None]


@dataclass
class Synced:
    """What was done.

    How many things came and went; why some were not taken there; and of the runs that came, by bench and name, the
    fields that two people corrected side by side.
    """

    received: int = 0
    sent: int = 0
    refused: list[str] = field(default_factory=list)
    disputes: dict[tuple[str, str], tuple[str, ...]] = field(default_factory=dict)


def sync_with(local: Logbook, address: str, progress: Progress | None = None) -> Synced:
    """Bring a logbook together with the one at an address, and note here how it went; raises as `sync` does."""
    url, known_as = url_from(address), without_password(address)
    if url.get_backend_name() == "postgresql" and "connect_timeout" not in url.query:
        url = url.update_query_dict({"connect_timeout": str(_PATIENCE_S)})
    note_attempt(local, known_as, None, whole=False)
    try:
        with open_logbook(url.render_as_string(hide_password=False)) as other:
            done = sync(local, other, known_as, progress)
    except LogbookError as error:
        note_attempt(local, known_as, str(error), whole=False)
        raise
    note_attempt(local, known_as, None, whole=True)
    return done


def sync(local: Logbook, other: Logbook, address: str, progress: Progress | None = None) -> Synced:
    """Bring two logbooks together; `address`, noted before (`note_attempt`), is what the other one is called here.

    `progress` is called with (received, sent) after every batch, when all of it is on disk on both sides.

    Raises
    ------
    LogbookError
        They are the same one; one of them cannot be read or written. What was done until then stays done, and the
        next time goes on from there.
    """
    done, benches = Synced(), set[str]()
    _begin(local, other, address)
    while _receive(local, other, address, done, benches):
        if progress is not None:
            progress(done.received, done.sent)
    _send_refused(local, other, address, done)
    while _send(local, other, address, done, benches):
        if progress is not None:
            progress(done.received, done.sent)
    return done


def _begin(local: Logbook, other: Logbook, address: str) -> None:
    """See that both are where they were left; else begin again, which costs time and nothing else."""
    table = schema.peer
    with other._writing() as there:
        theirs = identity(there)
    with local._writing() as here, other._reading() as there:
        if identity(here) == theirs:
            raise LogbookError(f"{address} is this very logbook. Name the one that venues share")
        row = here.execute(sa.select(table).where(table.c.address == address)).mappings().one()
        went = stands_at(here, row["sent_seq"], row["sent_ref"]) and (
            row["sent_seq"] == 0 or _has(there, _noted_at(here, row["sent_seq"]))
        )
        came = stands_at(there, row["received_seq"], row["received_ref"])
        if row["id"] != theirs or not (went and came):
            begun = {"id": theirs, "sent_seq": 0, "sent_ref": None, "received_seq": 0, "received_ref": None}
            here.execute(table.update().where(table.c.address == address).values(begun))


def _noted_at(connection: sa.Connection, seq: int) -> Noted:
    (found,) = newly_noted(connection, seq - 1, 1)
    return found


def _has(connection: sa.Connection, noted: Noted) -> bool:
    if noted.kind is Kind.BENCH:
        table = schema.bench
        return connection.scalar(sa.select(table.c.id).where(table.c.name == noted.ref)) is not None
    return bool(those_there(connection, noted.kind, [noted.ref]))


def _receive(local: Logbook, other: Logbook, address: str, done: Synced, benches: set[str]) -> bool:
    """Take in the next batch of what is new there; whether there was any."""
    with local._reading() as here:
        after = _place(here, address, "received_seq")
    with other._reading() as there:
        batch = newly_noted(there, after, _BATCH)
    if not batch:
        return False
    with local._reading() as here:
        lacking = _lacking(here, batch)
    with other._reading() as there:
        coming = [read(there, noted.kind, noted.ref) for noted in lacking]
    _agree_on(local, other, address, batch, coming, benches)
    with local._writing() as here:
        with _steps(here, f"came from {other.where}") as came:
            touched = [take_in(here, one, came) for one in coming]
        _note_disputes(here, touched, done)
        _move(here, address, "received", batch[-1])
    done.received += len(lacking)
    return True


def _send(local: Logbook, other: Logbook, address: str, done: Synced, benches: set[str]) -> bool:
    """Send the next batch of what is new here; whether there was any."""
    with local._reading() as here:
        batch = newly_noted(here, _place(here, address, "sent_seq"), _BATCH)
    if not batch:
        return False
    refused = _put(local, other, batch, address, done, benches)
    with local._writing() as here:
        for noted, said in refused:
            values = {"address": address, "seq": noted.seq, "said": said}
            here.execute(schema.peer_refused.insert(), values)
        _move(here, address, "sent", batch[-1])
    return True


def _send_refused(local: Logbook, other: Logbook, address: str, done: Synced) -> None:
    """Offer again what was not taken before: somebody else may have logged in."""
    table = schema.peer_refused
    with local._reading() as here:
        before = refused_before(here, address)
    if not before:
        return
    still = {noted.seq for noted, _ in _put(local, other, before, address, done, set())}
    with local._writing() as here:
        taken = [noted.seq for noted in before if noted.seq not in still]
        here.execute(table.delete().where((table.c.address == address) & table.c.seq.in_(taken)))


def _put(
    local: Logbook, other: Logbook, batch: Sequence[Noted], address: str, done: Synced, benches: set[str]
) -> list[tuple[Noted, str]]:
    """Let the other logbook take a batch in; what it refuses, with its reason."""
    with other._reading() as there:
        lacking = _lacking(there, batch)
    with local._reading() as here:
        going = [read(here, noted.kind, noted.ref) for noted in lacking]
    _agree_on(local, other, address, batch, going, benches)
    refused: list[tuple[Noted, str]] = []
    with other._writing() as there, _steps(there, "came from a logbook that was synced") as came:
        for noted, one in zip(lacking, going, strict=True):
            try:
                with there.begin_nested():
                    take_in(there, one, came)
            except DBAPIError as error:
                if getattr(error.orig, "sqlstate", None) != _NOT_ALLOWED:
                    raise
                refused.append((noted, "your login there may not do that: an owner of the venue may"))
    done.sent += len(lacking) - len(refused)
    done.refused += [said for _, said in refused]
    return refused


def _lacking(connection: sa.Connection, batch: Sequence[Noted]) -> list[Noted]:
    """What of a batch a logbook does not hold yet; benches are brought together by themselves."""
    there = {
        (kind, ref)
        for kind in (Kind.RUN, Kind.CORRECTION, Kind.CALIBRATION)
        if (refs := [n.ref for n in batch if n.kind is kind])
        for ref in those_there(connection, kind, refs)
    }
    once = {(n.kind, n.ref): n for n in batch if n.kind is not Kind.BENCH}
    return [n for key, n in once.items() if key not in there]


def _place(connection: sa.Connection, address: str, which: str) -> int:
    table = schema.peer
    return int(connection.scalar(sa.select(table.c[which]).where(table.c.address == address)) or 0)


def _move(connection: sa.Connection, address: str, which: str, to: Noted) -> None:
    table = schema.peer
    values = {f"{which}_seq": to.seq, f"{which}_ref": to.ref}
    connection.execute(table.update().where(table.c.address == address).values(values))


@contextmanager
def _steps(connection: sa.Connection, why: str) -> Iterator[Callable[[str], Step]]:
    """The step in which runs come to a bench, by its name: one a bench, written at the end."""
    made: dict[str, Step] = {}

    def of(bench: str) -> Step:
        if bench not in made:
            made[bench] = Step(bench_id_of(connection, bench), why)
            lock_bench(connection, made[bench].bench_id)
        return made[bench]

    yield of
    for one in made.values():
        one.write(connection)


def _note_disputes(connection: sa.Connection, run_ids: Sequence[str | None], done: Synced) -> None:
    for run_id in dict.fromkeys(filter(None, run_ids)):
        if fields := disputed(history_of(connection, run_id)):
            named = (
                sa.select(schema.bench.c.name, schema.run.c.run)
                .join_from(schema.run, schema.bench)
                .where(schema.run.c.id == run_id)
            )
            bench, run = connection.execute(named).one()
            done.disputes[bench, run] = tuple(fields)


def _agree_on(
    local: Logbook,
    other: Logbook,
    address: str,
    batch: Sequence[Noted],
    coming: Sequence[Coming],
    agreed: set[str],
) -> None:
    """Bring together what both logbooks say of the benches that a batch is about, each once."""
    about = [n.ref for n in batch if n.kind is Kind.BENCH]
    about += [c.what.bench for c in coming if isinstance(c.what, ComingRun)]
    for name in dict.fromkeys(about):
        if name not in agreed:
            _agree(local, other, address, name)
            agreed.add(name)


def _agree(local: Logbook, other: Logbook, address: str, name: str) -> None:
    """Let both logbooks say the same of a bench: what either has changed since they last agreed.

    Where both changed one entry, the shared logbook's stands; what stood here is in the bench's history.
    """
    table = schema.peer_bench
    known = (table.c.address == address) & (table.c.bench == name)
    with other._writing() as there:
        theirs = _bench_text(there, name)
        with local._writing() as here:
            mine = _bench_text(here, name)
            base = here.scalar(sa.select(table.c.toml).where(known)) or ""
            if theirs is None or mine is None or theirs == mine:
                text = theirs if mine is None else mine
            elif theirs == base:
                text = mine
            else:
                needed = named_by_runs(here, bench_id_of(here, name))
                text = theirs if mine == base else merged(base, mine, theirs, needed=needed, yields=False)
            if text is None:
                return  # put away and gone on both sides
            _say(here, name, text, f"came from {other.where}")
        _say(there, name, text, "came from a logbook that was synced")
    with local._writing() as here:
        here.execute(table.delete().where(known))
        here.execute(table.insert(), {"address": address, "bench": name, "toml": text})


def _bench_text(connection: sa.Connection, name: str) -> str | None:
    query = sa.select(schema.bench.c.toml).where(schema.bench.c.name == name)
    return connection.scalar(query.with_for_update())


def _say(connection: sa.Connection, name: str, text: str, why: str) -> None:
    """Let a logbook say this of a bench, which is begun where it is not there."""
    title = parse_bench(text)[0].title
    is_new = begin_bench_row(connection, name, title, text)
    with step(connection, bench_id_of(connection, name), why) as made:
        if is_new:
            keep_text(connection, made.bench_id, text)
            made.began_bench = True
        else:
            made.bench_rev = describe_bench(connection, made.bench_id, title, text, why)
