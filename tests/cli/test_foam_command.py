"""Texture from the command line: overrun from a weighed cup, half-lives with their names."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tests.cli.conftest import Chillrig

HALF_LIFE_S = 90.0
TIMES = (0, 20, 45, 90, 150, 240, 400)


def drained_ml(time_s: float) -> float:
    return 16.0 * (1 - 0.5 ** (time_s / HALF_LIFE_S))


def test_overrun_is_air_over_liquid(chillrig: Chillrig) -> None:
    """60 ml of a drink of 1.04 g/ml that weighs 48 g foamed holds 30 % air over liquid: 62.4 ÷ 48 − 1."""
    said = chillrig("foam", "overrun", "--cup-ml", "60", "--plain-g", "62.4", "--foamed-g", "48", "--json")
    told = json.loads(said.out)
    assert told["overrun_pct"] == pytest.approx(30.0)
    assert 0.5 < told["sd_pct"] < 3.0


def test_a_draining_foam_has_its_half_life(chillrig: Chillrig) -> None:
    readings = [f"{t}={drained_ml(t):.2f}" for t in TIMES]
    told = json.loads(chillrig("foam", "drain", *readings, "--in-foam-ml", "16", "--json").out)
    half = told["half_life_s"]
    assert half["p05"] < HALF_LIFE_S < half["p95"]
    assert half["p50"] == pytest.approx(HALF_LIFE_S, rel=0.1)
    assert "half of the liquid" in told["definition"]


def test_a_scale_under_the_cup_says_the_same(chillrig: Chillrig, tmp_path: Path) -> None:
    time = np.arange(0.0, 400.0, 5.0)
    rows = [f"{t:.0f},{50 + 1.02 * drained_ml(t):.1f}" for t in time]
    file = tmp_path / "cup.csv"
    file.write_text("time [s],mass [g]\n" + "\n".join(rows) + "\n")
    told = json.loads(chillrig("foam", "drain", "--file", file, "--in-foam-ml", "16", "--json").out)
    assert told["half_life_s"]["p50"] == pytest.approx(HALF_LIFE_S, rel=0.1)


def test_height_has_another_name(chillrig: Chillrig) -> None:
    readings = [f"{t}={22 * 0.5 ** (t / 200):.1f}" for t in TIMES]
    said = chillrig("foam", "height", *readings)
    assert said.code == 0
    assert "collapse half-life" in said.out and "from 7 readings" in said.out


@pytest.mark.parametrize(
    ("readings", "code", "says"),
    [(["30=1", "60=2"], 1, "at least 4 readings"), (["30"], 2, "seconds=value")],
)
def test_too_little_is_refused_in_words(
    chillrig: Chillrig, readings: list[str], code: int, says: str
) -> None:
    said = chillrig("foam", "drain", *readings)
    assert said.code == code
    assert says in said.err
