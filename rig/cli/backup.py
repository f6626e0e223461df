"""`chillrig backup` and `chillrig restore`: copies of the logbook, made and brought back."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from rig.cli.options import AsJson, Logbook, example
from rig.cli.printing import print_json, say, table
from rig.cli.source import existing_logbook_at
from rig.errors import RigError
from rig.session.places import logbook_at

BACKUP_EXAMPLE = example("chillrig backup", "chillrig backup --logbook my-bar.sqlite --json")
RESTORE_EXAMPLE = example(
    "chillrig restore --list",
    "chillrig restore",
    "chillrig restore /media/stick/logbook-20310406-150000.sqlite",
)


def backup(logbook: Logbook = None, as_json: AsJson = False) -> None:
    """Copy the logbook, check the copy, and keep it in the folder `backups` beside the logbook.

    The logbook may be in use meanwhile. Keep one copy on another disk too.
    """
    from rig.logbook.copies import back_up

    copy = back_up(_file(existing_logbook_at(logbook)), datetime.now().astimezone())
    if as_json:
        print_json({"copy": str(copy)})
    else:
        say(f"Copied and checked: {copy}", "Keep one copy on another disk too.")


def restore(
    copy: Annotated[
        Path | None,
        typer.Argument(metavar="COPY", help="The copy to bring back. Default: the newest that is whole."),
    ] = None,
    logbook: Logbook = None,
    only_list: Annotated[bool, typer.Option("--list", help="Only show the copies there are.")] = False,
    as_json: AsJson = False,
) -> None:
    """Bring a copy of the logbook back.

    The copy is checked first. What was there before is kept whole, in a folder beside the copies, and named. Close
    the dashboard before: a logbook that is in use is left alone. Never copy a backup over the logbook by hand: what a
    crash left beside the old file would be written into it.
    """
    from rig.logbook.copies import backups_of
    from rig.logbook.restoring import newest_whole
    from rig.logbook.restoring import restore as bring_back

    file = _file(logbook_at(logbook))
    if only_list:
        copies = backups_of(file)
        if as_json:
            print_json({"copies": [{"made_at": made.isoformat(), "copy": str(at)} for made, at in copies]})
        elif copies:
            rows = [
                (f"{made:%Y-%m-%d %H:%M:%S}", f"{at.stat().st_size / 1e6:.1f} MB", str(at))
                for made, at in copies
            ]
            table(("made", "size", "copy"), rows, words=3)
        else:
            say("There is no copy yet. Make one: chillrig backup")
        return
    done = bring_back(file, copy or newest_whole(file), datetime.now().astimezone())
    if as_json:
        print_json({"restored": str(done.copy), "kept": None if done.kept is None else str(done.kept)})
        return
    say(f"Restored {done.copy} as {file}.")
    if done.kept is not None:
        say(f"What was there before is kept in {done.kept}.")
    say("Next: chillrig runs shows what it holds; bring in again what was made since.")


def _file(at: str) -> Path:
    """The logbook's file.

    Raises
    ------
    RigError
        It lives in a database server, which has tools of its own.
    """
    from rig.logbook.connect import file_at, url_from
    from rig.logbook.copies import POSTGRES_WORDS

    file = file_at(url_from(at))
    if file is None:
        raise RigError(POSTGRES_WORDS)
    return file
