"""The question behind the next runs: which call to narrow, with how many runs."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.params import Params, Scale, named
from dashboard.questions.defaults import techniques, usual_drink, usual_target
from dashboard.service import BenchView
from rig.advice.plan import USUAL_COUNT, Asked, RunPlan, plan_runs
from rig.errors import RigError
from rig.fitting.situation import Situation

COUNT = Scale(1.0, 24.0, 1.0, "in all")
HERE, RELATED = "here", "related"


@dataclass(frozen=True)
class NextRunsQuestion:
    """One call to narrow; `where`: only on its own set-up, or on related ones too."""

    technique: str
    vessel: str
    ice: str
    recipe: str
    target: str
    count: int
    where: str

    @classmethod
    def of(cls, view: BenchView, params: Params) -> NextRunsQuestion:
        """What the parameters ask; what they leave out is as usual for the bench.

        Raises
        ------
        NotFound, ModelRangeError
            A name that is not on the bench; a number beyond its slider.
        RigError
            A bench that has no target to plan for.
        """
        usual = usual_drink(view)
        if not view.bench.targets:
            raise RigError("This bench names no target. Write one into bench.toml, then plan runs for it")
        recipe = named(params, "recipe", view.bench.recipes, usual.recipe, "recipe")
        return cls(
            named(params, "technique", techniques(view), usual.technique, "technique"),
            named(params, "vessel", view.bench.vessels, usual.vessel, "vessel"),
            named(params, "ice", view.bench.ice, usual.ice, "ice"),
            recipe,
            named(params, "target", view.bench.targets, usual_target(view, recipe), "target"),
            int(COUNT.read(params, "count", float(USUAL_COUNT))),
            named(params, "where", (RELATED, HERE), RELATED, "choice of set-ups"),
        )

    def answer(self, view: BenchView) -> RunPlan:
        """The plan.

        Raises
        ------
        RigError
            Where there is no fit, or the model does not reach that far.
        """
        drink = Situation(self.technique, self.vessel, self.ice, self.recipe)
        return plan_runs(
            view.fitted(),
            [Asked(drink, view.bench.targets[self.target])],
            count=self.count,
            set_ups=[drink.set_up] if self.where == HERE else None,
        )
