"""A calibration turns raw readings into values with an honest uncertainty, until it expires."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pytest

from rig.errors import ModelRangeError, NotEnoughData
from rig.sensors.calibration import Calibration, CalibrationKind, Point, expiry, in_force, one_value
from rig.sensors.fixed_points import boiling_point, ice_point, station_pressure_hpa
from rig.sensors.line import fit_line, one_point, reading_point

WHEN = datetime(2026, 3, 9, 18, 30, tzinfo=UTC)
KIND = CalibrationKind.TEMPERATURE


def line(points: list[Point], **options: float) -> Calibration:
    return fit_line("tin probe", "", KIND, WHEN, points, method="test", **options)


def test_raw_readings_of_any_shape_become_values_with_uncertainties():
    made = line([Point(0.3, 0.0, 0.1), Point(99.3, 99.0, 0.1)])
    value, std = made.apply(np.array([[0.3, 50.0], [99.3, np.nan]]))
    assert value[0].tolist() == pytest.approx([0.0, 49.7]) and np.isnan(value[1, 1])
    assert std.shape == (2, 2)
    assert std[0, 1] < std[0, 0] == pytest.approx(0.1)  # between two points it is surer than at either


def test_two_points_that_know_their_uncertainty_make_a_line_and_three_without_need_scatter():
    assert line([Point(0.0, 0.1, 0.05), Point(100.0, 100.0, 0.05)]).degrees_of_freedom == math.inf
    with pytest.raises(NotEnoughData, match="a line needs 3 points at two readings at least, found 2 at 2"):
        line([Point(0.0, 0.1), Point(100.0, 100.0)])
    with pytest.raises(NotEnoughData, match="found 3 at 1"):
        line([Point(1.0, 0.1, 0.1)] * 3)


def test_points_that_scatter_more_than_they_claim_widen_the_answer():
    calm = [Point(x, x, 0.01) for x in (0.0, 20.0, 40.0, 60.0)]
    wild = [replace(p, reference=p.reference + d) for p, d in zip(calm, (0.1, -0.1, 0.1, -0.1), strict=True)]
    assert line(wild).apply(30.0)[1] > 5 * line(calm).apply(30.0)[1]


def test_a_better_point_weighs_more():
    made = line([Point(0.0, 0.0, 0.01), Point(10.0, 10.0, 0.01), Point(20.0, 21.0, 1.0)])
    assert made.apply(10.0)[0] == pytest.approx(10.0, abs=0.02)


def test_the_stated_uncertainty_of_a_line_is_that_of_repeating_it():
    rng = np.random.default_rng(0)
    raw = np.array([0.0, 20.0, 40.0, 60.0])
    repeats = [
        line([Point(r, 0.2 + 1.01 * r + rng.normal(0, 0.1), 0.1) for r in raw]) for _ in range(400)
    ]  # fmt: skip
    at_minus_5 = np.array([c.apply(-5.0)[0] for c in repeats])
    assert at_minus_5.std() == pytest.approx(float(repeats[0].apply(-5.0)[1]), rel=0.12)
    assert at_minus_5.mean() == pytest.approx(0.2 - 5.05, abs=0.02)


@pytest.mark.parametrize(
    ("points", "says"),
    [
        ([Point(0.0, 100.0, 1.0), Point(100.0, 0.0, 1.0)], "check which column is which"),
        ([Point(0.0, math.nan, 1.0), Point(100.0, 0.0, 1.0)], "not a number"),
    ],
)
def test_mixed_up_points_are_refused(points, says):
    with pytest.raises(ModelRangeError, match=says):
        line(points)


def test_one_point_shifts_and_leaves_the_slope_as_unsure_as_the_maker_does():
    point = reading_point([0.3, 0.2, 0.4], ice_point(), resolution=0.1, name="ice point")
    made = one_point("tin probe", "", KIND, WHEN, point, method="ice")
    correction, std = made.correction(np.array([0.3, 60.3]))
    assert correction == pytest.approx([-0.3, -0.3])
    assert std[0] == pytest.approx(math.sqrt(0.06**2 + 0.1**2 / 3 + 0.1**2 / 12), rel=1e-9)
    assert std[1] == pytest.approx(math.hypot(std[0], 60 * 0.005 / math.sqrt(3)), rel=1e-9)


def test_a_net_reading_is_corrected_by_the_slope_alone():
    made = line([Point(0.0, 2.0, 0.1), Point(100.0, 103.0, 0.1), Point(300.0, 305.0, 0.1)])
    value, std = made.difference(np.array([0.0, 50.0, 200.0]))
    slope, slope_std = made.coefficients[1], math.sqrt(made.covariance[1][1])
    assert value == pytest.approx(slope * np.array([0.0, 50.0, 200.0]))
    assert std == pytest.approx(slope_std * np.array([0.0, 50.0, 200.0]))
    upper, lower = made.apply(250.0)[0], made.apply(50.0)[0]
    assert value[2] == pytest.approx(upper - lower)


def test_what_is_corrected_already_is_left_alone_and_is_as_unsure_as_before():
    made = line([Point(0.3, 0.0, 0.1), Point(99.3, 99.0, 0.1)])
    raw = np.array([-10.0, 0.3, 60.0])
    value, std = made.already_applied().apply(raw)
    assert value == pytest.approx(raw)
    assert std == pytest.approx(made.apply(raw)[1])


def test_a_fixed_point_without_readings_is_refused():
    with pytest.raises(NotEnoughData, match="no reading is given"):
        reading_point([], ice_point(), resolution=0.1, name="ice point")


def test_a_calibration_holds_until_it_expires():
    made = line([Point(0.0, 0.1, 0.05), Point(100.0, 100.0, 0.05)], valid_days=30)
    assert made.expires == date(2026, 4, 8)
    assert made.holds_on(date(2026, 4, 7)) and not made.holds_on(date(2026, 4, 8))
    with pytest.raises(ModelRangeError, match="at least one day"):
        expiry(WHEN, KIND, 0)


def test_the_newest_one_that_holds_is_in_force():
    old = line([Point(0.0, 0.1, 0.05), Point(100.0, 100.0, 0.05)], valid_days=365)
    new = replace(old, when=datetime(2026, 5, 1, tzinfo=UTC), expires=date(2026, 5, 31))
    other = replace(new, channel="second"), replace(new, kind=CalibrationKind.LAG), replace(new, device="b")

    def found(day: date) -> Calibration | None:
        return in_force((old, new, *other), "tin probe", "", KIND, day)

    assert found(date(2026, 3, 8)) is None
    assert found(date(2026, 4, 1)) is old
    assert found(date(2026, 5, 10)) is new
    assert found(date(2026, 6, 10)) is old
    assert found(date(2027, 6, 10)) is None


def test_a_time_constant_and_a_volume_are_calibrations_too():
    def made(kind: CalibrationKind, value: float, std: float) -> Calibration:
        return one_value(
            "x", "", kind, WHEN, value, std, degrees_of_freedom=9, residual_std=0.1, method="test"
        )

    assert made(CalibrationKind.LAG, 4.2, 0.1).apply(-3.0) == pytest.approx((4.2, 0.1))
    fillings, std = made(CalibrationKind.VOLUME, 29.8, 0.1).apply([0, 1, 2])
    assert fillings == pytest.approx([0, 29.8, 59.6]) and std == pytest.approx([0, 0.1, 0.2])


def test_a_damaged_calibration_and_one_without_a_time_zone_are_refused():
    good = line([Point(0.0, 0.1, 0.05), Point(100.0, 100.0, 0.05)])
    with pytest.raises(ModelRangeError, match="is damaged"):
        replace(good, covariance=((1.0,),))
    with pytest.raises(ModelRangeError, match="no time zone"):
        replace(good, when=datetime(2026, 3, 9))  # noqa: DTZ001


def test_the_weather_matters_and_its_report_settles_it():
    alone = boiling_point(altitude_m=500.0)
    known = boiling_point(altitude_m=500.0, sea_level_pressure_hpa=993.0)
    measured = boiling_point(pressure_hpa=float(station_pressure_hpa(500.0, 993.0)))
    assert alone.std_k > 2 * known.std_k
    assert known.temp_c == pytest.approx(measured.temp_c, abs=1e-9)
    assert known.temp_c < alone.temp_c - 0.5


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({}, "one of the two"),
        ({"pressure_hpa": 1000.0, "altitude_m": 0.0}, "one of the two"),
        ({"pressure_hpa": 1000.0, "sea_level_pressure_hpa": 1000.0}, "goes with an altitude"),
        ({"pressure_hpa": 101.3}, "check the unit: 1 kPa = 10 hPa"),
        ({"pressure_hpa": math.nan}, "check the unit"),
        ({"altitude_m": 12_000.0}, "none to work at"),
        ({"altitude_m": 1500.0, "sea_level_pressure_hpa": 845.0}, "never 845 hPa"),
    ],
)
def test_a_pressure_that_cannot_be_is_refused_with_the_cure(given, says):
    with pytest.raises(ModelRangeError, match=says):
        boiling_point(**given)
