"""Foam against published definitions and figures."""

import numpy as np
import pytest

from rig.physics.foam import drainage_half_life, foamed_volume_ml, overrun_pct


@pytest.mark.parametrize(("overrun", "fraction"), [(100.0, 0.5), (60.0, 0.375), (150.0, 0.6), (25.0, 0.2)])
def test_overrun_and_gas_fraction_are_the_dairy_trades(overrun, fraction):
    # Overrun 100 % is a gas fraction of one half; steam-frothed milk has 60 to 150 % (from memory).
    assert 1.0 - 100.0 / foamed_volume_ml(100.0, overrun) == pytest.approx(fraction)


def test_a_tenth_of_the_cup_as_foam_is_a_small_overrun():
    # Illy and Navarini, Food Biophysics 6 (2011) 335: crema is at least 10 % of 25 to 30 ml. Were all of it
    # gas, the drink's overrun would be 11 %.
    assert overrun_pct(25.0, 22.5) == pytest.approx(11.1, abs=0.1)


def test_first_order_drainage_has_the_half_life_of_its_rate():
    # V = V∞(1 − e^(−kt)), half-life ln 2 ÷ k (Elizalde et al., J. Food Sci. 56 (1991) 24, from memory).
    t = np.arange(15.0, 601.0, 15.0)
    k = 0.006
    found = drainage_half_life(t, 30.0 * (1.0 - np.exp(-k * t)), 30.0)
    assert float(found.typical_s) == pytest.approx(np.log(2.0) / k, rel=0.03)
