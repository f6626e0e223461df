"""What is published about shaking and stirring, against the model as it stands before any run is made.

Sources, as quoted in the trade: D. Arnold, 'Cocktails: The Science of Shaking', Cooking Issues, 22 and 24 July
2009; 'Cocktail Science in General: Part 1 of 2', Cooking Issues, 2 September 2010; the dilution regressions
from D. Arnold, Liquid Intelligence, W. W. Norton 2014 (from memory; A is the starting ABV as a fraction, the
result added ÷ starting volume, a smooth through recipes at room temperature, good to some 3 points).
"""

from __future__ import annotations

import numpy as np
import pytest

import rig
from rig.bench import parse_bench
from rig.fitting.prediction import BasisKind, Prediction, predict
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.runs import Run, RunBook

ROOM_C = 22.0
# 15 s and 30 s are the usual times of the trade (common practice, no source); the regressions state none
SHAKEN = (20, 25, 30)
STIRRED = (30, 35, 40)
BENCH = """
title = "No runs of these yet"
[vessels.tin]
material = "stainless steel"
mass_g = 280
[vessels."mixing glass"]
material = "glass"
mass_g = 500
[vessels.other]
material = "plastic"
mass_g = 100
[ice.cube]
shape = "cube"
edge_mm = 30
temp_c = -1
surface_water_pct = 3
[ice.other]
shape = "block"
edge_mm = 60
temp_c = -18
[targets.any]
serve_temp_c_max = 0
"""


def recipe(abv: int) -> str:
    """Some 100 ml of the strength, from strong spirit, water and the usual share of syrup."""
    spirit = abv * 100 / 60
    return f"""
[recipes."{abv} percent"]
ingredients = [
  {{ name = "strong spirit", volume_ml = {spirit:.2f}, abv_pct = 60 }},
  {{ name = "water", volume_ml = {90 - spirit:.2f} }},
  {{ name = "syrup", volume_ml = 10, sugar_g_per_100ml = 60 }},
]
"""


@pytest.fixture(scope="module")
def unmade() -> Fit:
    """A fit that has seen one run of something else: what it says of tin and glass rests on the priors."""
    text = BENCH + "".join(recipe(a) for a in sorted({*SHAKEN, *STIRRED}))
    bench, _ = parse_bench(text)
    run = Run("1", "swirl", "other", "other", "20 percent", duration_s=60.0, strained_mass_g=110.0)
    return rig.fit(RunBook(bench, (run,)))


def made(fit: Fit, technique: str, abv: int, durations: list[float]) -> Prediction:
    vessel = "tin" if technique == "shake" else "mixing glass"
    situation = Situation(
        technique, vessel, "cube", f"{abv} percent", drink_temp_c=ROOM_C, ice_mass_g=250, room_temp_c=ROOM_C
    )
    told = predict(fit, situation, np.array(durations), draws=512)
    assert told.basis.kind is BasisKind.PRIOR_ONLY
    return told


def test_stronger_drinks_dilute_more(unmade: Fit) -> None:
    middles = [np.median(made(unmade, "shake", a, [15.0]).dilution_by_volume) for a in SHAKEN]
    assert np.all(np.diff(middles) > 0)


def test_a_hard_shake_has_levelled_by_twelve_seconds(unmade: Fit) -> None:
    """Arnold, 24 July 2009: nearly level by 12 s, then a degree or two."""
    course = made(unmade, "shake", 25, [4.0, 12.0, 24.0]).temp_c
    early, middle, late = np.median(course, axis=0)
    assert (ROOM_C - middle) / (ROOM_C - late) > 0.85
    assert early - middle > middle - late > 0.0
    further = course[:, 1] - course[:, 2]
    assert np.quantile(further, 0.05) < 1.0 and np.quantile(further, 0.25) < 2.0
