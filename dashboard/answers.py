"""Calls as the pages need them: the call first, the rest of it once that is out."""

from __future__ import annotations

from dashboard.questions.call import CallQuestion
from dashboard.service import BenchView
from rig.advice.call.call import Advice, advice_on, completed


def make_call(view: BenchView, asked: CallQuestion) -> Advice:
    """The call, without levers.

    Raises
    ------
    RigError
        Where there is no fit, or the model does not reach that far.
    """
    return advice_on(view.fitted(), asked.situation, asked.target_of(view), with_levers=False)


def complete(view: BenchView, call: Advice) -> Advice:
    """The call with what would raise its odds, best first, and what heat alone allows."""
    return completed(view.fitted(), call)
