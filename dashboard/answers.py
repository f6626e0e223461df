"""Calls as the pages need them: the call first, what would help once it is out."""

from __future__ import annotations

from dashboard.questions.call import CallQuestion
from dashboard.service import BenchView
from rig.advice.call import Advice, advice_on
from rig.advice.levers import Lever, levers


def make_call(view: BenchView, asked: CallQuestion) -> Advice:
    """The call, without levers.

    Raises
    ------
    RigError
        Where there is no fit, or the model does not reach that far.
    """
    return advice_on(view.fitted(), asked.situation, asked.target_of(view), with_levers=False)


def try_levers(view: BenchView, call: Advice) -> tuple[Lever, ...]:
    """What would raise the odds, best first; nothing is tried where they are good."""
    return levers(view.fitted(), call)
