"""The whole way of one drink: what is weighed before it is moved, the motion, what is weighed after."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from rig.bench import Recipe
from rig.capture.to_run.weighing import Step, StepKind
from rig.physics.recipe_liquid import liquid_from_recipe


class Phase(StrEnum):
    """Where a drink has got to."""

    OPENING = "opening"
    WEIGHING = "weighing"
    READY = "ready"
    MOVING = "moving"
    AFTER = "after"
    DONE = "done"
    TROUBLE = "trouble"


@dataclass(frozen=True)
class WeighedIn:
    """What is known of a drink once it is weighed in: masses [g] by name, the probe in it [°C], and how surely.

    Corrected by the calibrations that hold; `probe_std_k` and `scale_std_g` are what those leave unknown, None
    where nothing is calibrated.
    """

    mass_g: Mapping[str, float]
    temp_c: float | None
    probe_std_k: float | None = None
    scale_std_g: float | None = None


@dataclass(frozen=True)
class Way:
    """The whole way of one drink: what is weighed before, the motion, what is weighed after."""

    technique: str
    ingredients: tuple[tuple[str, float], ...]
    vessel_g: float | None = None
    ice_g: float | None = None
    duration_s: float | None = None

    @property
    def before(self) -> tuple[Step, ...]:
        """Empty vessel, each ingredient, ice."""
        return (
            Step("empty vessel", StepKind.VESSEL, self.vessel_g),
            *(Step(name, StepKind.ADDITION, grams) for name, grams in self.ingredients),
            Step("ice", StepKind.ADDITION, self.ice_g),
        )

    @property
    def after(self) -> tuple[Step, ...]:
        """Empty glass, what is strained into it."""
        return Step("empty glass", StepKind.VESSEL), Step("strained", StepKind.ADDITION)


def ingredients_g(recipe: Recipe) -> tuple[tuple[str, float], ...]:
    """Name and mass [g] of each ingredient as the recipe has it."""
    return tuple(
        (i.name, float(liquid_from_recipe(Recipe(recipe.name, (i,))).liquid.mass_g))
        for i in recipe.ingredients
    )


def still_to_weigh(way: Way, weighed: Sequence[str]) -> list[str]:
    """What was never weighed, by name."""
    return [s.name for s in (*way.before, *way.after) if s.name not in weighed]
