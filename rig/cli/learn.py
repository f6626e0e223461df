"""`chillrig learn`: what the benches of a logbook have in common becomes the prior of each next fit."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from rig.cli.every import every_bench
from rig.cli.options import AsJson, Logbook, On, example
from rig.cli.printing import bullets, print_json, progress, say, table
from rig.cli.source import existing_logbook

EXAMPLE = example(
    "chillrig learn",
    "chillrig learn --on processes",
    "chillrig learn --share --logbook 'postgresql://anna@venue/chillrig'",
    "chillrig learn --forget",
)


def command(
    logbook: Logbook = None,
    rounds: Annotated[
        int, typer.Option(min=1, max=5, help="So often every bench is fitted and all are learned from.")
    ] = 2,
    on: On = "here",
    share: Annotated[
        bool | None,
        typer.Option(
            "--share/--no-share",
            help="Show other venues of the database what the benches here say, or no longer (owners). No name and "
            "no recipe is in it.",
        ),
    ] = None,
    forget: Annotated[
        bool, typer.Option("--forget", help="Go back to published priors; what benches say stays.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Learn from every bench of the logbook what vessels, ices, techniques, drinks and hands have in common.

    Each bench then starts from what the others know, a new one from what all know, and says so; its own runs soon
    count for more. Nothing is learned by itself: ask again after some evenings. A dashboard that is open takes it in
    with the next run.
    """
    from rig.fitting.learning import learn_benches
    from rig.logbook.memory import is_shared, keep_populations, set_shared

    every = every_bench(logbook, on)
    with existing_logbook(every.at) as opened:
        if share is not None:
            set_shared(opened, share)
        shared = is_shared(opened)
        if forget:
            keep_populations(opened, {})
    if forget:
        _print_forgotten(shared, as_json)
        return
    with progress(f"learning from {len(every.names)} benches", as_json) as tell:
        found = learn_benches(every.at, every.names, every.workers, rounds, tell)
    told = [b for b in found.benches if b.refused is None]
    if as_json:
        print_json(
            {
                "benches": [asdict(b) for b in found.benches],
                "new_bench": None if found.new_bench is None else found.new_bench.told(),
                "shared": shared,
            }
        )
        return
    if found.new_bench is None:
        say("Nothing was learned: no bench has runs that can be fitted. Published priors serve as before.")
    else:
        say(f"A new bench now starts {found.new_bench.words}.", style="bold")
        table(("bench", "runs"), [(b.bench, b.runs) for b in told])
    bullets([f"{b.bench}: {b.refused}." for b in found.benches if b.refused is not None])
    if shared:
        say("", "Other venues of this database are shown what these benches say, without a name or a recipe.")


def _print_forgotten(shared: bool, as_json: bool) -> None:
    if as_json:
        print_json({"benches": [], "new_bench": None, "shared": shared})
    else:
        say("Forgotten: every bench starts from published priors again.")
