"""A drink made by hand, with a kitchen scale and any thermometer: what is asked, and the run made of what was typed.

Nothing here knows a device: seconds come from whoever has the clock, masses and temperatures as a person typed them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np

from rig.bench import Bench, Target
from rig.errors import ModelRangeError
from rig.fitting.situation import Situation
from rig.plausible import RUN as PLAUSIBLE
from rig.plausible import Plausible
from rig.runs import BLIND, THERMOMETER, YES, Run, Trace
from rig.session.way import ingredients_g
from rig.units import typed

MADE_BY_HAND = "made by hand"
"""Under this name a run's `extra` holds the number that its phone gave it, so that it is stored once."""
END_TEMP = "end_temp_c"
_POUR = Plausible(0.1, 20_000, "g", PLAUSIBLE["drink_mass_g"].others)
_LIMITS: Mapping[str, Plausible] = {END_TEMP: PLAUSIBLE["drink_temp_c"]}


@dataclass(frozen=True)
class Asked:
    """One thing to type: its name, what to do, its unit, and what it should come to, where a recipe says."""

    name: str
    words: str
    unit: str
    expected: float | None = None


def asked_before(bench: Bench, recipe: str) -> tuple[Asked, ...]:
    """What is asked before the motion: each ingredient as it is poured, the drink's temperature, the ice.

    Raises
    ------
    NotFound
        No such recipe on the bench.
    """
    poured = ingredients_g(bench.recipe(recipe))
    return (
        *(
            Asked(pour_name(k), f"Pour {name}", "g", round(grams, 1))
            for k, (name, grams) in enumerate(poured)
        ),
        Asked("drink_temp_c", "How warm is the drink before the ice?", "°C"),
        Asked("ice_mass_g", "Add the ice", "g"),
    )


def whole_drink(bench: Bench, recipe: str) -> Asked:
    """What is asked in place of the ingredients where all are weighed as one."""
    total_g = sum(grams for _, grams in ingredients_g(bench.recipe(recipe)))
    return Asked("drink_mass_g", "Pour the whole drink", "g", round(total_g, 1))


def asked_after(target: Target | None) -> tuple[Asked, ...]:
    """What is asked after the motion; foam only where the target asks for air."""
    out = (
        Asked(END_TEMP, "Thermometer in at once: how cold is it?", "°C"),
        Asked("strained_mass_g", "Strain, and weigh what is in the glass", "g"),
    )
    if target is None or target.overrun_window is None:
        return out
    return (*out, Asked("foam_ml", "The whole drink, foam and all: how much is it?", "ml"))


def pour_name(number: int) -> str:
    """Under which name the ingredient of this place in the recipe is typed."""
    return f"pour {number}"


@dataclass(frozen=True)
class Typed:
    """What was typed, as numbers in the units asked for, and what is wrong with the rest, in words by name."""

    values: Mapping[str, float] = field(default_factory=dict)
    wrong: Mapping[str, str] = field(default_factory=dict)


def read_typed(bench: Bench, recipe: str, texts: Mapping[str, str]) -> Typed:
    """Read what was typed, with a decimal point or comma, alone or with its unit; what is empty was left out."""
    values, wrong = {}, {}
    asked = (*asked_before(bench, recipe), whole_drink(bench, recipe), *asked_after(None), _FOAM)
    for a in asked:
        text = texts.get(a.name, "").strip()
        if not text:
            continue
        try:
            value = typed(text, a.unit)
        except ModelRangeError as error:
            wrong[a.name] = f"give a number in {a.unit}: {error}"
            continue
        limits = _POUR if a.name.startswith("pour ") else _LIMITS.get(a.name) or PLAUSIBLE[a.name]
        if (doubt := limits.doubt(value)) is not None:
            wrong[a.name] = f"{doubt[0]}. {doubt[1]}"
        else:
            values[a.name] = value
    return Typed(values, wrong)


_FOAM = Asked("foam_ml", "", "ml")


@dataclass(frozen=True)
class ByHand:
    """Names on the bench for a drink made by hand; `blind`: stopped by feel, with all numbers hidden."""

    technique: str
    vessel: str
    ice: str
    recipe: str
    target: str | None
    operator: str | None = None
    session: str | None = None
    blind: bool = False

    def situation(self, bench: Bench, known: Typed) -> Situation:
        """What is known of the drink before it is moved."""
        return Situation(
            self.technique,
            self.vessel,
            self.ice,
            self.recipe,
            drink_temp_c=known.values.get("drink_temp_c"),
            drink_mass_g=drink_mass_g(bench, self.recipe, known),
            ice_mass_g=known.values.get("ice_mass_g"),
        )

    def run(
        self, bench: Bench, known: Typed, name: str, number: str, started_at: datetime, moved_s: float
    ) -> Run:
        """The run, as the logbook's door will judge it; `number` is what its phone calls it, `moved_s` how long [s]."""
        v = known.values
        poured = ingredients_g(bench.recipe(self.recipe))
        extra = {MADE_BY_HAND: number}
        for k, (ingredient, _) in enumerate(poured):
            if (grams := v.get(pour_name(k))) is not None:
                extra[f"weighed {ingredient} g"] = f"{grams:.1f}"
        if self.blind:
            extra[BLIND] = YES
        return Run(
            name,
            self.technique,
            self.vessel,
            self.ice,
            self.recipe,
            started_at=started_at,
            operator=self.operator,
            session=self.session,
            ice_mass_g=v.get("ice_mass_g"),
            drink_mass_g=drink_mass_g(bench, self.recipe, known),
            drink_temp_c=v.get("drink_temp_c"),
            duration_s=round(moved_s, 2),
            strained_mass_g=v.get("strained_mass_g"),
            foam_ml=v.get("foam_ml"),
            trace=_read_by_thermometer(v, round(moved_s, 2)),
            target=self.target,
            extra=extra,
        )


def drink_mass_g(bench: Bench, recipe: str, known: Typed) -> float | None:
    """The drink before the ice [g]: weighed as one, or the sum of all its ingredients; None where one is missing."""
    whole = known.values.get("drink_mass_g")
    if whole is not None:
        return whole
    parts = [known.values.get(pour_name(k)) for k in range(len(bench.recipe(recipe).ingredients))]
    return None if not parts or None in parts else round(sum(p for p in parts if p is not None), 2)


def _read_by_thermometer(values: Mapping[str, float], moved_s: float) -> Trace | None:
    """The readings of a thermometer: before the ice, where it was read, and as the drink came to rest."""
    end_c = values.get(END_TEMP)
    if end_c is None:
        return None
    read = [(0.0, values["drink_temp_c"])] if "drink_temp_c" in values else []
    time_s, temp_c = zip(*read, (moved_s, end_c), strict=True)
    return Trace(np.array(time_s), {THERMOMETER: np.array(temp_c)})
