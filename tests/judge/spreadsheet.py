"""The rival that anyone has at hand: a spreadsheet with two saturating curves for each set-up and drink.

One exponential runs from the start temperature through the end temperatures (the probe left in the strained
drink until it has settled, so that its lag costs the rival nothing), one from zero through the
dilutions; odds come from the normal scatter of the residuals, the best duration from the same grid,
as far as the runs reach: a curve knows nothing beyond them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import curve_fit
from scipy.stats import norm

from sample_logs.generator.folder import SheetRow
from sample_logs.generator.liquid import Floats
from tests.judge.bench import Case, grid_s

USUAL_LEFT_G = 2.0
"""What a vessel usually keeps, where nobody weighed it (common practice, no source)."""


@dataclass(frozen=True)
class SheetCall:
    """A call with its odds, and what the sheet expects along the grid."""

    duration_s: float
    odds: float
    grid_s: Floats
    temp_c: Floats
    temp_sd_k: float
    dilution: Floats
    dilution_sd: float


LEAST_RUNS = 3
"""Two numbers a curve, and one run over to see the scatter."""


def spreadsheet_call(case: Case, rows: list[tuple[SheetRow, float]], left_g: float | None) -> SheetCall:
    """Fit both curves to these runs of a set-up and drink, and call.

    Each row comes with its settled end temperature [°C]; `left_g` is what the person has weighed as staying
    behind, None where nobody has.
    """
    plan = case.plan
    records = [row.record for row, _ in rows]
    time_s = np.array([r.duration_s for r in records])
    end_c = np.array([settled_c for _, settled_c in rows])
    strained, poured = (
        np.array([getattr(r, name) for r in records], dtype=float)
        for name in ("strained_mass_g", "drink_mass_g")
    )
    dilution = (strained + (USUAL_LEFT_G if left_g is None else left_g) - poured) / plan.drink.volume_ml
    start_c, grid = plan.drink_temp_c, grid_s(plan.technique)

    def rising(t: Floats, level: float, log_tau: float) -> Floats:
        return level * -np.expm1(-t / np.exp(log_tau))

    temp, temp_sd = _through(rising, time_s, end_c - start_c, grid)
    added, added_sd = _through(rising, time_s, dilution, grid)
    temp = temp + start_c
    low, high = case.dilution_by_volume
    odds = norm.cdf((case.serve_temp_c_max - temp) / temp_sd)
    odds = odds * (norm.cdf((high - added) / added_sd) - norm.cdf((low - added) / added_sd))
    known = (grid >= time_s.min()) & (grid <= time_s.max())
    best = int(np.argmax(np.where(known, odds, -1.0)))
    return SheetCall(float(grid[best]), float(odds[best]), grid, temp, temp_sd, added, added_sd)


def _through(rising: object, time_s: Floats, values: Floats, grid: Floats) -> tuple[Floats, float]:
    """The curve along the grid and the scatter about it (two degrees of freedom spent)."""
    mid = float(np.median(time_s))
    log = np.log(mid)
    bounds = ([-200.0, log - 4.0], [200.0, log + 3.0])
    best, _ = curve_fit(rising, time_s, values, p0=(values[np.argmax(time_s)], log - 1.0), bounds=bounds)
    residuals = values - rising(time_s, *best)  # type: ignore[operator]
    spread = float(np.sqrt((residuals**2).sum() / max(len(values) - 2, 1)))
    return rising(grid, *best), max(spread, 1e-6)  # type: ignore[operator]
