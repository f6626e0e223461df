"""Learning curves: how good the call is with 0, 1, 2, 3, 6 and 18 runs of a drink on a set-up.

`python -m tests.judge.curves --family shells --seeds 201-203 --runs 6` takes the cases that a bench has no runs
of, makes 18 runs of each in the hidden world, durations spread over the useful range so that any first few are
spread too, and asks with none, the first, the first two … of them. The spreadsheet is asked where it can answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from rig.work import Opening, workers_on
from sample_logs.generator.liquid import Floats
from tests.judge.bench import RANGE_S, kept_bench
from tests.judge.judge import (
    PRODUCT,
    SPREADSHEET,
    Judged,
    Row,
    arguments,
    fit_with,
    in_turn,
    judge_product,
    judge_spreadsheet,
    seeds_of,
    write_jsonl,
)
from tests.judge.spreadsheet import LEAST_RUNS

COUNTS = (0, 1, 2, 3, 6, 18)
GOLDEN = (np.sqrt(5) - 1) / 2
KINDS = ("drink", "pair")


def spread_s(technique: str, runs: int) -> Floats:
    """Durations over the useful range, each new one in the widest gap (multiples of the golden section)."""
    low, high = RANGE_S[technique]
    return low * (high / low) ** ((0.5 + GOLDEN * np.arange(runs)) % 1.0)


def learn_case(question: tuple[str, int, int, int], counts: Sequence[int]) -> list[Judged]:
    """Ask for one case of a world (family, seed, runs, case) again and again, as runs of it come in."""
    family, seed, runs, at = question
    bench = kept_bench(family, seed, [runs])
    case = bench.cases[at]
    own = bench.made_at(case, spread_s(case.plan.technique, max(counts)), 100)
    out = []
    for count in counts:
        out.append(judge_product(fit_with(bench, runs, own[:count]), case, runs, count))
        if count >= LEAST_RUNS:
            out.append(judge_spreadsheet(bench, case, runs, own[:count]))
    return out


def learn(
    worlds: Sequence[tuple[str, int, int]],
    counts: Sequence[int],
    kinds: Sequence[str],
    cases: int,
    opening: Opening,
) -> list[Judged]:
    """All cases that a bench has no runs of, at most so many a kind and world."""
    asked = []
    for family, seed, runs in worlds:
        found = kept_bench(family, seed, [runs]).cases
        for kind in kinds:
            mine = [at for at, case in enumerate(found) if case.kind == kind][:cases]
            asked += [(family, seed, runs, at) for at in mine]
    return [judged for of in in_turn(opening, partial(learn_case, counts=counts), asked) for judged in of]


def main() -> None:
    """Print a row a count."""
    parser = arguments(__doc__)
    parser.add_argument("--runs", type=int, default=6, help="runs a set-up elsewhere on the bench")
    parser.add_argument(
        "--counts", type=int, nargs="+", default=list(COUNTS), help="runs of the drink asked for"
    )
    parser.add_argument("--cases", nargs="+", choices=KINDS, default=list(KINDS))
    parser.add_argument("--each", type=int, default=2, help="cases a kind and world")
    options = parser.parse_args()
    worlds = [(family, seed, options.runs) for family in options.family for seed in seeds_of(options.seeds)]
    calls = learn(worlds, options.counts, options.cases, options.each, workers_on(options.on))
    if options.jsonl:
        write_jsonl(options.jsonl, calls)
    print(Row.HEAD)
    for kind in options.cases:
        for count in options.counts:
            for by in (PRODUCT, SPREADSHEET):
                mine = [j for j in calls if (j.kind, j.after, j.by) == (kind, count, by)]
                if mine:
                    print(Row.of(f"{kind}, {count} runs of it, {options.runs} elsewhere, {by}", mine))


if __name__ == "__main__":
    main()
