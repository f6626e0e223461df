"""`chillrig units`: which units answers are told in."""

from __future__ import annotations

from typing import Annotated

import typer

from rig.cli.options import AsJson, example
from rig.cli.printing import print_json, reader_units, say

EXAMPLE = example("chillrig units us", "chillrig units F g ml", "chillrig --units us compare --bench my-bar")


def command(
    units: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[UNIT]...", help="C or F, g or oz, ml or floz; us for all three; metric as it was."
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say or choose the units of answers, kept for you: here, and in every browser that has chosen none.

    For one command, or one terminal: --units, or CHILLRIG_UNITS. JSON and files stay in °C, g and ml, and so does a
    number typed without a unit.
    """
    from rig.answer_units import answer_units
    from rig.session.kept_units import keep_units

    chosen = answer_units(" ".join(units)) if units else reader_units()
    kept = keep_units(chosen) if units else None
    if as_json:
        print_json({"temperature": chosen.temperature, "mass": chosen.mass, "volume": chosen.volume})
    else:
        say(f"Answers are in {chosen}{'' if kept is None else ', from now on'}.")
