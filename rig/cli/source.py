"""Where a command's runs come from: a bench folder as it lies, or one bench of the logbook."""

from __future__ import annotations

import shlex
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from rig.cli.printing import keep_names, progress
from rig.errors import NotFound, RigError
from rig.session.places import logbook_at

if TYPE_CHECKING:
    from rig.fitting.result import Fit
    from rig.logbook.store import Logbook
    from rig.runs import RunBook, SetUp


@dataclass(frozen=True)
class Source:
    """Runs, what to call them, and the logbook they come from, if any."""

    book: RunBook
    name: str
    logbook: Logbook | None = None

    def options(self, logbook: str | None) -> str:
        """The options that name this source again in another command."""
        if self.logbook is None:
            return f"--bench {quoted(self.name)}"
        return f"{logbook_option(logbook)}--bench-name {quoted(self.name)}"


def open_source(
    bench: Path | None, logbook: str | None, bench_name: str | None, *, with_traces: bool = True
) -> Source:
    """The runs a command was pointed to; those of a logbook come without their traces where nobody needs them.

    Raises
    ------
    RigError
        Nothing to read, a bench the logbook does not hold, or several with none named.
    """
    if bench is not None:
        if bench_name is not None:
            raise typer.BadParameter("give --bench or --bench-name, not both")
        from rig.importing.bench_folder import open_bench

        return _named(Source(open_bench(bench), str(bench)))
    opened = existing_logbook(logbook)
    name = the_bench(tuple(b.name for b in opened.benches()), bench_name)
    return _named(Source(opened.book(name, with_traces=with_traces), name, opened))


def _named(source: Source) -> Source:
    """The source, its bench's names safe from what reads units in texts."""
    keep_names(source.book.bench.names)
    return source


def existing_logbook(told: str | None) -> Logbook:
    """Open a logbook that must be there."""
    from rig.logbook.store import open_logbook

    return open_logbook(existing_logbook_at(told))


def existing_logbook_at(told: str | None) -> str:
    """Where a logbook is that must be there; a mistyped file is not made anew."""
    at = logbook_at(told)
    if "://" not in at and not Path(at).exists():
        raise RigError(
            f"there is no logbook at {at}. Import a bench first (chillrig import DIR), "
            "name a folder (--bench DIR), or see a worked example (chillrig demo)"
        )
    return at


def the_bench(names: tuple[str, ...], asked: str | None) -> str:
    """The bench asked for, or the only one."""
    if asked is not None:
        if asked not in names:
            raise NotFound("bench", asked, names)
        return asked
    if len(names) == 1:
        return names[0]
    if not names:
        raise RigError("the logbook is empty. Import a bench first: chillrig import DIR")
    raise RigError(f"the logbook holds {len(names)} benches; say which: --bench-name {' | '.join(names)}")


def fitted(source: Source, quiet: bool) -> Fit:
    """A source's fit, kept in its logbook; with a bar on stderr where fitting takes a while."""
    from rig.fitting.kept_fit import fit_or_kept

    with progress(f"fitting {source.name}", quiet) as tell:
        return fit_or_kept(source.book, source.logbook, source.name, tell)


def fitted_or_prior(source: Source, quiet: bool) -> Fit:
    """As `fitted`; where no run can be fitted, what stands before any run, which every answer then says."""
    from rig.fitting.kept_fit import fit_or_prior

    with progress(f"fitting {source.name}", quiet) as tell:
        return fit_or_prior(source.book, source.logbook, source.name, tell)


def chosen_set_ups(fit: Fit, technique: str | None, vessel: str | None, ice: str | None) -> tuple[SetUp, ...]:
    """The set-ups with runs that match what is given.

    Raises
    ------
    NotFound
        A name that none of them has.
    """
    chosen = fit.set_ups
    for part, wanted in (("technique", technique), ("vessel", vessel), ("ice", ice)):
        if wanted is None:
            continue
        known = tuple(dict.fromkeys(getattr(s, part) for s in chosen))
        if wanted not in known:
            raise NotFound(f"set-up with {part}", wanted, known)
        chosen = tuple(s for s in chosen if getattr(s, part) == wanted)
    return chosen


def logbook_option(logbook: str | None) -> str:
    """The option that names a logbook again in another command, without its password; empty for one's own."""
    from rig.logbook.passwords import without_password

    return f"--logbook {quoted(without_password(logbook))} " if logbook else ""


def quoted(text: str) -> str:
    """Text as one word of a shell command."""
    return subprocess.list2cmdline([text]) if sys.platform == "win32" else shlex.quote(text)
