"""NIST Statistical Reference Datasets, nonlinear regression: certified values from certified starts.

https://www.itl.nist.gov/div898/strd/nls/nls_main.shtml. Misra1a and BoxBOD have the form of a saturating
dilution, MGH17 that of a curve with two rates. Certified values were seen in published copies of the files.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from rig.arrays import FloatArray
from rig.fitting.curves import Enough, RunValues, fit_curves
from rig.fitting.least_squares import Differences, solve

Model = Callable[[FloatArray, FloatArray], FloatArray]


def saturating(b: FloatArray, x: FloatArray) -> FloatArray:
    return b[:, 0:1] * (1 - np.exp(-b[:, 1:2] * x))


def saturating_slope(b: FloatArray, x: FloatArray) -> FloatArray:
    fade = np.exp(-b[:, 1:2] * x)
    return np.stack([1 - fade, b[:, 0:1] * x * fade], axis=2)


def two_rates(b: FloatArray, x: FloatArray) -> FloatArray:
    return b[:, 0:1] + b[:, 1:2] * np.exp(-b[:, 3:4] * x) + b[:, 2:3] * np.exp(-b[:, 4:5] * x)


def two_rates_slope(b: FloatArray, x: FloatArray) -> FloatArray:
    one, two = np.exp(-b[:, 3:4] * x), np.exp(-b[:, 4:5] * x)
    return np.stack([np.ones_like(one), one, two, -b[:, 1:2] * x * one, -b[:, 2:3] * x * two], axis=2)


@dataclass(frozen=True, eq=False)
class Certified:
    name: str
    model: Model
    slope: Model
    x: FloatArray
    y: FloatArray
    starts: FloatArray
    values: FloatArray
    standard_errors: FloatArray
    rss: float
    residual_sd: float


def numbers(text: str) -> FloatArray:
    return np.array(text.split(), dtype=np.float64)


MISRA1A = Certified(
    name="Misra1a",
    model=saturating,
    slope=saturating_slope,
    x=numbers("77.6 114.9 141.1 190.8 239.9 289.0 332.8 378.4 434.8 477.3 536.8 593.1 689.1 760.0"),
    y=numbers("10.07 14.73 17.94 23.93 29.61 35.18 40.02 44.82 50.76 55.05 61.01 66.40 75.47 81.78"),
    starts=np.array([[500, 1e-4], [250, 5e-4]]),
    values=numbers("2.3894212918E+02 5.5015643181E-04"),
    standard_errors=numbers("2.7070075241E+00 7.2668688436E-06"),
    rss=1.2455138894e-01,
    residual_sd=1.0187876330e-01,
)
BOXBOD = Certified(
    name="BoxBOD",
    model=saturating,
    slope=saturating_slope,
    x=numbers("1 2 3 5 7 10"),
    y=numbers("109 149 149 191 213 224"),
    starts=np.array([[1, 1], [100, 0.75]]),
    values=numbers("2.1380940889E+02 5.4723748542E-01"),
    standard_errors=numbers("1.2354515176E+01 1.0455993237E-01"),
    rss=1.1680088766e03,
    residual_sd=1.7088072423e01,
)
MGH17 = Certified(
    name="MGH17",
    model=two_rates,
    slope=two_rates_slope,
    x=np.arange(33) * 10.0,
    y=numbers(
        "0.844 0.908 0.932 0.936 0.925 0.908 0.881 0.850 0.818 0.784 0.751 0.718 0.685 0.658 0.628 0.603 "
        "0.580 0.558 0.538 0.522 0.506 0.490 0.478 0.467 0.457 0.448 0.438 0.431 0.424 0.420 0.414 0.411 "
        "0.406"
    ),
    starts=np.array([[50, 150, -100, 1, 2], [0.5, 1.5, -1, 0.01, 0.02]]),
    values=numbers("3.7541005211E-01 1.9358469127E+00 -1.4646871366E+00 1.2867534640E-02 2.2122699662E-02"),
    standard_errors=numbers(
        "2.0723153551E-03 2.2031669222E-01 2.2175707739E-01 4.4861358114E-04 8.9471996575E-04"
    ),
    rss=5.4648946975e-05,
    residual_sd=1.3970497866e-03,
)


@pytest.mark.parametrize("data", [MISRA1A, BOXBOD, MGH17], ids=lambda d: d.name)
@pytest.mark.parametrize("exact_slope", [True, False], ids=["exact slope", "central differences"])
def test_both_certified_starts_lead_to_the_certified_values(data: Certified, exact_slope: bool) -> None:
    found = solve(
        lambda b, lane: data.model(b, data.x) - data.y,
        data.starts,
        jacobian=(lambda b, lane: data.slope(b, data.x)) if exact_slope else None,
        differences=Differences.CENTRAL,
        max_iterations=1000,
    )
    assert found.converged.all()
    assert found.degrees_of_freedom.tolist() == [data.y.size - data.values.size] * 2
    # Asked: six digits in values, four in errors; both starts are lanes of one problem.
    for start in range(2):
        assert found.params[start] == pytest.approx(data.values, rel=1e-6)
        assert found.standard_error[start] == pytest.approx(data.standard_errors, rel=1e-5)
    assert found.rss == pytest.approx([data.rss] * 2, rel=1e-9)
    assert found.residual_sd == pytest.approx([data.residual_sd] * 2, rel=1e-9)


@pytest.mark.parametrize("data", [MISRA1A, BOXBOD], ids=lambda d: d.name)
def test_the_one_rate_curve_needs_no_start_to_get_there(data: Certified) -> None:
    # These two start from zero: a value at time zero, known ten thousand times better than the rest.
    runs = RunValues(
        data.name,
        np.concatenate([[0.0], data.x]),
        np.concatenate([[0.0], data.y]),
        np.concatenate([[1e8], np.ones_like(data.x)]),
    )
    family = fit_curves([runs], need=Enough(6, 3, 1.5))[0].families[0]
    freedom = data.y.size - 1
    best = family.variance.argmin()
    assert family.variance[best] * freedom == pytest.approx(data.rss, rel=0.02)
    rate, rate_error = data.values[1], data.standard_errors[1]
    assert abs(family.rates_per_s[best, 0] - rate) < 0.25 * rate_error
    level, level_error = data.values[0], data.standard_errors[0]
    assert abs(family.coefficients[best, 1] - level) < 0.25 * level_error
    assert family.degrees_of_freedom == pytest.approx(data.y.size - 2, abs=1e-9)


def test_the_spread_of_the_rate_agrees_with_the_certified_error_where_runs_are_many() -> None:
    runs = RunValues(
        "Misra1a",
        np.concatenate([[0.0], MISRA1A.x]),
        np.concatenate([[0.0], MISRA1A.y]),
        np.concatenate([[1e8], np.ones_like(MISRA1A.x)]),
    )
    family = fit_curves([runs])[0].families[0]
    relative_error = MISRA1A.standard_errors[1] / MISRA1A.values[1]
    # The spread integrated over an unknown variance is Student's: wider than its scale by √(ν/(ν−2)).
    assert family.rate_sd_log[0] == pytest.approx(relative_error * np.sqrt(12 / 10), rel=0.02)
    assert family.typical_rates_per_s[0] == pytest.approx(MISRA1A.values[1], rel=0.1 * relative_error)


def test_the_two_rate_curve_needs_no_start_to_get_there() -> None:
    fit = fit_curves([RunValues("MGH17", MGH17.x, MGH17.y)], monotone=False)[0]
    assert fit.shares[-1] > 0.999
    family = fit.families[-1]
    rates, errors = MGH17.values[3:], MGH17.standard_errors[3:]
    assert (np.abs(family.typical_rates_per_s - rates) < 0.5 * errors).all()
    assert family.rate_sd_log == pytest.approx(errors / rates, rel=0.2)
    assert family.variance.min() * 30 == pytest.approx(MGH17.rss, rel=0.01)
    plateau = fit.predict(np.inf)
    assert abs(plateau.mean[0] - MGH17.values[0]) < 0.25 * MGH17.standard_errors[0]
    assert plateau.standard_error[0] == pytest.approx(MGH17.standard_errors[0], rel=0.15)
