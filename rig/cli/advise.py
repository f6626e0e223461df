"""`chillrig advise`: how long to shake."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rig.cli.options import AsJson, BenchFolder, BenchName, Logbook, example
from rig.cli.printing import bullets, print_json, say
from rig.cli.source import fitted_or_prior, open_source
from rig.errors import NotFound

if TYPE_CHECKING:
    from rig.advice.call.call import Advice
    from rig.bench import Target
    from rig.fitting.result import Fit

EXAMPLE = example(
    "chillrig advise --bench my-bar --technique shake \\",
    "    --vessel 'two-piece steel' --ice 'freezer cube' \\",
    "    --recipe 'quayside black' --drink-temp-c 24 \\",
    "    --dilution-by-volume 0.30 0.36 --serve-temp-c-max -2",
)

Pair = tuple[float, float] | None


def command(
    technique: Annotated[str, typer.Option(help="Technique: shake, stir, blend, swirl, build.")],
    vessel: Annotated[str, typer.Option(help="The vessel, by its name on the bench.")],
    ice: Annotated[str, typer.Option(help="The ice, by its name on the bench.")],
    recipe: Annotated[str, typer.Option(help="The recipe, by its name on the bench.")],
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    drink_temp_c: Annotated[float | None, typer.Option(help="The drink before the ice [°C].")] = None,
    drink_mass_g: Annotated[float | None, typer.Option(help="The drink before the ice [g].")] = None,
    ice_mass_g: Annotated[float | None, typer.Option(help="The ice [g].")] = None,
    ice_temp_c: Annotated[float | None, typer.Option(help="The ice [°C].")] = None,
    vessel_temp_c: Annotated[float | None, typer.Option(help="The vessel [°C].")] = None,
    room_temp_c: Annotated[float | None, typer.Option(help="The room [°C].")] = None,
    target: Annotated[str | None, typer.Option(metavar="NAME", help="A target of the bench.")] = None,
    dilution_by_volume: Annotated[
        Pair, typer.Option(metavar="LO HI", help="Water added ÷ starting volume: 0.30 0.36.")
    ] = None,
    serve_temp_c_max: Annotated[float | None, typer.Option(help="At this [°C] or colder.")] = None,
    serve_temp_c_min: Annotated[float | None, typer.Option(help="At this [°C] or warmer.")] = None,
    abv_pct: Annotated[Pair, typer.Option(metavar="LO HI", help="Alcohol by volume [%].")] = None,
    volume_ml: Annotated[Pair, typer.Option(metavar="LO HI", help="Volume in the glass [ml].")] = None,
    overrun_pct: Annotated[Pair, typer.Option(metavar="LO HI", help="Air ÷ liquid by volume [%].")] = None,
    overrun_pct_min: Annotated[
        float | None,
        typer.Option(
            help="At least this much air [%]. Learnt from runs with foam_ml: the whole drink, foam and all."
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say how long to shake (or stir, or blend) so that the drink lands in its target.

    Limits given here replace those of the named target. Without any, the bench's only target is taken.
    What is not given of drink, ice and room is taken as this bench usually has it, and the answer says so.
    """
    from rig.advice.call.call import advise

    source = open_source(bench, logbook, bench_name)
    limits = {
        "dilution_by_volume": dilution_by_volume,
        "serve_temp_c_max": serve_temp_c_max,
        "serve_temp_c_min": serve_temp_c_min,
        "abv_pct": abv_pct,
        "volume_ml": volume_ml,
        "overrun_pct": overrun_pct,
        "overrun_pct_min": overrun_pct_min,
    }
    wanted = wanted_target(source.book.bench.targets, target, limits)
    for kind, name in (("vessel", vessel), ("ice_type", ice), ("recipe", recipe)):
        getattr(source.book.bench, kind)(name)
    fit = fitted_or_prior(source, as_json)
    require_technique(fit, technique)
    call = advise(
        fit,
        technique=technique,
        vessel=vessel,
        ice=ice,
        recipe=recipe,
        target=wanted,
        drink_temp_c=drink_temp_c,
        drink_mass_g=drink_mass_g,
        ice_mass_g=ice_mass_g,
        ice_temp_c=ice_temp_c,
        vessel_temp_c=vessel_temp_c,
        room_temp_c=room_temp_c,
    )
    if as_json:
        print_json(call.to_dict())
    else:
        print_call(call)
    if source.logbook is not None:
        from rig.advice.check.call_log import AskedFrom, call_of_advice, keep

        keep(source.logbook, source.name, call_of_advice(call, fit, AskedFrom.ADVISE, datetime.now(UTC)))


def wanted_target(targets: Mapping[str, Target], name: str | None, limits: Mapping[str, Any]) -> Target:
    """The target meant: the named one, or the only one, with the limits given in place of its own."""
    from dataclasses import replace

    from rig.bench import Target

    given = {k: v for k, v in limits.items() if v is not None}
    if name is not None:
        if name not in targets:
            raise NotFound("target", name, targets)
        if not given:
            return targets[name]
        for one, other in (("overrun_pct", "overrun_pct_min"), ("overrun_pct_min", "overrun_pct")):
            if one in given:
                given.setdefault(other, None)
        return replace(targets[name], **given)
    if given:
        return Target(**given)
    if len(targets) == 1:
        return next(iter(targets.values()))
    known = f" NAME, one of {', '.join(repr(t) for t in targets)}" if targets else " NAME"
    raise typer.BadParameter(
        f"say what to land in: --target{known}; or --dilution-by-volume LO HI and the like"
    )


def require_technique(fit: Fit, technique: str) -> None:
    """A technique that nobody knows is more likely a slip than a new one."""
    from rig.bench import Motion

    known = dict.fromkeys([*fit.techniques, *fit.bench.techniques, *(m.value for m in Motion)])
    if technique not in known and fit.bench.motion(technique) is None:
        raise NotFound("technique", technique, known)


def print_call(call: Advice) -> None:
    """A call as a bartender reads it: what to do, what that assumes, where it lands and why, what to mind."""
    from rig.advice.call.texture import overrun_words
    from rig.report.wording import (
        assumptions,
        basis_sentence,
        headline,
        landing,
        limits,
        odds_words,
        seconds,
        target_words,
        what_ice_can_do,
    )

    say(headline(call), style="bold")
    say(f"{call.situation.recipe} · {call.situation.set_up}", f"{assumptions(call.filled)}.")
    air = overrun_words(call.target)
    wanted = target_words(call.target)
    wanted = (
        wanted if not air or air in wanted else f"{wanted}, {air}".removeprefix(", ").replace(": , ", ": ")
    )
    say(f"Target: {wanted}.", "")
    say(
        landing(call) + ".", limits(call), *filter(None, (what_ice_can_do(call),)), basis_sentence(call.basis)
    )
    if call.texture is not None:
        say("", "Texture:")
        bullets(call.texture.notes)
    if call.levers:
        say("", "What would help:")
        bullets([f"{v.what}: lands {odds_words(v.odds)} at {seconds(v.duration_s)} s" for v in call.levers])
    if call.cautions:
        say("", "Mind:")
        bullets(call.cautions)
