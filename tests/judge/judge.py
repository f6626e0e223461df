"""Judge the call on made-up worlds that the fit has never seen: `python -m tests.judge.judge --seeds 101-112`.

For each world a bench folder is written, opened, fitted and asked for calls; every call is then played out
on fresh drinks of the same world.

    score = odds of landing at the called duration ÷ best odds that any duration has

Coverage is the share of fresh drinks that fall into the 90 % bands of temperature and dilution, at the
called duration and at half of it.
"""

from __future__ import annotations

import argparse
import tempfile
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import rig
from tests.judge.worlds import Case, TrueOdds, make_bench, true_odds

MEASURED, UNMEASURED = "measured", "unmeasured"


@dataclass(frozen=True)
class Judged:
    """One call, played out."""

    seed: int
    number: int
    kind: str
    set_up: str
    recipe: str
    called_s: float
    best_s: float
    odds: float
    best_odds: float
    claimed_odds: float
    temp_coverage: float
    dilution_coverage: float
    temp_error_k: float
    dilution_error: float

    @property
    def score(self) -> float:
        """Odds at the called duration as a share of the best there are."""
        return self.odds / self.best_odds


def judge_world(seed: int, runs_per_set_up: int) -> list[Judged]:
    """Write, open, fit, ask and play out one world."""
    with tempfile.TemporaryDirectory() as folder:
        cases = make_bench(Path(folder), seed, runs_per_set_up)
        fit = rig.fit(rig.open_bench(folder))
        return [judge_case(fit, case) for case in cases]


def judge_case(fit: object, case: Case) -> Judged:
    """Ask for one call and play it out on fresh drinks."""
    advice = rig.advise(fit, target=rig.Target(**case.target_kwargs), with_levers=False, **case.advise_kwargs)
    truth = true_odds(case)
    a = case.advise_kwargs
    called = advice.duration_s
    bands = {"temp_c": truth.temp_c, "dilution_by_volume": truth.dilution_by_volume}
    covered = {
        name: np.mean([inside(advice, truth, values, name, t) for t in (called, called / 2)])
        for name, values in bands.items()
    }
    error = {name: middle_error(advice, truth, values, name, called) for name, values in bands.items()}
    return Judged(
        seed=case.seed,
        number=case.number,
        kind=case.kind,
        set_up=f"{a['technique']} · {a['vessel']} · {a['ice']}",
        recipe=str(a["recipe"]),
        called_s=called,
        best_s=float(truth.duration_s[int(np.argmax(truth.odds))]),
        odds=truth.at(called),
        best_odds=truth.best,
        claimed_odds=advice.odds,
        temp_coverage=float(covered["temp_c"]),
        dilution_coverage=float(covered["dilution_by_volume"]),
        temp_error_k=error["temp_c"],
        dilution_error=error["dilution_by_volume"],
    )


def inside(advice: object, truth: TrueOdds, values: np.ndarray, name: str, at_s: float) -> float:
    """Share of fresh drinks within the 90 % band at a duration."""
    band = getattr(advice, name)
    k = int(np.argmin(np.abs(truth.duration_s - at_s)))
    low, high = (float(np.interp(truth.duration_s[k], advice.time_s, p)) for p in (band.p05, band.p95))
    return float(np.mean((values[k] >= low) & (values[k] <= high)))


def middle_error(advice: object, truth: TrueOdds, values: np.ndarray, name: str, at_s: float) -> float:
    """Predicted median less the true median at a duration."""
    k = int(np.argmin(np.abs(truth.duration_s - at_s)))
    middle = float(np.interp(truth.duration_s[k], advice.time_s, getattr(advice, name).p50))
    return middle - float(np.median(values[k]))


def judge(seeds: list[int], runs_per_set_up: int, executor: Executor | None = None) -> list[Judged]:
    """All calls of all worlds."""
    work = (map if executor is None else executor.map)(judge_world, seeds, [runs_per_set_up] * len(seeds))
    return [judged for world in work for judged in world]


@dataclass(frozen=True)
class Summary:
    """What a table row says of one kind of case."""

    kind: str
    calls: int
    mean: float
    worst: float
    temp_coverage: float
    dilution_coverage: float

    def __str__(self) -> str:
        return (
            f"| {self.kind} | {self.calls} | {self.mean:.3f} | {self.worst:.2f} "
            f"| {self.temp_coverage:.0%} | {self.dilution_coverage:.0%} |"
        )


def summarise(judged: list[Judged]) -> list[Summary]:
    """One row a kind."""
    out = []
    for kind in (MEASURED, UNMEASURED):
        mine = [j for j in judged if j.kind == kind]
        if mine:
            out.append(
                Summary(
                    kind,
                    len(mine),
                    float(np.mean([j.score for j in mine])),
                    min(j.score for j in mine),
                    float(np.mean([j.temp_coverage for j in mine])),
                    float(np.mean([j.dilution_coverage for j in mine])),
                )
            )
    return out


def main() -> None:
    """Print the table and the worst calls."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="101-112", help="first-last of the worlds")
    parser.add_argument("--runs", type=int, nargs="+", default=[18, 6], help="runs a set-up")
    parser.add_argument("--worst", type=int, default=8, help="how many of the worst calls to show")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    first, _, last = options.seeds.partition("-")
    seeds = list(range(int(first), int(last or first) + 1))
    print("| cases | calls | mean score | worst | temperature in 90 % band | dilution in 90 % band |")
    print("| --- | --- | --- | --- | --- | --- |")
    for runs in options.runs:
        with ProcessPoolExecutor(options.workers) as executor:
            judged = judge(seeds, runs, executor)
        for row in summarise(judged):
            print(str(row).replace("|", f"| {runs} runs,", 1))
        for j in sorted(judged, key=lambda j: j.score)[: options.worst]:
            print(
                f"    {j.score:.3f} world {j.seed} #{j.number} {j.kind}: {j.set_up}, {j.recipe}: called "
                f"{j.called_s:.1f} s, best {j.best_s:.1f} s, odds {j.odds:.2f} of {j.best_odds:.2f}, claimed "
                f"{j.claimed_odds:.2f}, temperature {j.temp_error_k:+.2f} K, dilution {j.dilution_error:+.3f}"
            )


if __name__ == "__main__":
    main()
