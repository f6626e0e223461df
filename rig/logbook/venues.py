"""Venues in one PostgreSQL logbook: whose rows are whose and who may do what to them, kept by the database itself.

Every row of every table belongs to a venue; row-level security shows each login the rows of its own venues alone
(PostgreSQL documentation, 5.8). Queries name no venue: a row is given the venue that the connection works in, and keys
and references begin with it, so that nothing of one venue can stand in the way of, or point into, another. A SQLite
file is one venue, and its permissions are the file's.

A venue has three roles, each with all that the one before it may do: a reader sees; a barista records and corrects; an
owner deletes, brings back, and lets people in. What was written as history stays, whoever asks. Whoever owns the tables
or is a superuser is bound by none of this: such a login keeps the logbook, and works in it only while it has one venue.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

import sqlalchemy as sa

from rig.errors import LogbookError, NotFound
from rig.logbook import schema
from rig.logbook.connect import WORKING_IN, only_reads, work_in
from rig.names import refuse_unclear


class Right(StrEnum):
    """What a person may do at a venue; each holds those before it."""

    READER = "reader"
    BARISTA = "barista"
    OWNER = "owner"


RIGHTS = tuple(Right)

venue = sa.Table(
    "venue",
    sa.MetaData(),
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("name", sa.Text, nullable=False, unique=True),
    sa.Column("added_at", sa.Text, nullable=False),
    *(sa.Column(right.value, sa.Text, nullable=False, unique=True) for right in RIGHTS),
)
"""The venues, and the name of the role that holds each right there."""


@dataclass(frozen=True)
class Writes:
    """The least right that inserts, updates and deletes rows of a table; None: nobody does."""

    insert: Right | None = Right.BARISTA
    update: Right | None = Right.BARISTA
    delete: Right | None = None


_KEPT_FOR_EVER = Writes(update=None)
_WORKED_OUT_ANEW = Writes(delete=Right.BARISTA)
_WRITES = {
    **dict.fromkeys(
        ("trace", "channel", "run_history", "bench_history", "step", "step_run", "calibration", "outbox"),
        _KEPT_FOR_EVER,
    ),
    **dict.fromkeys(
        (
            *("finding", "fit_cache", "table_profile", "bench_file", "peer_bench", "peer_refused"),
            *("bench_statistics", "learned_prior"),
        ),
        _WORKED_OUT_ANEW,
    ),
    **dict.fromkeys(
        ("run_deleted", "bench_put_away", "statistics_shared"), Writes(Right.OWNER, None, Right.OWNER)
    ),
}
"""Tables that are written otherwise than by adding and correcting."""
_LENT = {
    "statistics_shared": "true",
    "bench_statistics": "venue_id in (select s.venue_id from {at}.statistics_shared s)",
}
"""What is shown to whoever may see any venue of the database: who shares, and what the benches of those venues say."""


def has_venues(connection: sa.Connection) -> bool:
    """Whether rows of this database belong to venues."""
    return connection.dialect.name == "postgresql" and sa.inspect(connection).has_table(venue.name)


def create_table(connection: sa.Connection, table: sa.Table) -> None:
    """Create a table for a migration; where there are venues, `keep_apart` gives it its references afterwards."""
    if not has_venues(connection):
        table.create(connection)
        return
    connection.execute(sa.schema.CreateTable(table, include_foreign_key_constraints=[]))
    for index in table.indexes:
        index.create(connection)


def add_venues(connection: sa.Connection, names: Iterable[str]) -> tuple[str, ...]:
    """Have venues in a PostgreSQL logbook; those that are new. What was there before belongs to the first.

    Raises
    ------
    LogbookError, NameUnclear
        The logbook is a file; a name that cannot be told from another.
    """
    if connection.dialect.name != "postgresql":
        raise LogbookError(
            "a file is one venue, and whoever may write the file may do everything. Venues that share a logbook "
            "need PostgreSQL: --logbook postgresql://user@host/database"
        )
    if not has_venues(connection):
        venue.create(connection)
        _let_see_venues(connection)
    known = tuple(connection.scalars(sa.select(venue.c.name).order_by(venue.c.id)))
    fresh = tuple(dict.fromkeys(n for n in names if n not in known))
    for at, name in enumerate(fresh):
        refuse_unclear("venue", [name], (*known, *fresh[:at]))
        _add_venue(connection, name)
    keep_apart(connection)
    return fresh


def keep_apart(connection: sa.Connection) -> None:
    """Give every table that has none yet its venue, its rules and its grants; nothing where there are no venues."""
    if not has_venues(connection):
        return
    inspector = sa.inspect(connection)
    there = set(inspector.get_table_names())
    apart = "select relname from pg_class join pg_attribute on attrelid = pg_class.oid "
    apart += (
        "where attname = 'venue_id' and not attisdropped and relnamespace = current_schema()::regnamespace"
    )
    there -= {schema.schema_version.name, *connection.scalars(sa.text(apart))}
    fresh = [t for t in schema.metadata.sorted_tables if t.name in there]
    if not fresh:
        return
    quote = connection.dialect.identifier_preparer.quote
    run = connection.exec_driver_sql
    for table in fresh:
        for key in inspector.get_foreign_keys(table.name):
            run(f"alter table {table.name} drop constraint {quote(key['name'] or '')}")
    first = connection.scalar(sa.select(sa.func.min(venue.c.id)))
    for table in fresh:
        run(f"alter table {table.name} add venue_id integer not null default {first} references venue (id)")
        run(f"alter table {table.name} alter venue_id set default {_function(connection)}")
        pkey = inspector.get_pk_constraint(table.name)["name"]
        key_columns = ", ".join(["venue_id", *table.primary_key.columns.keys()])
        run(f"alter table {table.name} drop constraint {quote(pkey or '')}, add primary key ({key_columns})")
        for unique in inspector.get_unique_constraints(table.name):
            columns = ", ".join(["venue_id", *unique["column_names"]])
            run(
                f"alter table {table.name} drop constraint {quote(unique['name'] or '')}, add unique ({columns})"
            )
    for table in fresh:
        for reference in table.foreign_key_constraints:
            mine = ", ".join(["venue_id", *reference.column_keys])
            theirs = ", ".join(["venue_id", *(e.column.name for e in reference.elements)])
            to = reference.referred_table.name
            run(f"alter table {table.name} add foreign key ({mine}) references {to} ({theirs})")
    for table in fresh:
        _protect(connection, table)
    everybody = _everybody(connection)
    run(f"grant usage on all sequences in schema {_schema(connection)} to {everybody[Right.BARISTA]}")
    run(f"grant select on schema_version to {everybody[Right.READER]}")


def _protect(connection: sa.Connection, table: sa.Table) -> None:
    """A table's policies, which say for whom each row is, and its grants, which say what may be done at all."""
    run, everybody = connection.exec_driver_sql, _everybody(connection)
    writes = _WRITES.get(table.name, Writes())
    run(f"alter table {table.name} enable row level security")
    run(f"create policy sees on {table.name} for select using ({_mine(connection, Right.READER)})")
    run(f"grant select on {table.name} to {everybody[Right.READER]}")
    if table.name in _LENT:
        lent = _LENT[table.name].format(at=_schema(connection))
        run(f"create policy lends on {table.name} for select using ({lent})")
    if writes.insert:
        mine = _mine(connection, writes.insert)
        run(f"create policy inserts on {table.name} for insert with check ({mine})")
        run(f"grant insert on {table.name} to {everybody[writes.insert]}")
    if writes.update:
        mine = _mine(connection, writes.update)
        run(f"create policy updates on {table.name} for update using ({mine}) with check ({mine})")
        columns = ", ".join(c.name for c in table.columns if not c.primary_key)
        if columns:
            run(f"grant update ({columns}) on {table.name} to {everybody[writes.update]}")
    if writes.delete:
        run(f"create policy deletes on {table.name} for delete using ({_mine(connection, writes.delete)})")
        run(f"grant delete on {table.name} to {everybody[writes.delete]}")


def _let_see_venues(connection: sa.Connection) -> None:
    """The roles that hold what each right may do at all, what a new row's venue is, and who sees which venue."""
    run = connection.exec_driver_sql
    for role in _everybody(connection, quoted=False).values():
        _create_role(connection, role)
    everybody, at = _everybody(connection), _schema(connection)
    for role in everybody.values():
        run(f"grant usage on schema {at} to {role}")
        run(f"grant select on venue to {role}")
    run("alter table venue enable row level security")
    run(f"create policy sees on venue for select using ({_holds('venue', Right.READER)})")
    # in the function all names are written out, so that nobody's own tables or functions come before them
    run(
        f"create function {_function(connection)} returns integer language sql stable "
        f"set search_path = pg_catalog as $$ select v.id from {at}.venue v "
        f"where {_holds('v', Right.BARISTA)} and {_WORKS_IN} $$"
    )


def _add_venue(connection: sa.Connection, name: str) -> None:
    everybody = _everybody(connection)
    quote = connection.dialect.identifier_preparer.quote_identifier
    roles = {right: _role_name(connection, name, right) for right in RIGHTS}
    for right, role in roles.items():
        _create_role(connection, role)
        connection.exec_driver_sql(f"grant {everybody[right]} to {quote(role)}")
    reader, barista, owner = (quote(roles[right]) for right in RIGHTS)
    connection.exec_driver_sql(f"grant {reader} to {barista}")
    connection.exec_driver_sql(f"grant {barista} to {owner} with admin option")
    connection.exec_driver_sql(f"grant {reader} to {owner} with admin option")
    # who keeps the logbook is an owner too, so that it can be worked in while it has one venue
    if not connection.scalar(
        sa.text("select rolsuper from pg_catalog.pg_roles where rolname = current_user")
    ):
        connection.exec_driver_sql(f"grant {owner} to current_user")
    added = {"name": name, "added_at": datetime.now(UTC).isoformat(timespec="seconds")}
    connection.execute(venue.insert(), added | {right.value: role for right, role in roles.items()})


def _create_role(connection: sa.Connection, name: str) -> None:
    quoted = connection.dialect.identifier_preparer.quote_identifier(name)
    there = sa.text("select 1 from pg_catalog.pg_roles where rolname = :name")
    if connection.scalar(there, {"name": name}) is not None:
        raise LogbookError(
            f"the server has a role {name!r} already, left over from another logbook of this name. "
            f"Drop it first: DROP ROLE {quoted}"
        )
    connection.exec_driver_sql(f"create role {quoted} nologin")


def venues_seen(connection: sa.Connection) -> tuple[str, ...]:
    """The venues that this login belongs to, by name."""
    return tuple(connection.scalars(sa.select(venue.c.name).order_by(venue.c.name)))


def settle_venue(engine: sa.Engine, asked: str | None) -> str | None:
    """The venue that an engine's connections work in from now on: the one its address asks for, or the only one.

    None where the logbook knows no venues.

    Raises
    ------
    LogbookError
        This login belongs to none, to several with none named, or is not bound by the rules between venues.
    NotFound
        It does not belong to the one asked for.
    """
    if engine.dialect.name != "postgresql":
        return None
    with engine.connect() as connection:
        if not has_venues(connection):
            if asked is not None:
                raise LogbookError(
                    f"this logbook has no venues, so it has no {asked!r}. Leave ?venue= out of the address, "
                    "or make them: chillrig logbook create --venue NAME"
                )
            return None
        seen = venues_seen(connection)
        if len(seen) > 1 and not connection.scalar(sa.text("select row_security_active('run')")):
            raise LogbookError(
                f"this login keeps the logbook of {len(seen)} venues and is not bound by the rules between them. "
                "Log in as somebody of one venue; chillrig logbook person NAME lets somebody in"
            )
    if not seen:
        raise LogbookError(
            "this login belongs to no venue of this logbook. Ask the owner of one: chillrig logbook person NAME"
        )
    if asked is not None and asked not in seen:
        raise NotFound("venue of yours", asked, seen)
    if asked is None and len(seen) > 1:
        raise LogbookError(
            f"you belong to {len(seen)} venues; say which at the end of the address: ?venue={' | '.join(seen)}"
        )
    chosen = asked or seen[0]
    if asked is None:
        work_in(engine, chosen)
        engine.dispose()  # connections made before work in none
    with engine.connect() as connection:
        records = sa.select(sa.literal(1)).where(
            venue.c.name == chosen, sa.text(_holds("venue", Right.BARISTA))
        )
        if connection.scalar(records) is None:
            only_reads(
                engine,
                f"you are a reader at {chosen}: you see everything there and change nothing. Ask an owner",
            )
    return chosen


def let_in(connection: sa.Connection, venue_name: str, person: str, right: Right | None) -> None:
    """Give somebody's login a right at a venue in place of the one it had; None: none.

    Raises
    ------
    NotFound
        There is no such venue, or no such login on the server.
    """
    row = (
        connection.execute(sa.select(venue).where(venue.c.name == venue_name)).mappings().one_or_none()
        if has_venues(connection)
        else None
    )
    if row is None:
        known = venues_seen(connection) if has_venues(connection) else ()
        raise NotFound("venue", venue_name, known)
    logins = connection.scalars(sa.text("select rolname from pg_catalog.pg_roles where rolcanlogin")).all()
    if person not in logins:
        raise LogbookError(
            f"the server knows no login {person!r}. Make it there first: createuser --pwprompt {person}"
        )
    quote = connection.dialect.identifier_preparer.quote_identifier
    held = sa.text("select 1 from pg_auth_members m where roleid = :role and member = :person")
    number = sa.text("select oid from pg_catalog.pg_roles where rolname = :name")
    whose = connection.scalar(number, {"name": person})
    for each in RIGHTS:
        role = connection.scalar(number, {"name": row[each.value]})
        has = connection.scalar(held, {"role": role, "person": whose}) is not None
        if has and each is not right:
            connection.exec_driver_sql(f"revoke {quote(row[each.value])} from {quote(person)}")
        if each is right and not has:
            connection.exec_driver_sql(f"grant {quote(row[each.value])} to {quote(person)}")


def _holds(table: str, right: Right) -> str:
    """SQL: whether whoever asks holds a right at a row of `venue`; a role that is gone is held by nobody."""
    return (
        "(select pg_catalog.pg_has_role(r.oid, 'usage') from pg_catalog.pg_roles r "
        f"where r.rolname = {table}.{right.value})"
    )


_WORKS_IN = f"v.name = coalesce(nullif(pg_catalog.current_setting('{WORKING_IN}', true), ''), v.name)"
"""SQL: whether a venue is the one the connection works in, or it works in none."""


def _mine(connection: sa.Connection, right: Right) -> str:
    """SQL: whether a row is of a venue at which whoever asks holds a right; worked out once a statement."""
    venues = f"select v.id from {_schema(connection)}.venue v where {_holds('v', right)} and {_WORKS_IN}"
    return f"venue_id = any (array({venues}))"


def _everybody(connection: sa.Connection, *, quoted: bool = True) -> dict[Right, str]:
    """The roles that hold, for all venues, what each right may do at all; by right."""
    quote = connection.dialect.identifier_preparer.quote_identifier
    names = {right: _role_name(connection, None, right) for right in RIGHTS}
    return {right: quote(name) if quoted else name for right, name in names.items()}


def _role_name(connection: sa.Connection, venue_name: str | None, right: Right) -> str:
    """A role's name: roles are the server's, so it names the database, and is cut where PostgreSQL would."""
    database, at = connection.execute(sa.text("select current_database(), current_schema()")).one()
    parts = ["chillrig", database, *([] if at == "public" else [at]), *([venue_name] if venue_name else [])]
    name = ".".join([*parts, right.value])
    if len(name.encode()) <= _LONGEST_NAME:
        return name
    return f"chillrig.{hashlib.sha256('.'.join(parts).encode()).hexdigest()[:32]}.{right.value}"


_LONGEST_NAME = 63
"""Bytes of a name in PostgreSQL."""


def _function(connection: sa.Connection) -> str:
    return f"{_schema(connection)}.venue_worked_in()"


def _schema(connection: sa.Connection) -> str:
    name = connection.scalar(sa.text("select current_schema()"))
    return connection.dialect.identifier_preparer.quote(str(name))
