"""The palettes stay told apart by colour-blind eyes, and no two set-ups drawn together have one colour.

Distance: CIEDE2000, checked on pairs of Sharma, Wu & Dalal, Color Res. Appl. 30 (2005) 21. CIELAB (D65): CIE 15.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from rig.arrays import FloatArray
from rig.report.look import DARK, LIGHT, Look, mark, places
from rig.runs import SetUp
from tests.eyes import SEEN, linear

LEAST_APART = 10.0
"""CIEDE2000 between two thin lines that are told apart side by side; 1 is the least that is seen at all on large
patches (common practice, no source)."""
_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)


def _lab(linear: FloatArray) -> FloatArray:
    t = (_XYZ @ np.clip(linear, 0.0, 1.0)) / _XYZ.sum(axis=1)
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def _ciede2000(one: FloatArray, other: FloatArray) -> float:
    (l1, a1, b1), (l2, a2, b2) = one, other
    mean7 = (0.5 * (np.hypot(a1, b1) + np.hypot(a2, b2))) ** 7
    g = 0.5 * (1 - np.sqrt(mean7 / (mean7 + 25.0**7)))
    a1, a2 = a1 * (1 + g), a2 * (1 + g)
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, a)) % 360 for b, a in ((b1, a1), (b2, a2)))
    dh = 0.0 if c1 * c2 == 0 else (h2 - h1 + 180) % 360 - 180
    mean_h = h1 + h2 if c1 * c2 == 0 else h1 + dh / 2
    big_h = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(dh / 2))
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2
    turn = sum(
        k * np.cos(np.radians(n * mean_h + off))
        for k, n, off in ((-0.17, 1, -30), (0.24, 2, 0), (0.32, 3, 6), (-0.20, 4, -63))
    )
    t = 1 + turn
    s_l = 1 + 0.015 * (mean_l - 50) ** 2 / np.sqrt(20 + (mean_l - 50) ** 2)
    s_c, s_h = 1 + 0.045 * mean_c, 1 + 0.015 * mean_c * t
    theta = 30 * np.exp(-((((mean_h % 360) - 275) / 25) ** 2))
    r_t = -np.sin(np.radians(2 * theta)) * 2 * np.sqrt(mean_c**7 / (mean_c**7 + 25.0**7))
    x, y, z = (l2 - l1) / s_l, (c2 - c1) / s_c, big_h / s_h
    return float(np.sqrt(x**2 + y**2 + z**2 + r_t * y * z))


@pytest.mark.parametrize(
    ("one", "other", "apart"),
    [
        ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
        ((50.0, 0.0, 0.0), (50.0, -1.0, 2.0), 2.3669),
        ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
        ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
        ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
    ],
)
def test_the_distance_is_that_of_the_published_pairs(
    one: tuple[float, ...], other: tuple[float, ...], apart: float
) -> None:
    assert _ciede2000(np.array(one), np.array(other)) == pytest.approx(apart, abs=1e-4)


def _apart(one: str, other: str, seen: str) -> float:
    return _ciede2000(*(_lab(SEEN[seen] @ linear(colour)) for colour in (one, other)))


@pytest.mark.parametrize("seen", SEEN)
@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
def test_series_are_told_apart_by_every_eye(look: Look, seen: str) -> None:
    near = {(a, b): _apart(a, b, seen) for a, b in combinations(look.series, 2)}
    assert min(near.values()) >= LEAST_APART, min(near.items(), key=lambda pair: pair[1])
    ground = {a: _apart(a, look.paper, seen) for a in look.series}
    assert min(ground.values()) >= LEAST_APART, min(ground.items(), key=lambda pair: pair[1])


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("count", [2, 7, 12, 20])
def test_no_two_set_ups_drawn_together_have_one_colour(look: Look, count: int) -> None:
    ways = (("shake", "tin"), ("stir", "glass"))
    everyone = [SetUp(*ways[k % 2], f"ice {k // 2}") for k in range(count)]
    where = places(everyone, everyone)
    drawn = [mark(look, where[s]).colour for s in everyone]
    assert len(set(drawn)) == count


def test_a_set_up_keeps_its_colour_on_every_figure_while_there_are_colours_enough() -> None:
    everyone = [SetUp("shake", "tin", f"ice {k}") for k in range(len(LIGHT.series))]
    assert places(everyone, everyone[4:6]) == {s: k for k, s in enumerate(everyone)}
    many = [*everyone, SetUp("stir", "glass", "ice 0")]
    assert sorted(places(many, many[5:]).values()) == list(range(len(many[5:])))
