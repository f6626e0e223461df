"""Judge the call on made-up worlds: `python -m tests.judge.judge --family shells --seeds 201-206 --runs 18 6`.

For each world a bench folder is written, opened, fitted and asked for calls; every call is played out on fresh
drinks of the same hidden world.

    score = odds of landing at the called duration ÷ best odds that any duration has

Beside it stands a spreadsheet with two saturating curves. "drink" and "pair" cases are asked again after one and
three runs of them, each made at the duration called before it. Coverage is the share of fresh drinks inside the
90 % bands of temperature and dilution, at the called duration and at half of it.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Callable, Hashable, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from scipy.stats import norm

import rig
from rig.work import PROCESSES, Opening, each_done, workers_on
from sample_logs.generator.folder import SheetRow
from tests.judge import reliability
from tests.judge.bench import FAMILIES, Bench, Case, kept_bench
from tests.judge.spreadsheet import spreadsheet_call

KINDS = ("measured", "drink", "pair")
PRODUCT, SPREADSHEET = "chillrig", "spreadsheet"
NORMAL_95 = float(norm.ppf(0.95))


@dataclass(frozen=True)
class Judged:
    """One call, played out."""

    family: str
    seed: int
    number: int
    kind: str
    runs: int
    after: int
    by: str
    set_up: str
    recipe: str
    drink_temp_c: float
    serve_temp_c_max: float
    dilution_low: float
    dilution_high: float
    called_s: float
    best_s: float
    odds_said: float
    odds_true: float
    best_odds: float
    temp_error_k: float
    dilution_error: float
    temp_coverage: float
    dilution_coverage: float

    @property
    def score(self) -> float:
        """Odds at the called duration as a share of the best there are."""
        return self.odds_true / self.best_odds


Rows = list[tuple[SheetRow, float]]
"""Rows of a run sheet, each with its settled end temperature [°C]."""
Band = Callable[[float], tuple[float, float, float]]
"""5th percentile, median and 95th percentile at a duration."""


def judged(
    case: Case, runs: int, after: int, by: str, called_s: float, odds_said: float, temp: Band, dilution: Band
) -> Judged:
    """Hold a call against what fresh drinks do."""
    truth, world = case.truth, case.plan.world
    bands = {"temp_c": temp, "dilution": dilution}
    cover = {
        name: float(np.mean([truth.share_within(name, t, *band(t)[::2]) for t in (called_s, called_s / 2)]))
        for name, band in bands.items()
    }
    error = {name: band(called_s)[1] - truth.median(name, called_s) for name, band in bands.items()}
    return Judged(
        family=world.family,
        seed=world.seed,
        number=case.number,
        kind=case.kind,
        runs=runs,
        after=after,
        by=by,
        set_up=" · ".join(case.plan.set_up),
        recipe=case.plan.drink.name,
        drink_temp_c=case.plan.drink_temp_c,
        serve_temp_c_max=case.serve_temp_c_max,
        dilution_low=case.dilution_by_volume[0],
        dilution_high=case.dilution_by_volume[1],
        called_s=called_s,
        best_s=truth.best_s,
        odds_said=odds_said,
        odds_true=truth.odds_at(called_s),
        best_odds=truth.best_odds,
        temp_error_k=error["temp_c"],
        dilution_error=error["dilution"],
        temp_coverage=cover["temp_c"],
        dilution_coverage=cover["dilution"],
    )


def judge_product(fit: Any, case: Case, runs: int, after: int) -> Judged:
    """Ask the product for one call through its public interface."""
    advice = rig.advise(fit, target=rig.Target(**case.target_kwargs), with_levers=False, **case.advise_kwargs)
    said = advice.to_dict()
    time_s = said["curve"]["duration_s"]

    def band(name: str) -> Band:
        rows = [said["curve"][name][p] for p in ("p05", "p50", "p95")]
        return lambda at_s: tuple(float(np.interp(at_s, time_s, row)) for row in rows)  # type: ignore[return-value]

    return judged(
        case,
        runs,
        after,
        PRODUCT,
        said["duration_s"],
        said["odds"],
        band("temp_c"),
        band("dilution_by_volume"),
    )


def judge_spreadsheet(bench: Bench, case: Case, runs: int, own: Rows) -> Judged:
    """The same question to the spreadsheet, which looks at runs of this set-up and drink only."""
    rows = bench.rows_of(case, runs) + own
    call = spreadsheet_call(case, rows, bench.stated_left_g(case.plan.vessel))

    def band(middle: np.ndarray, sd: float) -> Band:
        def at(at_s: float) -> tuple[float, float, float]:
            m = float(np.interp(at_s, call.grid_s, middle))
            return m - NORMAL_95 * sd, m, m + NORMAL_95 * sd

        return at

    temp, dilution = band(call.temp_c, call.temp_sd_k), band(call.dilution, call.dilution_sd)
    return judged(case, runs, len(own), SPREADSHEET, call.duration_s, call.odds, temp, dilution)


def fit_with(bench: Bench, runs: int, own: Rows, before: Any = None) -> Any:
    """Write the bench with further runs, open it and fit it; from the fit before, as a logbook does."""
    with tempfile.TemporaryDirectory() as folder:
        bench.write(Path(folder), runs, own)
        return rig.fit(rig.open_bench(folder), warm=before)


def judge_world(bench: Bench, runs: int, kinds: Sequence[str] = KINDS) -> tuple[list[Judged], Any]:
    """All calls of one world before any run of one's own; the spreadsheet's where it can answer; and the fit."""
    fit = fit_with(bench, runs, [])
    cases = [case for case in bench.cases if case.kind in kinds]
    calls = [judge_product(fit, case, runs, 0) for case in cases]
    sheet = [judge_spreadsheet(bench, case, runs, []) for case in cases if case.kind == "measured"]
    return calls + sheet, fit


def judge_after(
    bench: Bench, case: Case, runs: int, called_s: float, after: Sequence[int], fit: Any
) -> list[Judged]:
    """Make the drink at the called duration, fit again from the fit before, ask again; so often as `after` says."""
    out: list[Judged] = []
    own: Rows = []
    for nth in range(max(after)):
        own += bench.made_at(case, np.array([called_s]), nth)
        fit = fit_with(bench, runs, own, fit)
        again = judge_product(fit, case, runs, nth + 1)
        called_s = again.called_s
        if nth + 1 in after:
            out.append(again)
    return out


@dataclass(frozen=True)
class Row:
    """What a row of the table says of one question."""

    label: str
    calls: int
    mean: float
    tenth: float
    worst: float
    said: float
    true: float
    best: float
    temp_error_k: float
    dilution_error: float
    temp_coverage: float
    dilution_coverage: float

    HEAD = (
        "| question | calls | score mean / 10th / worst | odds said | odds true | best odds | temperature error "
        "| dilution error | in 90 % band: temperature | dilution |\n" + "| --- " * 10 + "|"
    )

    @classmethod
    def of(cls, label: str, calls: Sequence[Judged]) -> Row:
        """Summarise some calls."""
        scores = np.array([j.score for j in calls])

        def mean(name: str) -> float:
            return float(np.mean([getattr(j, name) for j in calls]))

        def median(name: str) -> float:
            return float(np.median([getattr(j, name) for j in calls]))

        return cls(
            label,
            len(calls),
            float(scores.mean()),
            float(np.percentile(scores, 10)),
            float(scores.min()),
            mean("odds_said"),
            mean("odds_true"),
            mean("best_odds"),
            median("temp_error_k"),
            median("dilution_error"),
            mean("temp_coverage"),
            mean("dilution_coverage"),
        )

    def __str__(self) -> str:
        return (
            f"| {self.label} | {self.calls} | {self.mean:.3f} / {self.tenth:.2f} / {self.worst:.2f} "
            f"| {self.said:.2f} | {self.true:.2f} | {self.best:.2f} | {self.temp_error_k:+.2f} K "
            f"| {100 * self.dilution_error:+.1f} points | {self.temp_coverage:.0%} | {self.dilution_coverage:.0%} |"
        )


LABELS = {
    "measured": "set-up and drink with runs",
    "drink": "drink never measured there",
    "pair": "ice and vessel never together",
}


def table(calls: Sequence[Judged]) -> list[Row]:
    """One row a question and number of runs; the spreadsheet's beside the product's."""
    rows = []
    for kind in KINDS:
        for runs in sorted({j.runs for j in calls}, reverse=True):
            for after in sorted({j.after for j in calls}):
                for by in (PRODUCT, SPREADSHEET):
                    mine = [j for j in calls if (j.kind, j.runs, j.after, j.by) == (kind, runs, after, by)]
                    if mine:
                        own = f", after {after} of it" if after else ""
                        sheet = ", spreadsheet" if by == SPREADSHEET else ""
                        rows.append(Row.of(f"{LABELS[kind]}, {runs} runs a set-up{own}{sheet}", mine))
    return rows


def describe(j: Judged) -> str:
    """A call in one line."""
    own = f" after {j.after}" if j.after else ""
    return (
        f"{j.score:.3f} {j.family} {j.seed} #{j.number} {j.kind}{own}, {j.runs} runs, {j.by}: {j.set_up}, {j.recipe} "
        f"at {j.drink_temp_c:.0f} °C, ≤ {j.serve_temp_c_max} °C and {j.dilution_low}–{j.dilution_high}: called "
        f"{j.called_s:.1f} s, best {j.best_s:.1f} s; odds said {j.odds_said:.2f}, true {j.odds_true:.2f} of "
        f"{j.best_odds:.2f}; temperature {j.temp_error_k:+.2f} K, dilution {100 * j.dilution_error:+.1f} points"
    )


def seeds_of(text: str) -> list[int]:
    """ "201-206" or "203" as a list."""
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


World = tuple[str, int]
"""Family and seed."""
T = TypeVar("T", bound=Hashable)
R = TypeVar("R")


def in_turn(opening: Opening, work: Callable[[T], R], tasks: Sequence[T]) -> list[R]:
    """What the work comes to for each task, in the order of the tasks."""
    found = dict(each_done(opening, work, tasks))
    return [found[task] for task in tasks]


def make_world(world: World, runs: Sequence[int]) -> None:
    """Make a world and what was noted of it, and keep it, so that it is made once."""
    kept_bench(*world, runs)


def judge_kept_world(
    question: tuple[str, int, int], kinds: Sequence[str], after: Sequence[int]
) -> list[Judged]:
    """All calls of a kept world (family, seed) with so many runs a set-up, and those after runs of one's own."""
    *world, runs = question
    bench = kept_bench(*world, [runs])
    found, fit = judge_world(bench, runs, kinds)
    calls = [j for j in found if j.kind == "measured" or 0 in after]
    for j in found if max(after) > 0 else ():
        if j.kind != "measured":
            case = next(case for case in bench.cases if case.number == j.number)
            calls += judge_after(bench, case, runs, j.called_s, after, fit)
    return calls


def judge(
    worlds: Sequence[World],
    runs: Sequence[int],
    kinds: Sequence[str],
    after: Sequence[int],
    opening: Opening,
) -> list[Judged]:
    """All calls of all worlds, with so many runs a set-up."""
    in_turn(opening, partial(make_world, runs=runs), worlds)
    asked = [(*world, n) for world in worlds for n in runs]
    work = partial(judge_kept_world, kinds=kinds, after=after)
    return [j for of in in_turn(opening, work, asked) for j in of]


def arguments(description: str | None) -> argparse.ArgumentParser:
    """What all judges can be asked for."""
    parser = argparse.ArgumentParser(
        description=description, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--family", nargs="+", choices=list(FAMILIES), default=list(FAMILIES))
    parser.add_argument("--seeds", default="201-206", help="first-last of the worlds")
    add_on(parser)
    parser.add_argument("--jsonl", type=Path, help="write every judged call there")
    return parser


def add_on(parser: argparse.ArgumentParser) -> None:
    """The option that says where worlds are judged."""
    parser.add_argument(
        "--on", default=PROCESSES, help="here, processes, or a Dask scheduler, tcp://host:port"
    )


def write_jsonl(path: Path, calls: Sequence[Judged]) -> None:
    """One judged call a line."""
    lines = (json.dumps({**asdict(j), "score": j.score}) for j in calls)
    path.write_text("".join(line + "\n" for line in lines), encoding="utf-8")


def main() -> None:
    """Print the table, how odds said compare with true odds, and the worst calls."""
    parser = arguments(__doc__)
    parser.add_argument("--runs", type=int, nargs="+", default=[18, 6], help="runs a set-up")
    parser.add_argument("--cases", nargs="+", choices=KINDS, default=list(KINDS))
    parser.add_argument("--after", type=int, nargs="+", default=[0, 1, 3], help="own runs of a drink or pair")
    parser.add_argument("--worst", type=int, default=8, help="how many of the worst calls to show")
    parser.add_argument("--html", type=Path, help="write the reliability diagram there")
    options = parser.parse_args()
    worlds = [(family, seed) for family in options.family for seed in seeds_of(options.seeds)]
    calls = judge(worlds, options.runs, options.cases, options.after, workers_on(options.on))
    if options.jsonl:
        write_jsonl(options.jsonl, calls)
    print(Row.HEAD)
    for row in table(calls):
        print(row)
    product = [j for j in calls if j.by == PRODUCT]
    pairs = [(j.odds_said, j.odds_true) for j in product]
    print(f"\n{reliability.table(reliability.bins(pairs))}\n")
    for j in sorted(product, key=lambda j: j.score)[: options.worst]:
        print(f"    {describe(j)}")
    if options.html:
        by_row = {
            f"{LABELS[kind]}, {runs} runs": [
                (j.odds_said, j.odds_true) for j in product if (j.kind, j.runs) == (kind, runs)
            ]
            for kind in options.cases
            for runs in options.runs
        }
        reliability.figure(by_row).write_html(options.html)


if __name__ == "__main__":
    main()
