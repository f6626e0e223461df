"""The call lands in worlds that were never used while the model was made.

The whole table of the README comes from `python -m tests.judge.judge`; here two of its worlds hold a floor
below their own figures, so that a change for the worse fails.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.judge.judge import MEASURED, UNMEASURED, Judged, judge_world


@pytest.fixture(scope="module", params=[(101, 18), (106, 6)], ids=["18 runs a set-up", "6 runs a set-up"])
def judged(request: pytest.FixtureRequest) -> list[Judged]:
    return judge_world(*request.param)


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "mean", "worst"), [(MEASURED, 0.93, 0.7), (UNMEASURED, 0.88, 0.5)])
def test_the_call_keeps_most_of_the_odds_there_are(
    judged: list[Judged], kind: str, mean: float, worst: float
) -> None:
    scores = [j.score for j in judged if j.kind == kind]
    assert np.mean(scores) >= mean
    assert min(scores) >= worst


@pytest.mark.slow
def test_nine_tenths_bands_hold_about_nine_tenths(judged: list[Judged]) -> None:
    assert 0.75 <= np.mean([j.temp_coverage for j in judged]) <= 0.99
    assert 0.75 <= np.mean([j.dilution_coverage for j in judged]) <= 0.99


@pytest.mark.slow
def test_claimed_odds_are_honest(judged: list[Judged]) -> None:
    assert abs(np.mean([j.claimed_odds - j.odds for j in judged])) < 0.12
