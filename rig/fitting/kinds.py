"""Of what sort the owner of an effect is, in words that no bench chose: what may be compared between benches.

A vessel is known by its material, its mass and what was stated of it, an ice by shape and size, a technique by its
motion, a drink by strength and sugar. Names never stand in a kind.
"""

from __future__ import annotations

from bisect import bisect_right

from rig.bench import Bench, Motion
from rig.fitting.priors import FREEZER_DRY_BELOW_C, MATERIALS, P
from rig.fitting.random_effects import Key, Owner
from rig.physics import ice as ice_physics
from rig.physics.liquid import abv_pct, volume_ml
from rig.physics.recipe_liquid import liquid_from_recipe

OF_INSTRUMENTS = frozenset((P.OFFSET, P.LAG))
"""A probe's error and slowness are its own: those of other bars say nothing of it."""
OF_NATURE = frozenset((P.THICKNESS, P.SHIELD))
LAWS_OF_DRINKS = frozenset((Owner.COMPOSITION, Owner.CONDUCTIVITY))
"""Powers and constants that are the same at every bar and published; what bars seem to say of them in common is what
the model lacks at all of them, told the surer the more bars there are."""
_BETWEEN = " · "
_MASS_G, _MASSES = (300.0, 700.0), ("light", "middling", "heavy")
_EDGE_MM, _SIZES = (12.0, 22.0, 40.0), ("fine", "small", "usual", "large")
_ABV_PCT, _STRENGTHS = (0.5, 8.0, 16.0, 28.0), ("no alcohol", "light", "middling", "full", "strong")
_SUGAR_G_PER_100ML, _SWEETNESS = (2.0, 8.0), ("dry", "half sweet", "sweet")
"""Bounds of the classes (common practice, no source), each class from its bound on."""


def kind_of(bench: Bench, key: Key) -> str | None:
    """The kind of an effect on a bench; None for what belongs to instruments, and to nature.

    Raises
    ------
    NotFound, ModelRangeError
        As the bench and the liquid of a recipe do.
    """
    parameter, owner, names = key
    if parameter in OF_INSTRUMENTS | OF_NATURE or owner in LAWS_OF_DRINKS:
        return None
    what = "misfit" if parameter is None else parameter.name.lower()
    return _BETWEEN.join((what, owner.value, *_words(bench, owner, names)))


def component_of(kind: str) -> str:
    """The variance component that a kind is of: parameter and owner."""
    return _BETWEEN.join(kind.split(_BETWEEN)[:2])


def hand_kind(parameter: P, motion: Motion | None) -> str:
    """The kind of a run's departures in a parameter, under a motion."""
    return f"{parameter.name.lower()} · run · {_motion(motion)}"


def _words(bench: Bench, owner: Owner, names: tuple[str, ...]) -> tuple[str, ...]:
    match owner:
        case Owner.TECHNIQUE | Owner.CADENCE:
            return (_motion(bench.motion(names[0])),)
        case Owner.VESSEL:
            return (_material(bench, names[0]), *_vessel(bench, names[0]))
        case Owner.ICE:
            return (*_ice(bench, names[0]), _wetness(bench, names[0]))
        case Owner.RECIPE:
            return _drink(bench, names[0])
        case Owner.HANDLING:
            return (_motion(bench.motion(names[0])), _material(bench, names[1]))
        case Owner.WATER_TECHNIQUE | Owner.TEMP_TECHNIQUE:
            return (_motion(bench.motion(names[0])), names[-1])
        case Owner.SET_UP:
            return _set_up(bench, names)
        case Owner.WATER_SET_UP | Owner.TEMP_SET_UP:
            return (*_set_up(bench, names), names[-1])
        case Owner.WATER_DRINK | Owner.TEMP_DRINK:
            return (_motion(bench.motion(names[0])), *_drink(bench, names[3]), names[-1])
        case _:
            return ()


def _motion(motion: Motion | None) -> str:
    return "moved otherwise" if motion is None else motion.value


def _set_up(bench: Bench, names: tuple[str, ...]) -> tuple[str, ...]:
    return _motion(bench.motion(names[0])), _material(bench, names[1]), *_ice(bench, names[2])


def _material(bench: Bench, name: str) -> str:
    words = bench.vessel(name).material.casefold()
    return next((m for m in MATERIALS if m in words), "steel")


def _vessel(bench: Bench, name: str) -> tuple[str, ...]:
    vessel = bench.vessel(name)
    mass = "unweighed" if vessel.mass_g is None else _MASSES[bisect_right(_MASS_G, vessel.mass_g)]
    stated = [
        w for w, v in (("heat", vessel.heat_capacity_j_per_k), ("held", vessel.held_back_g)) if v is not None
    ]
    return mass, " and ".join(stated) + " stated" if stated else "nothing stated"


def _ice(bench: Bench, name: str) -> tuple[str, str]:
    ice = bench.ice_type(name)
    edge_mm = ice.edge_mm or ice_physics.default_edge_mm(ice.shape)
    return ice.shape.value, _SIZES[bisect_right(_EDGE_MM, edge_mm)]


def _wetness(bench: Bench, name: str) -> str:
    ice = bench.ice_type(name)
    if ice.surface_water_pct is not None:
        return "wetness stated"
    return "from the freezer" if ice.temp_c is not None and ice.temp_c < FREEZER_DRY_BELOW_C else "as scooped"


def _drink(bench: Bench, name: str) -> tuple[str, str]:
    liquid = liquid_from_recipe(bench.recipe(name)).liquid
    strength = float(abv_pct(liquid, check=False))
    sugar = 100.0 * float(liquid.sugar_g) / float(volume_ml(liquid, check=False))
    return _STRENGTHS[bisect_right(_ABV_PCT, strength)], _SWEETNESS[bisect_right(_SUGAR_G_PER_100ML, sugar)]
