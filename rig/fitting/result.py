"""What a fit is: the posterior, a verdict on every run, and where each answer may come from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

from rig.bench import Bench
from rig.fitting.cadence import UsualCadence, usual_cadences
from rig.fitting.melt_fit import MeltPosterior
from rig.fitting.random_effects import RandomEffects
from rig.runs import Finding, RunBook, SetUp


class Verdict(StrEnum):
    """Whether a run's observations can be believed."""

    GOOD = "good"
    DOUBTFUL = "doubtful"
    EXCLUDED = "excluded"
    NOT_FITTED = "not fitted"


@dataclass(frozen=True)
class RunFit:
    """One run seen through the fit. None where the run has nothing to say on it.

    `temp_c`, `added_g`, `dilution_by_volume`: the run's own state at its end, as best known from its trace,
    its weighing and the model together. `expected_*`: what its set-up would do on an average day.
    `strained_residual_g`: weighed less expected. `likely`: the label that it fits better than its own, in words.
    """

    run: str
    set_up: SetUp
    recipe: str
    verdict: Verdict
    reasons: tuple[str, ...]
    duration_s: float | None = None
    start_temp_c: float | None = None
    temp_c: float | None = None
    added_g: float | None = None
    added_sd_g: float | None = None
    dilution_by_volume: float | None = None
    expected_added_g: float | None = None
    strained_residual_g: float | None = None
    strained_z: float | None = None
    trace_z: float | None = None
    start_volume_ml: float | None = None
    likely: str | None = None


@dataclass(frozen=True)
class Measured:
    """What a drink on a set-up has been measured at: how many runs, and over which range."""

    runs: int
    duration_s: tuple[float, float]
    start_temp_c: tuple[float, float]
    ice_mass_g: tuple[float, float]


@dataclass(frozen=True)
class Fit:
    """A bench's runs, fitted. `techniques` gives the order of the groups in the posterior's spreads."""

    book: RunBook
    posterior: MeltPosterior
    techniques: tuple[str, ...]
    runs: tuple[RunFit, ...]
    measured: Mapping[tuple[SetUp, str], Measured]
    findings: tuple[Finding, ...]
    fingerprint: str

    @property
    def bench(self) -> Bench:
        """The bench the runs were made on."""
        return self.book.bench

    @property
    def random_effects(self) -> RandomEffects:
        """The effects fitted."""
        return self.posterior.random_effects

    @cached_property
    def cadences(self) -> Mapping[str, UsualCadence]:
        """The usual cadence by technique; those whose strokes nobody counted are left out."""
        fitted = {r.run for r in self.runs if r.verdict in (Verdict.GOOD, Verdict.DOUBTFUL)}
        return usual_cadences([r for r in self.book.runs if r.run in fitted])

    @property
    def set_ups(self) -> tuple[SetUp, ...]:
        """Set-ups with at least one run that was fitted, sorted."""
        return tuple(sorted({s for s, _ in self.measured}))

    def runs_of(self, set_up: SetUp, recipe: str | None = None) -> tuple[RunFit, ...]:
        """The fitted runs of a set-up, and of one recipe where named; excluded runs are left out."""
        return tuple(
            r
            for r in self.runs
            if r.set_up == set_up
            and (recipe is None or r.recipe == recipe)
            and r.verdict in (Verdict.GOOD, Verdict.DOUBTFUL)
        )
