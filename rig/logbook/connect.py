"""Open the database of a logbook, and turn what a database says into what a person can act on."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

import sqlalchemy as sa
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import StaticPool

from rig.errors import LogbookError, RigError
from rig.logbook.passwords import without_password

WORKING_IN = "chillrig.venue"
"""The setting of a PostgreSQL connection that names the venue it works in."""
_BUSY_MS = 5000
_PRAGMAS = (f"busy_timeout={_BUSY_MS}", "synchronous=full", "foreign_keys=on")
_CURES = (
    ("file is not a database", "it is no SQLite database", "Name another file"),
    ("malformed", "the file is damaged", "Restore a copy: chillrig restore"),
    ("is locked", "another program is writing to it", "Close that program, or try again"),
    ("readonly", "it may not be written", "Check the permissions of the file and its folder"),
    ("unable to open", "the file cannot be opened", "Check the path and its permissions"),
    ("disk is full", "the disk is full", "Free some space; nothing that was stored is lost"),
    (
        "disk I/O error",
        "the disk does not take it",
        "Keep the logbook on a disk of this computer, not on a share",
    ),
    (
        "password",
        "the user or password is refused",
        "Check the URL, and the password in ~/.pgpass, PGPASSFILE or PGPASSWORD",
    ),
    (
        "permission denied to create role",
        "this login may not create roles",
        "Log in as one that may: ALTER ROLE … CREATEROLE, or the server's own postgres",
    ),
    (
        "permission denied for schema",
        "this login may make no tables here",
        "Have whoever keeps the logbook run: chillrig logbook create",
    ),
    *(
        (sign, "this login may not do that here", "Ask an owner of the venue, or log in as somebody who may")
        for sign in (
            "permission denied",
            "row-level security",
            "must have admin option",
            "no schema has been selected",
        )
    ),
    (
        "no pg_hba.conf entry",
        "the server lets nobody in from here in this way",
        "Ask for TLS at the end of the address (?sslmode=verify-full), or ask whoever keeps the server",
    ),
    *(
        (
            sign,
            "the server's certificate is not one that this computer trusts",
            "Name the file of who signed it: ?sslrootcert=FILE, or check the server's name",
        )
        for sign in ("certificate verify failed", "root certificate file", "server certificate for")
    ),
    ("does not exist", "there is no such database or user", "Create it with createdb, or check the URL"),
    ("connection", "the database server does not answer", "Check the URL and that the server runs"),
)


def url_from(url_or_file: str | Path | None) -> sa.URL:
    """The database URL of a URL or file path; None is a logbook in memory.

    Raises
    ------
    LogbookError
        Where the text is no URL, or the directory of the file does not exist.
    """
    if url_or_file is None:
        return sa.URL.create("sqlite")
    if isinstance(url_or_file, str) and "://" in url_or_file:
        try:
            url = sa.make_url(url_or_file)
        except (ArgumentError, ValueError) as error:
            raise LogbookError(
                f"{url_or_file.partition('://')[0]}://… is no database URL. "
                "Write postgresql://user@host/database, or the path of a file"
            ) from error
        if url.drivername in ("postgres", "postgresql"):
            url = url.set(drivername="postgresql+psycopg")
        if url.get_backend_name() not in ("sqlite", "postgresql"):
            raise LogbookError(
                f"a logbook cannot live in {url.get_backend_name()!r}. Use a file (SQLite) or PostgreSQL"
            )
    else:
        url = sa.URL.create("sqlite", database=str(Path(url_or_file).expanduser()))
    if (file := file_at(url)) is not None:
        folder = file.parent
        if not folder.is_dir():
            raise LogbookError(f"{url.database}: the directory {folder} does not exist. Create it first")
    return url


def file_at(url: sa.URL) -> Path | None:
    """The file of a logbook that is one; None where it lives in a server or in memory."""
    if url.get_backend_name() != "sqlite" or not url.database or url.database == ":memory:":
        return None
    return Path(url.database)


def venue_asked(url: sa.URL) -> str | None:
    """The venue that an address names at its end, `?venue=NAME`; None where it names none."""
    told = url.query.get("venue")
    return told if isinstance(told, str) and told and url.get_backend_name() == "postgresql" else None


def engine_for(url: sa.URL) -> sa.Engine:
    """An engine whose writers lock at once and whose every commit is on disk.

    What else stands in the address of a server, `sslmode`, `sslrootcert`, `passfile` …, is the driver's.

    Raises
    ------
    LogbookError
        Where the driver is not installed.
    """
    if (file := file_at(url)) is not None and file.exists() and not _writable(file):
        url = _only_read(url, file)
    venue = venue_asked(url)
    if venue is not None:
        url = url.difference_update_query(["venue"])
    in_memory = url.get_backend_name() == "sqlite" and file_at(url) is None
    options: dict[str, Any] = {"pool_pre_ping": True}
    if in_memory:
        options = {"poolclass": StaticPool, "connect_args": {"check_same_thread": False}}
    try:
        engine = sa.create_engine(url, **options)
    except (ModuleNotFoundError, NoSuchModuleError) as error:
        raise LogbookError(
            f"the driver for {shown(url)} is not installed. Run: pip install 'chillrig[postgresql]'"
        ) from error
    if engine.dialect.name == "sqlite":
        sa.event.listen(engine, "connect", _on_connect)
        sa.event.listen(engine, "begin", _on_begin)
    if venue is not None:
        work_in(engine, venue)
    return engine


def work_in(engine: sa.Engine, venue: str) -> None:
    """Let every new connection of a PostgreSQL engine work in a venue (`rig.logbook.venues`)."""

    def tell(connection: Any, _record: object) -> None:
        cursor = connection.cursor()
        cursor.execute("select set_config(%s, %s, false)", (WORKING_IN, venue))
        cursor.close()
        connection.commit()

    sa.event.listen(engine, "connect", tell)


def is_only_read(engine: sa.Engine) -> bool:
    """Whether a logbook's file, or its folder, may not be written: it is read all the same."""
    return engine.url.query.get("mode") == "ro"


def _writable(file: Path) -> bool:
    return os.access(file, os.W_OK) and os.access(file.parent, os.W_OK)


def _only_read(url: sa.URL, file: Path) -> sa.URL:
    """The file opened without a trace: SQLite reads what stands written ahead only where it may write beside it."""
    ahead = file.with_name(f"{file.name}-wal")
    quiet = not ahead.exists() or not ahead.stat().st_size
    told = {"mode": "ro", "uri": "true"} | ({"immutable": "1"} if quiet else {})
    return url.set(database=f"file:{quote(str(file.absolute()))}").update_query_dict(told)


def only_reads(engine: sa.Engine, because: str) -> None:
    """Let nothing be written by an engine, and say why: sooner, and more plainly, than the database would."""
    engine.update_execution_options(chillrig_only_reads=because)


def writing(engine: sa.Engine) -> sa.Engine:
    """The same engine for transactions that write: on SQLite they take their place in the queue at once.

    Raises
    ------
    LogbookError
        Whoever opened it may only read.
    """
    if because := engine.get_execution_options().get("chillrig_only_reads"):
        raise LogbookError(str(because))
    return engine.execution_options(chillrig_writes=True)


def let_readers_in(engine: sa.Engine) -> None:
    """Have SQLite write ahead in a log, so that nobody who reads waits for a writer; the file keeps it."""
    if engine.dialect.name == "sqlite" and not is_only_read(engine):
        connection = engine.raw_connection()
        try:
            connection.cursor().execute("pragma journal_mode=wal")
        except sqlite3.Error as error:
            raise sa.exc.DBAPIError("pragma journal_mode=wal", None, error) from error
        finally:
            connection.close()


def shown(url: sa.URL) -> str:
    """The logbook's address as it may be printed: a file as its path, a URL without any password."""
    if url.get_backend_name() == "sqlite":
        return url.database or "the logbook in memory"
    return without_password(url.render_as_string(hide_password=False))


@contextmanager
def explained(where: str) -> Iterator[None]:
    """Raise what the database says as a LogbookError that names the logbook and the cure."""
    try:
        yield
    except LogbookError as error:
        raise LogbookError(f"{where}: {error}") from error
    except UnicodeDecodeError as error:  # a word of the file, or of SQLite about it, that is no text
        raise LogbookError(f"{where}: the file is damaged: {error}. Restore a copy of the logbook") from error
    except SQLAlchemyError as error:
        said = str(error.orig if isinstance(error, DBAPIError) else error).strip()
        for sign, what, cure in _CURES:
            if sign in said:
                raise LogbookError(f"{where}: {what}. {cure}") from error
        raise LogbookError(
            f"{where}: the database refuses: {without_password(said.splitlines()[0] if said else str(error))}"
        ) from error


@contextmanager
def reading(engine: sa.Engine, where: str) -> Iterator[sa.Connection]:
    """A connection to read by; what was kept and makes no sense is told as damage, a LogbookError."""
    with explained(where), engine.connect() as connection:
        try:
            yield connection
        except RigError:
            raise
        except (ValueError, KeyError, TypeError) as error:
            raise LogbookError(
                f"what it holds is damaged ({type(error).__name__}: {error}). Restore a copy of the logbook"
            ) from error


def _on_connect(connection: sqlite3.Connection, _record: object) -> None:
    # The sqlite3 module's own transactions would let half of a failed migration stay.
    connection.isolation_level = None
    for pragma in _PRAGMAS:
        connection.execute(f"pragma {pragma}")


def _on_begin(connection: sa.Connection) -> None:
    writes = connection.get_execution_options().get("chillrig_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
