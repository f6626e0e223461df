"""Thermocouples, platinum and NTC thermistors against the tables and functions of their standards."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial import polynomial

from rig.sensors import resistance_thermometer as platinum
from rig.sensors.thermistor import SteinhartHart
from rig.sensors.thermocouple import Thermocouple, emf_mv, temp_c_from_emf

K, T = Thermocouple.K, Thermocouple.T

# NIST Monograph 175 / IEC 60584-1 reference tables, printed to 0.001 mV (from memory beyond 100 °C)
EMF_MV = [
    (K, -200, -5.891), (K, -100, -3.554), (K, -20, -0.778), (K, -10, -0.392), (K, 0, 0.0), (K, 10, 0.397),
    (K, 25, 1.000), (K, 50, 2.023), (K, 60, 2.436), (K, 80, 3.267), (K, 100, 4.096), (K, 200, 8.138),
    (K, 500, 20.644), (K, 1000, 41.276), (K, 1372, 54.886),
    (T, -200, -5.603), (T, -100, -3.379), (T, -20, -0.757), (T, -10, -0.383), (T, 0, 0.0), (T, 10, 0.391),
    (T, 25, 0.992), (T, 50, 2.036), (T, 60, 2.468), (T, 80, 3.358), (T, 100, 4.279), (T, 200, 9.288),
    (T, 400, 20.872),
]  # fmt: skip

# NIST ITS-90 approximate inverse functions: range [mV], coefficients, and the error they are stated to have
INVERSE = [
    (K, (-5.891, 0.0), (-0.02, 0.04), [
        0.0, 2.5173462e01, -1.1662878, -1.0833638, -8.9773540e-01, -3.7342377e-01, -8.6632643e-02,
        -1.0450598e-02, -5.1920577e-04,
    ]),
    (K, (0.0, 20.644), (-0.05, 0.04), [
        0.0, 2.508355e01, 7.860106e-02, -2.503131e-01, 8.315270e-02, -1.228034e-02, 9.804036e-04,
        -4.413030e-05, 1.057734e-06, -1.052755e-08,
    ]),
    (K, (20.644, 54.886), (-0.05, 0.06), [
        -1.318058e02, 4.830222e01, -1.646031, 5.464731e-02, -9.650715e-04, 8.802193e-06, -3.110810e-08,
    ]),
    (T, (-5.603, 0.0), (-0.02, 0.04), [
        0.0, 2.5949192e01, -2.1316967e-01, 7.9018692e-01, 4.2527777e-01, 1.3304473e-01, 2.0241446e-02,
        1.2668171e-03,
    ]),
    (T, (0.0, 20.872), (-0.03, 0.03), [
        0.0, 2.592800e01, -7.602961e-01, 4.637791e-02, -2.165394e-03, 6.048144e-05, -7.293422e-07,
    ]),
]  # fmt: skip

# IEC 60751, resistance ratio times 100 Ω
PT100_OHM = [
    (-200, 18.5201), (-100, 60.2558), (-20, 92.1599), (-18, 92.9461), (-10, 96.0859), (-5, 98.0444),
    (0, 100.0), (5, 101.9527), (10, 103.9025), (20, 107.7935), (25, 109.7347), (50, 119.3971),
    (60, 123.2419), (80, 130.8968), (90, 134.7069), (100, 138.5055), (850, 390.4811),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "temp_c", "expected_mv"), EMF_MV)
def test_a_thermocouple_gives_the_voltage_of_the_standard(kind, temp_c, expected_mv):
    assert emf_mv(kind, temp_c) == pytest.approx(expected_mv, abs=0.00051)


@pytest.mark.parametrize(("kind", "range_mv", "error_k", "coefficients"), INVERSE)
def test_the_inverse_agrees_with_nists_approximation_within_its_stated_error(
    kind, range_mv, error_k, coefficients
):
    voltage = np.linspace(*range_mv, 2001)
    ours = temp_c_from_emf(kind, voltage).value
    approximate = polynomial.polyval(voltage, coefficients)
    difference = (approximate - ours)[np.isfinite(ours)]
    # the stated errors are rounded to 0.01 °C and the ends of the voltage range to 0.001 mV
    assert error_k[0] - 0.006 <= difference.min() and difference.max() <= error_k[1] + 0.006
    assert np.isnan(ours).sum() <= 1


@pytest.mark.parametrize(("temp_c", "expected_ohm"), PT100_OHM)
def test_platinum_has_the_resistance_of_the_standard(temp_c, expected_ohm):
    assert 100.0 * platinum.resistance_ratio(np.array(temp_c)) == pytest.approx(expected_ohm, abs=6e-5)
    for at_zero_ohm in (100.0, 1000.0):
        found = platinum.temp_c_from_resistance(expected_ohm * at_zero_ohm / 100.0, at_zero_ohm)
        assert found.value == pytest.approx(temp_c, abs=3e-4)  # 0.0001 Ω is 0.00026 °C


# A 10 kΩ thermistor: coefficients from a maker's sheet (P/N 1600-10K), temperatures from another party's table
# of the same part (Campbell Scientific 109SS, 10K3MCD1)
MAKERS = SteinhartHart(1.12924e-3, 2.34108e-4, 0.87755e-7)


@pytest.mark.parametrize(
    ("resistance_ohm", "temp_c"), [(10_000, 25.0), (32_650.9, 0.0), (55_303.9, -10.0), (97_006.9, -20.0)]
)
def test_steinhart_hart_agrees_with_an_independent_table(resistance_ohm, temp_c):
    assert MAKERS.temp_c(resistance_ohm) == pytest.approx(temp_c, abs=0.004)
    assert MAKERS.resistance_ohm(temp_c) == pytest.approx(resistance_ohm, rel=2e-4)


def test_three_points_of_the_table_give_the_makers_curve_back():
    # the published coefficients are themselves rounded to five digits, hence 0.02 °C
    curve = SteinhartHart.through([(25.0, 10_000.0), (0.0, 32_650.9), (-20.0, 97_006.9)])
    inside = np.geomspace(10_000, 97_006.9, 50)
    assert curve.temp_c(inside) == pytest.approx(MAKERS.temp_c(inside), abs=0.02)
    assert curve.temp_c(55_303.9) == pytest.approx(-10.0, abs=0.01)
