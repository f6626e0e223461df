"""`chillrig report`: one HTML page to keep, send and print."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.every import refuse_one_bench, report_every
from rig.cli.export import write_text
from rig.cli.options import AsJson, BenchFolder, BenchName, Logbook, On, example
from rig.cli.printing import print_json, progress, reader_units, say
from rig.cli.source import fitted, open_source

if TYPE_CHECKING:
    from rig.fitting.result import Fit

EXAMPLE = example(
    "chillrig report --bench my-bar --to my-bar.html",
    "chillrig report --bench-name my-bar",
    "chillrig report --every --on processes --to reports",
)


def command(
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    to: Annotated[
        Path | None,
        typer.Option(
            metavar="PATH", help="Where the page goes: report.html; a folder with --every: reports."
        ),
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace a page that is there.")] = False,
    every: Annotated[
        bool, typer.Option("--every", help="A page of every bench of the logbook, into a folder.")
    ] = False,
    on: On = "here",
    as_json: AsJson = False,
) -> None:
    """Write a page with curves, comparisons, calls and technique cards.

    One file that opens without a network and prints on paper.
    """
    refuse_one_bench(every, on, bench, bench_name)
    if every:
        report_every(logbook, on, to or Path("reports"), overwrite, as_json)
        return
    to = to or Path("report.html")
    source = open_source(bench, logbook, bench_name)
    fit = fitted(source, as_json)
    write_report(fit, to, overwrite, as_json)
    if as_json:
        print_json({"path": str(to), "bench": source.book.bench.title, "runs": len(fit.runs)})
    else:
        say(f"The report of {len(fit.runs)} runs is in {to}: open it in any browser, print it from there.")


def write_report(fit: Fit, to: Path, overwrite: bool, quiet: bool) -> None:
    """Make the page of a fit and write it."""
    from rig.report.page import make_report, render

    if to.exists() and not overwrite:
        write_text(to, "", overwrite)  # refuses before the work is done
    with progress("writing the report", quiet) as tell:
        page = render(make_report(fit, tell), datetime.now().astimezone(), reader_units())
    write_text(to, page, overwrite)
