"""What a probe is said to bring when it says stop is what the live call brings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import rig
from rig.advice.call.odds import lands
from rig.advice.live.live import LiveCall, Word, estimate, live_call
from rig.advice.plan.kit import kit_worth
from rig.advice.plan.kit_parts import Part
from rig.fitting.live_fit import Rehearsal, rehearse_run
from rig.fitting.observation_model import trace_shape
from rig.fitting.situation import Situation
from rig.physics.melt import lagged
from rig.runs import Trace
from tests.shared_fits import fitted

SAMPLES = Path(__file__).parents[2] / "sample_logs"
DRINKS = 48
APART_S = 0.7


def read_by_a_probe(truth: Rehearsal, drink: int, longest_s: float, rng: np.random.Generator) -> Trace:
    """What a probe shows of one drawn drink, with its lag, its offset and its noise."""
    time_s = np.arange(0.0, longest_s, APART_S)
    reading = lagged(
        truth.node_s[:, None], truth.temp_c[:, [drink]], truth.lag_s[[drink]], truth.start_c[[drink]]
    )[:, 0]
    noise = truth.trace_sd_k**2 * trace_shape(time_s, np.array(truth.longest_s))
    shown = np.interp(time_s, truth.node_s, reading) + truth.offset_k[drink]
    return Trace(time_s, {"": shown + np.linalg.cholesky(noise) @ rng.normal(size=time_s.size)})


def stopped_s(call: LiveCall, trace: Trace, longest_s: float) -> float:
    """When hands rest that do what the live call says."""
    now_s = 1.0
    assert trace.probe_c is not None
    while now_s < longest_s:
        seen = trace.time_s <= now_s
        told = estimate(call, Trace(trace.time_s[seen], {"": trace.probe_c[seen]}), now_s)
        left_s = told.seconds_left or 0.0
        if told.word in (Word.STOP, Word.PAST) or left_s <= 0.0:
            break
        now_s += max(0.4, min(1.5, 0.3 * left_s))
    return now_s + call.reaction_s


@pytest.mark.slow
def test_a_probes_stop_lands_as_often_as_was_promised() -> None:
    """Within 13 points, two standard errors of so many drinks; and clearly oftener than by the clock."""
    bench = rig.open_bench(SAMPLES / "harbour")
    fit, target = fitted(bench), bench.bench.target("coupe")
    drink = Situation("shake", "two-piece steel", "freezer cube", "quayside black")
    told = kit_worth(fit, drink, target)
    (promised,) = (p.live_odds for p in told.parts if p.kit.part is Part.PROBE)
    call = live_call(fit, drink, target)
    times = call.rehearsal.prediction.duration_s
    truth = rehearse_run(fit, told.call.situation, times, draws=64, seed=91)
    p, rng = truth.prediction, np.random.default_rng(3)

    def landed(k: int, at_s: float) -> bool:
        results = (p.temp_c, p.dilution_by_volume, p.abv_pct(), p.volume_ml())
        return bool(lands(np.array([[np.interp(at_s, times, r[k]) for r in results]]), target)[0])

    by_the_clock = [landed(k, told.call.duration_s) for k in range(DRINKS)]
    live = [
        landed(k, stopped_s(call, read_by_a_probe(truth, k, times[-1], rng), times[-1] - 0.5))
        for k in range(DRINKS)
    ]
    assert np.mean(live) == pytest.approx(promised, abs=0.13)
    assert np.mean(live) > np.mean(by_the_clock) + 0.05
