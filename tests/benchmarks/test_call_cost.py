"""What a call costs on a fitted bench, against the fit it rests on; printed, with only its sanity asserted."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

import rig

BENCH = Path(__file__).parents[2] / "sample_logs" / "harbour"


@pytest.mark.slow
@pytest.mark.parametrize(("start_c", "feasible"), [(24.0, True), (70.0, False)], ids=["plain", "with levers"])
def test_a_call_costs_a_small_part_of_the_fit(start_c: float, feasible: bool) -> None:
    book = rig.open_bench(BENCH)
    before = time.process_time()
    fit = rig.fit(book)
    fitted_s = time.process_time() - before
    before = time.process_time()
    advice = rig.advise(
        fit,
        technique="shake",
        vessel="two-piece steel",
        ice="freezer cube",
        recipe="quayside black",
        drink_temp_c=start_c,
        target=rig.Target(serve_temp_c_max=-2.0, dilution_by_volume=(0.30, 0.36)),
    )
    called_s = time.process_time() - before
    print(
        f"\nfit {fitted_s:.2f} s, call {called_s:.2f} s of CPU (goal under 1 s), ratio {called_s / fitted_s:.3f}"
    )
    assert advice.feasible is feasible
    assert bool(advice.levers) is (advice.odds < 0.8)
