"""Judge the live stop: `python -m tests.judge.live --seeds 131-133`.

In made-up worlds the fit has learned from, fresh drinks are made by hands of differing speed with ice of
differing wetness from differing temperatures; each trace is played back to the live call as it would have
come in, and the moment it stops is compared with that run's own best moment: the middle of the stretch in
which that very drink lies in its target. The same drinks stopped after the seconds that the fit recommends
beforehand are the rival.
"""

from __future__ import annotations

import argparse
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

import rig
from rig.advice.live import EVERY_S, Word, estimate, live_call
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.runs import Trace
from sample_logs.generator.instruments import MOST_CHIPS_G, STILL_MELT, probe_readings
from sample_logs.generator.simulate import charge_runs, simulate
from tests.judge.worlds import Case, make_bench, true_plan

PACE_LOG_SD = 0.15
"""Hands differ more than one bartender's shakes do."""
STEP_S = {"shake": EVERY_S, "stir": 1.0}
REACTION_S = 0.3
RUNS = 12


@dataclass(frozen=True)
class Stopped:
    """One drink stopped live; the best moment is NaN where this drink never lands."""

    seed: int
    set_up: str
    recipe: str
    kind: str
    best_s: float
    live_s: float
    fixed_s: float
    stretch_s: tuple[float, float]

    def at(self, how: str) -> float:
        """When the hands came to rest."""
        return self.live_s if how == "live" else self.fixed_s

    def outside_s(self, how: str) -> float:
        """How far from the nearest moment at which this drink lies in its target; 0 within."""
        low, high = self.stretch_s
        return max(low - self.at(how), self.at(how) - high, 0.0)


def stop_world(
    seed: int, runs_per_set_up: int, runs: int = RUNS, kinds: tuple[str, ...] = ("measured",)
) -> list[Stopped]:
    """All cases of a world, `runs` fresh drinks each."""
    with tempfile.TemporaryDirectory() as folder:
        cases = make_bench(Path(folder), seed, runs_per_set_up)
        fit = rig.fit(rig.open_bench(folder))
        return [s for case in cases if case.kind in kinds for s in stop_case(fit, case, runs)]


def stop_case(fit: Fit, case: Case, runs: int) -> list[Stopped]:
    """Make the drinks, play each back, and note where it was stopped."""
    plan = true_plan(case.plan)
    rng = np.random.default_rng([case.seed, case.number, 7])
    charge = charge_runs(plan, runs, rng)
    charge = replace(charge, cadence=charge.cadence * np.exp(rng.normal(0, PACE_LOG_SD, runs)))
    longest = float(case.grid_s[-1])
    course = simulate(plan.setting, charge, longest + 1.0, rng)
    time_s, probe_c = probe_readings(plan, charge, course, rng)
    fine = np.arange(0.5, longest, 0.05)
    slip = plan.setting.world.chip_pass * np.exp(rng.normal(0, 0.4, runs))
    target = rig.Target(**case.target_kwargs)
    a = case.advise_kwargs
    fixed = rig.advise(fit, target=target, with_levers=False, **a).duration_s
    out = []
    for n in range(runs):
        temp = np.interp(fine, course.time_s, course.temp_c[:, n])
        added = np.interp(fine, course.time_s, course.added_g[:, n])
        pouring = STILL_MELT * plan.setting.motion.pour_s * np.gradient(added, fine)
        chips = np.minimum(slip[n] * np.interp(fine, course.time_s, course.fragments_g[:, n]), MOST_CHIPS_G)
        dilution = (added + pouring + chips) / charge.volume_ml[n]
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
            ice_mass_g=round(float(charge.ice_mass_g[n])),
            ice_temp_c=float(a["ice_temp_c"]),
            vessel_temp_c=round(float(charge.vessel_temp_c[n] + rng.normal(0, 0.2)), 1),
            room_temp_c=float(a["room_temp_c"]),
        )
        live = stop_one(fit, situation, target, Trace(time_s, {"": probe_c[:, n]}), longest)
        out.append(
            Stopped(
                case.seed,
                f"{a['technique']} · {a['vessel']} · {a['ice']}",
                str(a["recipe"]),
                case.kind,
                float(np.mean(stretch)),
                live,
                fixed,
                stretch,
            )
        )
    return out


def stop_one(fit: Fit, situation: Situation, target: rig.Target, trace: Trace, longest_s: float) -> float:
    """Play one trace back in steps and stop as the hands would."""
    call = live_call(fit, situation, target, reaction_s=REACTION_S, draws=512)
    step = STEP_S[situation.technique]
    now = 0.0
    while now < longest_s - 1.0:
        now += step
        seen = trace.time_s <= now
        part = Trace(trace.time_s[seen], {"": trace.probes_c[""][seen]})
        told = estimate(call, part, now)
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
        for how in ("live", "fixed") if mine else ():
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
    parser.add_argument("--seeds", default="131-133")
    parser.add_argument("--runs", type=int, default=18, help="runs a set-up to learn from")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    first, _, last = args.seeds.partition("-")
    seeds = list(range(int(first), int(last or first) + 1))
    with ProcessPoolExecutor(args.workers) as executor:
        worlds = list(executor.map(stop_world, seeds, [args.runs] * len(seeds)))
    print(table([s for world in worlds for s in world]))


if __name__ == "__main__":
    main()
