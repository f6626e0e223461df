"""The cadence of the hand enters the fit as a covariate of its strength, as far as the bench's own runs bear it out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import rig
from rig.arrays import FloatArray
from rig.fitting.bench_fit import fingerprint
from rig.fitting.cadence import usual_cadences
from rig.fitting.prediction import run_spread
from rig.fitting.priors import CADENCE_POWER_SD, P
from rig.fitting.random_effects import Owner
from rig.fitting.result import Fit, Verdict
from rig.fitting.situation import Situation, nominals
from rig.report.fit_summary import hand_fits
from rig.runs import HEARD_HZ, Run, RunBook

SHAKE, USUAL_HZ = "shake", 3.4


def shaken(book: RunBook) -> tuple[Run, ...]:
    return tuple(r for r in book.runs if r.technique == SHAKE)


def heard(book: RunBook, log_ratio: FloatArray) -> RunBook:
    """The same runs, the strokes of the shaken ones counted."""
    counted = [
        replace(r, extra={**r.extra, HEARD_HZ: f"{USUAL_HZ * np.exp(away):.4f}"})
        for r, away in zip(shaken(book), log_ratio, strict=True)
    ]
    return replace(book, runs=tuple(counted))


def power(fit: Fit) -> tuple[float, float]:
    """Power of the cadence by which heat transfer rises, and its standard deviation."""
    place = fit.random_effects.index()[P.RATE, Owner.CADENCE, (SHAKE,)]
    return float(fit.posterior.effects[place]), float(np.sqrt(fit.posterior.covariance[place, place]))


def rate_sd(fit: Fit, situation: Situation) -> float:
    return float(run_spread(fit, situation, nominals(fit.bench, [situation]))[P.RATE])


@pytest.fixture(scope="module")
def unheard(evening: RunBook) -> Fit:
    return rig.fit(replace(evening, runs=shaken(evening)))


@pytest.fixture(scope="module")
def strength(unheard: Fit) -> FloatArray:
    """How much stronger than usual the hand was in each run, as the runs' own traces and weighings have it."""
    assert all(r.verdict in (Verdict.GOOD, Verdict.DOUBTFUL) for r in unheard.runs)
    return np.asarray(unheard.posterior.departures[:, P.RATE])


def test_where_strength_goes_with_cadence_it_is_learned_and_less_is_left_to_chance(
    evening: RunBook, unheard: Fit, strength: FloatArray
) -> None:
    fit = rig.fit(heard(evening, strength / 0.6))
    value, sd = power(fit)
    assert value > 2.0 * sd
    assert value == pytest.approx(0.6, abs=0.35)
    run = Situation.of(shaken(evening)[0])
    counted = replace(run, cadence_log_ratio=0.0)
    assert rate_sd(fit, counted) < 0.9 * rate_sd(unheard, run)
    assert rate_sd(fit, run) > rate_sd(fit, counted)
    (hand,) = hand_fits(fit)
    assert hand.usual_hz == pytest.approx(USUAL_HZ, rel=0.1)
    assert "one tenth quicker chills" in hand.sentence()


def test_where_it_does_not_help_it_is_left_alone(
    evening: RunBook, unheard: Fit, strength: FloatArray
) -> None:
    rng = np.random.default_rng(5)
    away = rng.normal(0.0, 0.15, strength.size)
    away -= strength * (away @ strength) / (strength @ strength)
    fit = rig.fit(heard(evening, away))
    value, sd = power(fit)
    assert abs(value) < 1.5 * sd
    assert sd < 0.7 * CADENCE_POWER_SD
    (hand,) = hand_fits(fit)
    assert "cannot tell yet" in hand.sentence()
    run = Situation.of(shaken(evening)[0])
    assert rate_sd(fit, run) == pytest.approx(rate_sd(unheard, run), rel=0.2)


def test_the_same_cadence_in_every_run_changes_nothing(evening: RunBook, unheard: Fit) -> None:
    fit = rig.fit(heard(evening, np.zeros(len(shaken(evening)))))
    assert power(fit)[0] == pytest.approx(0.0, abs=1e-9)
    assert fit.posterior.expected_temp_c == pytest.approx(unheard.posterior.expected_temp_c, abs=0.02)


def test_what_was_heard_counts_in_the_fingerprint(evening: RunBook) -> None:
    runs = len(shaken(evening))
    assert fingerprint(heard(evening, np.zeros(runs))) != fingerprint(heard(evening, np.full(runs, 0.1)))


def test_usual_is_the_median_and_its_scatter_starts_from_a_prior(evening: RunBook) -> None:
    """Four runs' worth of 8 % and four counted runs 20 % off: √((4·0.08² + 4·0.2²) ÷ 8)."""
    away = np.array([-0.2, -0.2, 0.2, 0.2])
    book = replace(evening, runs=shaken(evening)[:4])
    usual = usual_cadences(heard(book, away).runs)[SHAKE]
    assert usual.median_hz == pytest.approx(USUAL_HZ * np.cosh(0.2), rel=1e-3)
    assert usual.log_sd == pytest.approx(np.sqrt((4 * 0.08**2 + 4 * 0.2**2) / 8), rel=0.02)
    assert usual_cadences(evening.runs) == {}
