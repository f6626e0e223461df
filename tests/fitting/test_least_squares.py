"""The batched solver against SciPy, exact answers and its own promises."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from rig.arrays import FloatArray, IntArray
from rig.fitting.least_squares import Differences, solve

TIME_S = np.linspace(0.0, 20.0, 41)
START = np.array([30.0, 0.0, 8.0])


def chill(params: FloatArray) -> FloatArray:
    """Newton's cooling from params (rows, 3): start, floor, time constant."""
    warm, cold, tau = params[:, 0:1], params[:, 1:2], params[:, 2:3]
    return cold + (warm - cold) * np.exp(-TIME_S / tau)


def chill_slope(params: FloatArray, lane: IntArray) -> FloatArray:
    warm, cold, tau = params[:, 0:1], params[:, 1:2], params[:, 2:3]
    fade = np.exp(-TIME_S / tau)
    return np.stack([fade, 1 - fade, (warm - cold) * fade * TIME_S / tau**2], axis=2)


@pytest.fixture(scope="module")
def noisy() -> tuple[FloatArray, FloatArray]:
    """Parameters (lanes, 3) and what was measured of them (lanes, times), with 0.5 K of noise."""
    rng = np.random.default_rng(11)
    truth = np.stack([rng.uniform(18, 60, 400), rng.uniform(-8, 0, 400), rng.uniform(3, 9, 400)], axis=1)
    return truth, chill(truth) + rng.normal(0, 0.5, (400, TIME_S.size))


def starts(lanes: int) -> FloatArray:
    return np.tile(START, (lanes, 1))


def test_every_lane_ends_where_scipy_ends_alone(noisy: tuple[FloatArray, FloatArray]) -> None:
    measured = noisy[1][:8]
    found = solve(lambda p, lane: chill(p) - measured[lane], starts(8))
    assert found.converged.all()
    for lane, values in enumerate(measured):
        best, covariance = optimize.curve_fit(
            lambda _, *p: chill(np.array([p]))[0], TIME_S, values, p0=START, xtol=1e-14, ftol=1e-14
        )
        assert found.params[lane] == pytest.approx(best, rel=1e-6, abs=1e-6)
        assert found.covariance[lane] == pytest.approx(covariance, rel=1e-4)
        assert found.residual_sd[lane] == pytest.approx(
            np.sqrt(np.sum((chill(best[None])[0] - values) ** 2) / (TIME_S.size - 3))
        )


def test_company_changes_nothing(noisy: tuple[FloatArray, FloatArray]) -> None:
    measured = noisy[1][:5]
    together = solve(lambda p, lane: chill(p) - measured[lane], starts(5))
    for n, values in enumerate(measured):
        alone = solve(lambda p, lane, values=values: chill(p) - values, starts(1))
        assert alone.params[0] == pytest.approx(together.params[n], rel=1e-10)


def test_standard_errors_cover_the_truth_as_often_as_they_say(noisy: tuple[FloatArray, FloatArray]) -> None:
    truth, measured = noisy
    found = solve(lambda p, lane: chill(p) - measured[lane], starts(len(truth)))
    strays = (found.params - truth) / found.standard_error
    assert np.abs(strays.std(axis=0) - 1) == pytest.approx(np.zeros(3), abs=0.1)
    assert (np.abs(strays) < 1.96).mean() == pytest.approx(0.95, abs=0.025)


def test_a_missing_residual_is_the_same_as_none(noisy: tuple[FloatArray, FloatArray]) -> None:
    measured = noisy[1][:1].copy()
    measured[0, [3, 17, 40]] = np.nan
    there = np.isfinite(measured[0])
    gappy = solve(lambda p, lane: chill(p) - measured[lane], starts(1))
    short = solve(lambda p, lane: (chill(p) - measured[lane])[:, there], starts(1))
    assert gappy.params == pytest.approx(short.params, rel=1e-10)
    assert gappy.covariance == pytest.approx(short.covariance, rel=1e-8)
    assert gappy.degrees_of_freedom == short.degrees_of_freedom == there.sum() - 3


@pytest.mark.parametrize("differences", Differences)
def test_a_numerical_jacobian_leads_where_the_exact_one_does(
    noisy: tuple[FloatArray, FloatArray], differences: Differences
) -> None:
    measured = noisy[1][:20]

    def residuals(p: FloatArray, lane: IntArray) -> FloatArray:
        return chill(p) - measured[lane]

    exact = solve(residuals, starts(20), jacobian=chill_slope)
    found = solve(residuals, starts(20), differences=differences)
    assert found.params == pytest.approx(exact.params, rel=1e-6, abs=1e-6)
    assert found.standard_error == pytest.approx(exact.standard_error, rel=1e-5)


@pytest.mark.parametrize(("differences", "rows_a_lane"), [(Differences.CENTRAL, 6), (Differences.FORWARD, 4)])
def test_one_call_carries_the_jacobian_of_all_lanes(
    noisy: tuple[FloatArray, FloatArray], differences: Differences, rows_a_lane: int
) -> None:
    measured, rows = noisy[1][:7], []

    def residuals(p: FloatArray, lane: IntArray) -> FloatArray:
        assert len(p) == len(lane)
        rows.append(len(p))
        return chill(p) - measured[lane]

    found = solve(residuals, starts(7), differences=differences)
    assert max(rows) == rows_a_lane * 7
    assert len(rows) <= 2 + 3 * (found.iterations.max() + 1)


def test_a_bound_that_binds_is_met_and_named() -> None:
    rng = np.random.default_rng(3)
    values = chill(np.array([[30.0, -6.0, 5.0]]))[0] + rng.normal(0, 0.5, TIME_S.size)
    low, high = [0.0, -2.0, 0.1], [60.0, 10.0, 50.0]
    found = solve(lambda p, lane: chill(p) - values, starts(1), lower=low, upper=high)
    judge = optimize.least_squares(
        lambda p: chill(p[None])[0] - values,
        START + np.array([0, 1, 0]),
        bounds=(low, high),
        xtol=1e-15,
        ftol=1e-15,
    )
    assert found.converged[0]
    assert found.at_bound.tolist() == [[False, True, False]]
    assert found.params[0] == pytest.approx(judge.x, rel=1e-6)
    assert found.standard_error[0, 1] == 0
    assert found.standard_error[0, [0, 2]].min() > 0


def test_a_bound_met_on_the_way_is_left_again() -> None:
    values = chill(np.array([[30.0, -6.0, 5.0]]))[0]
    found = solve(lambda p, lane: chill(p) - values, np.array([[30.0, -7.0, 30.0]]), lower=[0, -7.0, 0.1])
    assert found.params[0] == pytest.approx([30.0, -6.0, 5.0], rel=1e-6)
    assert not found.at_bound.any()


def test_equal_bounds_hold_a_parameter() -> None:
    values = chill(np.array([[30.0, -6.0, 5.0]]))[0]
    found = solve(lambda p, lane: chill(p) - values, starts(1), lower=[0, -5, 0.1], upper=[60, -5, 50])
    assert found.params[0, 1] == -5
    assert found.at_bound.tolist() == [[False, True, False]]
    assert found.converged[0]


@pytest.mark.parametrize("differences", Differences)
def test_an_upper_bound_at_the_start_does_not_blind_the_jacobian(differences: Differences) -> None:
    values = chill(np.array([[30.0, -6.0, 5.0]]))[0]
    found = solve(
        lambda p, lane: chill(p) - values,
        np.array([[40.0, 0.0, 8.0]]),
        upper=[40, 0, 8],
        differences=differences,
    )
    assert found.params[0] == pytest.approx([30.0, -6.0, 5.0], rel=1e-5)


def test_what_the_residuals_do_not_speak_of_has_no_finite_error() -> None:
    def residuals(p: FloatArray, lane: IntArray) -> FloatArray:
        return p[:, 0:1] + p[:, 1:2] + 0 * p[:, 2:3] - np.array([[1.0, 2.0, 2.0, 4.0, 4.0, 5.0]])

    found = solve(residuals, np.ones((1, 4)))
    assert found.params[0, :2].sum() == pytest.approx(3)
    assert np.isinf(found.standard_error[0]).all()
    assert not found.determined[0]


def test_a_prior_row_settles_what_the_data_leave_open() -> None:
    def residuals(p: FloatArray, lane: IntArray) -> FloatArray:
        measured = (p[:, 0:1] + p[:, 1:2] - 3.0) / 0.1
        return np.concatenate([measured, (p[:, 1:2] - 1.0) / 0.5], axis=1)

    found = solve(residuals, np.zeros((1, 2)))
    assert found.params[0] == pytest.approx([2.0, 1.0])
    assert np.sqrt(np.diagonal(found.unit_covariance[0])) == pytest.approx([np.hypot(0.1, 0.5), 0.5])
    assert found.determined[0]


def test_a_step_into_nonsense_is_turned_back() -> None:
    def residuals(p: FloatArray, lane: IntArray) -> FloatArray:
        log = np.log(np.where(p > 0, p, np.nan))
        return np.concatenate([log - np.log(1e-3), 0.1 * (p - 1e-3)], axis=1)

    found = solve(residuals, np.array([[5.0]]), first_damping=1e-3)
    assert found.converged[0]
    assert found.params[0, 0] == pytest.approx(1e-3)


def test_a_lane_that_cannot_start_leaves_the_others_alone(noisy: tuple[FloatArray, FloatArray]) -> None:
    measured = noisy[1][:2]

    def residuals(p: FloatArray, lane: IntArray) -> FloatArray:
        return np.where(lane[:, None] == 1, np.inf, chill(p) - measured[lane])

    found = solve(residuals, starts(2))
    assert found.converged.tolist() == [True, False]
    assert found.params[1].tolist() == START.tolist()
    assert not found.determined[1]


def test_too_few_iterations_are_owned_up_to(noisy: tuple[FloatArray, FloatArray]) -> None:
    found = solve(lambda p, lane: chill(p) - noisy[1][lane], starts(3), max_iterations=2)
    assert not found.converged.any()
    assert found.iterations.tolist() == [2, 2, 2]


def test_no_iteration_makes_a_lane_worse() -> None:
    day = np.array([1.0, 2.0, 3.0, 5.0, 7.0, 10.0])
    demand = np.array([109.0, 149.0, 149.0, 191.0, 213.0, 224.0])

    def after(iterations: int) -> float:
        found = solve(
            lambda p, lane: p[:, 0:1] * (1 - np.exp(-p[:, 1:2] * day)) - demand,
            np.array([[100.0, 0.05]]),
            first_damping=1e-12,
            max_iterations=iterations,
        )
        return float(found.rss[0])

    assert (np.diff([after(n) for n in range(12)]) <= 0).all()


def test_perfect_data_are_met_to_rounding() -> None:
    truth = np.array([[33.0, -4.0, 6.0], [21.0, -1.0, 3.0]])
    found = solve(lambda p, lane: chill(p) - chill(truth)[lane], starts(2))
    assert found.converged.all()
    assert found.params == pytest.approx(truth, rel=1e-10)


def test_nothing_left_over_leaves_no_residual_sd() -> None:
    found = solve(lambda p, lane: p - np.array([[1.0, 2.0]]), np.zeros((1, 2)))
    assert found.params[0] == pytest.approx([1.0, 2.0])
    assert np.isnan(found.residual_sd[0])
    assert np.isnan(found.standard_error).all()
    assert found.unit_covariance[0] == pytest.approx(np.eye(2))


@settings(max_examples=40, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32 - 1), size=st.floats(1e-6, 1e6), count=st.integers(1, 5))
def test_a_linear_problem_of_any_size_is_solved_as_by_algebra(seed: int, size: float, count: int) -> None:
    rng = np.random.default_rng(seed)
    design = rng.normal(size=(count + 6, count)) * np.geomspace(1, size, count)
    target = rng.normal(size=count + 6)
    found = solve(lambda p, lane: p @ design.T - target, np.ones((1, count)))
    best = np.linalg.lstsq(design, target, rcond=None)[0]
    errors = np.sqrt(np.diagonal(np.linalg.inv(design.T @ design)))
    assert found.converged[0]
    assert found.params[0] / errors == pytest.approx(best / errors, rel=1e-5, abs=1e-4)


@pytest.mark.parametrize(
    ("start", "low", "says"),
    [
        (np.ones(3), None, r"shape \(lanes, params\)"),
        (np.ones((1, 3)), [[0.0, 9.0, 0.0]], "lower bound lies above"),
        (np.ones((2, 3)), None, r"residuals must have shape \(2, residuals\)"),
    ],
)
def test_shapes_and_bounds_that_do_not_fit_are_refused(
    start: FloatArray, low: list[list[float]] | None, says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        solve(lambda p, lane: chill(p)[:1], start, lower=low, upper=8.0)
