"""What weighings say of each other: a drink gains what its ice loses, no more."""

from __future__ import annotations

from rig.consistency.objection import DILUTIONS, GROSS, Objection, Span, View, beyond

ICE_PER_DRINK = Span(0.1, 0.35, 7.0, 15.0)
"""Mass of ice over that of the drink (common practice, no source)."""
RECIPE_SHARE = (0.5, 2.0)
"""A drink's mass over its recipe's; beyond, it is another recipe, a batch, or a slip."""
SCALE_G, SCALE_SHARE = 3.0, 0.02
"""What two weighings may be off together: the scale, and drops on the way."""
LEFT_BEHIND_G, LEFT_BEHIND_SHARE = 12.0, 0.15
"""What ice, vessel and strainer may keep at most; more is a spill."""
LEAST_ML_PER_G, MOST_AIR = 0.75, 5.0
"""A drink thick with sugar, 1.33 g/ml at 65 °Brix (sucrose tables, from memory), takes least room; beaten egg white
has some 5 parts of air to one of liquid (common practice, no source)."""


def masses(v: View) -> list[Objection]:
    """What weighings say of each other."""
    out = []
    run, drink, ice, strained = v.run, v.drink_g, v.run.ice_mass_g, v.strained_g
    if strained is not None and drink is not None:
        off = SCALE_G + SCALE_SHARE * drink
        if ice is not None and strained > drink + ice + off:
            what = f"strained mass {strained:.6g} g is more than drink {drink:.6g} g and ice {ice:.6g} g together"
            cure = "Check the three weighings"
            out.append(Objection((*v.strained_by, "ice_mass_g", *v.drink_by), what, cure, True))
        if strained < drink - off:
            what = f"strained mass {strained:.6g} g is less than the drink's {drink:.6g} g, and ice only adds to it"
            cure = "Check both weigh-ins: a spill, or one of them in another unit"
            spilt = strained < (1.0 - LEFT_BEHIND_SHARE) * drink - LEFT_BEHIND_G
            out.append(Objection((*v.strained_by, *v.drink_by), what, cure, spilt))
        span, gained = DILUTIONS[v.motion], (strained - drink) / drink
        far = beyond(span, gained)
        if far is not None:
            what = (
                f"strained mass {strained:.6g} g of a drink of {drink:.6g} g is {100 * gained:.0f} % water by "
                f"mass; {v.run.technique!r} adds {100 * span.usual_most:.0f} % at most"
            )
            cure = "Check both weighings, and that the drink's mass is all its ingredients together"
            out.append(Objection((*v.strained_by, *v.drink_by), what, cure, far))
    if ice is not None and drink is not None:
        far = beyond(ICE_PER_DRINK, ice / drink)
        if far is not None:
            much = "little" if ice < drink else "much"
            what = f"{ice:.6g} g is very {much} ice for a drink of {drink:.6g} g"
            out.append(Objection(("ice_mass_g", *v.drink_by), what, "Check both weighings", far))
    if run.drink_mass_g is not None and v.recipe is not None:
        usual = float(v.recipe.mass_g)
        if not RECIPE_SHARE[0] <= run.drink_mass_g / usual <= RECIPE_SHARE[1]:
            what = f"drink mass {run.drink_mass_g:.6g} g is far from its recipe's {usual:.4g} g"
            cure = "Check the weighing and the recipe; a batch wants a recipe of its own"
            out.append(Objection(("drink_mass_g",), what, cure, False))
    return [*out, *_foam(v), *_gross(v)]


def _foam(v: View) -> list[Objection]:
    """The volume of the drink, foam and all, against its mass: air only adds to it."""
    foam_ml, strained = v.run.foam_ml, v.strained_g
    if foam_ml is None or strained is None:
        return []
    cure = "foam_ml is the volume of the whole drink, foam and all, not of the layer of foam alone"
    if foam_ml < LEAST_ML_PER_G * strained - SCALE_G:
        what = f"foam volume {foam_ml:.6g} ml is less than the {strained:.6g} g of drink in it take up"
        return [Objection(("foam_ml", *v.strained_by), what, cure, True)]
    if foam_ml > (1.0 + MOST_AIR) * strained:
        what = f"foam volume {foam_ml:.6g} ml is more than {strained:.6g} g of drink can be beaten to"
        return [Objection(("foam_ml", *v.strained_by), what, "Check the volume and its unit, ml", True)]
    return []


def _gross(v: View) -> list[Objection]:
    """What the whole vessel weighed, against its parts."""
    out = []
    before, after, strained = v.run.gross_before_g, v.run.gross_after_g, v.run.strained_mass_g
    if before is not None and after is not None:
        if after > before + SCALE_G:
            what = f"the vessel weighed {after:.6g} g after straining and {before:.6g} g before"
            out.append(Objection(GROSS, what, "Check which is which", True))
        elif strained is not None and abs(before - after - strained) > SCALE_G + 0.05 * strained:
            what = f"strained mass {strained:.6g} g is not what the vessel lost, {before - after:.6g} g"
            out.append(Objection(("strained_mass_g", *GROSS), what, "Check the three weighings", False))
    if before is not None and v.drink_g is not None and v.run.ice_mass_g is not None:
        parts = v.drink_g + v.run.ice_mass_g
        if before < parts - SCALE_G - SCALE_SHARE * parts:
            what = f"the whole vessel weighed {before:.6g} g, less than drink and ice in it, {parts:.6g} g"
            columns = ("gross_before_g", "ice_mass_g", *v.drink_by)
            out.append(Objection(columns, what, "Check the three weighings", True))
    return out
