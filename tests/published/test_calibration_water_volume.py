"""Volume by weighing water: density against Tanaka 2001 and IAPWS-95, Z against ISO 8655-6."""

from __future__ import annotations

import pytest
from iapws import IAPWS95

from rig.sensors.water_weighing import (
    EXPANSION_PER_K,
    air_density_g_per_ml,
    volume_ml_at_20_c,
    water_density_g_per_ml,
    z_factor_ml_per_g,
)
from rig.units import kelvin_from_celsius


@pytest.mark.parametrize(
    ("temp_c", "kg_per_m3"), [(4, 999.9749), (15, 999.1026), (20, 998.2067), (25, 997.0470), (30, 995.6488)]
)
def test_water_has_the_density_of_the_recommended_table(temp_c, kg_per_m3):
    assert water_density_g_per_ml(temp_c) == pytest.approx(kg_per_m3 / 1000, abs=1e-7)


@pytest.mark.parametrize("temp_c", [1.0, 10.0, 20.0, 30.0, 39.0])
def test_water_density_agrees_with_iapws_95(temp_c):
    expected = IAPWS95(T=kelvin_from_celsius(temp_c), P=0.101325).rho / 1000
    assert water_density_g_per_ml(temp_c) == pytest.approx(expected, abs=2e-6)


def test_air_weighs_1_2_g_a_litre():
    # CIPM-2007 at 20 °C, 1013.25 hPa, 50 %: 1.1992 kg/m³
    assert air_density_g_per_ml(20.0) == pytest.approx(1.1992e-3, abs=4e-7)


@pytest.mark.parametrize(
    ("temp_c", "kpa", "z"),
    [
        (15, 80, 1.00174), (15, 95, 1.00190), (15, 101.325, 1.00197), (20, 80, 1.00263), (20, 95, 1.00278),
        (20, 100, 1.00284), (20, 101.325, 1.00285), (22, 101.325, 1.00328), (25, 80, 1.00378),
        (25, 101.325, 1.00400), (30, 80, 1.00518), (30, 101.325, 1.00539),
    ],
)  # fmt: skip
def test_z_for_the_temperatures_and_pressures_of_the_iso_table(temp_c, kpa, z):
    assert z_factor_ml_per_g(temp_c, 10 * kpa) == pytest.approx(z, abs=1.1e-5)


def test_z_as_iso_8655_6_prints_it():
    # from memory: 1.0029 at 20 °C and 101.3 kPa, printed to four digits
    assert z_factor_ml_per_g(20.0, 1013.0) == pytest.approx(1.0029, abs=6e-5)


def test_glass_that_was_warm_holds_less_at_20_c():
    # ISO 4787: V20 = m · Z · [1 − γ (t − 20)]
    for expansion in EXPANSION_PER_K.values():
        warm = volume_ml_at_20_c(50.0, 28.0, expansion_per_k=expansion)
        assert warm == pytest.approx(50.0 * z_factor_ml_per_g(28.0) * (1 - 8 * expansion), rel=1e-12)
