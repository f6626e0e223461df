"""Set-ups left out in turn say how wide the effects of a transfer are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.arrays import FloatArray
from rig.fitting.known_effects import effects_before
from rig.fitting.leave_group_out import effect_scale
from rig.fitting.linear_solve import Solved
from rig.fitting.observations import BINS
from rig.fitting.random_effects import Design, Owner, RandomEffects, effects_of
from rig.fitting.result import Fit
from rig.fitting.situation import Situation

SET_UPS, RUNS, NOISE = 160, 5, 0.5
OBS = BINS + 1
COMMON = tuple((None, owner, ("all",)) for owner in (Owner.ICE, Owner.HANDLING))
KEYS = (*((None, Owner.SET_UP, (f"s{k}",)) for k in range(SET_UPS)), *COMMON)
EFFECTS = RandomEffects(KEYS, np.zeros(len(KEYS)), np.array([1.0] * SET_UPS + [10.0, 10.0]))
ALL = np.ones((SET_UPS * RUNS, OBS), dtype=bool)


def known(true_sd: float, seed: int) -> tuple[Design, FloatArray, Solved]:
    """Set-ups of one ice and vessel about a common mean, each believed to differ by a standard deviation of 1."""
    rng = np.random.default_rng(seed)
    mine = np.repeat(np.arange(SET_UPS), RUNS)
    index = np.column_stack([mine, np.full_like(mine, SET_UPS), np.full_like(mine, SET_UPS + 1)])
    slope = np.ones((mine.size, OBS, 3))
    own = true_sd * rng.standard_normal(SET_UPS)
    y = 3.0 + own[mine][:, None] + NOISE * rng.standard_normal((mine.size, OBS))
    flat = np.repeat(
        np.eye(len(KEYS))[mine] + np.eye(len(KEYS))[[SET_UPS, SET_UPS + 1]].sum(axis=0), OBS, axis=0
    )
    covariance = np.linalg.inv(np.diag(EFFECTS.prior_sd**-2) + flat.T @ flat / NOISE**2)
    effects = covariance @ flat.T @ y.reshape(-1) / NOISE**2
    none = np.zeros(0)
    marginal = np.broadcast_to(NOISE**2 * np.eye(OBS), (mine.size, OBS, OBS))
    rest = y - (flat @ effects).reshape(y.shape)
    solved = Solved(effects, covariance, none, none, none, marginal, none, rest)
    return Design(index, np.ones(index.shape), np.array([0, 0, 0])), slope, solved


@pytest.mark.parametrize("true_sd", [0.5, 1.0, 1.3])
def test_the_scale_is_how_far_set_ups_lie_apart_over_how_far_they_were_believed_to(true_sd: float) -> None:
    found = [effect_scale(EFFECTS, *known(true_sd, seed), ALL, BINS) for seed in range(12)]
    assert np.mean(found) == pytest.approx(true_sd, rel=0.1)


def test_where_nothing_was_observed_nothing_is_scaled() -> None:
    assert effect_scale(EFFECTS, *known(0.5, 1), np.zeros_like(ALL), BINS) == 1.0


def test_a_set_up_whose_ice_no_other_has_says_nothing_of_transfers() -> None:
    design, slope, solved = known(0.5, 1)
    keys = (*KEYS, *((None, Owner.ICE, (f"i{k}",)) for k in range(SET_UPS)))
    own_ice = design.effect_index.copy()
    own_ice[:, 1] = len(KEYS) + design.effect_index[:, 0]
    sd = np.ones(len(keys))
    alone = Design(own_ice, design.multiplier, design.columns)
    assert effect_scale(RandomEffects(keys, 0.0 * sd, sd), alone, slope, solved, ALL, BINS) == 1.0


def test_what_set_ups_left_out_say_reaches_effects_that_runs_have_taught_and_others(evening_fit: Fit) -> None:
    post = evening_fit.posterior
    situation = Situation.of(evening_fit.book.runs[0])
    listed = effects_of(evening_fit.bench, situation)
    twice = replace(evening_fit, posterior=replace(post, effect_scale=2.0 * post.effect_scale))
    assert effects_before(twice, listed)[1] == pytest.approx(2.0 * effects_before(evening_fit, listed)[1])
    assert 0.3 <= post.effect_scale <= 2.0
    learned = dict(zip(post.random_effects.components, post.spreads.component_scale, strict=True))
    alone = post.random_effects.prior_sd * [learned[key[0], key[1]] for key in post.random_effects.keys]
    assert np.all(np.sqrt(np.diagonal(post.covariance)) <= post.effect_scale * alone * (1.0 + 1e-6))
