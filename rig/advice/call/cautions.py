"""What can hurt someone in this very case, said where it arises; local codes and licensed practice come first."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rig.advice.call.assumed import Filled, Origin
from rig.advice.recipe.people import (
    CAFFEINE_DAY_MG,
    CAFFEINE_PREGNANCY_DAY_MG,
    CAFFEINE_SINGLE_MG,
    CAFFEINE_SOURCE,
    Allergen,
    ForPeople,
    StandardDrink,
    for_people,
)
from rig.bench import Bench, Motion, Recipe
from rig.fitting.prediction import Prediction
from rig.fitting.priors import material
from rig.fitting.situation import Situation
from rig.physics.recipe_liquid import liquid_from_recipe
from rig.physics.sealed import BOROSILICATE_SHOCK_K, SODA_LIME_SHOCK_K, gauge_pressure_kpa, lid_force_n

HOT_C = 45.0
SCALD_C = 55.0
CHILLED_C, WARM_GLASS_C = 8.0, 40.0
"""A glass from a refrigerator is no warmer, one from the washer no colder (common practice, no source)."""
DEFER = "Local codes and licensed practice come first."


def cautions(bench: Bench, question: Filled, of_contents: Sequence[str]) -> tuple[str, ...]:
    """Warnings computed for one drink on one set-up, most urgent first; a start that nobody stated may be hot.

    `of_contents`: those of what the drink holds, as `contents` has them, which neither start nor ice changes.
    """
    situation, warmest = question.situation, question.warmest_start_c
    out = [
        *heat(bench, situation, warmest if warmest >= HOT_C else question.start.value),
        *_may_be_hot(question),
        *of_contents,
    ]
    return (*out, DEFER) if out else ()


def _may_be_hot(question: Filled) -> list[str]:
    start = question.start
    if start.origin is Origin.ASKED or question.warmest_start_c < HOT_C:
        return []
    which = f" {' and '.join(question.may_be_hot)} may be hot." if question.may_be_hot else ""
    return [
        f"Start not measured: nobody said how warm this drink is; it is taken at {start.value:z.0f} °C "
        f"({start.origin.value}) and may be {question.warmest_start_c:z.0f} °C.{which} Measure it before it is sealed, "
        "and ask again with it."
    ]


def heat(bench: Bench, s: Situation, start_c: float) -> list[str]:
    """Cautions for liquid at `start_c` met by ice in this set-up's vessel."""
    out = []
    motion = bench.motion(s.technique)
    sealed = motion in (Motion.SHAKE, Motion.BLEND, None)
    if sealed and start_c >= HOT_C:
        gauge = float(gauge_pressure_kpa(min(start_c, 100.0)))
        force = float(lid_force_n(gauge))
        out.append(
            f"Hot liquid in a sealed vessel: at {start_c:z.0f} °C pressure can rise by up to {gauge:.0f} kPa "
            f"(about {force:.0f} N on a 90 mm lid) and throw the lid. Never seal hot liquid alone: pour it onto "
            "the ice, let it chill a few seconds, open once to vent, then close and move; lid away from faces."
        )
    if motion is Motion.BLEND and start_c >= HOT_C:
        out.append(
            "Makers of blenders advise against hot liquid: fill no more than half, vent, start slowly."
        )
    if start_c >= SCALD_C:
        out.append(f"Liquid at {start_c:z.0f} °C scalds within seconds; keep hands dry and pour low.")
    vessel = bench.vessel(s.vessel)
    glass = "glass" in vessel.material.casefold()
    vessel_c = s.vessel_temp_c if s.vessel_temp_c is not None else 20.0
    if glass:
        ice_c = s.ice_temp_c if s.ice_temp_c is not None else bench.ice_type(s.ice).temp_c
        out += glass_shock(start_c, vessel_c, 0.0 if ice_c is None else ice_c, "glass vessel")
    if material(vessel).heat_capacity_j_per_gk and motion is Motion.SHAKE and glass:
        out.append("A glass shaker can break in the hand: check it for chips before every shake.")
    return out


def glass_shock(start_c: float, glass_c: float, ice_c: float | None, what: str) -> list[str]:
    """Cautions for a drink poured into a glass, and for ice in a hot one; `ice_c` None where there is no ice."""
    out = []
    jump = start_c - glass_c
    if glass_c <= CHILLED_C and jump > SODA_LIME_SHOCK_K:
        kept = "frozen" if glass_c < 0.0 else "chilled"
        out.append(
            f"Hot drink, {kept} glass: {start_c:z.0f} °C into a {what} at {glass_c:z.0f} °C is {jump:.0f} K at once; "
            f"a sudden {SODA_LIME_SHOCK_K:.0f} K can crack plain glass, less where it is scratched (heat-proof glass: "
            f"some {BOROSILICATE_SHOCK_K:.0f} K). Chill the drink first, or take metal or a glass at room temperature."
        )
    elif jump > SODA_LIME_SHOCK_K or start_c >= HOT_C:
        then = ", then ice," if ice_c is not None else ""
        out.append(
            f"Glass and heat: {start_c:z.0f} °C liquid{then} in a {what}; a sudden {SODA_LIME_SHOCK_K:.0f} K "
            "can crack plain glass, less where it is scratched. Use metal or heat-proof glass, or rest the drink first."
        )
    if ice_c is not None and glass_c >= WARM_GLASS_C and glass_c - ice_c > SODA_LIME_SHOCK_K:
        out.append(
            f"Hot glass and ice: a {what} at {glass_c:z.0f} °C, as from the washer, and ice at {ice_c:z.0f} °C are "
            f"{glass_c - ice_c:z.0f} K apart and can crack plain glass. Let the glass cool to room temperature first."
        )
    return out


def contents(bench: Bench, s: Situation, prediction: Prediction) -> list[str]:
    """Cautions for what a drink of the predicted size holds."""
    out = []
    recipe = bench.recipe(s.recipe)
    whole_g = float(liquid_from_recipe(recipe).liquid.mass_g)
    told = for_people(recipe, whole_g / float(np.sum(prediction.liquid.mass_g)))
    if told.ethanol_g > 1.0:
        us = told.standard_drinks[StandardDrink.US]
        out.append(
            f"Alcohol: {told.ethanol_g:.0f} g in this drink, {us:.1f} US standard drinks of "
            f"{StandardDrink.US.ethanol_g:.0f} g; dilution does not change that."
        )
    out += _caffeine(recipe, told)
    if recipe.allergens:
        out.append(
            f"Declared allergens: {', '.join(recipe.allergens)}. Tell the guest; undeclared ones are not known."
        )
    for allergen, ingredient in told.to_check:
        out.append(
            f"Allergen to check: {ingredient} may hold {allergen.label}, which the recipe does not declare; "
            "read its label and declare it."
        )
    return [*out, *_raw_egg(recipe)]


def _caffeine(recipe: Recipe, told: ForPeople) -> list[str]:
    mg, spread = told.caffeine_mg, recipe.caffeine_range_mg
    if not mg or spread is None:
        if told.caffeine_at_least:
            return [
                "Caffeine: the recipe has coffee but declares no caffeine; a shot holds about 60 mg (USDA: 63 mg)."
            ]
        return []
    least = "at least " if told.caffeine_at_least else ""
    scale = mg / spread.typical
    span = (
        ""
        if spread.is_known
        else f" ({spread.low * scale:.0f} to {spread.high * scale:.0f} by bean and brewing)"
    )
    text = f"Caffeine: {least}{mg:.0f} mg in this drink{span} (EFSA 2015: up to {CAFFEINE_SINGLE_MG:.0f} mg at once, "
    text += (
        f"{CAFFEINE_DAY_MG:.0f} mg a day for adults, {CAFFEINE_PREGNANCY_DAY_MG:.0f} mg a day in pregnancy)."
    )
    if told.ethanol_g > 1.0:
        text += " With alcohol it can hide how drunk one feels."
    out = [text]
    if mg > CAFFEINE_SINGLE_MG:
        out.append(
            f"Too much caffeine for one go: {mg:.0f} mg is above the {CAFFEINE_SINGLE_MG:.0f} mg at once that "
            f"{CAFFEINE_SOURCE}, holds safe for adults. Serve it smaller, or with decaffeinated coffee."
        )
    elif spread.high * scale > CAFFEINE_SINGLE_MG:
        out.append(
            f"The caffeine may be above {CAFFEINE_SINGLE_MG:.0f} mg at once, which {CAFFEINE_SOURCE}, holds safe for "
            "adults: how much it is depends on bean and brewing."
        )
    return out


def _raw_egg(recipe: Recipe) -> list[str]:
    """For ingredients that declare egg; neither alcohol nor acid of a drink makes raw egg safe (common knowledge)."""
    eggs = [i.name for i in recipe.ingredients if any(Allergen.EGGS.named_in(a) for a in i.allergens)]
    if not eggs:
        return []
    return [
        f"Raw egg ({', '.join(eggs)}): the drink's alcohol does not make it safe. Use pasteurised egg, keep it cold, "
        "and tell the guest; not for the pregnant, the very young, the old or the ill unless it is pasteurised."
    ]
