"""Biochemical oxygen demand, Bates & Watts, Nonlinear Regression Analysis, Wiley 1988, appendix A1.4.

The same curve as dilution against time. Data from memory of the book; the results as R prints them for
`nls(demand ~ A (1 - exp(-exp(lrc) Time)), BOD)`, refitted.
"""

from __future__ import annotations

import numpy as np
import pytest

from rig.fitting.least_squares import solve

TIME_D = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 7.0])
DEMAND = np.array([8.3, 10.3, 19.0, 16.0, 15.6, 19.8])


@pytest.mark.parametrize("start", [(20.0, 0.5), (10.0, 2.0), (40.0, 0.1), (1.0, 1.0)])
def test_the_published_plateau_and_rate_are_found(start: tuple[float, float]) -> None:
    found = solve(
        lambda p, lane: p[:, 0:1] * (1 - np.exp(-p[:, 1:2] * TIME_D)) - DEMAND,
        np.array([start]),
        lower=0.0,
    )
    assert found.converged[0]
    # All digits that are printed.
    assert found.params[0] == pytest.approx([19.1426, 0.5311], abs=5e-5)
    assert found.standard_error[0] == pytest.approx([2.4959, 0.2031], abs=5e-5)
    assert found.residual_sd[0] == pytest.approx(2.549, abs=5e-4)
    assert found.degrees_of_freedom[0] == 4
