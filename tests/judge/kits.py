"""Judge what hearing the shake brings: `python -m tests.judge.kits --seeds 241-242`.

One and the same drinks of a made-up world are noted by three bars. One has a kitchen scale, a thermometer and a
stopwatch pressed by hand; one hears start and stop and counts the strokes; one has a probe in the drink. Each bench is
fitted, and fresh drinks are made by it: stopped after the seconds called beforehand, by the clock and the cadence
heard, or by the probe. All three stop by the same call and are judged by the same drinks.

What a hand's cadence does to heat is the families' own law (`pace` in each of them: a power drawn with the world, and
work that rises with its cube), not the fit's; the strength of a hand and its tiring vary beside it, unheard.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

import rig
from rig.advice.live.live import by_the_clock, live_call
from rig.advice.plan.kit_parts import Kit, Part, ladder
from rig.arrays import BoolArray
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.runs import HEARD_HZ, Run, RunBook, Trace
from rig.signals.moments import Rhythm
from sample_logs.generator.folder import write_bench
from sample_logs.generator.liquid import Floats
from tests.judge.bench import FAMILIES, Bench, Case, Noted, grid_s, kept_bench, noted_runs, probe_readings
from tests.judge.judge import seeds_of
from tests.judge.live import REACTION_S, stop_by_trace
from tests.judge.scene import Charge, Course, charge_runs

KITS: dict[Part, Kit] = {
    k.part: k for k in ladder(heard=True) if k.part in (Part.THERMOMETER, Part.EAR, Part.PROBE)
}
HEADS = {Part.THERMOMETER: "stopwatch", Part.EAR: "start, stop and cadence heard", Part.PROBE: "probe"}
PRESSED_STD_S = 0.5
"""How far the seconds of a stopwatch are off that is pressed with wet hands."""
USUAL_HZ, COUNTED_LOG_SD, SO_FAR_LOG_SD = 3.4, 0.01, 0.02
"""Strokes a second at the usual pace; how far a count of a whole shake, and of one under way, is off: within 3 %."""
ASKED_AT_S = 6.0
"""A drink without a probe is asked about once so much of it was heard."""


FRESH, CASES, RUNS = 300, 4, 6
"""Drinks by which a case's target is set; cases a world; runs a set-up to learn from."""


def noted(bench: Bench, runs: int) -> dict[Part, RunBook]:
    """The drinks of a world as each bar notes them."""
    made = noted_runs(bench.world, runs)
    with tempfile.TemporaryDirectory() as folder:
        write_bench(Path(folder), bench.text, [row for row, _ in made])
        book = rig.open_bench(folder)
    by_run = {row.run: kept for row, kept in made}
    return {
        part: replace(book, runs=tuple(_noted(r, by_run[r.run], part) for r in book.runs)) for part in KITS
    }


def _noted(run: Run, kept: Noted, part: Part) -> Run:
    """One run as a bar with this part notes it; the same slips of hand and eye whichever part it is."""
    if part is Part.PROBE:
        return run
    kit = KITS[part]
    slip, glance, count = np.random.default_rng(list(run.run.encode())).normal(size=3)
    assert run.duration_s is not None and kit.end_std_k is not None
    duration_s = max(round(run.duration_s + off_s(part) * float(slip), 2), 1.0)
    end = Trace(np.array([duration_s]), {"": np.array([kept.settled_c + kit.end_std_k * glance])})
    extra = dict(run.extra)
    if part is Part.EAR and run.technique == "shake":
        extra[HEARD_HZ] = f"{USUAL_HZ * kept.pace * np.exp(COUNTED_LOG_SD * count):.3f}"
    return replace(run, duration_s=duration_s, trace=end, extra=extra)


def off_s(part: Part) -> float:
    """How far a bar's seconds of a run are off, one standard deviation."""
    kit = KITS[part]
    return PRESSED_STD_S if part is Part.THERMOMETER else float(np.hypot(kit.start_std_s, kit.stop_std_s))


def landed(
    family: str, seed: int, runs: int, drinks: int, parts: Sequence[Part] = tuple(KITS)
) -> list[dict[Part, bool]]:
    """Fresh drinks of a world's shaken cases, and whether each landed where each bar stopped it."""
    bench = kept_bench(family, seed, [], fresh=FRESH, each=CASES)
    cases = [c for c in bench.cases if c.kind == "measured" and c.plan.technique == "shake"]
    fits = {part: rig.fit(book) for part, book in noted(bench, runs).items() if part in parts}
    return [drink for case in cases for drink in landed_in(case, fits, drinks)]


def landed_in(case: Case, fits: Mapping[Part, Fit], drinks: int) -> list[dict[Part, bool]]:
    """Fresh drinks of one case."""
    charge, course, (time_s, probe_c), slip, count = made_fresh(case, drinks)
    longest_s = float(grid_s(case.plan.technique)[-1])
    asked, target = Situation(**case.advise_kwargs), rig.Target(**case.target_kwargs)  # type: ignore[arg-type]
    calls = {part: live_call(fit, asked, target, reaction_s=REACTION_S) for part, fit in fits.items()}
    heard_hz = USUAL_HZ * np.exp(heard_log_ratio(charge, count))
    stop_s = {part: np.empty(drinks) for part in fits}
    for n in range(drinks):
        for part, call in calls.items():
            if part is Part.PROBE:
                stop_s[part][n] = stop_by_trace(call, Trace(time_s, {"": probe_c[:, n]}), longest_s)
                continue
            rhythm = Rhythm(float(heard_hz[n]), SO_FAR_LOG_SD * float(heard_hz[n]))
            told = by_the_clock(call, ASKED_AT_S, rhythm if part is Part.EAR else None)
            assert told.stop_at_s is not None
            stop_s[part][n] = max(told.stop_at_s + REACTION_S + off_s(part) * slip[n], 0.5)
    return [
        {part: bool(hit[n]) for part, hit in ((p, lands(case, charge, course, s)) for p, s in stop_s.items())}
        for n in range(drinks)
    ]


def made_fresh(case: Case, drinks: int) -> tuple[Charge, Course, tuple[Floats, Floats], Floats, Floats]:
    """Fresh drinks of a case, what a probe shows of them, and slips (drinks,) of hand and count, standard normal."""
    plan = case.plan
    rng = plan.world.rng(case.number, 13)
    charge = charge_runs(plan, drinks, rng)
    course = plan.world.laws.make(plan, charge, float(grid_s(plan.technique)[-1]) + 1.0, rng)
    shown = probe_readings(plan, charge, course, rng)
    slip, count = rng.normal(size=(2, drinks))
    return charge, course, shown, slip, count


def heard_log_ratio(charge: Charge, count: Floats) -> Floats:
    """Logarithm of each hand's cadence over the usual one, as it is heard under way, (drinks,)."""
    return np.asarray(np.log(charge.pace) + SO_FAR_LOG_SD * count)


def lands(case: Case, charge: Charge, course: Course, stop_s: Floats) -> BoolArray:
    """Whether each drink lies in the target when it is stopped then, (drinks,)."""
    added = course.at("added_g", stop_s, each=True) + course.at("late_g", stop_s, each=True)
    dilution, (low, high) = added / charge.volume_ml, case.dilution_by_volume
    cold = course.at("temp_c", stop_s, each=True) <= case.serve_temp_c_max
    return np.asarray(cold & (dilution >= low) & (dilution <= high))


def gain(drinks: Sequence[Mapping[Part, bool]], part: Part) -> tuple[float, float]:
    """What a part lands more than the stopwatch, as a share of all drinks, and half a 95 % interval of that.

    The same drinks are stopped by both, so that the difference is taken drink by drink.
    """
    more = np.array([float(d[part]) - float(d[Part.THERMOMETER]) for d in drinks])
    return float(more.mean()), float(_Z95 * more.std() / np.sqrt(more.size))


_Z95 = 1.96


def table(by_family: Mapping[str, Sequence[Mapping[Part, bool]]], parts: Sequence[Part] = tuple(KITS)) -> str:
    """How many land by each bar, family by family and in all."""
    all_of = {**by_family, "all": [d for drinks in by_family.values() for d in drinks]}
    told = [part for part in parts if part is not Part.THERMOMETER]
    heads = ["family", "drinks", *(HEADS[p] for p in parts), *(f"{HEADS[p]} gains" for p in told)]
    lines = ["| " + " | ".join(heads) + " |", "| --- " * len(heads) + "|"]
    for family, drinks in all_of.items():
        shares = [f"{np.mean([d[p] for d in drinks]):.1%}" for p in parts]
        more = ["{:+.1f} ± {:.1f} points".format(*(100.0 * x for x in gain(drinks, p))) for p in told]
        lines.append("| " + " | ".join([family, str(len(drinks)), *shares, *more]) + " |")
    return "\n".join(lines)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Judge what hearing the shake brings on made-up worlds")
    parser.add_argument("--family", nargs="+", choices=list(FAMILIES), default=list(FAMILIES))
    parser.add_argument("--seeds", default="241-242")
    parser.add_argument("--runs", type=int, default=RUNS, help="runs a set-up to learn from")
    parser.add_argument("--drinks", type=int, default=24, help="fresh drinks a case")
    parser.add_argument(
        "--without-probe", action="store_true", help="stopwatch and ear only: many more drinks"
    )
    args = parser.parse_args()
    parts = [p for p in KITS if p is not Part.PROBE or not args.without_probe]
    found: dict[str, list[dict[Part, bool]]] = {}
    for seed in seeds_of(args.seeds):
        for family in args.family:
            found.setdefault(family, []).extend(landed(family, seed, args.runs, args.drinks, parts))
            print(f"up to {family} {seed}:\n{table(found, parts)}\n", flush=True)


if __name__ == "__main__":
    main()
