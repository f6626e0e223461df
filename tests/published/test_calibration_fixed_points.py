"""Boiling point against the IAPWS formulation as the `iapws` and CoolProp packages evaluate it, and altitude."""

from __future__ import annotations

import pytest
from CoolProp.CoolProp import PropsSI
from iapws import IAPWS97

from rig.sensors.fixed_points import boiling_point, saturation_temp_c, station_pressure_hpa
from rig.units import celsius_from_kelvin


def test_the_saturation_equation_gives_the_releases_check_value():
    # IAPWS R7-97(2012), table 36: 0.1 MPa gives 372.755919 K
    assert saturation_temp_c(1000.0) == pytest.approx(celsius_from_kelvin(372.755919), abs=1e-6)


@pytest.mark.parametrize(
    ("pressure_hpa", "temp_c"),
    [
        (1013.25, 99.974), (1000, 99.606), (954.6, 98.312), (898.7, 96.647), (845.6, 94.984), (800, 93.485),
        (700, 89.932),
    ],
)  # fmt: skip
def test_water_boils_at_the_published_temperature(pressure_hpa, temp_c):
    assert saturation_temp_c(pressure_hpa) == pytest.approx(temp_c, abs=0.001)


@pytest.mark.parametrize("pressure_hpa", [520.0, 700.0, 850.0, 955.0, 1013.25, 1060.0])
def test_two_general_libraries_agree_with_the_boiling_point(pressure_hpa):
    ours = saturation_temp_c(pressure_hpa)
    by_if97 = celsius_from_kelvin(IAPWS97(P=pressure_hpa / 1e4, x=0).T)
    by_iapws95 = celsius_from_kelvin(PropsSI("T", "P", pressure_hpa * 100, "Q", 0, "Water"))
    assert ours == pytest.approx(by_if97, abs=1e-6)
    assert ours == pytest.approx(by_iapws95, abs=0.01)  # the industrial and the scientific formulation


@pytest.mark.parametrize(
    ("altitude_m", "pressure_hpa"),
    # ICAO Doc 7488/3, standard atmosphere
    [
        (0, 1013.25),
        (500, 954.61),
        (1000, 898.74),
        (1500, 845.56),
        (2000, 794.95),
        (3000, 701.08),
        (5000, 540.19),
    ],
)
def test_pressure_falls_with_altitude_as_the_standard_atmosphere_says(altitude_m, pressure_hpa):
    assert station_pressure_hpa(altitude_m) == pytest.approx(pressure_hpa, abs=0.02)


@pytest.mark.parametrize(
    ("altitude_m", "temp_c"),
    [
        (0, 99.97), (250, 99.14), (500, 98.31), (1000, 96.65), (1500, 94.98), (2000, 93.32), (2240, 92.51),
        (3000, 89.97),
    ],
)  # fmt: skip
def test_water_boils_cooler_higher_up(altitude_m, temp_c):
    assert boiling_point(altitude_m=altitude_m).temp_c == pytest.approx(temp_c, abs=0.006)
