"""Limits of the charts against printed critical values, and how seldom they alarm a steady hand.

Two-sided critical values of Grubbs' test (Technometrics 11 (1969) 1; the table of ISO 5725-2) are from memory.
"""

from __future__ import annotations

import numpy as np
import pytest

from rig.advice.rehearsal.control_chart import control_chart, grubbs_limit


@pytest.mark.parametrize(
    ("runs", "at_5_pct", "at_1_pct"),
    [(4, 1.481, 1.496), (5, 1.715, 1.764), (8, 2.126, 2.274),
     (10, 2.290, 2.482), (20, 2.709, 3.001), (30, 2.908, 3.236)],
)  # fmt: skip
def test_the_limit_is_the_printed_critical_value(runs: int, at_5_pct: float, at_1_pct: float) -> None:
    assert grubbs_limit(runs, 0.05) == pytest.approx(at_5_pct, abs=1e-3)
    assert grubbs_limit(runs, 0.01) == pytest.approx(at_1_pct, abs=1e-3)


@pytest.mark.parametrize("runs", [5, 12, 30])
def test_a_steady_hand_is_alarmed_as_seldom_as_the_chart_says(runs: int) -> None:
    rng = np.random.default_rng(1969)
    names, lanes = [str(k) for k in range(runs)], 2000
    alarmed = sum(
        bool(control_chart("x", names, rng.normal(size=runs), false_alarm=0.05).odd) for _ in range(lanes)
    )
    assert abs(alarmed / lanes - 0.05) < 3.0 * np.sqrt(0.05 * 0.95 / lanes)
