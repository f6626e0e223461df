"""The question behind what to measure with next: which call, and what is there already."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.params import Params, named
from dashboard.questions.one_call import OneCall, one_call
from dashboard.service import BenchView
from rig.advice.plan.kit import KitWorth, kit_of, kit_worth
from rig.advice.plan.kit_parts import Part


@dataclass(frozen=True)
class KitQuestion(OneCall):
    """One call, and the most that there is to measure with."""

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
        call = one_call(view, params, "ask what would help to hit it")
        have = named(params, "have", [p.value for p in Part], kit_of(view.book).value, "part")
        return cls(**vars(call), have=have)

    def answer(self, view: BenchView) -> KitWorth:
        """What each part would do.

        Raises
        ------
        RigError
            Where there is no fit, or the model does not reach that far.
        """
        return kit_worth(view.fitted(), self.drink, view.bench.targets[self.target], Part(self.have))
