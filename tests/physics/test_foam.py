"""Texture: overrun, the two half-lives, and overrun against duration."""

import numpy as np
import pytest

from rig.errors import ModelRangeError, NotEnoughData
from rig.physics.foam import (
    collapse_half_life,
    drainage_half_life,
    fit_overrun,
    foamed_volume_ml,
    half_life_over_runs,
    overrun_from_cup,
    overrun_pct,
)
from rig.physics.one_rate import fit_one_rate, rising

TIMES_S = np.linspace(10.0, 300.0, 12)


def drained(half_life_s, whole_ml=20.0):
    return whole_ml * (1.0 - 0.5 ** (TIMES_S / half_life_s))


def test_as_much_gas_as_liquid_is_an_overrun_of_100_pct_and_half_gas():
    assert overrun_pct(100.0, 50.0) == pytest.approx(100.0)
    assert foamed_volume_ml(80.0, 100.0) == pytest.approx(160.0)


def test_overrun_from_one_weighing_equals_that_from_two():
    made = overrun_from_cup(70.0, 100.0, 1.02)
    assert made.pct == pytest.approx(overrun_pct(102.0, 70.0))


def test_the_uncertainty_of_a_weighed_cup_is_that_of_drawing_its_errors():
    rng = np.random.default_rng(3)
    cup = 100.0 * (1.0 + 0.01 * rng.standard_normal(100_000))
    foamed = 60.0 + 0.5 * rng.standard_normal(100_000)
    drawn = 100.0 * (cup - foamed) / foamed
    told = overrun_from_cup(60.0, 100.0, 1.0, mass_sd_g=0.5, cup_relative_sd=0.01)
    assert told.sd_pct == pytest.approx(drawn.std(), rel=0.02)


@pytest.mark.parametrize(("liquid", "foamed"), [(100.0, 120.0), (100.0, 0.0), (100.0, -5.0), (100.0, 0.5)])
def test_a_cup_that_cannot_be_is_refused(liquid, foamed):
    with pytest.raises(ModelRangeError):
        overrun_pct(liquid, foamed)


@pytest.mark.parametrize("half_life_s", [25.0, 90.0, 240.0])
def test_a_noiseless_course_gives_back_its_drainage_half_life(half_life_s):
    found = drainage_half_life(TIMES_S, drained(half_life_s), reading_sd_ml=0.01)
    assert found.typical_s == pytest.approx(half_life_s, rel=0.03)
    assert "drained" in found.of


def test_half_of_the_liquid_in_the_foam_takes_longer_than_half_of_what_ever_drains():
    plain = drainage_half_life(TIMES_S, drained(90.0))
    of_whole = drainage_half_life(TIMES_S, drained(90.0), 25.0)
    assert of_whole.typical_s > plain.typical_s
    assert of_whole.typical_s == pytest.approx(-90.0 / np.log(2.0) * np.log(1.0 - 12.5 / 20.0), rel=0.05)


def test_a_foam_that_keeps_more_than_half_of_its_liquid_has_no_drainage_half_life():
    found = drainage_half_life(TIMES_S, drained(60.0), 60.0)
    assert np.isinf(found.typical_s)
    assert np.isnan(found.read_s)


def test_read_off_the_course_where_half_was_reached_and_not_elsewhere():
    both = np.stack([drained(60.0), drained(2000.0)])
    found = drainage_half_life(np.broadcast_to(TIMES_S, both.shape), both, 20.0)
    assert found.read_s[0] == pytest.approx(60.0, rel=0.05)
    assert np.isnan(found.read_s[1])


def test_drainage_and_collapse_are_two_half_lives_of_one_foam():
    height = 40.0 * 0.5 ** (TIMES_S / 400.0)
    found = collapse_half_life(TIMES_S, height)
    assert found.typical_s == pytest.approx(400.0, rel=0.05)
    assert "high" in found.of and found.of != drainage_half_life(TIMES_S, drained(90.0)).of


@pytest.mark.parametrize("kind", ["drainage", "collapse"])
def test_nine_in_ten_intervals_hold_the_truth(kind):
    rng = np.random.default_rng(11)
    if kind == "drainage":
        v = np.maximum(drained(90.0) + rng.normal(0, 0.4, (400, 12)), 0.0)
        found = drainage_half_life(np.broadcast_to(TIMES_S, v.shape), v)
        truth = 90.0
    else:
        v = 40.0 * 0.5 ** (TIMES_S / 300.0) + rng.normal(0, 0.6, (400, 12))
        found, truth = collapse_half_life(np.broadcast_to(TIMES_S, v.shape), v), 300.0
    held = np.mean((found.low_s < truth) & (truth < found.high_s))
    assert 0.86 <= held <= 0.97


def test_readings_that_wander_together_widen_the_interval():
    rng = np.random.default_rng(5)
    times = np.linspace(5.0, 300.0, 40)
    noise = rng.normal(0.0, 0.5, (300, 40))
    for k in range(1, 40):
        noise[:, k] = 0.7 * noise[:, k - 1] + np.sqrt(1.0 - 0.49) * noise[:, k]
    seen = np.maximum(20.0 * (1.0 - 0.5 ** (times / 90.0)) + noise, 0.0)
    held = {}
    for widened in (False, True):
        fit = fit_one_rate(
            np.broadcast_to(times, seen.shape), seen, rising, np.geomspace(1e-3, 0.1, 240), correlated=widened
        )
        low, high = (np.log(2.0) / fit.quantile(p, fit.rate) for p in (0.95, 0.05))
        held[widened] = np.mean((low < 90.0) & (high > 90.0))
    assert held[False] < 0.65
    assert held[True] > held[False] + 0.15


@pytest.mark.parametrize(
    ("times", "volumes"), [([10.0, 20.0, 30.0], [1.0, 2.0, 3.0]), ([0.0] * 4, [0.0, 1.0, 2.0, 3.0])]
)
def test_too_few_readings_are_not_enough(times, volumes):
    with pytest.raises(NotEnoughData):
        drainage_half_life(times, volumes)


def test_more_drained_than_there_was_is_refused():
    with pytest.raises(ModelRangeError, match="liquid_in_foam_ml"):
        drainage_half_life(TIMES_S, drained(60.0), 10.0)


def test_several_runs_give_their_geometric_mean_and_one_run_no_interval():
    found = half_life_over_runs([60.0, 90.0, 135.0])
    assert found.typical_s == pytest.approx(90.0)
    assert found.low_s < 60.0 and found.high_s > 135.0
    with pytest.raises(NotEnoughData, match="2 runs"):
        half_life_over_runs([60.0])


DURATIONS_S = np.array([4.0, 8.0, 10.0, 12.0, 16.0, 24.0])


def overruns(rng, batch, plateau=80.0, tau=6.0, sd=6.0):
    return plateau * (1.0 - np.exp(-DURATIONS_S / tau)) + rng.normal(0.0, sd, (batch, DURATIONS_S.size))


def test_overrun_odds_are_honest_for_new_runs():
    rng = np.random.default_rng(2)
    fit = fit_overrun(np.broadcast_to(DURATIONS_S, (1500, 6)), overruns(rng, 1500))
    new = 80.0 * (1.0 - np.exp(-14.0 / 6.0)) + rng.normal(0.0, 6.0, 1500)
    odds = fit.odds_at_least(new, np.array([14.0]))[:, 0]
    assert 0.86 <= np.mean((odds > 0.05) & (odds < 0.95)) <= 0.95
    assert 0.86 <= np.mean((fit.plateau_pct[0] < 80.0) & (fit.plateau_pct[2] > 80.0)) <= 0.96


def test_odds_of_texture_rise_with_duration_and_fall_with_what_is_wanted():
    fit = fit_overrun(DURATIONS_S, overruns(np.random.default_rng(4), 1)[0])
    times = np.linspace(1.0, 40.0, 60)
    odds = fit.odds_at_least(60.0, times)
    assert odds.shape == (60,)
    assert np.all(np.diff(odds[times < 20.0]) > -1e-6) and odds[0] < 0.05 < odds[-1]
    assert np.all(fit.odds_at_least(70.0, times) <= odds)


def test_predictive_mean_and_spread_are_those_of_the_odds():
    fit = fit_overrun(DURATIONS_S, overruns(np.random.default_rng(4), 1)[0])
    mean, sd = fit.predict([14.0])
    assert fit.odds_at_least(mean[0], [14.0]) == pytest.approx(0.5, abs=0.05)
    assert sd[0] > 0.8 * fit.scatter_pct


def test_a_batch_of_techniques_is_each_of_them_alone():
    both = overruns(np.random.default_rng(8), 2)
    together = fit_overrun(np.broadcast_to(DURATIONS_S, both.shape), both)
    alone = [fit_overrun(DURATIONS_S, y) for y in both]
    for k, one in enumerate(alone):
        assert together.plateau_pct[1][k] == pytest.approx(one.plateau_pct[1])
        assert together.predict([9.0])[1][k] == pytest.approx(one.predict([9.0])[1])


@pytest.mark.parametrize("durations", [[5.0, 10.0, 20.0], [10.0, 10.0, 10.0, 10.0], [5.0, 5.0, 10.0, 10.0]])
def test_too_few_runs_or_durations_are_said_to_be_too_few(durations):
    with pytest.raises(NotEnoughData, match="4 weighed runs over 3 durations"):
        fit_overrun(durations, [40.0 + k for k in range(len(durations))])


def test_no_forecast_far_beyond_the_durations_weighed():
    fit = fit_overrun(DURATIONS_S, overruns(np.random.default_rng(4), 1)[0])
    with pytest.raises(ModelRangeError):
        fit.predict([60.0])
