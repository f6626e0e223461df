"""Which other ice, vessel or recipe of the bench a run looks like, where it does not look like its own."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from scipy.special import gammaln

from rig.arrays import FloatArray
from rig.bench import Bench
from rig.errors import BenchError, ModelRangeError, NotFound
from rig.fitting.observation_model import CHUNK_LANES
from rig.fitting.observations import duration_of, strained_mass_g
from rig.fitting.prediction import Prediction, predict_all
from rig.fitting.result import Fit, Verdict
from rig.fitting.situation import Situation
from rig.physics.recipe_liquid import liquid_from_recipe
from rig.runs import Run

LEAST_GAIN = 4.0
"""Log density [nats] that another label must gain: 55 times as likely as the noted one. Where one doubtful run in
five was noted wrongly, and that under one of ten other labels, it is then as likely as not to be just that one
(common practice, no source); a run under its own label gains less than nothing."""
FITS_WITHIN_SD = 3.0
"""How far from the prediction under the other label, in its standard deviations, what was observed may lie."""
WEIGHING_SD_G = 1.5
"""What a weighing may be off beyond a new run's own spread."""
RECIPE_MASS_LOG_SD, ICE_TEMP_SD_K = 0.04, 3.0
"""How a drink's mass scatters about its recipe's, and an ice about its usual temperature (common practice, no
source)."""
SHOWN_LEAST_SD_K, _FEWEST_SHOWN = 0.4, 3
_TAILS_DF = 5.0
"""Degrees of freedom of the Student-t density: one odd reading alone gains only so much."""
_DRAWS, _SEED = 64, 11


class Label(StrEnum):
    """What may have been noted wrongly."""

    ICE = "ice"
    VESSEL = "vessel"
    RECIPE = "recipe"


@dataclass(frozen=True)
class Suggestion:
    """Another label that fits a run better; `gain` is the logarithm of how many times as likely [nats]."""

    label: Label
    noted: str
    likely: str
    gain: float

    def sentence(self) -> str:
        """The suggestion in words, without a full stop."""
        return f"fits {self.likely} better than {self.noted}: check which {self.label} was noted"


def likely_labels(fit: Fit, runs: Iterable[Run]) -> dict[str, Suggestion]:
    """By run, the one other label that it fits clearly better than its own; runs without one are left out.

    A run is predicted as a new one at its duration, with its own stated conditions, under each single other
    ice, vessel and recipe of the bench. Its strained mass, what its probe showed at the end, the drink's mass
    against the recipe's and the ice's temperature against that ice's usual one are scored by their joint
    predictive density.
    """
    late = _shown_late(fit)
    trials = [trial for run in runs if (trial := _Trial.of(fit.bench, run, late)) is not None]
    found: dict[str, Suggestion] = {}
    for alike in _together(trials):
        try:
            found |= _tried(fit, alike)
        except (NotFound, ModelRangeError, BenchError):
            # a drink that the model cannot describe under some label spoils no other run's trial
            for trial in alike:
                with suppress(NotFound, ModelRangeError, BenchError):
                    found |= _tried(fit, [trial])
    return found


def _together(trials: Sequence[_Trial]) -> Iterator[list[_Trial]]:
    """Runs of one technique in lots that one integration holds."""
    most = max(1, CHUNK_LANES // (_DRAWS * max((len(t.situations) for t in trials), default=1)))
    for technique in dict.fromkeys(t.own.technique for t in trials):
        alike = [t for t in trials if t.own.technique == technique]
        for first in range(0, len(alike), most):
            yield alike[first : first + most]


def _tried(fit: Fit, trials: Sequence[_Trial]) -> dict[str, Suggestion]:
    """The suggestions for runs of one technique, all their labels predicted in one integration."""
    times = np.unique([t.duration_s for t in trials])
    situations = [s for t in trials for s in t.situations]
    predicted = iter(predict_all(fit, situations, times, draws=_DRAWS, seed=_SEED))
    found = {}
    for trial in trials:
        at = int(np.searchsorted(times, trial.duration_s))
        scored = [_score(fit.bench, trial.observed, next(predicted), at) for _ in trial.situations]
        best = 1 + int(np.argmax([density for density, _ in scored[1:]])) if len(scored) > 1 else 0
        gain = scored[best][0] - scored[0][0]
        if gain >= LEAST_GAIN and scored[best][1] <= FITS_WITHIN_SD:
            label, name = trial.labels[best - 1]
            found[trial.run] = Suggestion(label, getattr(trial.own, label), name, float(gain))
    return found


@dataclass(frozen=True)
class _Trial:
    """An odd run, what was observed of it, and the other labels it is tried under."""

    run: str
    duration_s: float
    own: Situation
    labels: tuple[tuple[Label, str], ...]
    observed: _Observed

    @property
    def situations(self) -> list[Situation]:
        """As it was noted, then under each other label."""
        return [self.own, *(_under(self.own, label, name) for label, name in self.labels)]

    @classmethod
    def of(cls, bench: Bench, run: Run, late: Sequence[_Late]) -> _Trial | None:
        duration = duration_of(run)
        if duration is None:
            return None
        observed = _Observed.of(run, duration, late)
        if observed.strained_g is None and observed.temp_c is None:
            return None
        own = Situation.of(run)
        labels = [
            (label, name) for label in Label for name in _names(bench, label) if name != getattr(own, label)
        ]
        return cls(run.run, duration, own, tuple(labels), observed)


def _under(situation: Situation, label: Label, name: str) -> Situation:
    match label:
        case Label.ICE:
            return replace(situation, ice=name)
        case Label.VESSEL:
            return replace(situation, vessel=name)
        case Label.RECIPE:
            return replace(situation, recipe=name)


def _names(bench: Bench, label: Label) -> tuple[str, ...]:
    return tuple({Label.ICE: bench.ice, Label.VESSEL: bench.vessels, Label.RECIPE: bench.recipes}[label])


@dataclass(frozen=True)
class _Observed:
    """What was observed of a run: strained mass, and the drink's end temperature as its probe told it."""

    strained_g: float | None
    temp_c: float | None
    temp_sd_k: float

    @classmethod
    def of(cls, run: Run, duration_s: float, late: Sequence[_Late]) -> _Observed:
        shown = _end_shown_c(run, duration_s)
        if shown is None:
            return cls(strained_mass_g(run), None, np.inf)
        apart = [o.late_k for o in late if o.technique == run.technique and o.run != run.run]
        if len(apart) < _FEWEST_SHOWN:
            return cls(strained_mass_g(run), shown, 3.0)
        middle = float(np.median(apart))
        sd = max(1.4826 * float(np.median(np.abs(np.array(apart) - middle))), SHOWN_LEAST_SD_K)
        return cls(strained_mass_g(run), shown - middle, sd)


@dataclass(frozen=True)
class _Late:
    """How much warmer than the drink a believed run's probe showed at the end [K]."""

    run: str
    technique: str
    late_k: float


def _shown_late(fit: Fit) -> list[_Late]:
    runs = {r.run: r for r in fit.book.runs}
    out = []
    for found in fit.runs:
        if found.verdict is not Verdict.GOOD or found.duration_s is None or found.temp_c is None:
            continue
        shown = _end_shown_c(runs[found.run], found.duration_s)
        if shown is not None:
            out.append(_Late(found.run, runs[found.run].technique, shown - found.temp_c))
    return out


def _end_shown_c(run: Run, duration_s: float) -> float | None:
    """What the main probe showed at the stop [°C]: the mean of its readings in the last second."""
    if run.trace is None or run.trace.probe_c is None:
        return None
    time, temp = run.trace.time_s, run.trace.probe_c
    last = np.isfinite(temp) & (time > duration_s - 1.0) & (time <= duration_s + 0.2)
    return float(temp[last].mean()) if last.any() else None


def _score(bench: Bench, observed: _Observed, predicted: Prediction, at: int) -> tuple[float, float]:
    """Log predictive density of the observed at the `at`-th time, and how many standard deviations off (r.m.s.)."""
    s = predicted.situation
    columns: list[FloatArray] = []
    values, noise = [], []
    if observed.strained_g is not None:
        columns.append(float(predicted.liquid.mass_g) + predicted.added_g[:, at] - predicted.held_back_g)
        values.append(observed.strained_g)
        noise.append(WEIGHING_SD_G)
    if observed.temp_c is not None:
        columns.append(predicted.temp_c[:, at])
        values.append(observed.temp_c)
        noise.append(observed.temp_sd_k)
    draws = np.stack(columns, axis=1)
    covariance = np.cov(draws, rowvar=False).reshape(len(values), len(values)) + np.diag(np.square(noise))
    off = np.array(values) - np.median(draws, axis=0)
    square = float(off @ np.linalg.solve(covariance, off))
    density = _log_t(square, len(values)) - 0.5 * float(np.linalg.slogdet(covariance)[1])
    squares, count = [square], len(values)
    ice = bench.ice_type(s.ice)
    if s.ice_temp_c is not None and ice.temp_c is not None:
        squares.append(((s.ice_temp_c - ice.temp_c) / ICE_TEMP_SD_K) ** 2)
    if s.drink_mass_g is not None:
        usual = float(liquid_from_recipe(bench.recipe(s.recipe)).liquid.mass_g)
        squares.append((np.log(s.drink_mass_g / usual) / RECIPE_MASS_LOG_SD) ** 2)
    density += sum(_log_t(q, 1) for q in squares[1:])
    return density, float(np.sqrt(sum(squares) / (count + len(squares) - 1)))


def _log_t(square: float, size: int) -> float:
    """Log density of a standard multivariate Student-t of `size` at a squared distance."""
    df = _TAILS_DF
    return float(
        gammaln(0.5 * (df + size))
        - gammaln(0.5 * df)
        - 0.5 * size * np.log(df * np.pi)
        - 0.5 * (df + size) * np.log1p(square / df)
    )
