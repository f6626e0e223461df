"""Which call a page asks about: a drink on a set-up, into a target; pages add what else they ask."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.params import Params, named
from dashboard.questions.defaults import techniques, usual_drink, usual_target
from dashboard.service import BenchView
from rig.errors import RigError
from rig.fitting.situation import Situation


@dataclass(frozen=True)
class OneCall:
    """The names that make up one call, all of them on the bench."""

    technique: str
    vessel: str
    ice: str
    recipe: str
    target: str

    @property
    def drink(self) -> Situation:
        """The drink that is called."""
        return Situation(self.technique, self.vessel, self.ice, self.recipe)


def one_call(view: BenchView, params: Params, then: str) -> OneCall:
    """The call that the parameters name; what they leave out is as usual for the bench.

    `then` is what to do once there is a target, where the bench has none.

    Raises
    ------
    NotFound
        A name that is not on the bench.
    RigError
        A bench that has no target.
    """
    usual, bench = usual_drink(view), view.bench
    if not bench.targets:
        raise RigError(f"This bench names no target. Write one into bench.toml, then {then}")
    recipe = named(params, "recipe", bench.recipes, usual.recipe, "recipe")
    return OneCall(
        named(params, "technique", techniques(view), usual.technique, "technique"),
        named(params, "vessel", bench.vessels, usual.vessel, "vessel"),
        named(params, "ice", bench.ice, usual.ice, "ice"),
        recipe,
        named(params, "target", bench.targets, usual_target(view, recipe), "target"),
    )
