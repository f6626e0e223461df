"""Calls as the pages need them: quick enough for a slider."""

from __future__ import annotations

from dashboard.desk import BenchView
from dashboard.questions.call import CallQuestion
from rig.advice.call import Advice, advise
from rig.advice.levers import Lever, levers

DRAWS = 512
LEVER_DRAWS = 128
SURE = 0.8
"""With odds like these nothing needs changing, and nothing else is tried."""


def make_call(view: BenchView, asked: CallQuestion) -> Advice:
    """The call, quickly: no levers, and draws enough for whole percents.

    Raises
    ------
    RigError
        Where there is no fit, or the model does not reach that far.
    """
    return advise(
        view.fitted(),
        technique=asked.technique,
        vessel=asked.vessel,
        ice=asked.ice,
        recipe=asked.recipe,
        target=asked.target_of(view),
        drink_temp_c=asked.drink_temp_c,
        ice_mass_g=asked.ice_mass_g,
        ice_temp_c=asked.ice_temp_c,
        draws=DRAWS,
        with_levers=False,
    )


def try_levers(view: BenchView, call: Advice) -> tuple[Lever, ...]:
    """What would raise the odds, best first; nothing is tried where they are good."""
    if call.odds >= SURE:
        return ()
    return levers(view.fitted(), call.situation, call.target, call.odds, draws=LEVER_DRAWS)
