"""The question behind what to measure with next: which call, and what is there already."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.params import Params, named
from dashboard.questions.defaults import techniques, usual_drink, usual_target
from dashboard.service import BenchView
from rig.advice.kit import KitWorth, kit_of, kit_worth
from rig.advice.kit_parts import Part
from rig.errors import RigError
from rig.fitting.situation import Situation


@dataclass(frozen=True)
class KitQuestion:
    """One call, and the most that there is to measure with."""

    technique: str
    vessel: str
    ice: str
    recipe: str
    target: str
    have: str

    @classmethod
    def of(cls, view: BenchView, params: Params) -> KitQuestion:
        """What the parameters ask; what they leave out is as usual for the bench.

        Raises
        ------
        NotFound
            A name that is not on the bench.
        RigError
            A bench that has no target.
        """
        usual = usual_drink(view)
        if not view.bench.targets:
            raise RigError(
                "This bench names no target. Write one into bench.toml, then ask what would help to hit it"
            )
        recipe = named(params, "recipe", view.bench.recipes, usual.recipe, "recipe")
        return cls(
            named(params, "technique", techniques(view), usual.technique, "technique"),
            named(params, "vessel", view.bench.vessels, usual.vessel, "vessel"),
            named(params, "ice", view.bench.ice, usual.ice, "ice"),
            recipe,
            named(params, "target", view.bench.targets, usual_target(view, recipe), "target"),
            named(params, "have", [p.value for p in Part], kit_of(view.book).value, "part"),
        )

    def answer(self, view: BenchView) -> KitWorth:
        """What each part would do.

        Raises
        ------
        RigError
            Where there is no fit, or the model does not reach that far.
        """
        drink = Situation(self.technique, self.vessel, self.ice, self.recipe)
        return kit_worth(view.fitted(), drink, view.bench.targets[self.target], Part(self.have))
