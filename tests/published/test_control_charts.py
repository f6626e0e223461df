"""Control charts against the NIST/SEMATECH e-Handbook, printed constants, and published average run lengths.

The e-Handbook's example (§ 6.3.2.2) and the run lengths (C. W. Champ & W. H. Woodall, Technometrics 29 (1987) 393)
are from memory; the constants are recomputed here from the law of the range of two normal values.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate
from scipy.stats import norm

from rig.advice.control_chart import D2, D4, WESTERN_ELECTRIC, RunRule, control_chart, patterns

FLOWRATE = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
NAMES = [f"batch {k}" for k in range(1, 11)]
WINDOW = {
    RunRule.BEYOND_LIMITS: 1,
    RunRule.TWO_OF_THREE: 3,
    RunRule.FOUR_OF_FIVE: 5,
    RunRule.EIGHT_ON_ONE_SIDE: 8,
}


def test_the_handbooks_individuals_chart_comes_out_as_printed() -> None:
    chart = control_chart("flowrate", NAMES, FLOWRATE)
    assert chart.centre == pytest.approx(50.81, abs=5e-3)
    assert chart.range_centre == pytest.approx(1.8778, abs=5e-5)
    assert chart.upper == pytest.approx(55.8041, abs=5e-5)
    assert chart.lower == pytest.approx(45.8159, abs=5e-5)
    assert chart.in_control


def test_the_constants_are_those_of_the_range_of_two_normal_values() -> None:
    def moment(power: int) -> float:
        # the range of two is √2·|z|
        return float(integrate.quad(lambda z: 2 * (np.sqrt(2) * z) ** power * norm.pdf(z), 0, np.inf)[0])

    d2, d3 = moment(1), np.sqrt(moment(2) - moment(1) ** 2)
    assert (round(d2, 4), round(1 + 3 * d3 / d2, 4)) == (1.1284, 3.2665)
    assert pytest.approx(d2, abs=5e-4) == D2
    assert pytest.approx(1 + 3 * d3 / d2, abs=5e-4) == D4


@pytest.mark.parametrize(
    ("rules", "printed"),
    [
        ((RunRule.BEYOND_LIMITS,), 370.40),
        ((RunRule.BEYOND_LIMITS, RunRule.TWO_OF_THREE), 225.44),
        ((RunRule.BEYOND_LIMITS, RunRule.FOUR_OF_FIVE), 166.05),
        ((RunRule.BEYOND_LIMITS, RunRule.EIGHT_ON_ONE_SIDE), 152.73),
        (WESTERN_ELECTRIC, 91.75),
    ],
    ids=lambda x: " + ".join(WINDOW_NAME[r] for r in x) if isinstance(x, tuple) else None,
)
def test_a_steady_hand_is_alarmed_as_seldom_as_published(rules: tuple[RunRule, ...], printed: float) -> None:
    rng = np.random.default_rng(1956)
    lanes, longest = 500, int(9 * printed)
    first = [_first_signal(rng.normal(size=longest), rules) for _ in range(lanes)]
    error = np.std(first) / np.sqrt(lanes)
    assert abs(np.mean(first) - printed) < 3 * error
    assert error < 0.05 * printed


WINDOW_NAME = {rule: rule.published_as.split()[-1] for rule in RunRule}


def _first_signal(values: np.ndarray, rules: tuple[RunRule, ...]) -> int:
    """Which point first meets a rule, counted from one, centre and sigma known."""
    ends = [
        first + WINDOW[rule] for rule in rules for first, _ in patterns(rule, values, centre=0.0, sigma=1.0)
    ]
    return min(ends, default=values.size)
