"""The questions behind the page of the bench: what to use for a target, and what changed between runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from dashboard.params import Params, Scale, named
from dashboard.questions.defaults import recipes, techniques, usual_drink, usual_target
from dashboard.service import BenchView
from rig.advice.compare.changes import By, WhatChanged
from rig.advice.compare.rank import VARIED, alternatives, rank
from rig.advice.compare.ranking import Ranking
from rig.advice.compare.what_changed import what_changed
from rig.errors import RigError

NIGHT = Scale(0.0, 400.0, 10.0, "drinks")
BY = tuple(b.value for b in By if b is not By.SINCE)


@dataclass(frozen=True)
class UseQuestion:
    """What is varied for which drink and target, how many drinks a night (0: not asked), and what runs go by."""

    vary: str
    technique: str
    vessel: str
    ice: str
    recipe: str
    target: str
    night: float
    by: str

    @classmethod
    def of(cls, view: BenchView, params: Params) -> UseQuestion:
        """What the parameters ask; left out: the first part there are two of, for the drink with most runs, by day.

        Raises
        ------
        RigError
            A name that the bench does not have, no run, or no target at all.
        """
        usual = usual_drink(view)
        if not view.bench.targets:
            raise RigError("This bench names no target. Write one into bench.toml, under [targets.NAME]")
        recipe = named(params, "recipe", recipes(view), usual.recipe, "recipe")
        technique = named(params, "technique", techniques(view), usual.technique, "technique")
        fit = view.fitted()
        two = next((part for part in VARIED if len(alternatives(fit, technique, part)) > 1), VARIED[0])
        return cls(
            vary=named(params, "vary", VARIED, two, "part to vary"),
            technique=technique,
            vessel=named(params, "vessel", view.bench.vessels, usual.vessel, "vessel"),
            ice=named(params, "ice", view.bench.ice, usual.ice, "ice"),
            recipe=recipe,
            target=named(params, "target", view.bench.targets, usual_target(view, recipe), "target"),
            night=NIGHT.read(params, "night", 0.0),
            by=named(params, "by", BY, By.DAY.value, "way to group runs"),
        )

    def ranking(self, view: BenchView) -> Ranking:
        """The alternatives, ranked.

        Raises
        ------
        RigError
            Where fewer than two can be made.
        """
        held: dict[str, Any] = {part: getattr(self, part) for part in VARIED if part != self.vary}
        target = view.bench.target(self.target)
        return rank(view.fitted(), target=target, vary=self.vary, drinks_a_night=self.night or None, **held)

    def changed(self, view: BenchView) -> WhatChanged:
        """What changed between runs.

        Raises
        ------
        RigError
            Where runs do not say what they go by.
        """
        return what_changed(view.fitted(), by=self.by)
