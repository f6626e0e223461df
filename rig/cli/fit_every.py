"""What `chillrig fit --every` does: all benches of a logbook, on as many workers as there are."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from rig.cli.printing import bullets, print_json, progress, say, table
from rig.cli.source import existing_logbook
from rig.errors import RigError

if TYPE_CHECKING:
    from rig.work import Opening


def workers_for(at: str, on: str) -> Opening:
    """The workers asked for, for a logbook at an address that they will open themselves.

    Raises
    ------
    RigError
        There are none such, or the address has a password in it that would travel.
    """
    from rig.logbook.passwords import has_password
    from rig.work import is_cluster, workers_on

    workers = workers_on(on)
    if is_cluster(on) and has_password(at):
        raise RigError(
            "a password in the logbook's address would travel to every worker. Leave it out, and give each worker a "
            "password file (~/.pgpass)"
        )
    return workers


def whole_address(at: str) -> str:
    """A logbook's address as another process understands it."""
    return at if "://" in at else str(Path(at).resolve())


def fit_every(at: str, on: str, as_json: bool) -> None:
    """Fit every bench of the logbook at an address and say what came of each."""
    from rig.fitting.many_benches import fit_benches

    workers = workers_for(at, on)
    with existing_logbook(at) as logbook:
        names = [b.name for b in logbook.benches()]
    address = whole_address(at)
    with progress(f"fitting {len(names)} benches", as_json) as tell:
        found = sorted(fit_benches(address, names, workers, tell), key=lambda f: names.index(f.bench))
    if as_json:
        print_json([asdict(f) for f in found])
        return
    fitted = [f for f in found if f.refused is None]
    say(f"{len(fitted)} of {len(found)} benches fitted, {sum(f.runs for f in fitted):,} runs", style="bold")
    table(
        ("bench", "runs", "doubtful", "settled"),
        [(f.bench, f.runs, f.doubtful, "yes" if f.converged else "no") for f in fitted],
    )
    bullets([f"{f.bench}: {f.refused}." for f in found if f.refused is not None])
