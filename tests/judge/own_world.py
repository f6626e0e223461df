"""Judge the live stop on devices of a bench's own world: `python -m tests.judge.own_world --drinks 200`.

Each drink is drawn from the fit of a sample bench with all its scatter, as the simulated rig draws it, and read by
its simulated probe. It is stopped by the live call, by the seconds called beforehand, and by the live call with a
probe that falls silent half-way to those seconds. Counted are the drinks that land at any moment.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

import rig
from rig.advice.live import live_call
from rig.advice.search import durations
from rig.arrays import FloatArray
from rig.capture.devices.simulated.drink import Hands
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.runs import Trace
from rig.session.simulated_drink import DrawnDrink, drawn_drink
from tests.judge.live import Stopped, stop_by_trace, table

BENCH = Path(__file__).parents[2] / "sample_logs" / "evening_class"
WAITS_S, EVERY_READING_S = 2.0, 0.1


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


def stopped_drinks(fit: Fit, asked: Asked, drinks: int) -> Iterator[Stopped]:
    """Drinks of the first seeds, each stopped in all ways."""
    longest_s = float(durations(fit, asked.situation.technique)[-1])
    for seed in range(drinks):
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
        yield Stopped(
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
    """Print the table."""
    parser = argparse.ArgumentParser(description="Judge the live stop on a bench's own world")
    parser.add_argument("--drinks", type=int, default=200, help="drinks of each technique")
    args = parser.parse_args()
    fit = rig.fit(rig.open_bench(BENCH))
    print(table([s for asked in ASKED for s in stopped_drinks(fit, asked, args.drinks)]))


if __name__ == "__main__":
    main()
