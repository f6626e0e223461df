"""Judge the live stop: `python -m tests.judge.live --seeds 231-232`.

In made-up worlds the fit has learned from, fresh drinks are made by hands of differing speed with ice of
differing wetness from differing temperatures; each trace is played back to the live call as it would have
come in, and the moment it stops is compared with that run's own best moment: the middle of the stretch in
which that very drink lies in its target. The same drinks stopped after the seconds that the fit recommends
beforehand are the rival.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

import rig
from rig.advice.live.live import EVERY_S, LiveCall, Word, by_the_clock, estimate, live_call
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.runs import Trace
from rig.signals.probe_faults import QUIET_S
from rig.work import workers_on
from tests.judge.bench import FAMILIES, Case, final_dilution, grid_s, kept_bench, probe_readings
from tests.judge.judge import World, add_on, fit_with, in_turn, seeds_of
from tests.judge.scene import charge_runs

PACE_LOG_SD = 0.15
"""Hands differ more than one bartender's shakes do."""
STEP_S = {"shake": EVERY_S, "stir": 1.0}
REACTION_S = 0.3
RUNS = 12


@dataclass(frozen=True)
class Stopped:
    """One drink stopped live; the best moment is NaN where this drink never lands.

    `lost_s`: stopped with a probe that falls silent half-way to the seconds called beforehand.
    """

    seed: int
    set_up: str
    recipe: str
    kind: str
    best_s: float
    live_s: float
    fixed_s: float
    stretch_s: tuple[float, float]
    lost_s: float

    def at(self, how: str) -> float:
        """When the hands came to rest."""
        return {"live": self.live_s, "lost": self.lost_s, "fixed": self.fixed_s}[how]

    def outside_s(self, how: str) -> float:
        """How far from the nearest moment at which this drink lies in its target; 0 within."""
        low, high = self.stretch_s
        return max(low - self.at(how), self.at(how) - high, 0.0)


def stop_world(
    family: str, seed: int, runs_per_set_up: int, runs: int = RUNS, kinds: tuple[str, ...] = ("measured",)
) -> list[Stopped]:
    """All cases of a world, `runs` fresh drinks each."""
    bench = kept_bench(family, seed, [runs_per_set_up])
    fit = fit_with(bench, runs_per_set_up, [])
    return [s for case in bench.cases if case.kind in kinds for s in stop_case(fit, case, runs)]


def stop_kept_world(world: World, runs_per_set_up: int) -> list[Stopped]:
    """All measured cases of a world (family, seed)."""
    return stop_world(*world, runs_per_set_up)


def stop_case(fit: Fit, case: Case, runs: int) -> list[Stopped]:
    """Make the drinks, play each back, and note where it was stopped."""
    plan, world = case.plan, case.plan.world
    rng = world.rng(case.number, 7)
    charge = charge_runs(plan, runs, rng)
    charge = replace(charge, pace=charge.pace * np.exp(rng.normal(0, PACE_LOG_SD, runs)))
    longest = float(grid_s(plan.technique)[-1])
    course = world.laws.make(plan, charge, longest + 1.0, rng)
    time_s, probe_c = probe_readings(plan, charge, course, rng)
    fine = np.arange(0.5, longest, 0.05)
    temp_c, diluted = course.at("temp_c", fine), final_dilution(charge, course, fine)
    target = rig.Target(**case.target_kwargs)
    a = case.advise_kwargs
    fixed = rig.advise(fit, target=target, with_levers=False, **a).duration_s
    out = []
    for n in range(runs):
        temp, dilution = temp_c[:, n], diluted[:, n]
        low, high = case.dilution_by_volume
        lands = fine[(temp <= case.serve_temp_c_max) & (dilution >= low) & (dilution <= high)]
        stretch = (float(lands[0]), float(lands[-1])) if lands.size else (np.nan, np.nan)
        situation = Situation(
            str(a["technique"]),
            str(a["vessel"]),
            str(a["ice"]),
            str(a["recipe"]),
            drink_temp_c=round(float(charge.drink_temp_c[n] + rng.normal(0, 0.2)), 1),
            drink_mass_g=round(float(charge.drink_g[n])),
            ice_mass_g=round(float(charge.ice_g[n])),
            ice_temp_c=float(a["ice_temp_c"]),
            vessel_temp_c=round(float(charge.vessel_temp_c[n] + rng.normal(0, 0.2)), 1),
            room_temp_c=float(a["room_temp_c"]),
        )
        call = live_call(fit, situation, target, reaction_s=REACTION_S, draws=512)
        trace = Trace(time_s, {"": probe_c[:, n]})
        out.append(
            Stopped(
                world.seed,
                " · ".join(plan.set_up),
                str(a["recipe"]),
                case.kind,
                float(np.mean(stretch)),
                stop_by_trace(call, trace, longest),
                fixed,
                stretch,
                stop_by_trace(call, trace, longest, dies_s=0.5 * fixed),
            )
        )
    return out


def stop_by_trace(call: LiveCall, trace: Trace, longest_s: float, dies_s: float = np.inf) -> float:
    """When the hands come to rest that stop by this call and what the probe shows, until it falls silent [s]."""
    step = STEP_S[call.rehearsal.prediction.situation.technique]
    now = 0.0
    while now < longest_s - 1.0:
        now += step
        seen = trace.time_s <= min(now, dies_s)
        part = Trace(trace.time_s[seen], {"": trace.probes_c[""][seen]})
        lost = now > dies_s + QUIET_S
        told = by_the_clock(call, now, before=part) if lost else estimate(call, part, now)
        assert told.stop_at_s is not None
        if told.stop_at_s <= now:
            return now + REACTION_S
        if told.word is not Word.NO_MOMENT and told.stop_at_s < now + step:
            return told.stop_at_s + REACTION_S
    return longest_s


def table(stopped: list[Stopped]) -> str:
    """Shares that landed, that stopped within half a second of landing, and distance from the stretch's middle."""
    lines = [
        f"{'technique':10} {'drinks':>6} {'stop':>6} {'landed':>7} {'≤0.5 s off':>10} {'middle, median':>14}"
    ]
    for technique in ("shake", "stir"):
        mine = [s for s in stopped if s.set_up.startswith(technique) and np.isfinite(s.best_s)]
        for how in ("live", "lost", "fixed") if mine else ():
            outside = np.array([s.outside_s(how) for s in mine])
            middle = np.median([abs(s.at(how) - s.best_s) for s in mine])
            lines.append(
                f"{technique:10} {len(mine):6d} {how:>6} {np.mean(outside == 0.0):7.0%} "
                f"{np.mean(outside <= 0.5):10.0%} {middle:12.2f} s"
            )
    return "\n".join(lines)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Judge the live stop on made-up worlds")
    parser.add_argument("--family", nargs="+", choices=list(FAMILIES), default=list(FAMILIES))
    parser.add_argument("--seeds", default="231-232")
    parser.add_argument("--runs", type=int, default=18, help="runs a set-up to learn from")
    add_on(parser)
    args = parser.parse_args()
    made = [(family, seed) for family in args.family for seed in seeds_of(args.seeds)]
    worlds = in_turn(workers_on(args.on), partial(stop_kept_world, runs_per_set_up=args.runs), made)
    print(table([s for world in worlds for s in world]))


if __name__ == "__main__":
    main()
