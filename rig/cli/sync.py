"""`chillrig sync`: this logbook and the one that venues share, brought together when the network is there."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import AsJson, Logbook, example
from rig.cli.printing import bullets, heading, print_json, say
from rig.cli.source import existing_logbook, quoted
from rig.errors import RigError

if TYPE_CHECKING:
    from rig.logbook.outbox import Waiting
    from rig.logbook.sync import Synced

EXAMPLE = example(
    "chillrig sync 'postgresql://anna@server/bars?sslmode=verify-full'",
    "chillrig sync",
    "chillrig sync --waiting",
)


def command(
    address: Annotated[
        str | None,
        typer.Argument(
            metavar="ADDRESS", help="The shared logbook, without a password. Default: the one of last time."
        ),
    ] = None,
    logbook: Logbook = None,
    only_waiting: Annotated[
        bool, typer.Option("--waiting", help="Only say what waits, and since when.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Send what is new here to a shared logbook, and take in what is new there.

    Everything else goes on without it. Cut short, it goes on where it was; nothing is sent twice. What two people
    corrected side by side is shown, and stays open until one of them corrects it once more.
    """
    from rig.logbook.outbox import waiting
    from rig.logbook.sync import sync_with

    with existing_logbook(logbook) as opened:
        before = waiting(opened)
        if only_waiting:
            _tell_waiting(before, as_json)
            return
        told = address or (None if before is None else before.address)
        if told is None:
            raise RigError(
                "this logbook has no other one to be brought together with yet. Name it: chillrig sync ADDRESS"
            )
        done = sync_with(opened, _there(told))
        _tell(done, waiting(opened), as_json)


def _there(address: str) -> str:
    """An address; a file by its whole path, which must be there: a mistyped one is not made anew."""
    if "://" in address:
        return address
    file = Path(address).expanduser().absolute()
    if not file.exists():
        raise RigError(
            f"there is no logbook at {file}. Make it first: chillrig logbook create --logbook {quoted(str(file))}"
        )
    return str(file)


def _tell_waiting(found: Waiting | None, as_json: bool) -> None:
    if as_json:
        print_json(_json(found))
    else:
        from rig.logbook.outbox import waiting_words

        say(waiting_words(found))


def _json(found: Waiting | None) -> dict[str, object]:
    if found is None:
        return {"address": None, "waiting": 0, "since": None, "synced_at": None, "refused": 0, "said": None}
    return {
        "address": found.address,
        "waiting": found.count,
        "since": None if found.since is None else found.since.isoformat(),
        "synced_at": None if found.synced_at is None else found.synced_at.isoformat(),
        "refused": found.refused,
        "said": found.said,
    }


def _tell(done: Synced, left: Waiting | None, as_json: bool) -> None:
    from rig.logbook.outbox import waiting_words

    if as_json:
        disputes = [{"bench": b, "run": r, "fields": list(f)} for (b, r), f in done.disputes.items()]
        counts = {"received": done.received, "sent": done.sent, "disputes": disputes}
        print_json(counts | {"refused": done.refused, "left": _json(left)})
        return
    say(f"{done.received} came, {done.sent} went.", waiting_words(left))
    if done.disputes:
        heading("Corrected by two people side by side")
        bullets(
            [
                f"{bench}, run {run}: {', '.join(fields)}. See: chillrig runs {quoted(run)} "
                f"--bench-name {quoted(bench)}"
                for (bench, run), fields in done.disputes.items()
            ]
        )
