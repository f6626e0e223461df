"""Venues in one PostgreSQL logbook: what each role may do, and that none sees another's, whatever SQL it writes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError

from rig.errors import LogbookError, NotFound
from rig.logbook import schema
from rig.logbook.calibrations import calibrations, keep_calibration
from rig.logbook.migrations import STEPS, migrate, rehearsed, schema_number
from rig.logbook.store import Logbook, open_logbook
from rig.logbook.venues import Right, add_venues, create_table, keep_apart, let_in
from rig.runs import RunBook
from tests.logbook.conftest import Shared, empty_schema, keeping
from tests.logbook.test_calibrations_kept import PROBE

TABLES = tuple(t for t in schema.metadata.tables.values() if t is not schema.schema_version)


def filled(url: str, book: RunBook) -> None:
    """Put something into every table, as far as the login may."""
    with open_logbook(url) as logbook:
        logbook.add(book, "bar", "folder")
        logbook.edit_run("bar", "r1", {"drink_temp_c": 30}, "read it wrong")
        logbook.cache("fingerprint", b"a fit", "bar")
        keep_calibration(logbook, PROBE)


@contextmanager
def asking(url: str) -> Iterator[sa.Connection]:
    """A connection of somebody who writes SQL of their own; nothing of it is kept."""
    engine = sa.create_engine(url)
    with engine.connect() as connection:
        yield connection
        connection.rollback()
    engine.dispose()


def denied(connection: sa.Connection, *statements: str) -> str:
    """What the server says to statements of which it refuses one."""
    with pytest.raises(DBAPIError) as caught, connection.begin_nested():
        for statement in statements:
            connection.exec_driver_sql(statement)
    return str(caught.value.orig)


def rows(connection: sa.Connection, *statements: str) -> list[tuple[object, ...]]:
    """What the last of some statements gives."""
    for statement in statements:
        found = connection.exec_driver_sql(statement)
    return [tuple(row) for row in found]


def test_two_venues_have_a_bench_of_one_name_and_all_on_it_for_themselves(
    shared: Shared, book: RunBook
) -> None:
    here, there = shared.login("harbour", Right.BARISTA), shared.login("pier", Right.BARISTA)
    filled(here, book)
    with open_logbook(there) as pier, open_logbook(here) as harbour:
        assert pier.benches() == ()
        assert pier.cached("fingerprint") is None and calibrations(pier) == ()
        assert pier.add(book, "bar", "folder").new == len(book.runs)  # the same traces once more
        assert pier.book("bar") == book
        assert keep_calibration(pier, PROBE)
        pier.edit_run("bar", "r2", {"notes": "theirs"}, "theirs")
        assert harbour.run("bar", "r2") == book.runs[1]
        assert [c.why for c in harbour.history("bar", "r1")] == ["read it wrong"]
        assert pier.history("bar", "r1") == ()
    one = "select count(*) from trace where digest in (select trace from run)"
    for url in (here, there):
        with asking(url) as sql:
            assert rows(sql, one) == [(2,)]


@pytest.mark.parametrize("right", Right)
def test_no_sql_of_another_venue_reads_a_row_of_this(shared: Shared, book: RunBook, right: Right) -> None:
    filled(shared.login("harbour", Right.OWNER), book)
    there = shared.login("pier", right)
    with asking(shared.keeper) as sql:
        full = [t.name for t in TABLES if rows(sql, f"select 1 from {t.name} limit 1")]
    assert {"bench", "run", "trace", "channel", "run_history", "fit_cache", "calibration", "step"} <= set(
        full
    )
    harbour, pier = shared.venue("harbour"), shared.venue("pier")
    with asking(there) as sql:
        for name in (*full, "venue"):
            for setting in (harbour, pier, ""):
                seen = rows(sql, f"set chillrig.venue = '{setting}'", f"select * from {name}")
                assert [r for r in seen if pier not in r] == [], name
        assert "row-level security" in denied(sql, "set row_security = off", "select * from run")
        for role in ("owner", "barista", "reader"):
            said = denied(sql, f'set role "{shared.role("harbour", role)}"')
            assert "permission denied to set role" in said


def test_a_table_of_ones_own_called_venue_opens_no_door(shared: Shared, book: RunBook) -> None:
    filled(shared.login("harbour", Right.BARISTA), book)
    with asking(shared.login("pier", Right.BARISTA)) as sql:
        every = "select n as id, '' as name, current_user as reader from generate_series(1, 99) n"
        assert rows(sql, f"create temp table venue as {every}", "select * from run") == []


@pytest.mark.parametrize("right", [Right.BARISTA, Right.OWNER])
def test_no_sql_of_another_venue_writes_a_row_of_this(shared: Shared, book: RunBook, right: Right) -> None:
    here, there = shared.login("harbour", Right.BARISTA), shared.login("pier", right)
    filled(here, book)
    filled(there, book)
    with asking(here) as mine, asking(there) as sql:
        ((bench, venue),) = rows(mine, "select id, venue_id from bench")
        before = rows(mine, "select * from run order by id")
        planted = f"(venue_id, name, title, toml, rev) values ({venue}, 'planted', 'planted', '', 1)"
        assert "row-level security" in denied(sql, f"insert into bench {planted}")
        pointing = f"(bench_id, name, imported_at) values ({bench}, 'planted', '2031-01-01')"
        assert "violates foreign key" in denied(sql, f"insert into source {pointing}")
        for change in ("update run set notes = 'x'", "update bench set toml = ''"):
            condition = f"where venue_id = {venue} returning id"
            assert rows(sql, f"{change} {condition}") == []
        assert "permission denied" in denied(sql, f"update run set venue_id = {venue}")
        assert rows(mine, "select * from run order by id") == before


def test_a_reader_sees_all_and_can_write_nothing(shared: Shared, book: RunBook) -> None:
    filled(shared.login("harbour", Right.BARISTA), book)
    reader = shared.login("harbour", Right.READER)
    with open_logbook(reader) as logbook:
        assert len(logbook.book("bar").runs) == len(book.runs)
        assert logbook.cached("fingerprint") == b"a fit"
        for write in (
            lambda: logbook.edit_run("bar", "r1", {"notes": "x"}, "x"),
            lambda: logbook.delete_run("bar", "r1", "x"),
            lambda: logbook.add(book, "other", "folder"),
            lambda: logbook.cache("other", b"", "bar"),
            lambda: keep_calibration(logbook, PROBE),
        ):
            with pytest.raises(LogbookError, match="you are a reader at harbour"):
                write()
    with asking(reader) as sql:
        assert "permission denied" in denied(sql, "select nextval('bench_id_seq')")
        for table in TABLES:
            column = next(c.name for c in table.columns)
            for statement in (
                f"insert into {table.name} default values",
                f"update {table.name} set {column} = {column}",
                f"delete from {table.name}",
                f"truncate {table.name}",
                f"alter table {table.name} disable row level security",
                f"drop table {table.name}",
            ):
                said = denied(sql, statement)
                assert "permission denied" in said or "must be owner" in said, statement


def test_a_barista_records_and_corrects_but_deletes_and_administers_nothing(
    shared: Shared, book: RunBook
) -> None:
    barista = shared.login("harbour", Right.BARISTA)
    filled(barista, book)
    with open_logbook(barista) as logbook:
        logbook.exclude("bar", "r2", "spilt")
        logbook.undo("bar", "r2")
        with pytest.raises(LogbookError, match="may not do that here"):
            logbook.delete_run("bar", "r1", "a test")
        assert len(logbook.book("bar").runs) == len(book.runs)
    kept = (
        "bench",
        "run",
        "trace",
        "channel",
        "run_history",
        "bench_history",
        "step",
        "step_run",
        "calibration",
    )
    with asking(barista) as sql:
        for name in kept:
            assert "permission denied" in denied(sql, f"delete from {name}")
        for name in ("trace", "channel", "run_history", "bench_history", "calibration"):
            column = next(c.name for c in schema.metadata.tables[name].columns)
            assert "permission denied" in denied(sql, f"update {name} set {column} = {column}")
        for role in ("owner", "barista", "reader"):
            theirs = shared.role("harbour", role)
            said = denied(sql, f'grant "{theirs}" to {shared.known_as("harbour_barista")}')
            assert "must have admin option" in said


def test_an_owner_deletes_brings_back_and_lets_people_in_at_home_alone(shared: Shared, book: RunBook) -> None:
    owner = shared.login("harbour", Right.OWNER)
    filled(owner, book)
    with open_logbook(owner) as logbook:
        logbook.delete_run("bar", "r1", "a test")
        assert len(logbook.book("bar").runs) == len(book.runs) - 1
        logbook.restore_run("bar", "r1", "no test")
    with asking(owner) as sql:
        for name in ("run", "run_history", "trace"):
            assert "permission denied" in denied(sql, f"delete from {name}")
    newcomer = shared.person("ben")
    with pytest.raises(LogbookError, match="may not do that here"):
        open_logbook(newcomer)
    engine, login = sa.create_engine(owner), shared.known_as("ben")
    with engine.begin() as connection:
        let_in(connection, shared.venue("harbour"), login, Right.BARISTA)
    with open_logbook(newcomer) as logbook:
        logbook.edit_run("bar", "r1", {"notes": "hello"}, "mine")
    with engine.begin() as connection:
        let_in(connection, shared.venue("harbour"), login, Right.READER)
    with open_logbook(newcomer) as logbook, pytest.raises(LogbookError, match="you are a reader at"):
        logbook.edit_run("bar", "r1", {"notes": "hello again"}, "mine")
    with engine.begin() as connection:
        let_in(connection, shared.venue("harbour"), login, None)
    with pytest.raises(LogbookError, match="may not do that here"):
        open_logbook(newcomer)
    pier = shared.venue("pier")
    with pytest.raises(NotFound, match="there is no venue 'pier"), engine.begin() as connection:
        let_in(connection, pier, login, Right.READER)
    engine.dispose()


def test_who_belongs_to_two_venues_says_in_which_to_work(shared: Shared, book: RunBook) -> None:
    filled(shared.login("pier", Right.BARISTA), book)
    both = shared.person("anna", harbour=Right.BARISTA, pier=Right.READER)
    with pytest.raises(LogbookError, match=r"you belong to 2 venues; say which .*\?venue=harbour .* \| pier"):
        open_logbook(both)

    def at(name: str) -> str:
        return sa.make_url(both).update_query_dict({"venue": f"{name} {shared.mark}"}).render_as_string(False)

    with open_logbook(at("pier")) as logbook:
        assert logbook.book("bar").runs[1:] == book.runs[1:]
        with pytest.raises(LogbookError, match="you are a reader at pier"):
            logbook.exclude("bar", "r1", "spilt")
    with open_logbook(at("harbour")) as logbook:
        assert logbook.benches() == ()
        logbook.add(book, "bar", "folder")
    with pytest.raises(NotFound, match="did you mean 'harbour"):
        open_logbook(at("harbor"))


def test_a_login_that_no_rule_binds_works_only_where_there_is_one_venue_and_the_first_has_what_was_there(
    book: RunBook,
) -> None:
    with empty_schema() as at:
        shared = Shared(at)
        with open_logbook(shared.keeper) as logbook:
            logbook.add(book, "bar", "folder")
            logbook.edit_run("bar", "r1", {"notes": "x"}, "x")
            before = logbook.book("bar")
        reader = shared.login("harbour", Right.READER)
        with open_logbook(shared.keeper) as logbook:
            logbook.edit_run("bar", "r2", {"notes": "x"}, "x")
            logbook.undo("bar", "r2")
        stranger = shared.login("pier", Right.READER)
        with pytest.raises(LogbookError, match="keeps the logbook of 2 venues and is not bound"):
            open_logbook(shared.keeper)
        with open_logbook(reader) as logbook:
            assert logbook.book("bar") == before and len(logbook.history("bar", "r1")) == 1
        with open_logbook(stranger) as logbook:
            assert logbook.benches() == ()


def test_every_table_of_the_logbook_keeps_venues_apart(crowd: sa.URL) -> None:
    """A table that a later step brings is not forgotten."""
    later = sa.Table("later", schema.metadata, sa.Column("run_id", sa.ForeignKey("run.id"), primary_key=True))
    keyed = (
        "select pg_get_constraintdef(oid) from pg_constraint "
        "where conrelid = 'later'::regclass order by contype"
    )
    try:
        with keeping(crowd) as connection:
            create_table(connection, later)
            for _ in range(2):  # once more changes nothing
                keep_apart(connection)
            found = connection.exec_driver_sql(
                "select c.relname, c.relrowsecurity, count(p.polname) from pg_class c "
                "left join pg_policy p on p.polrelid = c.oid "
                "where c.relnamespace = current_schema()::regnamespace and c.relkind = 'r' group by 1, 2"
            ).all()
            keys = connection.scalars(sa.text(keyed)).all()
            connection.rollback()
    finally:
        schema.metadata.remove(later)
    assert {name for name, *_ in found} == {*schema.metadata.tables, "venue", "later"}
    for name, secured, policies in found:
        assert name == "schema_version" or (secured and policies), name
    assert "FOREIGN KEY (venue_id, run_id) REFERENCES run(venue_id, id)" in keys
    assert "PRIMARY KEY (venue_id, run_id)" in keys


def test_a_database_is_brought_along_by_command_alone_and_first_for_a_trial(book: RunBook) -> None:
    with empty_schema() as at:
        engine = sa.create_engine(at)
        migrate(engine, STEPS[:6])
        with pytest.raises(
            LogbookError, match=r"has schema 6, .* chillrig logbook migrate, first with --dry-run"
        ):
            open_logbook(at.render_as_string(False))
        tried = rehearsed(engine)
        assert [t.number for t in tried] == list(range(7, len(STEPS) + 1))
        assert any(s.startswith("CREATE TABLE step") for s in tried[0].statements)
        assert schema_number(engine) == 6
        assert "step" not in sa.inspect(engine).get_table_names()
        migrate(engine)
        engine.dispose()
        with open_logbook(at.render_as_string(False)) as logbook:
            logbook.add(book, "bar", "folder")


def test_a_file_is_one_venue(logbook: Logbook) -> None:
    if logbook._engine.dialect.name == "sqlite":
        with pytest.raises(LogbookError, match="a file is one venue"), logbook._engine.begin() as connection:
            add_venues(connection, ["harbour"])
