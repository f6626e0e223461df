"""Judge the live stop on devices of a bench's own world: `python -m tests.judge.own_world --drinks 200`.

Each drink is drawn from the fit of a sample bench with all its scatter, as the simulated rig draws it, and read by
its simulated probe. It is stopped by the live call, by the seconds called beforehand, and by the live call with a
probe that falls silent half-way to those seconds. Counted are the drinks that land at any moment.

What a probe shows does not tell all of a drink: the water that its ice has given is foretold from it. So the judge also
says what the best any stop could do would be: of draws brought to the whole trace, before and after the stop, how
many land within half a second of the moment that is best for them all, over how many can land at all.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from scipy.ndimage import maximum_filter1d

import rig
from rig.advice.call.odds import lands
from rig.advice.call.search import durations
from rig.advice.live.live import LiveCall, live_call
from rig.arrays import FloatArray
from rig.capture.devices.simulated.drink import Hands
from rig.fitting.live_fit import given_trace
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.runs import Trace
from rig.session.simulated_drink import DrawnDrink, drawn_drink
from rig.work import workers_on
from tests.judge.judge import add_on, in_turn
from tests.judge.live import Stopped, stop_by_trace, table

BENCH = Path(__file__).parents[2] / "sample_logs" / "evening_class"
WAITS_S, EVERY_READING_S = 2.0, 0.1
NEAR_S = 0.5


@dataclass(frozen=True)
class Asked:
    """A drink as it is asked for, and what it is to be."""

    situation: Situation
    target: rig.Target


ASKED = (
    Asked(
        Situation("shake", "two-piece steel", "bar cube", "breakwater rested"),
        rig.Target(serve_temp_c_max=3.0, dilution_by_volume=(0.405, 0.46)),
    ),
    Asked(
        Situation("stir", "mixing glass", "bar cube", "breakwater rested"),
        rig.Target(serve_temp_c_max=4.5, dilution_by_volume=(0.40, 0.47)),
    ),
)


@dataclass(frozen=True)
class Judged:
    """A drink stopped in all ways; of draws like it, how many land at the `best` moment, and how many `can` land."""

    stopped: Stopped
    best: float
    can: float


@cache
def own_fit() -> Fit:
    """The fit whose world the drinks are of."""
    return rig.fit(rig.open_bench(BENCH))


def judged_drink(question: tuple[int, int]) -> Judged:
    """The drink of this seed (which of `ASKED`, seed)."""
    which, seed = question
    fit, asked = own_fit(), ASKED[which]
    longest_s = float(durations(fit, asked.situation.technique)[-1])
    drink = drawn_drink(fit, asked.situation, seed)
    trace = read_by_probe(drink, longest_s)
    start_c = float(trace.probes_c[""][(trace.time_s <= 0.0) & (trace.time_s > -1.0)].mean())
    weighed = replace(
        asked.situation,
        drink_temp_c=round(start_c, 1),
        drink_mass_g=round(drink.drink_mass_g, 1),
        ice_mass_g=round(drink.ice_mass_g, 1),
    )
    call = live_call(fit, weighed, asked.target)
    assert call.before is not None
    fixed_s = call.before.duration_s
    stretch_s = landing_stretch(drink, asked.target, call.rehearsal.prediction.start_volume_ml, longest_s)
    stopped = Stopped(
        seed,
        f"{asked.situation.technique} · {asked.situation.vessel}",
        asked.situation.recipe,
        "own world",
        float(np.mean(stretch_s)),
        stop_by_trace(call, trace, longest_s),
        fixed_s,
        stretch_s,
        stop_by_trace(call, trace, longest_s, dies_s=0.5 * fixed_s),
    )
    return Judged(stopped, *best_of_any_stop(call, trace, longest_s))


def best_of_any_stop(call: LiveCall, trace: Trace, longest_s: float) -> tuple[float, float]:
    """Of draws brought to the whole trace: how many land near the moment best for all, and how many can land."""
    assert call.target is not None
    whole = given_trace(call.rehearsal, trace, longest_s).prediction
    fine = np.arange(0.5, longest_s, NEAR_S / 5.0)
    temp_c, diluted = (
        np.array([np.interp(fine, whole.duration_s, one) for one in draws])
        for draws in (whole.temp_c, whole.dilution_by_volume)
    )
    unknown = np.full(temp_c.shape, np.nan)
    landed = lands(np.stack([temp_c, diluted, unknown, unknown], axis=-1), call.target)
    near = maximum_filter1d(landed.astype(np.uint8), 11, axis=1, mode="constant")
    return float(near.mean(axis=0).max()), float(landed.any(axis=1).mean())


def read_by_probe(drink: DrawnDrink, longest_s: float) -> Trace:
    """What the drink's probe reads while it waits and is moved."""
    now_s = 0.0
    hands = Hands(drink, lambda: now_s)
    times: FloatArray = np.arange(0.0, WAITS_S + longest_s + 1.0, EVERY_READING_S)
    read = []
    for now_s in times:
        if now_s >= WAITS_S and hands.started_s is None:
            hands.start()
        read.append(hands.probe_c(now_s))
    return Trace(times - WAITS_S, {"": np.array(read)})


def landing_stretch(
    drink: DrawnDrink, target: rig.Target, start_volume_ml: float, longest_s: float
) -> tuple[float, float]:
    """The first and the last moment at which a drink lies in its target; NaN where there is none."""
    assert target.serve_temp_c_max is not None and target.dilution_by_volume is not None
    fine = np.arange(0.5, longest_s, 0.05)
    temp_c = np.array([drink.temp_c(t) for t in fine])
    dilution = np.array([drink.added_g(t) for t in fine]) / start_volume_ml
    low, high = target.dilution_by_volume
    lands = fine[(temp_c <= target.serve_temp_c_max) & (dilution >= low) & (dilution <= high)]
    return (float(lands[0]), float(lands[-1])) if lands.size else (np.nan, np.nan)


def main() -> None:
    """Print the table, and what the best any stop could do would be."""
    parser = argparse.ArgumentParser(description="Judge the live stop on a bench's own world")
    parser.add_argument("--drinks", type=int, default=200, help="drinks of each technique")
    parser.add_argument("--first", type=int, default=0, help="seed of the first drink")
    add_on(parser)
    args = parser.parse_args()
    seeds = range(args.first, args.first + args.drinks)
    asked = [(which, seed) for which in range(len(ASKED)) for seed in seeds]
    found = in_turn(workers_on(args.on), judged_drink, asked)
    print(table([j.stopped for j in found]))
    for which, one in enumerate(ASKED):
        mine = found[which * args.drinks : (which + 1) * args.drinks]
        best, can = (sum(getattr(j, name) for j in mine) for name in ("best", "can"))
        print(
            f"{one.situation.technique:10} best any stop could do, of those that can land: {best / can:.1%}"
        )


if __name__ == "__main__":
    main()
