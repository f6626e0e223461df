"""Curves and their inverses agree, faults are told apart, and doubtful input is marked or refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import ModelRangeError
from rig.sensors import resistance_thermometer as platinum
from rig.sensors.health import SensorHealth
from rig.sensors.thermistor import SteinhartHart, temp_c_from_divider, temp_c_from_resistance
from rig.sensors.thermocouple import Thermocouple, emf_mv, range_c, temp_c_from_emf

CURVE = SteinhartHart(1.12924e-3, 2.34108e-4, 0.87755e-7)
ADC = 4095


@pytest.mark.parametrize("kind", Thermocouple)
def test_a_thermocouples_inverse_undoes_its_function_over_the_whole_range(kind):
    temp_c = np.linspace(*range_c(kind), 3001)
    found = temp_c_from_emf(kind, emf_mv(kind, temp_c))
    assert found.value == pytest.approx(temp_c, abs=2e-6)
    assert found.is_good.all()


@given(
    kind=st.sampled_from(Thermocouple), temp_c=st.floats(-60, 120), junction_c=st.floats(-20, 60)
)  # fmt: skip
def test_the_cold_junction_is_made_up_for_wherever_it_is(kind, temp_c, junction_c):
    measured_mv = emf_mv(kind, temp_c) - emf_mv(kind, junction_c)
    assert temp_c_from_emf(kind, measured_mv, junction_c).value == pytest.approx(temp_c, abs=1e-6)


def test_adding_temperatures_in_place_of_voltages_would_show():
    measured_mv = emf_mv(Thermocouple.T, -18.0) - emf_mv(Thermocouple.T, 35.0)
    added = temp_c_from_emf(Thermocouple.T, measured_mv).value + 35.0
    assert abs(added + 18.0) > 2.0


def test_a_voltage_no_temperature_gives_is_out_of_range_and_spoils_no_other():
    found = temp_c_from_emf(Thermocouple.K, [1.0, 60.0, -7.0, np.nan])
    assert found.health.tolist() == [
        SensorHealth.GOOD, SensorHealth.OUT_OF_RANGE, SensorHealth.OUT_OF_RANGE, SensorHealth.OUT_OF_RANGE,
    ]  # fmt: skip
    assert np.isnan(found.value[1:]).all() and np.isfinite(found.value[0])


@pytest.mark.parametrize("at_zero_ohm", [100.0, 1000.0])
def test_platinums_inverse_undoes_its_function_above_and_below_zero(at_zero_ohm):
    temp_c = np.linspace(-200, 850, 2101)
    found = platinum.temp_c_from_resistance(at_zero_ohm * platinum.resistance_ratio(temp_c), at_zero_ohm)
    assert found.value == pytest.approx(temp_c, abs=1e-6)
    assert found.is_good.all()


def test_the_cubic_term_matters_below_zero_and_is_kept_out_above():
    ohm = 100 * (1 + 3.9083e-3 * -100 - 5.775e-7 * 1e4)
    assert platinum.temp_c_from_resistance(ohm, 100.0).value != pytest.approx(-100, abs=0.1)
    ohm = 100 * (1 + 3.9083e-3 * 100 - 5.775e-7 * 1e4)
    assert platinum.temp_c_from_resistance(ohm, 100.0).value == pytest.approx(100, abs=1e-9)


def test_broken_and_shorted_platinum_are_told_apart():
    found = platinum.temp_c_from_resistance([0.3, 100.0, 1e6, np.inf, 400.0], 100.0)
    assert found.health.tolist() == [
        SensorHealth.SHORT, SensorHealth.GOOD, SensorHealth.OPEN, SensorHealth.OPEN, SensorHealth.OUT_OF_RANGE,
    ]  # fmt: skip


@given(st.floats(-50, 140))
def test_a_thermistors_inverse_undoes_its_function(temp_c):
    assert CURVE.temp_c(CURVE.resistance_ohm(temp_c)) == pytest.approx(temp_c, abs=1e-6)


def test_three_points_lie_on_the_curve_through_them_in_any_order():
    points = [(60.0, 2488.0), (0.0, 32_650.0), (25.0, 10_000.0)]
    curve = SteinhartHart.through(points)
    for temp_c, ohm in points:
        assert curve.temp_c(ohm) == pytest.approx(temp_c, abs=1e-9)


def test_beta_meets_the_nominal_point_and_its_second():
    curve = SteinhartHart.from_beta(3950.0, 10_000.0)
    assert curve.temp_c(10_000.0) == pytest.approx(25.0, abs=1e-9)
    ratio = curve.resistance_ohm(50.0) / 10_000.0
    assert ratio == pytest.approx(np.exp(3950.0 * (1 / 323.15 - 1 / 298.15)), rel=1e-9)


@pytest.mark.parametrize(
    ("points", "says"),
    [
        ([(0, 100), (25, 200), (50, 300)], "resistance falls as it warms"),
        ([(0, 300), (0, 200), (50, 100)], "three different temperatures"),
        ([(0, 300), (25, 200)], "found 2"),
    ],
)
def test_points_that_are_no_ntcs_are_refused(points, says):
    with pytest.raises(ModelRangeError, match=says):
        SteinhartHart.through(points)


@pytest.mark.parametrize("to_ground", [True, False])
def test_a_divider_gives_its_temperature_back_either_way_about(to_ground):
    ohm = CURVE.resistance_ohm([-18.0, 0.0, 25.0])
    share = ohm / (ohm + 10_000.0)
    counts = ADC * (share if to_ground else 1 - share)
    found = temp_c_from_divider(CURVE, counts, ADC, 10_000.0, to_ground=to_ground)
    assert found.value == pytest.approx([-18.0, 0.0, 25.0], abs=1e-6)


@pytest.mark.parametrize(("to_ground", "low", "high"), [(True, "SHORT", "OPEN"), (False, "OPEN", "SHORT")])
def test_a_divider_at_its_ends_is_open_or_short(to_ground, low, high):
    found = temp_c_from_divider(CURVE, [0, 3, 2000, 4093, ADC], ADC, 10_000.0, to_ground=to_ground)
    assert [SensorHealth(h).name for h in found.health] == [low, low, "GOOD", high, high]


def test_a_thermistors_wild_resistances_are_faults():
    found = temp_c_from_resistance(CURVE, [0.0, -5.0, 10_000.0, 1e9, CURVE.resistance_ohm(170.0)])
    names = [SensorHealth(h).name for h in found.health]
    assert names == ["SHORT", "SHORT", "GOOD", "OPEN", "OUT_OF_RANGE"]
