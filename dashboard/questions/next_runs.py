"""The question behind the next runs: which call to narrow, with how many runs."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.params import Params, Scale, named
from dashboard.questions.one_call import OneCall, one_call
from dashboard.service import BenchView
from rig.advice.plan.plan import USUAL_COUNT, Asked, RunPlan, plan_runs

COUNT = Scale(1.0, 24.0, 1.0, "in all")
HERE, RELATED = "here", "related"


@dataclass(frozen=True)
class NextRunsQuestion(OneCall):
    """One call to narrow; `where`: only on its own set-up, or on related ones too."""

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
        return cls(
            **vars(one_call(view, params, "plan runs for it")),
            count=int(COUNT.read(params, "count", float(USUAL_COUNT))),
            where=named(params, "where", (RELATED, HERE), RELATED, "choice of set-ups"),
        )

    def answer(self, view: BenchView) -> RunPlan:
        """The plan.

        Raises
        ------
        RigError
            Where there is no fit, or the model does not reach that far.
        """
        return plan_runs(
            view.fitted(),
            [Asked(self.drink, view.bench.targets[self.target])],
            count=self.count,
            set_ups=[self.drink.set_up] if self.where == HERE else None,
        )
