"""Spreads are learned, the curve goes through its own runs, and runs left out are predicted as if never made."""

from __future__ import annotations

import itertools
from collections import defaultdict
from dataclasses import replace

import numpy as np
import pytest

import rig
from rig.consistency.judging import judged
from rig.fitting.leave_one_out import LeaveOneOut, leave_one_out
from rig.fitting.misfit import MODES, misfit_basis
from rig.fitting.observations import BINS
from rig.fitting.prediction import predict
from rig.fitting.random_effects import Owner
from rig.fitting.result import Fit, Verdict
from rig.fitting.situation import Situation
from rig.runs import Run, RunBook
from tests.fitting.conftest import SAMPLES
from tests.shared_fits import fitted


@pytest.fixture(scope="session")
def harbour() -> RunBook:
    return rig.open_bench(SAMPLES / "harbour")


@pytest.fixture(scope="session")
def harbour_fit(harbour: RunBook) -> Fit:
    return fitted(harbour)


def test_the_fit_settles_and_says_so(harbour_fit: Fit, evening_fit: Fit) -> None:
    assert harbour_fit.posterior.converged
    assert evening_fit.posterior.converged


def test_weighings_of_a_drink_on_a_set_up_lie_on_both_sides_of_its_curve(harbour_fit: Fit) -> None:
    """A curve that leaves its own runs calls a drink that they have shown not to be."""
    residual = defaultdict(list)
    for run in harbour_fit.runs:
        if run.verdict is Verdict.GOOD and run.strained_residual_g is not None:
            residual[run.set_up, run.recipe].append(run.strained_residual_g)
    enough = {key: np.array(values) for key, values in residual.items() if len(values) >= 4}
    assert len(enough) >= 3
    for key, values in enough.items():
        error = max(float(np.std(values, ddof=1)), 1.0) / np.sqrt(values.size)
        assert abs(values.mean()) < 2.5 * error, key


def test_a_component_whose_members_are_alike_is_learned_to_be_narrow(evening: RunBook) -> None:
    """All of one set-up's runs repeated under other names of the same ice: the ices do not differ."""
    ices = [replace(evening.bench.ice_type(evening.runs[0].ice), name=f"twin {k}") for k in range(6)]
    bench = replace(evening.bench, ice={**evening.bench.ice, **{i.name: i for i in ices}})
    first = [r for r in evening.runs if r.set_up == evening.runs[0].set_up]
    runs = tuple(replace(r, run=f"{r.run} {i.name}", ice=i.name) for i in ices for r in first if r.duration_s)
    post = rig.fit(replace(evening, bench=bench, runs=runs)).posterior
    scale = dict(zip(post.random_effects.components, post.spreads.component_scale, strict=True))
    rate = {owner: value for (p, owner), value in scale.items() if p is not None and p.name == "RATE"}
    assert rate[Owner.ICE] < 0.85
    assert rate[Owner.ICE] < rate[Owner.TECHNIQUE]


def test_started_from_a_fit_of_one_run_less_the_same_summit_is_reached(
    evening: RunBook, evening_fit: Fit
) -> None:
    less = rig.fit(replace(evening, runs=evening.runs[:-1]))
    warm = rig.fit(evening, warm=less)
    sd = np.sqrt(np.diagonal(evening_fit.posterior.covariance))
    moved = np.abs(warm.posterior.effects - evening_fit.posterior.effects) / sd
    assert warm.posterior.converged
    assert warm.posterior.iterations < evening_fit.posterior.iterations
    assert np.max(moved) < 1.0
    times = np.array([6.0, 12.0, 18.0])
    situation = Situation.of(evening.runs[0])
    ours, theirs = (predict(f, situation, times, draws=256) for f in (warm, evening_fit))
    assert np.median(ours.temp_c, axis=0) == pytest.approx(np.median(theirs.temp_c, axis=0), abs=0.15)


@pytest.mark.parametrize("number", [3, 11, 19])
def test_a_run_left_out_is_predicted_as_by_a_fit_without_it(
    evening: RunBook, evening_fit: Fit, number: int
) -> None:
    """The downdate against the real thing: a fit of all other runs, asked for this one."""
    run = evening.runs[number]
    fitted = [r.run for r in evening_fit.runs if r.verdict in (Verdict.GOOD, Verdict.DOUBTFUL)]
    row = fitted.index(run.run)
    without = rig.fit(replace(evening, runs=tuple(r for r in evening.runs if r.run != run.run)))
    told = predict(without, Situation.of(run), np.array([run.duration_s or 0.0]), draws=1024)
    left, post = evening_fit.posterior.leave_one_out, evening_fit.posterior
    predicted = post.expected_strained_g[row] + post.strained_residual_g[row] - left.strained_residual_g[row]
    drink_g = run.drink_mass_g or 0.0
    refitted = drink_g + np.median(told.added_g) - np.median(told.held_back_g)
    assert predicted == pytest.approx(refitted, abs=0.35 * left.strained_sd_g[row] + 0.4)


NUMBERS = (
    "ice_mass_g", "ice_temp_c", "drink_mass_g", "drink_temp_c", "vessel_temp_c", "room_temp_c",
    "strained_mass_g", "duration_s",
)  # fmt: skip
COLD_SHAKE, HOT_STIR = "c08", "c23"


def farthest_moved(evening: RunBook, before: Fit, spoiled: Run, warm: Fit | None = None) -> float:
    """By how much a run's wrong number moves the dilution of any other run."""
    (door,) = judged(evening.bench, [spoiled])
    runs = tuple(door.run if r.run == spoiled.run else r for r in evening.runs)
    after = {r.run: r.dilution_by_volume for r in rig.fit(replace(evening, runs=runs), warm=warm).runs}
    known = {r.run: r.dilution_by_volume for r in before.runs if r.dilution_by_volume is not None}
    moves = [abs((after[name] or np.inf) - value) for name, value in known.items() if name != spoiled.run]
    return max(moves)


@pytest.mark.parametrize("name", [COLD_SHAKE, HOT_STIR])
@pytest.mark.parametrize("column", NUMBERS)
@pytest.mark.parametrize("factor", [10.0, 0.1])
def test_one_wrong_number_moves_no_other_run(
    evening: RunBook, evening_fit: Fit, name: str, column: str, factor: float
) -> None:
    """Met at the door where mass or heat forbids it, else by heavy tails of what was noted and what was seen."""
    run = next(r for r in evening.runs if r.run == name)
    value = getattr(run, column)
    assert value is not None
    spoiled = replace(run, **{column: factor * value})
    warm = None if (name, column, factor) == (HOT_STIR, "drink_temp_c", 0.1) else evening_fit
    assert farthest_moved(evening, evening_fit, spoiled, warm) < 0.0115


@pytest.mark.parametrize("name", [COLD_SHAKE, HOT_STIR])
@pytest.mark.parametrize(("one", "other"), list(itertools.pairwise(NUMBERS)))
def test_two_numbers_that_changed_places_move_no_other_run(
    evening: RunBook, evening_fit: Fit, name: str, one: str, other: str
) -> None:
    run = next(r for r in evening.runs if r.run == name)
    swapped = replace(run, **{one: getattr(run, other), other: getattr(run, one)})
    assert farthest_moved(evening, evening_fit, swapped, evening_fit) < 0.01


def test_a_drink_noted_colder_than_the_probe_that_waits_in_it_is_named(evening: RunBook) -> None:
    wrong = replace(next(r for r in evening.runs if r.run == HOT_STIR), drink_temp_c=5.6)
    book = replace(evening, runs=tuple(wrong if r.run == HOT_STIR else r for r in evening.runs))
    found = next(r for r in rig.fit(book).runs if r.run == HOT_STIR)
    assert found.verdict is Verdict.DOUBTFUL
    assert (
        "noted at 5.6 °C before the ice, by its trace and weighing it was at about 56 °C" in found.reasons[0]
    )


def test_spreads_that_runs_left_out_show_to_be_too_narrow_are_stretched() -> None:
    rng = np.random.default_rng(7)
    z = 1.6 * rng.standard_normal(60)
    one = np.ones(60)
    wide, _ = LeaveOneOut(z, one, z, one, 0 * one).spread_scale
    assert 1.2 < wide < 1.6
    assert LeaveOneOut(one[:0], one[:0], one[:0], one[:0], one[:0]).spread_scale == (1.0, 1.0)


def test_a_downdate_is_the_regression_without_the_run() -> None:
    """Against NumPy's own solution of a Gaussian linear model, one run taken out at a time."""
    rng = np.random.default_rng(3)
    runs, effects, obs = 9, 4, BINS + 1
    design = rng.standard_normal((runs, obs, effects))
    noise = np.broadcast_to(0.5 * np.eye(obs), (runs, obs, obs))
    y = np.einsum("roe,e->ro", design, rng.standard_normal(effects)) + rng.standard_normal((runs, obs))

    def posterior(rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        precision = np.eye(effects) + np.einsum("roe,rof->ef", design[rows], design[rows]) / 0.5
        score = np.einsum("roe,ro->e", design[rows], y[rows]) / 0.5
        return np.linalg.solve(precision, score), np.linalg.inv(precision)

    mean, covariance = posterior(np.arange(runs))
    found = leave_one_out(
        design @ covariance @ np.swapaxes(design, 1, 2),
        noise,
        noise,
        y - design @ mean,
        np.ones((runs, obs), dtype=bool),
        BINS,
    )
    for k in range(runs):
        theirs, spread = posterior(np.delete(np.arange(runs), k))
        g = design[k, BINS]
        assert found.strained_residual_g[k] == pytest.approx(y[k, BINS] - g @ theirs)
        assert found.strained_sd_g[k] == pytest.approx(np.sqrt(0.5 + g @ spread @ g))


def test_a_misfit_is_nothing_at_the_start_and_of_unit_variance_later() -> None:
    values = misfit_basis(np.array([0.0, 4.0, 10.0, 20.0, 40.0]), np.asarray(40.0))
    variance = (values**2).sum(axis=-1)
    assert values.shape == (5, MODES)
    assert variance[0] == 0.0
    rise = -np.expm1(-np.array([0.1, 0.25, 0.5, 1.0]) / 0.06)
    assert variance[1:] == pytest.approx(rise**2, abs=0.06)
