"""The question behind a rehearsal: which runs to judge, and against which target."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.params import Params, named
from dashboard.questions.defaults import OWN, recipes, usual_drink, usual_target
from dashboard.service import BenchView
from rig.advice.rehearsal.rehearsal import Practice, rehearse
from rig.errors import NotEnoughData, NotFound
from rig.runs import SetUp

NO_SESSION = "no session named"
"""The choice of runs that name no session, as those recorded live."""


@dataclass(frozen=True)
class RehearsalQuestion:
    """Runs of one recipe on one set-up, and the target to judge them by. `sessions`: only these; None: all."""

    set_up: SetUp
    recipe: str
    sessions: tuple[str, ...] | None
    target: str

    @classmethod
    def of(cls, view: BenchView, params: Params) -> RehearsalQuestion:
        """What the parameters ask; left out: the drink and set-up with most runs, all sessions, its target.

        Raises
        ------
        NotFound
            A set-up, recipe, session or target that the bench does not have.
        """
        usual = usual_drink(view)
        known = {str(s): s for s in view.fitted().set_ups}
        set_up = known[named(params, "set_up", known, str(usual.set_up), "set-up with runs")]
        recipe = named(params, "recipe", recipes(view), usual.recipe, "recipe")
        target = named(params, "target", (OWN, *view.bench.targets), usual_target(view, recipe), "target")
        return cls(set_up, recipe, _sessions(view, params), target)

    def answer(self, view: BenchView) -> Practice:
        """The rehearsal.

        Raises
        ------
        NotEnoughData
            No session chosen, or no sound run among those chosen.
        """
        if self.sessions == ():
            raise NotEnoughData("no session is chosen. Choose one or more above")
        return rehearse(
            view.fitted(),
            set_up=self.set_up,
            recipe=self.recipe,
            sessions=None
            if self.sessions is None
            else [None if s == NO_SESSION else s for s in self.sessions],
            target=view.bench.targets.get(self.target),
        )


def sessions(view: BenchView) -> tuple[str, ...]:
    """The sessions that runs name, in the order of the runs, and the choice of those that name none."""
    there = tuple(dict.fromkeys(r.session for r in view.book.used_runs()))
    return (*(s for s in there if s is not None), *((NO_SESSION,) if None in there else ()))


def _sessions(view: BenchView, params: Params) -> tuple[str, ...] | None:
    asked, there = params.get("session"), sessions(view)
    if asked is None:
        return None
    wanted = tuple(dict.fromkeys(a for a in asked if a))
    for name in wanted:
        if name not in there:
            raise NotFound("session", name[:80], there)
    return None if set(wanted) == set(there) else wanted
