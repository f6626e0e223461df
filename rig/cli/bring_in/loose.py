"""`chillrig import DRAWER`: loose logger files as proposed runs; stored once the set-up is told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.cli.bring_in.shown import asked, looking
from rig.cli.bring_in.stored import (
    PARTS,
    Made,
    Told,
    for_trace,
    joined_tables,
    logbook_for_profiles,
    made_run,
    store_run,
)
from rig.cli.printing import bullets, print_json, progress, say, table
from rig.cli.source import quoted
from rig.errors import RigError, TableRefused

_UNCLEAR = ("open", "left out")
_FEWEST_SHOWN, _MOST_SHOWN = 3, 20

if TYPE_CHECKING:
    from rig.importing.loose import Drawer, LooseFile, ProposedRun


def command(path: Path, told: Told) -> None:
    """Show which files make which run; store the runs where technique, vessel, ice and recipe are told."""
    from rig.importing.loose import drawer_of, loose_files
    from rig.importing.tabular.profile import TableProfile

    settings = TableProfile().with_settings({**told.settings, "columns": told.columns, "uses": told.uses})
    with progress(f"reading the files of {path.name}", told.as_json) as tell:
        drawer = drawer_of(loose_files(path, looking(told, logbook_for_profiles(told), settings), tell))
    whole = all(told.run.get(k) for k in PARTS)
    store, done = whole and not told.dry_run, {}
    with progress("storing the runs" if store else "looking at the runs", told.as_json) as tell:
        for n, r in enumerate(drawer.runs, 1):
            done[r.name] = _done(r, told, store)
            tell(n / len(drawer.runs))
    if told.as_json:
        print_json(_json(path, drawer, done))
        return
    n = sum(len(r.files) for r in drawer.runs) + len(drawer.over_several)
    unclear = [r for r in drawer.runs if done[r.name].startswith(_UNCLEAR)]
    clear = [r for r in drawer.runs if r not in unclear]
    shown = [*unclear, *clear[: max(_FEWEST_SHOWN, _MOST_SHOWN - len(unclear))]]
    say(f"{path}: {n} loose files, by clock and name {len(drawer.runs)} runs.", "", style="bold")
    table(
        ("run", "files", "began", "together by", "what was found"),
        [
            (
                r.name,
                "\n".join(f.name for f in r.files),
                "" if r.began is None else f"{r.began:%Y-%m-%d %H:%M:%S}",
                r.by,
                done[r.name],
            )
            for r in shown
        ],
        words=5,
    )
    if len(shown) < len(drawer.runs):
        say(f"and {len(drawer.runs) - len(shown)} more of which nothing is open; --json lists them all.")
    if drawer.over_several:
        say("", "Left running over several runs, to be given to each by itself:")
        bullets([f.name for f in drawer.over_several])
    _say_next(path, drawer, whole, told)


def _done(run: ProposedRun, told: Told, store: bool) -> str:
    """What became of a proposed run, in a word or with what is open."""
    for f in run.files:
        if f.open_point:
            where = f.name if f.proposal is None else asked(f.proposal, f.proposal.questions[0])
            return f"open: {where}" if f.proposal is not None else f"left out: {where}: {f.refused}"
    proposals = [f.proposal for f in run.files if f.proposal is not None]
    mine = replace(told, run={**told.run, "run": run.name})
    try:
        tables = for_trace(proposals, mine)
        joined = joined_tables(tables, mine)
        if not store:
            return joined.start_words
        made = made_run(proposals, mine, (), joined)
        if _is_stored(made):
            return "stored before"
        store_run(made, proposals, mine, joined)
    except (TableRefused, RigError) as error:
        return f"open: {error}"
    return "stored"


def _is_stored(made: Made) -> bool:
    """Whether the logbook holds the very run, as after an import that was broken off."""
    import numpy as np

    (run,) = made.book.runs
    if made.opened is None or run.trace is None:
        return False
    if all(kept.run.run != run.run for kept in made.opened.list_runs(made.bench_name)):
        return False
    kept = made.opened.run(made.bench_name, run.run).trace
    return kept is not None and np.array_equal(kept.time_s, run.trace.time_s)


def _say_next(path: Path, drawer: Drawer, whole: bool, told: Told) -> None:
    if whole and not told.dry_run:
        say("", "What is open can be answered for all at once by its option, or run by run.")
        return
    say("", "Nothing was stored. To store all that is clear, say how they were made:")
    say(f"  chillrig import {quoted(str(path))} --technique T --vessel V --ice I --recipe R")
    first = next((r for r in drawer.runs if path.is_dir()), None)
    if first is not None:
        files = " ".join(quoted(str(path / f.name)) for f in first.files)
        say(
            "Or one by one, each with its own weights:",
            f"  chillrig import {files} --run {quoted(first.name)} --technique T …",
        )


def _json(path: Path, drawer: Drawer, done: dict[str, str]) -> dict[str, Any]:
    """Stable keys; the result of `import DRAWER --json`."""
    return {
        "folder": str(path),
        "runs": [
            {
                "run": r.name,
                "files": [f.name for f in r.files],
                "started_at": None if r.began is None else r.began.isoformat(),
                "grouped_by": r.by,
                "state": done[r.name],
            }
            for r in drawer.runs
        ],
        "over_several_runs": _names(drawer.over_several),
    }


def _names(files: Sequence[LooseFile]) -> list[str]:
    return [f.name for f in files]
