"""Judge one memory: `python -m tests.judge.population --family lumped --seeds 901-902 --bars 8 --runs 6`.

A made-up population: one common law, drawn anew for each seed, and bars whose laws are drawn around it. Every bar's
bench is fitted; what they say, without names, becomes the prior of a new bar of the same population, which is judged
with and without it: before its first run, and after a few runs of each set-up, on drinks it measured and on drinks it
never did. A bar that lies as far to the other side as the population does to this one is judged too: there its own
runs should win. And each bar of the memory is left out in turn, and its runs are foretold by the others: what its own
fit says of their ends should lie in the 90 % bands nine times in ten.

A law is made of the family's own draws. Every draw is a normal quantile; `COMMON` of its variance is the population's.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from types import ModuleType
from typing import Any

import numpy as np
from scipy.special import ndtr

import rig
from rig.fitting.bench_fit import fit, prior_fit
from rig.fitting.population import BenchStatistics, learn, statistics_of
from rig.fitting.prediction import predict
from rig.fitting.result import Fit, Verdict
from rig.fitting.situation import Situation
from rig.population import Population
from rig.work import Opening, workers_on
from tests.judge import lumped, scene, shells, zones
from tests.judge.bench import Bench, bench_text, make_cases, sheet_rows
from tests.judge.judge import Judged, arguments, in_turn, judge_product, seeds_of
from tests.judge.scene import Scatter, World

FAMILIES: dict[str, ModuleType] = {"shells": shells, "lumped": lumped, "zones": zones}
COMMON = 0.7
"""Share of the variance of every draw of a law that is the population's."""
NEW, OTHER_SIDE = "new bar", "bar on the other side"
FRESH = 800
EVERY = 6
"""Every so-manieth run of a bar that is left out is foretold."""


class Kindred:
    """Chance that one bar shares with its population: as much of a NumPy generator as the families ask for."""

    def __init__(
        self, common: np.random.Generator, own: np.random.Generator, share: float, side: float
    ) -> None:
        self.common, self.own, self.share, self.side = common, own, share, side

    def normal(self, middle: float = 0.0, sd: float = 1.0) -> float:
        z = self.side * np.sqrt(self.share) * self.common.normal()
        return float(middle + sd * (z + np.sqrt(1.0 - self.share) * self.own.normal()))

    def uniform(self, low: float = 0.0, high: float = 1.0) -> float:
        return float(low + (high - low) * ndtr(self.normal()))

    def random(self) -> float:
        """A coin is the population's: what is drawn after it must be the same thing at every bar."""
        return float(self.common.random())

    def choice(self, values: Sequence[float], p: Sequence[float] | None = None) -> float:
        return float(self.common.choice(values, p=p))

    def integers(self, low: int, high: int) -> int:
        return int(self.own.integers(low, high))


def world_of(family: str, seed: int, bar: int, side: float = 1.0) -> World:
    """A bar's world in the population of this family and seed; `side` −1: as far off on the other side."""
    module, number = FAMILIES[family], 1000 * seed + bar
    own = module.draw(number)
    chance = Kindred(
        np.random.default_rng([seed, 1, *map(ord, family)]), np.random.default_rng([number, 2]), COMMON, side
    )
    labels = np.random.default_rng([number, *map(ord, family)])  # as `scene.draw_world` begins
    vessels, ices = scene._vessels(labels), scene._ices(labels)
    hidden = scene._ices(chance)  # type: ignore[arg-type]
    laws = module.draw_laws(chance, vessels, ices)
    u = chance.uniform
    return replace(
        own,
        laws=laws,
        ices={
            name: replace(
                ice,
                film_pct=hidden[name].film_pct,
                film_spread=hidden[name].film_spread,
                brittleness=hidden[name].brittleness,
            )
            for name, ice in own.ices.items()
        },
        scatter=Scatter(
            pace=u(0.06, 0.12),
            strength=u(0.03, 0.08),
            hands=u(0.15, 0.5),
            pour=u(0.005, 0.015),
            drink_temp_k=u(0.4, 1.2),
            ice_mass=u(0.015, 0.05),
            vessel_temp_k=u(0.3, 1.0),
            room_temp_k=0.5,
        ),
    )


def bench_of(world: World, runs: Sequence[int], each: int | None) -> Bench:
    """A bar's bench; `each`: at most so many cases a kind, 0 for none."""
    cases = make_cases(world, FRESH, each) if each != 0 else []
    return Bench(world, bench_text(world), {n: sheet_rows(world, n) if n else [] for n in runs}, cases)


def opened(bench: Bench, runs: int, population: Population | None) -> rig.RunBook:
    """The bench as the product opens it, with so many runs a set-up."""
    with TemporaryDirectory() as folder:
        bench.write(Path(folder), runs)
        return replace(rig.open_bench(folder), population=population)


def taught_by(bar: tuple[str, int, int], runs: int) -> Fit:
    """The fit of a bar (family, seed, which) of the population, without a memory."""
    return fit(opened(bench_of(world_of(*bar), [runs], 0), runs, None))


def told_by(found: Fit) -> BenchStatistics:
    """What a bar hands on, as a logbook keeps it."""
    return BenchStatistics.from_bytes(statistics_of(found).to_bytes())


@dataclass(frozen=True)
class Foretold:
    """The end of a run, foretold before any run of its bar: in standard deviations, and its place among the draws."""

    memory: bool
    technique: str
    result: str
    z: float
    place: float


def foretold(found: Fit, population: Population) -> list[Foretold]:
    """Some runs of a bar, foretold without and with a memory that the bar has no part in."""
    fitted = [r.run for r in found.runs if r.verdict in (Verdict.GOOD, Verdict.DOUBTFUL)]
    ends = {
        name: (found.posterior.end_temp_c[k], found.posterior.end_added_g[k]) for k, name in enumerate(fitted)
    }
    out = []
    for memory in (None, population):
        before = prior_fit(replace(found.book, runs=(), population=memory))
        for run in [r for r in found.book.runs if r.run in ends][::EVERY]:
            times = np.array([0.5, 1.0]) * (run.duration_s or 0.0)
            p = predict(before, Situation.of(run), times, draws=256)
            for result, end, draws in zip(
                ("temperature", "added water"), ends[run.run], (p.temp_c[:, 1], p.added_g[:, 1]), strict=True
            ):
                z = float((end - draws.mean()) / draws.std())
                out.append(
                    Foretold(memory is not None, run.technique, result, z, float(np.mean(draws < end)))
                )
    return out


@dataclass(frozen=True)
class Asked:
    """A call, by which bar it was asked, and whether with the memory."""

    bar: str
    memory: bool
    call: Judged


def asked(bar: tuple[str, int, int, float], population: Population, runs: int, each: int) -> list[Asked]:
    """The calls of a bar (family, seed, which, side), with and without, before its first run and after so many."""
    *_, side = bar
    bench = bench_of(world_of(*bar), (0, runs), each)
    out = []
    for count in (0, runs):
        for memory in (None, population):
            book = opened(bench, count, memory)
            made: Any = fit(book) if count else prior_fit(book)
            out += [
                Asked(
                    NEW if side > 0 else OTHER_SIDE, memory is not None, judge_product(made, case, count, 0)
                )
                for case in bench.cases
                if case.kind != "pair"
            ]
    return out


def judge(
    family: str, seeds: Sequence[int], bars: int, new: int, runs: int, each: int, opening: Opening
) -> tuple[list[Foretold], list[Asked]]:
    """All runs foretold and all calls, of all populations."""
    ends, calls = [], []
    for s in seeds:
        fits = in_turn(opening, partial(taught_by, runs=runs), [(family, s, b) for b in range(bars)])
        learned = learn([told_by(f) for f in fits], [f"bar {b}" for b in range(bars)])
        prior = learned.prior_for("a new bar")
        assert prior is not None
        for b, found in enumerate(fits):
            others = learned.prior_for(f"bar {b}", without=b)
            ends += foretold(found, others) if others is not None else []
        judged = [(family, s, bars + n, side) for n in range(new) for side in (1.0, -1.0)]
        of = in_turn(opening, partial(asked, population=prior, runs=runs, each=each), judged)
        calls += [one for some in of for one in some]
    return ends, calls


def table_of_ends(ends: Sequence[Foretold]) -> list[str]:
    """A line for each technique and result: without the memory → with it."""
    lines = [
        "| technique | result | runs | rms of standardised error without → with | in 90 % band without → with |",
        "| --- " * 5 + "|",
    ]
    for technique, result in dict.fromkeys((e.technique, e.result) for e in ends):
        mine = [e for e in ends if (e.technique, e.result) == (technique, result)]
        off, on = ([e for e in mine if e.memory is m] for m in (False, True))
        rms = [np.sqrt(np.mean([e.z**2 for e in side])) for side in (off, on)]
        inside = [np.mean([0.05 < e.place < 0.95 for e in side]) for side in (off, on)]
        lines.append(
            f"| {technique} | {result} | {len(on)} | {rms[0]:.2f} → {rms[1]:.2f} | {inside[0]:.0%} → {inside[1]:.0%} |"
        )
    return lines


def table(calls: Sequence[Asked]) -> list[str]:
    """A line for each bar, kind of question and number of runs: without the memory → with it."""
    lines = [
        "| bar | question | runs a set-up | calls | score without → with | difference ± standard error "
        "| odds said − true without → with |",
        "| --- " * 7 + "|",
    ]
    for bar in (NEW, OTHER_SIDE):
        for kind in ("measured", "drink"):
            for runs in sorted({a.call.runs for a in calls}):
                mine = [a for a in calls if (a.bar, a.call.kind, a.call.runs) == (bar, kind, runs)]
                if not mine:
                    continue
                off, on = ([a.call for a in mine if a.memory is m] for m in (False, True))
                gain = np.array([b.score - a.score for a, b in zip(off, on, strict=True)])
                score = [np.mean([j.score for j in side]) for side in (off, on)]
                said = [np.mean([j.odds_said - j.odds_true for j in side]) for side in (off, on)]
                error = gain.std(ddof=1) / np.sqrt(gain.size) if gain.size > 1 else np.nan
                lines.append(
                    f"| {bar} | {kind} | {runs} | {gain.size} | {score[0]:.3f} → {score[1]:.3f} "
                    f"| {gain.mean():+.3f} ± {error:.3f} | {said[0]:+.2f} → {said[1]:+.2f} |"
                )
    return lines


def main() -> None:
    """Print the table."""
    parser: argparse.ArgumentParser = arguments(__doc__)
    parser.add_argument("--bars", type=int, default=30, help="that the memory is of")
    parser.add_argument(
        "--new", type=int, default=2, help="new bars a population, and as many on the other side"
    )
    parser.add_argument("--runs", type=int, default=6, help="runs a set-up, of every bar")
    parser.add_argument("--each", type=int, default=4, help="questions a kind")
    options = parser.parse_args()
    for family in options.family:
        ends, calls = judge(
            family,
            seeds_of(options.seeds),
            options.bars,
            options.new,
            options.runs,
            options.each,
            workers_on(options.on),
        )
        print(f"\n{family}, seeds {options.seeds}, {options.bars} bars of {options.runs} runs a set-up\n")
        print("\n".join([*table_of_ends(ends), "", *table(calls)]), flush=True)


if __name__ == "__main__":
    main()
