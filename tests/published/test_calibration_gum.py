"""Lines and budgets against the worked examples of the GUM, JCGM 100:2008, annex H."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest

from rig.sensors.budget import Budget, Distribution, Input, budget
from rig.sensors.calibration import Calibration, CalibrationKind, Point
from rig.sensors.line import fit_line

# H.3: calibration of a thermometer; readings and corrections [°C], reference temperature 20 °C
READING_C = (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511)
CORRECTION_C = (-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160)

# H.2: five sets of voltage [V], current [mA] and phase [rad]
VOLTAGE = (5.007, 4.994, 5.005, 4.990, 4.999)
CURRENT_MA = (19.663, 19.639, 19.640, 19.685, 19.678)
PHASE = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)


@pytest.fixture(scope="module")
def thermometer() -> Calibration:
    points = [Point(t, t + b) for t, b in zip(READING_C, CORRECTION_C, strict=True)]
    when = datetime(2026, 3, 9, tzinfo=UTC)
    kind = CalibrationKind.TEMPERATURE
    return fit_line("thermometer", "", kind, when, points, method="H.3", origin=20.0)


def test_h3_intercept_slope_and_their_uncertainties(thermometer: Calibration) -> None:
    offset, slope = thermometer.coefficients
    assert (offset - 20.0, slope - 1.0) == pytest.approx((-0.1712, 0.00218), abs=5e-5)
    covariance = np.array(thermometer.covariance)
    assert math.sqrt(covariance[0, 0]) == pytest.approx(0.0029, abs=5e-5)
    assert math.sqrt(covariance[1, 1]) == pytest.approx(0.00067, abs=5e-6)
    assert covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1]) == pytest.approx(
        -0.930, abs=5e-4
    )
    assert thermometer.residual_std == pytest.approx(0.0035, abs=5e-5)
    assert thermometer.degrees_of_freedom == 9


def test_h3_predicted_correction_at_30_c(thermometer: Calibration) -> None:
    correction, std = thermometer.correction(30.0)
    assert (correction, std) == pytest.approx((-0.1494, 0.0041), abs=5e-5)


def test_h3_does_not_depend_on_where_the_line_is_anchored(thermometer: Calibration) -> None:
    points = thermometer.points
    other = fit_line("thermometer", "", thermometer.kind, thermometer.when, points, method="H.3")
    for at in (0.0, 20.0, 25.0, 30.0):
        value, std = other.apply(at)
        assert (value, std) == pytest.approx(tuple(map(float, thermometer.apply(at))), rel=1e-9)


@pytest.fixture(scope="module")
def gauge_block() -> Budget:
    """H.1, table H.1: lengths in nm, temperatures in °C."""
    inputs = [
        Input("standard", 50_000_623.0, 25.0, "nm", degrees_of_freedom=18),
        Input("difference", 215.0, 9.7, "nm", degrees_of_freedom=25.6),
        Input("difference in expansion", 0.0, 0.58e-6, "1/K", Distribution.RECTANGULAR, 50),
        Input("difference in temperature", 0.0, 0.029, "K", Distribution.RECTANGULAR, 2),
    ]

    def length(x: dict[str, float]) -> float:
        mean_temp_k, expansion = -0.1, 11.5e-6
        heat = x["difference in expansion"] * mean_temp_k + expansion * x["difference in temperature"]
        return x["standard"] * (1.0 - heat) + x["difference"]

    return budget("length", length, inputs, unit="nm")


def test_h1_result_and_combined_uncertainty(gauge_block: Budget) -> None:
    assert gauge_block.value == pytest.approx(50_000_838.0)
    assert np.abs(gauge_block.contributions) == pytest.approx([25.0, 9.7, 2.9, 16.6], abs=0.1)
    assert gauge_block.combined_std == pytest.approx(32.0, abs=0.5)


def test_h1_effective_degrees_of_freedom_and_expanded_uncertainty(gauge_block: Budget) -> None:
    assert math.floor(gauge_block.effective_degrees_of_freedom) == 16
    assert gauge_block.coverage_factor(0.99) == pytest.approx(2.92, abs=0.005)
    # the GUM multiplies the rounded 32 nm: 93 nm; unrounded 31.7 nm gives 92.5
    assert gauge_block.expanded(0.99) == pytest.approx(93.0, abs=0.6)


@pytest.mark.parametrize(
    ("what", "expected", "std"),
    [
        (lambda x: x["V"] / x["I"] * math.cos(x["phi"]), 127.732, 0.071),
        (lambda x: x["V"] / x["I"] * math.sin(x["phi"]), 219.847, 0.295),
        (lambda x: x["V"] / x["I"], 254.260, 0.236),
    ],
    ids=["resistance", "reactance", "impedance"],
)  # fmt: skip
def test_h2_correlated_inputs_give_the_published_resistance_reactance_and_impedance(what, expected, std):
    readings = np.array([VOLTAGE, np.array(CURRENT_MA) / 1000.0, PHASE])
    inputs = [Input.of_readings(n, list(r)) for n, r in zip(("V", "I", "phi"), readings, strict=True)]
    found = budget("H.2", what, inputs, unit="Ω", correlation=np.corrcoef(readings))
    assert found.value == pytest.approx(expected, abs=5e-4)
    # the GUM carries rounded means and correlations on; with all digits the reactance has 0.2956, printed 0.295
    assert found.combined_std == pytest.approx(std, abs=7e-4)
    alone = budget("H.2", what, inputs, unit="Ω")
    assert abs(alone.combined_std - std) > 0.01  # leaving the correlation out would show
