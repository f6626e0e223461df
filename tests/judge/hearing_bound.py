"""What hearing could bring at the most: `python -m tests.judge.hearing_bound --seeds 252-255`.

An oracle that knows a world's laws, its scatter and each case, and nothing of a drink but what is heard of it, stops
the drinks of `tests.judge.kits`. What it lands more once start and stop are heard, and more again once it is told the
cadence, is all that hearing can do for a drink under way; a fit may gain beside that by learning from runs that were
heard. Beside it stands who sees everything: a drink that no moment lands is nobody's fault.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import replace
from enum import StrEnum

import numpy as np
from scipy.ndimage import gaussian_filter1d

from rig.advice.plan.kit_parts import Part
from sample_logs.generator.liquid import Floats
from tests.judge.bench import FAMILIES, Case, grid_s, kept_bench
from tests.judge.judge import seeds_of
from tests.judge.kits import CASES, FRESH, SO_FAR_LOG_SD, heard_log_ratio, lands, made_fresh, off_s
from tests.judge.scene import Charge, Course, charge_runs

MADE, PACES = 400, np.linspace(-3.0, 3.0, 13)
"""Drinks by which the odds of one pace are known, and paces, in scatters of this world."""


class Knows(StrEnum):
    """Who stops a drink, by what is known of it."""

    SECONDS = "the best seconds, stopwatch"
    EDGES = "and start and stop heard"
    CADENCE = "and the cadence"
    EVERYTHING = "everything"


def stopped(case: Case, drinks: int) -> list[dict[Knows, bool]]:
    """Fresh drinks of one case, the same as `kits` makes, and whether each landed."""
    charge, course, _, slip, count = made_fresh(case, drinks)
    grid = grid_s(case.plan.technique)
    log_pace, odds = odds_by_pace(case)
    usual = odds_as_usual(case, grid)
    heard = heard_log_ratio(charge, count)
    stop_s = {
        Knows.SECONDS: np.full(drinks, best_s(grid, usual, off_s(Part.THERMOMETER)))
        + off_s(Part.THERMOMETER) * slip,
        Knows.EDGES: np.full(drinks, best_s(grid, usual, off_s(Part.EAR))) + off_s(Part.EAR) * slip,
        Knows.CADENCE: np.array([best_s(grid, at_pace(log_pace, odds, x), off_s(Part.EAR)) for x in heard])
        + off_s(Part.EAR) * slip,
    }
    hits = {knows: lands(case, charge, course, np.maximum(s, 0.5)) for knows, s in stop_s.items()}
    fine = np.arange(0.5, grid[-1], 0.05)
    hits[Knows.EVERYTHING] = np.any([lands(case, charge, course, np.full(drinks, s)) for s in fine], axis=0)
    return [{knows: bool(hit[n]) for knows, hit in hits.items()} for n in range(drinks)]


def odds_as_usual(case: Case, grid: Floats) -> Floats:
    """Odds of landing at each duration, (durations,), of drinks of which nothing is heard."""
    return odds_of(case, *_made(case, None, 8 * MADE), grid)


def odds_by_pace(case: Case) -> tuple[Floats, Floats]:
    """Logarithms of pace (paces,) and the odds of landing by pace and duration (paces, durations)."""
    grid, scatter = grid_s(case.plan.technique), case.plan.world.scatter.pace
    log_pace = PACES * scatter
    return log_pace, np.array([odds_of(case, *_made(case, x, MADE), grid) for x in log_pace])


def at_pace(log_pace: Floats, odds: Floats, heard: float) -> Floats:
    """Odds by duration (durations,) of a drink whose pace is heard so, give or take what a count is off."""
    weight = np.exp(-0.5 * ((log_pace[:, None] - heard) / max(SO_FAR_LOG_SD, np.diff(log_pace)[0])) ** 2)
    return np.asarray((weight * odds).sum(axis=0) / weight.sum())


def best_s(grid: Floats, odds: Floats, slip_s: float) -> float:
    """The duration at which a drink lands best that comes to rest so far off."""
    smooth = gaussian_filter1d(odds, max(slip_s, 0.3) / (grid[1] - grid[0]))
    top = grid[smooth >= 0.99 * smooth.max()]
    return float(top.mean())


def odds_of(case: Case, charge: Charge, course: Course, grid: Floats) -> Floats:
    """Share of drinks that land at each duration, (durations,)."""
    return np.array([lands(case, charge, course, np.full(len(charge), s)).mean() for s in grid])


def _made(case: Case, log_pace: float | None, drinks: int) -> tuple[Charge, Course]:
    plan, rng = case.plan, case.plan.world.rng(case.number, 17)
    charge = charge_runs(plan, drinks, rng)
    if log_pace is not None:
        charge = replace(charge, pace=np.full(drinks, np.exp(log_pace)))
    return charge, plan.world.laws.make(plan, charge, float(grid_s(plan.technique)[-1]) + 1.0, rng)


def table(by_family: Mapping[str, Sequence[Mapping[Knows, bool]]]) -> str:
    """How many land by each, family by family and in all."""
    all_of = {**by_family, "all": [d for drinks in by_family.values() for d in drinks]}
    lines = ["| family | drinks | " + " | ".join(Knows) + " |", "| --- " * (2 + len(Knows)) + "|"]
    for family, drinks in all_of.items():
        shares = " | ".join(f"{np.mean([d[k] for d in drinks]):.1%}" for k in Knows)
        lines.append(f"| {family} | {len(drinks)} | {shares} |")
    return "\n".join(lines)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Judge what hearing the shake could bring at the most")
    parser.add_argument("--family", nargs="+", choices=list(FAMILIES), default=list(FAMILIES))
    parser.add_argument("--seeds", default="241")
    parser.add_argument("--drinks", type=int, default=200, help="fresh drinks a case")
    args = parser.parse_args()
    found: dict[str, list[dict[Knows, bool]]] = {}
    for seed in seeds_of(args.seeds):
        for family in args.family:
            bench = kept_bench(family, seed, [], fresh=FRESH, each=CASES)
            cases = [c for c in bench.cases if c.kind == "measured" and c.plan.technique == "shake"]
            found.setdefault(family, []).extend(d for c in cases for d in stopped(c, args.drinks))
            print(f"up to {family} {seed}:\n{table(found)}\n", flush=True)


if __name__ == "__main__":
    main()
