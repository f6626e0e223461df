"""Where differences come from: the parts add up, agree with an analysis of variance, and confounding is said."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.anova import anova_lm

from rig.advice.compare.shares import confounded, shares, split
from rig.advice.compare.shares_result import Part
from rig.advice.compare.shares_words import sentences
from rig.errors import ModelRangeError, NotEnoughData, NotFound
from rig.fitting.result import Fit
from rig.report.shares_figure import shares_figure
from rig.runs import SetUp
from tests.cli.small_bench import small_book
from tests.shared_fits import fitted


@pytest.fixture(scope="module")
def fit() -> Fit:
    return fitted(small_book())


@given(st.integers(0, 10_000), st.tuples(*[st.integers(1, 3)] * 4))
def test_parts_add_up_to_what_differs(seed: int, shape: tuple[int, ...]) -> None:
    values = np.random.default_rng(seed).normal(size=(*shape, 5))
    parts = split(values)
    assert sum(parts.values()) == pytest.approx(values.reshape(-1, 5).var(axis=0))


def test_parts_are_the_sums_of_squares_of_a_full_table() -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(size=(4, 3, 2, 1, 1))
    rows = [(*at, values[(*at, 0, 0)]) for at in product(range(4), range(3), range(2))]
    frame = pd.DataFrame(rows, columns=["ice", "vessel", "technique", "y"])
    squares = anova_lm(smf.ols("y ~ C(ice) + C(vessel) + C(technique)", frame).fit())["sum_sq"]
    parts = split(values)
    for part in (Part.ICE, Part.VESSEL, Part.TECHNIQUE):
        assert 24 * float(parts[part][0]) == pytest.approx(squares[f"C({part.value})"])
    assert 24 * float(parts[Part.TOGETHER][0]) == pytest.approx(squares["Residual"])


def test_what_adds_up_has_nothing_in_its_combinations() -> None:
    ice, vessel = np.array([0.0, 1.0, 5.0]), np.array([0.0, 2.0])
    values = (ice[:, None] + vessel[None, :])[:, :, None, None, None]
    parts = split(values)
    assert float(parts[Part.ICE][0]) == pytest.approx(ice.var())
    assert float(parts[Part.VESSEL][0]) == pytest.approx(vessel.var())
    assert float(parts[Part.TOGETHER][0]) == pytest.approx(0.0, abs=1e-12)


def test_ice_against_hand_on_a_bench_of_two_ices(fit: Fit) -> None:
    found = shares(fit)
    assert set(found.levels[Part.ICE]) == {"freezer cube", "wet cube"}
    for parts in (found.temp_c, found.dilution_by_volume):
        assert {p.part for p in parts} == {Part.ICE, Part.TOGETHER, Part.SESSION, Part.RUN} - (
            set() if any(p.part is Part.TOGETHER for p in parts) else {Part.TOGETHER}
        )
        assert sum(p.share[1] for p in parts) == pytest.approx(1.0, abs=0.1)
        for p in parts:
            assert 0.0 <= p.share[0] <= p.share[1] <= p.share[2] <= 1.0
    # the model that made these runs has ices 16 K apart, and hands that never differ
    assert found.temp_c[0].part is Part.ICE
    told = sentences(found)
    assert told[0].startswith(f"End temperature after {found.duration_s:.3g} s: ")
    assert "of what differs is the ice" in told[0]


def test_parts_that_always_go_together_are_said_with_the_runs_that_would_separate_them(fit: Fit) -> None:
    a, b, c = (
        SetUp("shake", "tin", "cube"),
        SetUp("shake", "glass", "pebble"),
        SetUp("shake", "glass", "cube"),
    )
    (told,) = confounded([a, b])
    assert told.startswith("ice and vessel cannot be told apart: ")
    assert "Two runs of cube with glass would separate them" in told
    assert confounded([a, b, c]) == ()
    assert confounded([a]) == ()
    every = shares(fit, all_techniques=True)
    assert every.confounded and "vessel and technique cannot be told apart" in every.confounded[0]
    assert (
        every.confounded[0] in sentences(every)[2].lower() or every.confounded[0][1:] in sentences(every)[2]
    )


def test_the_picture_has_a_bar_a_part_and_quantity(fit: Fit) -> None:
    found = shares(fit)
    drawn = shares_figure(found)
    assert [t.name for t in drawn.data] == ["end temperature", "dilution"]
    assert list(drawn.data[0].x) == [pytest.approx(100 * s.share[1]) for s in found.temp_c]
    assert set(drawn.data[1].y) == {s.part.short for s in found.dilution_by_volume}


def test_what_cannot_be_split_is_refused(fit: Fit) -> None:
    with pytest.raises(NotFound):
        shares(fit, technique="swirl")
    with pytest.raises(ModelRangeError):
        shares(fit, duration_s=-1.0)
    with pytest.raises(NotEnoughData, match="one ice in one vessel"):
        shares(fit, technique="stir")
