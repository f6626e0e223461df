"""`chillrig plan`: which runs to make next."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.advise import require_technique, wanted_target
from rig.cli.options import AsJson, BenchFolder, BenchName, Ice, Logbook, OfRecipe, Technique, Vessel, example
from rig.cli.printing import bullets, heading, print_json, say, table
from rig.cli.source import fitted_or_prior, open_source
from rig.errors import BenchError, NotEnoughData, Place

if TYPE_CHECKING:
    from rig.advice.plan.plan import RunPlan
    from rig.advice.plan.power import ComparisonSize
    from rig.bench import Target
    from rig.fitting.result import Fit
    from rig.fitting.situation import Situation

EXAMPLE = example(
    "chillrig plan --bench my-bar --technique shake \\",
    "    --vessel 'two-piece steel' --ice 'freezer cube' \\",
    "    --recipe 'quayside black' --target coupe --runs 6 \\",
    "    --sheet next.csv --page next.html",
    "chillrig plan --bench my-bar --target coupe --to-see-k 1",
)


def command(
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    technique: Technique = None,
    vessel: Vessel = None,
    ice: Ice = None,
    recipe: OfRecipe = None,
    target: Annotated[str | None, typer.Option(metavar="NAME", help="A target of the bench.")] = None,
    drink_temp_c: Annotated[float | None, typer.Option(help="The drink before the ice [°C].")] = None,
    ice_mass_g: Annotated[float | None, typer.Option(help="The ice [g].")] = None,
    count: Annotated[int, typer.Option("--runs", help="How many runs to plan.")] = 6,
    start_temp_c: Annotated[
        list[float] | None, typer.Option(help="A start that can be made [°C]; may be given several times.")
    ] = None,
    here_only: Annotated[
        bool, typer.Option("--here-only", help="Only on the set-ups of the calls, not on related ones.")
    ] = False,
    blocks: Annotated[
        int | None, typer.Option(help="Sessions or ice batches to spread the runs over.")
    ] = None,
    seed: Annotated[int, typer.Option(help="Of the order of the runs.")] = 1,
    to_see_k: Annotated[
        float | None, typer.Option(help="Say also how many runs it takes to see this difference [K].")
    ] = None,
    to_see_dilution: Annotated[
        float | None, typer.Option(help="The same in dilution: 0.03 is 3 ml of water to 100 ml of drink.")
    ] = None,
    sheet: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a run sheet to fill in (CSV).")
    ] = None,
    page: Annotated[Path | None, typer.Option(metavar="FILE", help="Write a page to print (HTML).")] = None,
    as_json: AsJson = False,
) -> None:
    """Say which runs would most narrow a call, and what they are expected to gain, before any ice is broken.

    With no technique, vessel, ice and recipe, calls for every drink measured are narrowed together.
    """
    from rig.advice.plan.plan import Asked, plan_runs
    from rig.advice.plan.power import runs_to_see
    from rig.advice.plan.sheet import printable, run_sheet

    source = open_source(bench, logbook, bench_name)
    wanted = wanted_target(source.book.bench.targets, target, {})
    fit = fitted_or_prior(source, as_json)
    situations = situations_of(fit, (technique, vessel, ice, recipe), drink_temp_c, ice_mass_g)
    plan = plan_runs(
        fit,
        [Asked(s, wanted) for s in situations],
        count=count,
        set_ups=list(dict.fromkeys(s.set_up for s in situations)) if here_only else None,
        start_temps_c=start_temp_c or None,
        blocks=blocks,
        seed=seed,
    )
    sizes = []
    for k, d in ((to_see_k, None), (None, to_see_dilution)):
        if k is not None or d is not None:
            call = plan.narrowings[0]
            sizes.append(runs_to_see(fit, call.situation, call.duration_s, temp_k=k, dilution=d))
    if sheet is not None:
        taken = [r.run for r in source.book.runs]
        _write(sheet, run_sheet(plan, fit.bench, wanted.name, taken))
    if page is not None:
        _write(page, printable(plan, f"Next runs: {source.book.bench.title}"))
    if as_json:
        print_json(plan.to_dict() | {"comparisons": [s.to_dict() for s in sizes]})
    else:
        print_plan(plan, wanted, sizes)
        for file in (sheet, page):
            if file is not None:
                say(f"Written: {file}")


def situations_of(
    fit: Fit,
    named: tuple[str | None, str | None, str | None, str | None],
    drink_temp_c: float | None,
    ice_mass_g: float | None,
) -> list[Situation]:
    """The drink named in full, or every measured one that matches what is given."""
    from rig.fitting.situation import Situation

    technique, vessel, ice, recipe = named
    for kind, name in (("vessel", vessel), ("ice_type", ice), ("recipe", recipe)):
        if name is not None:
            getattr(fit.bench, kind)(name)
    conditions = {"drink_temp_c": drink_temp_c, "ice_mass_g": ice_mass_g}
    if technique is not None and vessel is not None and ice is not None and recipe is not None:
        require_technique(fit, technique)
        return [Situation(technique, vessel, ice, recipe, **conditions)]
    matching = [
        Situation(s.technique, s.vessel, s.ice, r, **conditions)
        for s, r in fit.measured
        if all(
            wanted in (None, has)
            for wanted, has in zip(named, (s.technique, s.vessel, s.ice, r), strict=True)
        )
    ]
    if not matching:
        raise NotEnoughData(
            "no drink measured matches. Name technique, vessel, ice and recipe in full to plan its first runs"
        )
    return matching


def _write(file: Path, text: str) -> None:
    if file.exists():
        raise BenchError("a file is there already", Place(str(file)), "Choose another name")
    try:
        file.write_bytes(text.encode())
    except OSError as error:
        raise BenchError(f"it cannot be written: {error.strerror}", Place(str(file))) from error


def print_plan(plan: RunPlan, target: Target, sizes: Sequence[ComparisonSize]) -> None:
    """A plan as one works from it: what it gains, the runs in order, what to mind."""
    from rig.advice.plan.sheet import HEADINGS, rows
    from rig.report.wording import percent, target_words

    say(f"Next {len(plan.runs)} runs", style="bold")
    say(f"Target: {target_words(target)}.", "", plan.summary, "")
    table(HEADINGS, rows(plan), words=7)
    heading("Expected for each call: now → then (half widths of 90 % bands)")
    table(
        (
            "call",
            "average\n[K]",
            "average\n[ml/100 ml]",
            "next drink\n[K]",
            "next drink\n[ml/100 ml]",
            "odds",
            "at most",
        ),
        [
            (
                f"{n.situation.recipe}\n{n.situation.set_up}",
                _pair(n.temp_average_k, 1.0),
                _pair(n.dilution_average, 100.0),
                _pair(n.temp_single_k, 1.0),
                _pair(n.dilution_single, 100.0),
                f"{percent(n.odds_now)} → {percent(n.odds_then)}",
                percent(n.odds_at_most),
            )
            for n in plan.narrowings
        ],
    )
    for s in sizes:
        say("", comparison_in_words(s))
    heading("Mind")
    bullets(plan.notes)


def _pair(values: tuple[float, float], scale: float) -> str:
    return " → ".join(f"{scale * v:.2g}" for v in values)


def comparison_in_words(s: ComparisonSize) -> str:
    """How many runs a comparison takes, in a sentence."""
    from rig.advice.call.odds import Result
    from rig.report.wording import percent

    is_temp = s.result is Result.TEMP_C
    size = f"{s.difference:g} K" if is_temp else f"{100 * s.difference:g} ml of water to 100 ml"
    spread = f"{s.sd:.2f} K" if is_temp else f"{100 * s.sd:.1f} ml of water to 100 ml"
    between = "" if s.runs_each_range is None else f" ({s.runs_each_range[0]} to {s.runs_each_range[1]})"
    rests = "what is usual" if s.freedom is None else f"{s.freedom} runs"
    return (
        f"To see {size} between two set-ups takes {s.runs_each} runs of each{between}: single runs scatter by "
        f"{spread} (from {rests}), and the test should find it in {percent(s.wanted_power)} of cases."
    )
