"""Three bars note the same drinks, each as well as its kit can; what one lands more than another is counted."""

from __future__ import annotations

import numpy as np
import pytest

from rig.advice.plan.kit_parts import Part
from rig.fitting.cadence import usual_cadences
from rig.runs import RunBook
from tests.judge.bench import kept_bench
from tests.judge.kits import COUNTED_LOG_SD, PRESSED_STD_S, USUAL_HZ, gain, noted, off_s

RUNS = 3


@pytest.fixture(scope="module")
def books() -> dict[Part, RunBook]:
    return noted(kept_bench("lumped", 251, [], fresh=20, each=2), RUNS)


def test_the_same_drinks_are_noted_by_all(books: dict[Part, RunBook]) -> None:
    clock, ear, probe = (books[p].runs for p in (Part.THERMOMETER, Part.EAR, Part.PROBE))
    assert [r.run for r in clock] == [r.run for r in ear] == [r.run for r in probe]
    assert [r.strained_mass_g for r in clock] == [r.strained_mass_g for r in probe]
    assert all(r.trace is not None and len(r.trace.time_s) > 20 for r in probe)
    assert all(r.trace is not None and len(r.trace.time_s) == 1 for r in (*clock, *ear))


def test_a_stopwatch_is_off_by_what_a_hand_is_and_the_ear_by_less(books: dict[Part, RunBook]) -> None:
    seconds = {part: np.array([r.duration_s for r in book.runs], dtype=float) for part, book in books.items()}
    pressed = seconds[Part.THERMOMETER] - seconds[Part.PROBE]
    heard = seconds[Part.EAR] - seconds[Part.PROBE]
    assert pressed.std() == pytest.approx(PRESSED_STD_S, rel=0.5)
    assert off_s(Part.EAR) < 0.5 * PRESSED_STD_S
    assert heard.std() < 0.5 * pressed.std()


def test_only_the_ear_counts_strokes_and_about_the_usual(books: dict[Part, RunBook]) -> None:
    assert not usual_cadences(books[Part.THERMOMETER].runs)
    counted = usual_cadences(books[Part.EAR].runs)
    assert set(counted) == {"shake"}
    assert counted["shake"].median_hz == pytest.approx(USUAL_HZ, rel=0.15)
    assert counted["shake"].log_sd > COUNTED_LOG_SD


def test_what_is_gained_is_counted_over_all_drinks() -> None:
    landed = [
        dict(zip((Part.THERMOMETER, Part.EAR, Part.PROBE), each, strict=True))
        for each in ((False, True, True), (True, True, True), (False, True, True), (True, False, False))
    ]
    assert gain(landed, Part.EAR)[0] == gain(landed, Part.PROBE)[0] == 0.25
    # differences of 1, 0, 1 and -1: their standard deviation is 0.829, over the root of four
    assert gain(landed, Part.PROBE)[1] == pytest.approx(1.96 * 0.829 / 2.0, rel=1e-3)
