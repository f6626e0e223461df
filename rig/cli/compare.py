"""`chillrig compare`: which set-up is colder, thinner or quicker."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import AsJson, BenchFolder, BenchName, Ice, Logbook, Technique, Vessel, example
from rig.cli.printing import bullets, print_json, say, table, two_lines
from rig.cli.source import Source, chosen_set_ups, fitted, open_source

if TYPE_CHECKING:
    from rig.advice.compare.compare import Comparison

MOST_CHANGES = 16
EXAMPLE = example(
    "chillrig compare --bench my-bar --vessel 'two-piece steel' --duration-s 12",
    "chillrig compare --bench my-bar --recipe 'quayside black' --target coupe",
    "chillrig compare --bench my-bar --by session --since 2031-04-01",
)


def command(
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    technique: Technique = None,
    vessel: Vessel = None,
    ice: Ice = None,
    recipe: Annotated[
        str | None, typer.Option(help="The drink to compare; default: the one measured most.")
    ] = None,
    duration_s: Annotated[float | None, typer.Option(help="Compare after this long [s].")] = None,
    target: Annotated[
        str | None, typer.Option(metavar="NAME", help="Compare on the way to this target's temperature.")
    ] = None,
    serve_temp_c_max: Annotated[float | None, typer.Option(help="Compare on the way to this [°C].")] = None,
    drink_temp_c: Annotated[float | None, typer.Option(help="The drink before the ice [°C].")] = None,
    by: Annotated[
        str | None, typer.Option(help="Compare runs instead by day, session, operator or ice-batch.")
    ] = None,
    since: Annotated[
        datetime | None,
        typer.Option(
            formats=["%Y-%m-%d"],
            metavar="DATE",
            help="With --by: runs from then on; alone: before against since.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Compare set-ups pair by pair, at equal time and at equal temperature, and say how sure it is.

    With --by or --since it says what changed between runs instead, once what the fit expects of each is taken away. A
    batch of ice is whatever the run sheet's column ice_batch names.
    """
    from rig.advice.compare.compare import compare
    from rig.bench import Target

    source = open_source(bench, logbook, bench_name)
    if by is not None or since is not None:
        _what_changed(source, by, since, as_json)
        return
    goal = None
    if serve_temp_c_max is not None:
        goal = Target(serve_temp_c_max=serve_temp_c_max)
    elif target is not None:
        goal = source.book.bench.target(target)
    fit = fitted(source, as_json)
    found = compare(
        fit,
        set_ups=chosen_set_ups(fit, technique, vessel, ice),
        recipe=recipe,
        duration_s=duration_s,
        target=goal,
        drink_temp_c=drink_temp_c,
    )
    if as_json:
        print_json(found.to_dict())
    else:
        say(f"{source.book.bench.title}: {found.recipe}", style="bold")
        say("")
        print_comparison(found)


def _what_changed(source: Source, by: str | None, since: datetime | None, as_json: bool) -> None:
    from rig.advice.compare.changes import By
    from rig.advice.compare.what_changed import what_changed

    ways = [b.value for b in By if b is not By.SINCE]
    if by is not None and by not in ways:
        raise typer.BadParameter(f"is one of {', '.join(ways)}, found {by!r}", param_hint="--by")
    found = what_changed(fitted(source, as_json), by=by, since=None if since is None else since.date())
    if as_json:
        print_json(found.to_dict())
        return
    say(f"{source.book.bench.title}: what changed by {found.by.words}", "", style="bold")
    table((found.by.words, "sound runs"), list(found.groups.items()))
    say("")
    told = found.sentences
    bullets(told[:MOST_CHANGES])
    if len(told) > MOST_CHANGES:
        say(f"  … and {len(told) - MOST_CHANGES} more; --json lists all.")
    say("", "Notes:")
    bullets(found.notes)


def print_comparison(found: Comparison, *, most_pairs: int = 12, brief: bool = False) -> None:
    """A table of the set-ups, and pairs in a sentence each, first those that differ in least.

    `brief` leaves out what is noted of single set-ups.
    """
    from rig.answer_units import true_minus
    from rig.report.wording import not_comparable, pairs_in_words

    after = "" if found.duration_s is None else f"after {found.duration_s:.3g} s"
    goal = "" if found.target_temp_c is None else f"{found.target_temp_c:z.1f} °C"
    table(
        (
            "set-up",
            "runs",
            f"{after}\n[°C]",
            f"{after}\n[dilution]",
            f"to {goal}\n[s]",
            f"at {goal}\n[dilution]",
        ),
        [
            (
                two_lines(s.set_up),
                s.runs,
                _with_range(s.temp_c, 1.0, ".1f"),
                _with_range(s.dilution_by_volume, 100.0, ".0f", " %"),
                _with_range(s.time_to_target_s, 1.0, ".0f"),
                _with_range(s.dilution_at_target, 100.0, ".0f", " %"),
            )
            for s in found.summaries
        ],
    )
    say("")
    close, others = pairs_in_words(found)
    sentences = (*close, *others)
    bullets(sentences[:most_pairs])
    if len(sentences) > most_pairs:
        more = len(sentences) - most_pairs
        say(f"  … and {more} more pairs: chillrig compare, with --ice or --vessel to choose.")
    gaps = () if brief else not_comparable(found)
    if gaps:
        say("", "Not comparable, and why:")
        bullets(gaps)
    notes = [] if brief else [f"{s.set_up}: {n}." for s in found.summaries for n in s.notes]
    notes = [n for n in notes if not any(g.startswith(n.removesuffix(".")) for g in gaps)]
    say("", "Notes:")
    bullets([true_minus(n) for n in (*found.notes, *notes)])


def _with_range(p: tuple[float, float, float] | None, scale: float, shape: str, unit: str = "") -> str:
    if p is None:
        return "–"
    low, middle, high = (format(scale * v, shape) for v in p)
    return f"{middle}{unit}\n{low} to {high}"
