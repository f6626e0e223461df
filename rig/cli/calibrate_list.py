"""`chillrig calibrate list`: the calibrations kept, and which hold today."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli import calibration_words as words
from rig.cli.options import AsJson, Logbook, example
from rig.cli.printing import print_json, say, table

if TYPE_CHECKING:
    from rig.sensors.calibration import Calibration

EXAMPLE = example("chillrig calibrate list", "chillrig calibrate list --all --json")


def command(
    every: Annotated[
        bool, typer.Option("--all", help="Those that were replaced or have expired too.")
    ] = False,
    logbook: Logbook = None,
    as_json: AsJson = False,
) -> None:
    """List calibrations by device, with what they hold until."""
    from rig.logbook.calibrations import calibrations

    book = words.existing(logbook)
    found: tuple[Calibration, ...] = ()
    if book is not None:
        with book:
            found = calibrations(book)
    from rig.sensors.calibrating import now

    today = now().date()
    newest: dict[tuple[str, str, str], Calibration] = {}
    for c in found:
        newest.setdefault((c.device, c.channel, c.kind.value), c)
    shown = [c for c in found if every or c in newest.values()]

    def state(c: Calibration) -> str:
        if not c.holds_on(today):
            return "expired"
        return "holds" if c in newest.values() else "replaced"

    if as_json:
        print_json({"calibrations": [words.calibration_json(c) | {"state": state(c)} for c in shown]})
        return
    if not shown:
        say("No calibration is kept yet. Begin with: chillrig calibrate ice-point --help")
        return
    table(
        ("device", "kind", "state", "made", "until", "by"),
        [
            (words.named(c), c.kind.value, state(c), f"{c.when:%Y-%m-%d}", f"{c.expires:%Y-%m-%d}", c.method)
            for c in sorted(shown, key=lambda c: (c.device, c.channel, c.kind.value))
        ],
        words=6,
    )
