"""`chillrig import FILE...`: any logger's tables become one run; shown before anything is stored."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from rig.cli.bring_in.shown import (
    first_looks,
    print_proposal,
    print_start,
    print_steps,
    print_weighed,
    settled,
    tables_json,
)
from rig.cli.bring_in.stored import (
    PARTS,
    Told,
    bench_of,
    existing_run,
    for_trace,
    joined_tables,
    logbook_for_profiles,
    made_run,
    store_run,
)
from rig.cli.printing import print_findings, print_json, say
from rig.errors import RigError
from rig.session.places import logbook_at, make_folder

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.importing.proposal import Proposal
    from rig.importing.table_run import Joined
    from rig.importing.weighing_in import Step


def command(paths: Sequence[Path], told: Told) -> None:
    """Read the tables, show what they were taken for, and store the run unless told not to."""
    names = [p.name for p in paths]
    if len(set(names)) < len(names):
        raise RigError("two of the files have the same name. Rename one: marks and notes name files")
    _check_keys(told, paths)
    opened = logbook_for_profiles(told)
    proposals = [settled(p, told) for p in first_looks(paths, told, opened)]
    if not told.as_json:
        for proposal in proposals:
            print_proposal(proposal)
    bench = bench_of(told)
    steps = _steps(proposals, told, bench) if told.weigh_ins else ()
    if not told.as_json:
        print_steps(steps)
    joined, unclear = _joined(proposals, told)
    if not told.as_json:
        print_start(joined, unclear)
    named = told.into is not None or bool(told.run.get("run"))
    if not told.dry_run and not named and told.save_profile is None:
        raise typer.BadParameter(
            "say which run this is: --run NAME with --technique, --vessel, --ice and --recipe, "
            "or --into RUN; --dry-run only shows"
        )
    # a dry run judges what it can: a run without its set-up is not one yet
    whole = told.into is not None or all(told.run.get(k) for k in PARTS)
    made = made_run(proposals, told, steps, joined) if named and (whole or not told.dry_run) else None
    stored: str | None = None
    if not told.dry_run:
        if told.save_profile is not None:
            _save_profile(told, proposals)
        if made is not None:
            stored = store_run(made, proposals, told, joined)
    book = None if made is None else made.book
    if told.as_json:
        print_json(tables_json(proposals, told, steps, joined, unclear, book, stored))
        return
    if made is not None:
        print_weighed(made.weighed, told.weighed)
        print_findings([f for f in made.book.findings if f.place.file is None])
        if stored is not None:
            say("", f"Run {made.book.runs[0].run} is in {stored}.")
    if told.dry_run:
        say("", "Nothing was stored (--dry-run).")


def _check_keys(told: Told, paths: Sequence[Path]) -> None:
    for mark in told.marks:
        if mark not in {p.name for p in paths} | {str(p) for p in paths}:
            raise typer.BadParameter(f"--mark names {mark!r}, which is none of the files")


def _steps(proposals: Sequence[Proposal], told: Told, bench: Bench | None) -> tuple[Step, ...]:
    """The scale's weigh-ins, named by the recipe where one is known."""
    from rig.importing.tables import Role
    from rig.importing.weighing_in import steps_of
    from rig.signals.scale import plateaus

    masses = [c for p in proposals if p.table for c in p.table.of_role(Role.MASS)]
    if len(masses) != 1:
        found = ", ".join(repr(c.name) for c in masses) or "none"
        raise RigError(f'weigh-ins need one scale, found {found}. Leave others out: --role "NAME=ignore"')
    recipe = told.run.get("recipe")
    if recipe is None and told.into is not None and bench is not None:
        recipe = existing_run(told)[0].recipe
    rests = plateaus(masses[0].time_s, masses[0].value)
    return steps_of(rests, None if recipe is None or bench is None else bench.recipe(recipe))


def _joined(proposals: Sequence[Proposal], told: Told) -> tuple[Joined | None, str]:
    """The trace with the start of motion; where nothing is stored, what is open about it as words instead."""
    tables = for_trace(proposals, told)
    if not tables:
        return None, ""
    try:
        return joined_tables(tables, told), ""
    except RigError as error:
        if not told.dry_run and (told.into is not None or told.run.get("run")):
            raise
        return None, str(error)


def _save_profile(told: Told, proposals: Sequence[Proposal]) -> None:
    from rig.logbook.profiles import StoredProfile, keep_profile
    from rig.logbook.store import open_logbook

    assert told.save_profile is not None
    at = logbook_at(told.logbook)
    if "://" not in at:
        make_folder(Path(at).parent)
    several = len(proposals) > 1
    with open_logbook(at) as opened:
        for proposal in proposals:
            name = f"{told.save_profile} {Path(proposal.file).stem}" if several else told.save_profile
            keep_profile(opened, StoredProfile(name, proposal.shape, proposal.to_remember().to_dict()))
            if not told.as_json:
                say(f"Profile {name!r} is kept; files of this shape are read by it from now on.")
