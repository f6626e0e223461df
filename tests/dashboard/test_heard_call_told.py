"""A drink that no probe watches and that is heard: screens are told what its cadence does to the call."""

from __future__ import annotations

import threading
from types import SimpleNamespace
from typing import Any, cast

import numpy as np

from dashboard.live.caller import Caller, Heard
from dashboard.live.state_json import call_of
from rig.fitting.bench_fit import prior_fit
from rig.fitting.situation import Situation
from rig.runs import RunBook
from rig.session.drink import Session
from rig.signals.moments import Rhythm
from tests.cli.small_bench import small_book


def test_screens_are_told_that_a_cadence_cannot_help_where_none_was_ever_counted() -> None:
    fit = prior_fit(RunBook(small_book().bench, ()))
    asked, told = 0, threading.Event()

    def heard() -> Heard:
        nonlocal asked
        asked += 1
        if asked > 1:
            told.set()
        return Heard(0.3, [], np.zeros(0), Rhythm(3.9, 0.05))

    drink = Situation("shake", "steel tin", "freezer cube", "night shift")
    caller = Caller(lambda: fit, fit.bench.target("short"), lambda: drink, heard)
    caller.start()
    assert told.wait(60.0)
    caller.leave()
    moving: Any = SimpleNamespace(moved_s=0.3, moving=True, expecting=None)
    call = call_of(caller.estimates[:1], cast(Session, moving), "")
    assert call["by_clock"] is True
    assert call["cadence"].startswith("3.9 strokes a second: no earlier run here has its strokes counted")
