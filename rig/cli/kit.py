"""`chillrig kit`: what to measure with next."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.advise import wanted_target
from rig.cli.options import AsJson, BenchFolder, BenchName, Ice, Logbook, OfRecipe, Technique, Vessel, example
from rig.cli.plan import situations_of
from rig.cli.printing import bullets, heading, print_json, say, table
from rig.cli.source import fitted_or_prior, open_source
from rig.errors import NotFound

if TYPE_CHECKING:
    from rig.advice.plan.kit_parts import Part

EXAMPLE = example(
    "chillrig kit --bench my-bar --technique shake \\",
    "    --vessel 'two-piece steel' --ice 'freezer cube' \\",
    "    --recipe 'quayside black' --target coupe",
    "chillrig kit --bench my-bar --target coupe --have scale",
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
    have: Annotated[
        str | None,
        typer.Option(
            metavar="PART",
            help="The most you have: nothing, scale, 'end temperature', 'start and stop heard', probe or calibration. "
            "Told from the runs unless given.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say what the next thing to measure with would do for a call, before it is bought.

    With no drink named in full, the one with most runs among those that match.
    """
    from rig.advice.plan.kit import kit_worth
    from rig.advice.plan.kit_words import HEADS, NOTES, basis, figures, rows, summary
    from rig.answer_units import true_minus
    from rig.report.wording import target_words

    source = open_source(bench, logbook, bench_name)
    wanted = wanted_target(source.book.bench.targets, target, {})
    fit = fitted_or_prior(source, as_json)
    matching = situations_of(fit, (technique, vessel, ice, recipe), drink_temp_c, ice_mass_g)
    asked = max(matching, key=lambda s: len(fit.runs_of(s.set_up, s.recipe)))
    told = kit_worth(fit, asked, wanted, _named(have))
    if as_json:
        print_json({"summary": true_minus(summary(told)), **told.to_dict(), "notes": list(NOTES)})
        return
    say(summary(told), style="bold")
    say("", f"Target: {target_words(wanted)}.", f"{basis(told)}.", "")
    table([h.replace(" ", "\n") for h in HEADS], rows(told), words=6)
    heading("How well each part measures, as taken here")
    bullets(figures(told))
    heading("Mind")
    bullets(NOTES)


def _named(have: str | None) -> Part | None:
    from rig.advice.plan.kit_parts import Part

    if have is None:
        return None
    for part in Part:
        if part.value == have.strip().casefold():
            return part
    raise NotFound("part", have, [p.value for p in Part])
