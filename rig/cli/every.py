"""All benches of a logbook at once: fitted, checked, reported or learned from, on as many workers as there are."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, TypeVar

import typer

from rig.cli.printing import bullets, print_json, progress, reader_units, say, table
from rig.cli.source import existing_logbook, existing_logbook_at
from rig.errors import RigError

if TYPE_CHECKING:
    from rig.fitting.many_benches import BenchTask
    from rig.work import Opening

R = TypeVar("R")


class _OfBench(Protocol):
    """What came of a bench; `refused` says why nothing did."""

    @property
    def bench(self) -> str: ...

    @property
    def refused(self) -> str | None: ...


Found = TypeVar("Found", bound=_OfBench)


def refuse_one_bench(every: bool, on: str, *chosen: object) -> None:
    """Refuse what picks out a part of what `--every` takes whole, and workers where there is one bench."""
    if every and any(chosen):
        raise typer.BadParameter("--every takes all benches of the logbook as they are")
    if not every and on != "here":
        raise typer.BadParameter("--on goes with --every")


def fit_every(logbook: str | None, on: str, as_json: bool) -> None:
    """Fit every bench of a logbook, keep the fits there, and say what came of each."""
    from rig.fitting.many_benches import fit_one

    every = every_bench(logbook, on)
    found = every.in_order(every.each(fit_one, "fitting", as_json))
    if as_json:
        print_json([asdict(f) for f in found])
        return
    fitted = [f for f in found if f.refused is None]
    say(f"{len(fitted)} of {len(found)} benches fitted, {sum(f.runs for f in fitted):,} runs", style="bold")
    table(
        ("bench", "runs", "doubtful", "settled"),
        [(f.bench, f.runs, f.doubtful, "yes" if f.converged else "no") for f in fitted],
    )
    _refusals(found)


def check_every(logbook: str | None, on: str, as_json: bool) -> None:
    """Hold the fit of every bench of a logbook against its own runs, and say what came of each."""
    from rig.advice.check.bench_checks import check_one
    from rig.cli.fit_check import check_json

    every = every_bench(logbook, on)
    found = every.in_order(every.each(check_one, "checking", as_json))
    if as_json:
        print_json(
            [
                {"bench_name": f.bench, "refused": f.refused}
                | ({} if f.check is None else check_json(f.title, f.fingerprint, f.check))
                for f in found
            ]
        )
        return
    checks = {f.bench: f.check for f in found if f.check is not None}
    say(f"{len(checks)} of {len(found)} benches held against their own runs", style="bold")
    table(
        ("bench", "runs", "in the\n90 % band", "of", "lie to\none side"),
        [
            (
                name,
                len(check.left),
                "" if check.together is None else check.together.inside,
                "" if check.together is None else check.together.runs,
                len(check.leanings),
            )
            for name, check in checks.items()
        ],
    )
    say("", "Lie to one side: set-ups whose runs do so by more than chance; chillrig fit --check says which.")
    _refusals(found)


def report_every(logbook: str | None, on: str, to: Path, overwrite: bool, as_json: bool) -> None:
    """Write the report of every bench of a logbook into a folder, each as soon as it is made."""
    from rig.cli.export import write_text
    from rig.report.bench_reports import report_one

    every = every_bench(logbook, on)
    paths = {name: to / f"{_as_file_name(name)}.html" for name in every.names}
    for path in paths.values():
        if path.exists() and not overwrite:
            write_text(path, "", overwrite)  # refuses before the work is done
    work = partial(report_one, made_at=datetime.now().astimezone(), units=reader_units())
    found = []
    for made in every.each(work, "writing", as_json):
        if made.page is not None:
            write_text(paths[made.bench], made.page, overwrite)
        found.append(made)
    found = every.in_order(found)
    if as_json:
        print_json(
            [
                {
                    "bench": f.bench,
                    "path": None if f.page is None else str(paths[f.bench]),
                    "runs": f.runs,
                    "refused": f.refused,
                }
                for f in found
            ]
        )
        return
    made_of = sum(f.page is not None for f in found)
    say(f"The reports of {made_of} of {len(found)} benches are in {to}: open them in any browser.")
    _refusals(found)


@dataclass(frozen=True)
class Every:
    """All benches of the logbook at an address, and who works on them."""

    at: str
    names: tuple[str, ...]
    workers: Opening

    def each(self, work: Callable[[BenchTask], R], doing: str, quiet: bool) -> Iterator[R]:
        """What the work comes to for each, as they get done."""
        from rig.fitting.many_benches import each_bench

        with progress(f"{doing} {len(self.names)} benches", quiet) as tell:
            yield from each_bench(work, self.at, self.names, self.workers, tell)

    def in_order(self, found: Iterable[Found]) -> list[Found]:
        """What came of each, in the order of the benches."""
        return sorted(found, key=lambda f: self.names.index(f.bench))


def every_bench(logbook: str | None, on: str) -> Every:
    from rig.logbook.passwords import has_password
    from rig.work import is_cluster, workers_on

    at, workers = existing_logbook_at(logbook), workers_on(on)
    if is_cluster(on) and has_password(at):
        raise RigError(
            "a password in the logbook's address would travel to every worker. Leave it out, and give each worker a "
            "password file (~/.pgpass)"
        )
    with existing_logbook(at) as opened:
        names = tuple(b.name for b in opened.benches())
    # whoever works may do so in another folder
    return Every(at if "://" in at else str(Path(at).resolve()), names, workers)


_NOT_IN_FILE_NAMES = re.compile(r'[\x00-\x1f%/\\:*?"<>|]')


def _as_file_name(name: str) -> str:
    """A bench's name as a file's; what no file may be called is written as %2F is, so that no two become one."""
    return _NOT_IN_FILE_NAMES.sub(lambda found: f"%{ord(found[0]):02X}", name)


def _refusals(found: Sequence[_OfBench]) -> None:
    bullets([f"{f.bench}: {f.refused}." for f in found if f.refused is not None])
