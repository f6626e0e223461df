"""Runs left out in turn, drawn with a known law: what a check of one's own runs is tested on."""

from __future__ import annotations

from typing import Any

import numpy as np

from rig.advice.check.left_out import LeftOut
from rig.arrays import FloatArray
from rig.bench import Bench, parse_bench
from rig.runs import SetUp

BENCH: Bench = parse_bench(
    """
title = "Quay bar"
[vessels."steel tin"]
material = "stainless steel"
[vessels."mixing glass"]
material = "glass"
[ice."freezer cube"]
shape = "cube"
[ice."wet cube"]
shape = "cube"
[recipes."night shift"]
ingredients = [
  { name = "coffee concentrate", volume_ml = 50 },
  { name = "dark spirit", volume_ml = 35, abv_pct = 42 },
  { name = "cream liqueur", volume_ml = 15, abv_pct = 17 },
]
[recipes."harbour light"]
ingredients = [
  { name = "coffee concentrate", volume_ml = 100 },
]
[targets.coupe]
serve_temp_c_max = -1.0
dilution_by_volume = [0.28, 0.38]
[targets.long]
serve_temp_c_max = 3.0
dilution_by_volume = [0.50, 0.65]
"""
)[0]
TIN, WET, STIRRED = (
    SetUp("shake", "steel tin", "freezer cube"),
    SetUp("shake", "steel tin", "wet cube"),
    SetUp("stir", "mixing glass", "wet cube"),
)
DRINK_G, HELD_G, VOLUME_ML = 102.0, 3.0, 100.0


def drawn(
    seed: int,
    set_ups: tuple[SetUp, ...],
    *,
    strained_sd_g: float = 2.0,
    temp_sd_k: float = 0.4,
    corr: float = -0.5,
    sd_said: float = 1.0,
    lean_g: dict[SetUp, float] | None = None,
    lean_k: dict[SetUp, float] | None = None,
    recipe: str = "night shift",
    **fields: Any,
) -> LeftOut:
    """One run per set-up named; `sd_said` is what the predictive spreads say over what they truly are."""
    rng = np.random.default_rng(seed)
    n = len(set_ups)
    z = rng.multivariate_normal([0.0, 0.0], [[1.0, corr], [corr, 1.0]], size=n)
    water = strained_sd_g * z[:, 0] + np.array([(lean_g or {}).get(s, 0.0) for s in set_ups])
    temp = temp_sd_k * z[:, 1] + np.array([(lean_k or {}).get(s, 0.0) for s in set_ups])
    foretold_g, foretold_c = rng.uniform(28.0, 40.0, n), rng.uniform(-2.5, 0.5, n)
    values: dict[str, Any] = {
        "runs": tuple(f"q{k:02d}" for k in range(n)),
        "set_ups": set_ups,
        "recipes": (recipe,) * n,
        "targets": (None,) * n,
        "duration_s": rng.uniform(8.0, 16.0, n),
        "strained_g": DRINK_G - HELD_G + foretold_g + water,
        "end_temp_c": foretold_c + temp,
        "strained_residual_g": water,
        "strained_sd_g": np.full(n, sd_said * strained_sd_g),
        "temp_residual_k": temp,
        "temp_sd_k": np.full(n, sd_said * temp_sd_k),
        "corr": np.full(n, corr),
        "drink_mass_g": np.full(n, DRINK_G),
        "held_back_g": np.full(n, HELD_G),
        "start_volume_ml": np.full(n, VOLUME_ML),
    }
    return LeftOut(**values | fields)


def residuals(set_ups: tuple[SetUp, ...], water_g: FloatArray | list[float], **fields: Any) -> LeftOut:
    """Runs with these residuals of weighing [g] and none of temperature."""
    values = {"temp_residual_k": np.full(len(set_ups), np.nan), "end_temp_c": np.full(len(set_ups), np.nan)}
    return drawn(0, set_ups, strained_residual_g=np.asarray(water_g, float), **values | fields)
