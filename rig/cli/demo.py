"""`chillrig demo`: the sample benches, from import to call."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from shutil import which
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rig.cli.bring_in.folders import Import, bring_in, print_import
from rig.cli.compare import print_comparison
from rig.cli.export import write_text
from rig.cli.options import AsJson, example
from rig.cli.printing import bullets, heading, print_json, progress, reader_units, say
from rig.cli.source import quoted
from rig.errors import RigError
from rig.session.places import LOGBOOK_FILE, make_folder

if TYPE_CHECKING:
    from datetime import datetime

    from rig.advice.call.calling import Call
    from rig.advice.compare.result import Comparison
    from rig.answer_units import AnswerUnits
    from rig.fitting.many_benches import BenchTask
    from rig.report.calls import DrinkCalls
    from rig.report.fit_summary import SetUpFit

EXAMPLE = example("chillrig demo", "chillrig demo --out somewhere-else")

MOST_DRINKS = 4
MOST_CALLS = 2
MOST_FINDINGS = 6
MOST_PAIRS = 3
LINE_GOES_ON = " ^\n    " if sys.platform == "win32" else " \\\n    "


@dataclass(frozen=True)
class Worked:
    """What a sample bench comes to: its set-ups, comparisons and calls, and the page of it."""

    bench: str
    set_ups: tuple[SetUpFit, ...]
    comparisons: tuple[Comparison, ...]
    drinks: tuple[DrinkCalls, ...]
    page: str


@dataclass(frozen=True)
class Shown:
    """One sample bench, brought in and worked out, and the page that was written of it."""

    brought_in: Import
    worked: Worked
    page: Path

    def to_dict(self) -> dict[str, Any]:
        """Stable keys; an entry of `demo --json`."""
        return {
            "import": self.brought_in.to_dict(),
            "comparisons": [c.to_dict() for c in self.worked.comparisons],
            "calls": [a.to_dict() for d in self.worked.drinks for a in d.calls],
            "report": str(self.page),
        }


def sample_benches() -> list[Path]:
    """The sample benches that came with the program, by name; empty where they are missing."""
    package = find_spec("sample_logs")
    homes = [] if package is None else package.submodule_search_locations or []
    return sorted(p.parent for home in homes for p in Path(home).glob("*/bench.toml"))


def command(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Where logbook and report go.")] = Path(
        "chillrig-demo"
    ),
    as_json: AsJson = False,
) -> None:
    """Show what this is for: import sample benches, find what is wrong, compare, call, and write a report.

    Everything goes into one folder, which may be deleted afterwards.
    """
    folders = sample_benches()
    if not folders:
        raise RigError("the sample benches are not beside the program; install chillrig again to have them")
    make_folder(out)
    at = out / LOGBOOK_FILE
    brought_in = _brought_in(at, folders, as_json)
    if not as_json:
        say(f"{len(folders)} sample benches, each imported, fitted and called for; all of it goes to {out}/.")
    shown: list[Shown] = []
    for worked in _in_order(_work_out(at, list(brought_in), as_json), list(brought_in)):
        page = out / ("report.html" if not shown else f"report-{worked.bench}.html")
        write_text(page, worked.page, overwrite=True)
        shown.append(Shown(brought_in[worked.bench], worked, page))
        if not as_json:
            _print_bench(shown[-1])
    if as_json:
        print_json({"logbook": str(at), "benches": [s.to_dict() for s in shown]})
    else:
        _print_next(at, shown)


def _brought_in(at: Path, folders: Sequence[Path], quiet: bool) -> dict[str, Import]:
    """The sample benches in the logbook, by name: the one with most to compare first, whose page has the plain name."""
    from rig.importing.bench_folder import open_bench
    from rig.logbook.store import open_logbook

    books = sorted(((f, open_bench(f)) for f in folders), key=lambda b: -len(b[1].set_ups))
    with open_logbook(at) as logbook:
        done = [bring_in(logbook, folder, folder.name, book, quiet)[0] for folder, book in books]
    return {d.name: d for d in done}


def _work_out(at: Path, names: Sequence[str], quiet: bool) -> Iterator[Worked]:
    """All that is shown of each bench, as they get done on the processors there are."""
    from datetime import datetime

    from rig.fitting.many_benches import each_bench
    from rig.work import PROCESSES, workers_on

    work = partial(work_out, made_at=datetime.now().astimezone(), units=reader_units())
    with progress(f"fitting and calling for {len(names)} benches", quiet) as tell:
        yield from each_bench(work, str(at.resolve()), names, workers_on(PROCESSES), tell)


def work_out(task: BenchTask, made_at: datetime, units: AnswerUnits) -> Worked:
    """Of whoever works on it: a bench fitted and called for."""
    from rig.fitting.many_benches import fit_of
    from rig.report.page import make_report, render

    with fit_of(task) as (_, fit):
        report = make_report(fit)
    return Worked(
        task.bench, report.set_ups, report.comparisons, report.drinks, render(report, made_at, units)
    )


def _in_order(done: Iterator[Worked], names: Sequence[str]) -> Iterator[Worked]:
    """Each as soon as those before it are there."""
    waiting: dict[str, Worked] = {}
    left = list(names)
    for worked in done:
        waiting[worked.bench] = worked
        while left and left[0] in waiting:
            yield waiting.pop(left.pop(0))


def _print_bench(shown: Shown) -> None:
    say("")
    print_import(shown.brought_in, MOST_FINDINGS)
    doubtful = [r for s in shown.worked.set_ups for r in s.doubtful]
    if doubtful:
        say("", "Runs to doubt, by the fit:")
        bullets([f"run {r.run}: {'; '.join(r.reasons)}." for r in doubtful[:MOST_FINDINGS]])
    for comparison in shown.worked.comparisons[:1]:
        heading(f"{comparison.recipe}, compared")
        print_comparison(comparison, most_pairs=MOST_PAIRS, brief=True)
    if shown.worked.drinks:
        heading("How long")
        _print_calls(shown.worked.drinks)


def _print_calls(drinks: Sequence[DrinkCalls]) -> None:
    """For each drink and target the set-up that serves it best: what to do, and what that rests on."""
    from rig.report.wording import basis_sentence, headline, target_words

    for d in drinks[:MOST_DRINKS]:
        say(f"{d.recipe} → {target_words(d.target)}")
        useful = [c for c in d.calls[:MOST_CALLS] if c.feasible] or [d.best]
        bullets([f"{headline(c)}. On {c.situation.set_up}. {basis_sentence(c.basis)}" for c in useful])


def _print_next(at: Path, shown: Sequence[Shown]) -> None:
    heading("What next")
    if elsewhere := _not_on_the_path():
        say(f"In this shell write {elsewhere} where it says chillrig.")
    say(f"Open {shown[0].page} in a browser, or all of it in the dashboard:")
    print(f"  chillrig dashboard --logbook {quoted(str(at))}")
    named = [(s, d) for s in shown for d in s.worked.drinks]
    if named:
        s, d = named[0]
        say("Ask for a call:")
        print(advise_command(at, s.brought_in.name, d.best))
    say("Put bench.toml, run_sheet.csv and traces/ of your own in a folder, then:")
    print("  chillrig import FOLDER")


def _not_on_the_path() -> str | None:
    """How this program was called, where its bare name would not be found; None where it would."""
    called = sys.argv[0]
    by_name = Path(called).name == "chillrig" and which("chillrig") is None
    return quoted(os.path.relpath(called)) if by_name else None


def advise_command(at: Path, bench_name: str, call: Call) -> str:
    """The command that asks for a call again, ready to paste."""
    s = call.situation
    parts = [
        f"chillrig advise --logbook {quoted(str(at))} --bench-name {quoted(bench_name)}",
        f"--technique {quoted(s.technique)} --vessel {quoted(s.vessel)} --ice {quoted(s.ice)}",
        f"--recipe {quoted(s.recipe)} --target {quoted(call.target.name)}",
    ]
    return "  " + LINE_GOES_ON.join(parts)
