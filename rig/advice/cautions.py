"""What can hurt someone in this very case, said where it arises; local codes and licensed practice come first."""

from __future__ import annotations

import numpy as np

from rig.bench import Bench, Motion
from rig.fitting.prediction import Prediction
from rig.fitting.priors import material
from rig.fitting.situation import Situation
from rig.physics.sealed import SODA_LIME_SHOCK_K, gauge_pressure_kpa, lid_force_n

HOT_C = 45.0
SCALD_C = 55.0
STANDARD_DRINK_G = 14.0
CAFFEINE_SINGLE_MG = 200.0
_DEFER = "Local codes and licensed practice come first."


def cautions(bench: Bench, situation: Situation, prediction: Prediction) -> tuple[str, ...]:
    """Warnings computed for one drink on one set-up, most urgent first."""
    start = situation.drink_temp_c
    if start is None:
        start = float(np.median(prediction.temp_c[:, 0]))
    out = [*_heat(bench, situation, start), *_contents(bench, situation, prediction)]
    return (*out, _DEFER) if out else ()


def _heat(bench: Bench, s: Situation, start_c: float) -> list[str]:
    out = []
    motion = bench.motion(s.technique)
    sealed = motion in (Motion.SHAKE, Motion.BLEND, None)
    if sealed and start_c >= HOT_C:
        gauge = float(gauge_pressure_kpa(min(start_c, 100.0)))
        force = float(lid_force_n(gauge))
        out.append(
            f"Hot liquid in a sealed vessel: at {start_c:.0f} °C pressure can rise by up to {gauge:.0f} kPa "
            f"(about {force:.0f} N on a 90 mm lid) and throw the lid. Never seal hot liquid alone: pour it onto "
            "the ice, let it chill a few seconds, open once to vent, then close and move; lid away from faces."
        )
    if motion is Motion.BLEND and start_c >= HOT_C:
        out.append(
            "Makers of blenders advise against hot liquid: fill no more than half, vent, start slowly."
        )
    if start_c >= SCALD_C:
        out.append(f"Liquid at {start_c:.0f} °C scalds within seconds; keep hands dry and pour low.")
    vessel = bench.vessel(s.vessel)
    glass = "glass" in vessel.material.casefold()
    vessel_c = s.vessel_temp_c if s.vessel_temp_c is not None else 20.0
    if glass and (start_c - vessel_c > SODA_LIME_SHOCK_K or start_c >= HOT_C):
        out.append(
            f"Glass and heat: {start_c:.0f} °C liquid, then ice, in a glass vessel; a sudden {SODA_LIME_SHOCK_K:.0f} K "
            "can crack plain glass, less where it is scratched. Use metal or heat-proof glass, or rest the drink first."
        )
    if material(vessel).heat_capacity_j_per_gk and motion is Motion.SHAKE and glass:
        out.append("A glass shaker can break in the hand: check it for chips before every shake.")
    return out


def _contents(bench: Bench, s: Situation, prediction: Prediction) -> list[str]:
    out = []
    recipe = bench.recipe(s.recipe)
    ethanol_g = float(np.sum(prediction.liquid.ethanol_g))
    if ethanol_g > 1.0:
        out.append(
            f"Alcohol: {ethanol_g:.0f} g in this drink, {ethanol_g / STANDARD_DRINK_G:.1f} US standard drinks of 14 g; "
            "dilution does not change that."
        )
    caffeine = recipe.caffeine_mg
    if caffeine:
        text = f"Caffeine: {caffeine:.0f} mg in this drink (EFSA 2015: up to {CAFFEINE_SINGLE_MG:.0f} mg at once, "
        text += "400 mg a day for adults, 200 mg a day in pregnancy)."
        if ethanol_g > 1.0:
            text += " With alcohol it can hide how drunk one feels."
        out.append(text)
    elif any("coffee" in i.name.casefold() or "espresso" in i.name.casefold() for i in recipe.ingredients):
        out.append(
            "Caffeine: the recipe has coffee but declares no caffeine; a shot holds about 60 mg (USDA: 63 mg)."
        )
    if recipe.allergens:
        out.append(
            f"Declared allergens: {', '.join(recipe.allergens)}. Tell the guest; undeclared ones are not known."
        )
    return out
