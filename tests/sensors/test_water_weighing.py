"""Weighing water gives a measure's volume, how sure it is, and how far fillings differ."""

from __future__ import annotations

import numpy as np
import pytest

from rig.errors import ModelRangeError, NotEnoughData
from rig.sensors.water_weighing import volume_of_measure, z_factor_ml_per_g

MASSES_G = (29.6, 29.8, 29.5, 29.9)


def test_the_volume_is_the_mean_filling_times_z():
    found = volume_of_measure(MASSES_G, 20.0, mass_std_g=0.03)
    assert found.volume_ml == pytest.approx(29.7 * z_factor_ml_per_g(20.0))
    assert found.fill_std_ml == pytest.approx(np.std(MASSES_G, ddof=1), rel=0.01)
    assert found.std_ml == pytest.approx(np.hypot(found.fill_std_ml / 2, 0.03), rel=0.01)


def test_more_fillings_make_it_surer_but_not_the_pour():
    few, many = (volume_of_measure(MASSES_G * n, 20.0, mass_std_g=0.0) for n in (1, 8))
    assert many.std_ml < few.std_ml / 2
    assert many.fill_std_ml == pytest.approx(few.fill_std_ml, rel=0.2)


def test_an_unsure_scale_and_unsure_water_show():
    sure = volume_of_measure((30.0,) * 5, 20.0, mass_std_g=0.0, water_temp_std_k=0.0)
    by_scale = volume_of_measure((30.0,) * 5, 20.0, mass_std_g=0.3, water_temp_std_k=0.0)
    by_water = volume_of_measure((30.0,) * 5, 20.0, mass_std_g=0.0, water_temp_std_k=5.0)
    assert sure.std_ml == 0.0
    assert by_scale.std_ml == pytest.approx(0.3, rel=0.01)
    assert 0.02 < by_water.std_ml < 0.05


@pytest.mark.parametrize(
    ("masses", "water_c", "error", "says"),
    [
        ((30.0, 30.1), 20.0, NotEnoughData, "at least three"),
        ((30.0, 30.1, -0.1), 20.0, ModelRangeError, "tare the empty measure"),
        (MASSES_G, 60.0, ModelRangeError, "let it stand in the room"),
        (MASSES_G, -1.0, ModelRangeError, "weigh water between 0 and 40"),
    ],
)
def test_what_cannot_tell_is_refused(masses, water_c, error, says):
    with pytest.raises(error, match=says):
        volume_of_measure(masses, water_c, mass_std_g=0.1)
