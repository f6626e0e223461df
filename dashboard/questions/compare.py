"""The question behind a comparison."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.params import Params, named
from dashboard.questions.defaults import OWN, recipes, usual_drink, usual_target
from dashboard.service import BenchView
from rig.bench import Target
from rig.errors import NotFound
from rig.report.calls import Foreseen, foresee
from rig.runs import SetUp

MOST_AT_FIRST = 6


@dataclass(frozen=True)
class CompareQuestion:
    """Which set-ups to compare, on which recipe, into which target."""

    set_ups: tuple[SetUp, ...]
    recipe: str
    target: str

    @classmethod
    def of(cls, view: BenchView, params: Params) -> CompareQuestion:
        """What the parameters ask; left out: the most used vessel's ices, its most made recipe and that one's target.

        Raises
        ------
        NotFound
            A set-up, recipe or target that the bench does not have.
        """
        usual = usual_drink(view)
        recipe = named(params, "recipe", recipes(view), usual.recipe, "recipe")
        target = named(params, "target", (OWN, *view.bench.targets), usual_target(view, recipe), "target")
        known = {str(s): s for s in view.fitted().set_ups}
        asked = params.get("set_up")
        if asked is None:
            alike = [s for s in known.values() if (s.technique, s.vessel) == (usual.technique, usual.vessel)]
            return cls(tuple(alike if len(alike) > 1 else known.values())[:MOST_AT_FIRST], recipe, target)
        wanted = [a for a in asked if a]
        for name in wanted:
            if name not in known:
                raise NotFound("set-up with runs", name[:80], known)
        return cls(tuple(known[n] for n in dict.fromkeys(wanted)), recipe, target)

    def target_of(self, view: BenchView) -> Target | None:
        """The target chosen, if any."""
        return view.bench.targets.get(self.target)

    def foreseen(self, view: BenchView) -> tuple[Foreseen, ...]:
        """Each set-up with the recipe as usual there: its course, and its call into the target, if there is one.

        Raises
        ------
        RigError
            Where there is no fit, or the model does not reach that far.
        """
        target = self.target_of(view)
        targets = [] if target is None else [target]
        return tuple(foresee(view.fitted(), s, self.recipe, targets) for s in self.set_ups)
