"""`chillrig overview`: the whole logbook at a glance, every bench of it."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import AsJson, Logbook, example
from rig.cli.printing import heading, print_json, say, table
from rig.cli.source import existing_logbook_at
from rig.errors import NotFound

if TYPE_CHECKING:
    from rig.advice.compare.overview import Overview

EXAMPLE = example("chillrig overview", "chillrig overview --recipe 'night shift'")
_MOST_ICES = 12


def command(
    recipe: Annotated[
        str | None, typer.Option(metavar="NAME", help="This recipe on every bench, with its spread.")
    ] = None,
    logbook: Logbook = None,
    as_json: AsJson = False,
) -> None:
    """Show every bench of the logbook: how many runs, whose newest runs differ, which ice differs where.

    By weighing alone, so that nothing waits for a fit: what a drink gained on the ice, as a share of its mass, held
    against the same drink, technique and ice at the same duration.
    """
    from rig.advice.compare.overview import RECENT, overview
    from rig.logbook.listing import LogbookListing
    from rig.logbook.store import open_logbook
    from rig.logbook.weighed import weighed_cells

    at = existing_logbook_at(logbook)
    with open_logbook(at) as opened:
        cells = weighed_cells(opened, RECENT)
    known = {c.recipe for c in cells}
    if recipe is not None and recipe not in known:
        raise NotFound("recipe with weighed runs", recipe, sorted(known))
    found = overview({n: s.tally for n, s in LogbookListing(at).states().items()}, cells, recipe)
    if as_json:
        print_json(asdict(found))
    else:
        _print(found, recipe)


def _print(found: Overview, recipe: str | None) -> None:
    from rig.advice.compare.overview import UNTOLD

    say(f"{len(found.benches)} benches, {sum(b.runs for b in found.benches):,} runs", style="bold")
    table(
        ("bench", "runs", "left out", "newest runs against those before"),
        [(b.bench, b.runs, b.excluded, UNTOLD if b.drift is None else b.drift.words) for b in found.benches],
        words=1,
    )
    if found.ices:
        heading("The same ice on one bench and on the others")
        shown = [i for i in found.ices if i.difference.sure] or list(found.ices)
        table(
            ("ice", "bench", "gains"),
            [(i.ice, i.bench, i.difference.words) for i in shown[:_MOST_ICES]],
            words=3,
        )
        if not any(i.difference.sure for i in found.ices):
            say("None differs for sure.")
    if recipe is not None:
        heading(f"{recipe}, moved for {found.recipes[0].duration_s:.1f} s")
        table(
            ("bench", "technique", "ice", "runs", "gained\n[% of mass]", "run to\nrun"),
            [
                (
                    r.bench,
                    r.technique,
                    r.ice,
                    r.runs,
                    f"{r.gain_pct:.1f}",
                    None if r.spread_pct is None else f"± {r.spread_pct:.1f}",
                )
                for r in found.recipes
            ],
            words=3,
        )
