"""`chillrig logbook`: a logbook that venues share, who may do what in it, and how it is brought to a newer schema."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import AsJson, Logbook, example
from rig.cli.printing import bullets, print_json, say
from rig.cli.source import existing_logbook_at, logbook_option
from rig.errors import RigError
from rig.session.places import new_logbook_at

if TYPE_CHECKING:
    import sqlalchemy as sa

EXAMPLE = example(
    "chillrig logbook create --venue harbour --venue pier \\",
    "    --logbook 'postgresql://keeper@venue/chillrig?sslmode=verify-full'",
    "chillrig logbook person anna --as barista --venue harbour \\",
    "    --logbook postgresql://keeper@venue/chillrig",
    "chillrig logbook migrate --dry-run \\",
    "    --logbook postgresql://keeper@venue/chillrig",
)

app = typer.Typer(
    help="A logbook that venues share: its venues, who may do what, its schema.",
    no_args_is_help=True,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

DryRun = Annotated[
    bool, typer.Option("--dry-run", help="Do it on the logbook itself, tell what it did, take it all back.")
]


@app.command("create", short_help="Make a logbook, and venues in it.", epilog=EXAMPLE)
def create(
    venue: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="A venue to have in it (PostgreSQL); can be given again."),
    ] = None,
    logbook: Logbook = None,
    dry_run: DryRun = False,
    as_json: AsJson = False,
) -> None:
    """Make a logbook with its tables; in PostgreSQL with venues, their roles, and rules that keep them apart.

    Asked again it adds venues. What is in a logbook that had none belongs to the first. Needs a login that may make
    tables and roles.
    """
    from rig.logbook.migrations import migrate
    from rig.logbook.venues import add_venues

    with _engine(new_logbook_at(logbook)) as engine:
        if not dry_run:
            migrate(engine)
        else:
            _refuse_behind(engine)
        fresh: tuple[str, ...] = ()
        if venue:
            with engine.connect() as connection, connection.begin() as whole:
                fresh = add_venues(connection, venue)
                if dry_run:
                    whole.rollback()
    if as_json:
        print_json({"venues_added": list(fresh), "dry_run": dry_run})
        return
    say("It would go well; nothing was changed." if dry_run else "The logbook is there.")
    if fresh:
        bullets([f"{name}: owner, barista and reader" for name in fresh])
        say("Let people in: chillrig logbook person NAME --as barista --venue " + fresh[0])


@app.command("person", short_help="What somebody may do at a venue.", epilog=EXAMPLE)
def person(
    name: Annotated[str, typer.Argument(metavar="LOGIN", help="Their login on the database server.")],
    may: Annotated[
        str,
        typer.Option("--as", metavar="RIGHT", help="reader, barista, owner; or nobody, to shut them out."),
    ],
    venue: Annotated[str, typer.Option(metavar="NAME", help="At which venue.")],
    logbook: Logbook = None,
    as_json: AsJson = False,
) -> None:
    """Say what somebody may do at a venue, in place of what they could before.

    A reader sees; a barista also records and corrects; an owner also deletes, brings back, and lets people in.
    """
    from rig.logbook.venues import RIGHTS, let_in

    known = {right.value: right for right in RIGHTS}
    if may not in (*known, "nobody"):
        raise typer.BadParameter(f"--as takes reader, barista, owner or nobody, found {may!r}")
    with _engine(existing_logbook_at(logbook)) as engine, engine.begin() as connection:
        let_in(connection, venue, name, known.get(may))
    if as_json:
        print_json({"login": name, "venue": venue, "right": may})
    else:
        say(f"{name} is now {may} at {venue}.")


@app.command("migrate", short_help="Bring a logbook to this chillrig's schema.", epilog=EXAMPLE)
def migrate_command(logbook: Logbook = None, dry_run: DryRun = False, as_json: AsJson = False) -> None:
    """Bring a logbook that is there to the schema that this chillrig works with.

    A logbook that is a file is brought along by whichever command opens it; one in PostgreSQL is brought along by
    this alone. Make a copy first (chillrig backup, or pg_dump).
    """
    from rig.logbook.migrations import migrate, rehearsed, schema_number

    with _engine(existing_logbook_at(logbook)) as engine:
        was = schema_number(engine)
        steps = rehearsed(engine)
        if not dry_run:
            migrate(engine)
        now = schema_number(engine)
    if as_json:
        told = [{"step": s.number, "for": s.words, "statements": list(s.statements)} for s in steps]
        print_json({"schema_before": was, "schema": now, "dry_run": dry_run, "steps": told})
        return
    if not steps:
        say(f"The logbook has schema {now}, the newest: there is nothing to do.")
        return
    for step in steps:
        say(f"Step {step.number}: {step.words}.")
        bullets(step.statements)
    if dry_run:
        say(f"All of it went well and was taken back: the logbook has schema {now} as before.")
        say(f"Do it: chillrig logbook migrate {logbook_option(logbook)}".rstrip())
    else:
        say(f"The logbook now has schema {now}.")


def _refuse_behind(engine: sa.Engine) -> None:
    """Refuse to try out venues where the tables are not there yet, or older."""
    from rig.logbook.migrations import rehearsed

    if due := rehearsed(engine):
        raise RigError(
            f"the logbook lacks {len(due)} steps of its schema: chillrig logbook migrate --dry-run tells which. "
            "Take them first, or run this without --dry-run"
        )


@contextmanager
def _engine(at: str) -> Iterator[sa.Engine]:
    """The database of a logbook, without opening it to work in."""
    from rig.logbook.connect import engine_for, explained, shown, url_from

    url = url_from(at)
    engine = engine_for(url)
    try:
        with explained(shown(url)):
            yield engine
    finally:
        engine.dispose()
