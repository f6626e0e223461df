"""Calibrating: what follows from readings is told in sentences, with its uncertainty, and doubted where it must be."""

from __future__ import annotations

from datetime import UTC, datetime
from math import hypot, sqrt

import numpy as np
import pytest

from rig.errors import ModelRangeError, NotEnoughData, NotFound
from rig.sensors.calibrating import (
    FixedPointName,
    Label,
    Made,
    at_fixed_point,
    beside_reference,
    by_plunge,
    by_water,
    with_weights,
)
from rig.sensors.calibration import CalibrationKind
from rig.sensors.fixed_points import boiling_point, ice_point
from rig.signals.steadiness import steadiness

LABEL = Label("tin probe", "", datetime(2031, 4, 6, 12, tzinfo=UTC))


def in_ice(*readings: float, resolution_k: float = 0.1) -> Made:
    return at_fixed_point(LABEL, FixedPointName.ICE, ice_point(), readings, resolution_k=resolution_k)


def test_the_parts_of_an_ice_point_make_up_its_uncertainty() -> None:
    made = in_ice(0.3, 0.2, 0.4)
    assert [p.std for p in made.parts] == pytest.approx([0.06, 0.1 / sqrt(3), 0.1 / sqrt(12)])
    assert float(made.calibration.apply(made.here)[1]) == pytest.approx(hypot(*(p.std for p in made.parts)))
    assert made.sentences[0] == "It shows 0.30 where it is 0.00 °C: -0.30 °C to add here."


def test_a_boiling_point_takes_the_ice_point_along_and_ice_takes_boiling_along() -> None:
    ice = in_ice(0.3).calibration
    known = boiling_point(altitude_m=240.0, sea_level_pressure_hpa=1009.0)
    line = at_fixed_point(LABEL, FixedPointName.BOILING, known, [98.9], resolution_k=0.1, held=ice)
    assert [p.name for p in line.calibration.points] == ["ice point", "boiling point"]
    again = at_fixed_point(
        LABEL, FixedPointName.ICE, ice_point(), [0.3], resolution_k=0.1, held=line.calibration
    )
    assert again.calibration.coefficients == pytest.approx(line.calibration.coefficients)


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (lambda: in_ice(31.9, 32.0), "°F"),
        (lambda: in_ice(0.3, 2.3), "2.0 °C apart"),
        (
            lambda: with_weights(LABEL, [(0, 0), (3.5, 100)], resolution_g=0.1, tolerance_pct=0.1),
            "another unit",
        ),
        (
            lambda: by_water(LABEL, [30, 30.1, 45], water_temp_c=20, resolution_g=0.1, made_of="steel"),
            "mis-keyed",
        ),
    ],
    ids=["degrees Fahrenheit", "not at rest", "ounces", "one filling with the measure"],
)
def test_what_can_hardly_be_is_doubted_in_words(made: object, says: str) -> None:
    assert says in " ".join(made().doubts)  # type: ignore[operator]


def test_what_may_well_be_is_not_doubted() -> None:
    assert in_ice(0.3, 0.2, 0.4).doubts == ()
    assert with_weights(LABEL, [(0, 0), (100.2, 100)], resolution_g=0.1, tolerance_pct=0.1).doubts == ()


def test_the_parts_of_a_measure_make_up_its_uncertainty() -> None:
    made = by_water(LABEL, [29.6, 29.8, 29.5, 29.9], water_temp_c=21.0, resolution_g=0.1, made_of="steel")
    value, std = (float(x) for x in made.calibration.apply(1.0))
    assert value == pytest.approx(29.79, abs=0.01)
    assert std == pytest.approx(sqrt(sum(p.std**2 for p in made.parts)))


def test_a_plunge_tells_what_its_lag_costs() -> None:
    time_s = np.arange(-3.0, 20.0, 0.1)
    made = by_plunge(LABEL, time_s, 22.0 * np.exp(-np.maximum(time_s, 0.0) / 3.0))
    assert made.calibration.kind is CalibrationKind.LAG
    assert "the probe shows 3.0 °C too much" in made.sentences[1]


@pytest.mark.parametrize(
    ("ask", "error", "says"),
    [
        (lambda: in_ice(), NotEnoughData, "no reading"),
        (lambda: in_ice(float("nan")), ModelRangeError, "not a number"),
        (lambda: in_ice(0.1, resolution_k=-1.0), ModelRangeError, "smallest step"),
        (lambda: beside_reference(LABEL, [(0, 0), (1, 1)], std_k=-1.0), ModelRangeError, "0 or more"),
        (
            lambda: with_weights(LABEL, [(0, 0), (1, 1)], resolution_g=0.0, tolerance_pct=0.1),
            ModelRangeError,
            "above 0 g",
        ),
        (
            lambda: by_water(LABEL, [1, 2, 3], water_temp_c=20, resolution_g=0.1, made_of="gold"),
            NotFound,
            "gold",
        ),
    ],
)
def test_what_cannot_be_is_refused(ask: object, error: type[Exception], says: str) -> None:
    with pytest.raises(error, match=says):
        ask()  # type: ignore[operator]


def test_a_pressure_of_nothing_at_sea_level_is_not_taken_for_the_standard_one() -> None:
    with pytest.raises(ModelRangeError, match="never 0 hPa"):
        boiling_point(altitude_m=240.0, sea_level_pressure_hpa=0.0)


def test_steadiness_is_spread_and_drift_of_a_straight_line() -> None:
    rising = steadiness(np.linspace(1.0, 3.0, 21))
    assert (rising.count, rising.mean, rising.drift) == (21, pytest.approx(2.0), pytest.approx(2.0))
    still = steadiness([5.0] * 10)
    assert (still.std, still.drift) == (0.0, pytest.approx(0.0))
    assert steadiness([1.0]).std == 0.0
    with pytest.raises(NotEnoughData):
        steadiness([])
