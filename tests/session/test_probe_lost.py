"""A probe that is no longer believed while a drink is moved: what it read before its fault still counts."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from rig.advice.live.live import LiveCall, by_the_clock, estimate, live_call
from rig.fitting.situation import Situation
from rig.runs import Trace
from rig.session.advisor import LiveAdvisor
from rig.signals.probe_faults import ProbeDoubt, ProbeFault
from tests import shared_fits
from tests.cli.small_bench import small_book

ASK = Situation("shake", "steel tin", "freezer cube", "night shift", drink_temp_c=22.0)
LOST_S, NOW_S = 4.0, 6.0


@pytest.fixture(scope="module")
def call() -> LiveCall:
    fit = shared_fits.fitted(small_book())
    return live_call(fit, ASK, fit.bench.target("short"))


def read(call: LiveCall, quantile: float) -> Trace:
    """What a probe read until it was lost in a drink that cools slower or quicker than most."""
    p = call.rehearsal.prediction
    time_s = np.arange(0.25, LOST_S, 0.25)
    course = np.quantile(p.temp_c, quantile, axis=0)
    return Trace(time_s, {"": np.interp(time_s, p.duration_s, course)})


def stop_s(call: LiveCall, before: Trace | None) -> float:
    at = by_the_clock(call, NOW_S, None, before).stop_at_s
    assert at is not None
    return at


def test_the_clock_goes_on_from_what_the_probe_read_before_it_was_lost(call: LiveCall) -> None:
    warm, cold = read(call, 0.95), read(call, 0.05)
    assert stop_s(call, warm) > stop_s(call, None) > stop_s(call, cold)
    told = by_the_clock(call, NOW_S, None, warm)
    assert told.stop_at_s == estimate(call, warm, NOW_S).stop_at_s
    assert told.note.startswith("by the clock and what the probe read in the first 4 s, which lands ")
    assert told.readings > 0 and told.by_clock


def test_a_probe_lost_before_the_start_says_nothing_of_the_drink(call: LiveCall) -> None:
    before = Trace(np.array([-1.0, 0.0]), {"": np.array([22.0, 22.0])})
    assert by_the_clock(call, NOW_S, None, before) == by_the_clock(call, NOW_S)


def test_readings_after_the_fault_take_no_part_though_they_were_told(call: LiveCall) -> None:
    trace = read(call, 0.5)
    advisor, expected = LiveAdvisor(call), LiveAdvisor(call)
    for t, c in zip(trace.time_s, trace.probes_c[""], strict=True):
        advisor(float(t), float(c), None, math.inf)
        expected(float(t), float(c), None, math.inf)
    for late in (LOST_S + 0.25, LOST_S + 0.5):
        advisor(late, 15.0, None, math.inf)
    said = advisor(NOW_S, None, None, LOST_S)
    assert said is not None
    assert said == expected(NOW_S, None, None, math.inf)


def test_of_a_probe_that_speaks_another_unit_nothing_is_believed() -> None:
    jumped = ProbeDoubt(ProbeFault.JUMPED, 3.0, "")
    assert jumped.believed_until_s == 3.0
    assert replace(jumped, fault=ProbeFault.FAHRENHEIT).believed_until_s == -math.inf
