"""What the benches of a logbook have in common, in rounds: fit every bench, then learn from what all of them say.

A worker fits a bench under what was learned before and keeps in the logbook what the bench says; then all of it, with
what other venues lend, becomes the prior of each bench, in which it has no part itself.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from rig.errors import NotEnoughData
from rig.fitting.many_benches import BenchTask, each_bench, fit_of
from rig.fitting.population import BenchStatistics, learn, statistics_of
from rig.logbook.memory import keep_populations, keep_statistics, statistics
from rig.logbook.rows import NEW_BENCH
from rig.logbook.store import Logbook, open_logbook
from rig.population import Population
from rig.work import Opening


@dataclass(frozen=True)
class BenchTold:
    """How many runs stand behind what a bench said; `refused` says why it said nothing."""

    bench: str
    runs: int = 0
    refused: str | None = None


@dataclass(frozen=True)
class Remembered:
    """What a learning came to: what each bench said in the last round, and what a new bench now starts from."""

    benches: tuple[BenchTold, ...]
    new_bench: Population | None


def learn_benches(
    address: str, benches: Sequence[str], workers: Opening, rounds: int, progress: Callable[[float], None]
) -> Remembered:
    """Learn from these benches of the logbook at an address, in so many rounds; kept there after each.

    Raises
    ------
    RigError
        Where a worker cannot open the logbook, or is of another version.
    """
    told: list[BenchTold] = []
    learned: dict[str, Population | None] = {}
    for n in range(rounds):
        tell = partial(_tell, progress, n, rounds)
        found = {b.bench: b for b in each_bench(tell_one, address, benches, workers, tell)}
        told = [found[bench] for bench in benches]
        with open_logbook(address) as logbook:
            learned = learned_by(logbook)
            keep_populations(logbook, learned)
    return Remembered(tuple(told), learned.get(NEW_BENCH))


def _tell(progress: Callable[[float], None], before: int, rounds: int, share: float) -> None:
    progress((before + share) / rounds)


def tell_one(task: BenchTask) -> BenchTold:
    """Fit a bench and keep what it says."""
    try:
        with fit_of(task) as (logbook, fit):
            said = statistics_of(fit)
            keep_statistics(logbook, task.bench, said.to_bytes())
    except NotEnoughData as error:
        with open_logbook(task.logbook) as logbook:
            keep_statistics(logbook, task.bench, None)
        return BenchTold(task.bench, refused=str(error))
    return BenchTold(task.bench, said.runs)


def learned_by(logbook: Logbook) -> dict[str, Population | None]:
    """The prior of each bench, of what all others say; under `NEW_BENCH` that of a bench that is new.

    None for a bench that is alone: it begins from published priors, not from what it said itself.
    """
    said = statistics(logbook)
    if not said:
        return {}
    found = learn([BenchStatistics.from_bytes(s.content) for s in said], [s.venue for s in said])
    here = next((s.venue for s in said if s.bench is not None), "")
    priors = {s.bench: found.prior_for(s.venue, without=n) for n, s in enumerate(said) if s.bench is not None}
    return {**priors, NEW_BENCH: found.prior_for(here)}
