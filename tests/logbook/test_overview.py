"""The whole logbook at a glance: what differs is found, what does not is not, and the sums are those of the runs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from rig.advice.compare.overview import LEAST, RECENT, overview
from rig.bench import Bench, Ice, Ingredient, Recipe, Vessel
from rig.logbook.listing import LogbookListing
from rig.logbook.store import open_logbook
from rig.logbook.weighed import Cell, weighed_cells
from rig.runs import Run, RunBook

BENCH = Bench(
    vessels={"tin": Vessel("tin")},
    ice={"cube": Ice("cube"), "cracked": Ice("cracked")},
    recipes={n: Recipe(n, (Ingredient("coffee", volume_ml=50),)) for n in ("black", "white")},
)
GAIN = {"cube": 22.0, "cracked": 38.0}
NOISE = 1.5


def runs(seed: int, count: int, more: float = 0.0, late: float = 0.0, only: str = "") -> tuple[Run, ...]:
    """Runs whose gain follows the duration; `more` on cracked ice, `late` in the newest."""
    rng = np.random.default_rng(seed)
    made = []
    for n in range(count):
        ice, recipe = only or ("cube", "cracked")[n % 2], ("black", "white")[n // 2 % 2]
        duration_s = float(rng.uniform(8, 16))
        gain = GAIN[ice] + 1.2 * (duration_s - 12) + (5 if recipe == "white" else 0) + rng.normal(0, NOISE)
        gain += (more if ice == "cracked" else 0) + (late if n >= count - RECENT else 0)
        run = Run(f"r{n}", "shake", "tin", ice, recipe, duration_s=duration_s, drink_mass_g=90.0)
        made.append(replace(run, strained_mass_g=90.0 * (1 + gain / 100)))
    return tuple(made)


@pytest.fixture
def told(tmp_path: Path) -> dict[str, tuple[Run, ...]]:
    return {
        "plain": runs(1, 80),
        "drifts": runs(2, 80, late=5.0),
        "wet ice": runs(3, 80, more=4.0),
        "like the others": runs(4, 80),
        "just begun": runs(5, LEAST - 1),
    }


def stored(told: dict[str, tuple[Run, ...]], url: str) -> tuple[list[Cell], LogbookListing]:
    with open_logbook(url) as logbook:
        for name, made in told.items():
            logbook.add(RunBook(BENCH, made), name, "made up")
        logbook.exclude("plain", "r3", "spilt")
        logbook.edit_run("plain", "r4", {"strained_mass_g": None}, "not weighed")
        logbook.delete_run("plain", "r5", "a test")
        return list(weighed_cells(logbook, RECENT)), LogbookListing(url)


def test_the_sums_are_those_of_the_runs_that_count(told: dict[str, tuple[Run, ...]], url: str) -> None:
    cells, _ = stored(told, url)
    left = [r for r in told["plain"] if r.run not in ("r3", "r4", "r5")]
    newest = {r.run for r in told["plain"][-RECENT:]}
    for cell in (c for c in cells if c.bench == "plain"):
        mine = [r for r in left if (r.ice, r.recipe, r.run in newest) == (cell.ice, cell.recipe, cell.recent)]
        x = np.array([r.duration_s for r in mine])
        y = np.array([100 * (r.strained_mass_g / 90.0 - 1) for r in mine])
        assert cell.runs == len(mine)
        found = (cell.x, cell.y, cell.xx, cell.yy, cell.xy)
        np.testing.assert_allclose(found, (x.sum(), y.sum(), x @ x, y @ y, x @ y), rtol=1e-9)
    assert sum(c.runs for c in cells if c.bench == "plain") == len(left)


def test_who_drifts_and_which_ice_differs_is_found_and_nothing_else(
    told: dict[str, tuple[Run, ...]], url: str
) -> None:
    cells, lists = stored(told, url)
    found = overview({n: s.tally for n, s in lists.states().items()}, cells, "black")
    lists.close()
    drifts = {b.bench: b.drift for b in found.benches}
    assert [name for name, d in drifts.items() if d is not None and d.sure] == ["drifts"]
    assert drifts["just begun"] is None
    drift = drifts["drifts"]
    assert drift is not None and abs(drift.gain_pct - 5.0) < 3 * drift.std_pct
    sure = {(i.ice, i.bench): i.difference for i in found.ices if i.difference.sure}
    assert ("cracked", "wet ice") in sure and found.ices[0].difference.sure
    assert abs(sure["cracked", "wet ice"].gain_pct - 4.0) < 3 * sure["cracked", "wet ice"].std_pct + 1
    assert {b.bench: (b.runs, b.excluded) for b in found.benches}["plain"] == (79, 1)


def test_one_recipe_on_all_benches_is_told_at_one_duration_with_its_spread(
    told: dict[str, tuple[Run, ...]], url: str
) -> None:
    cells, lists = stored(told, url)
    seen = overview({n: s.tally for n, s in lists.states().items()}, cells, "white").recipes
    lists.close()
    assert {r.bench for r in seen} == set(told) and len({r.duration_s for r in seen}) == 1
    for r in (r for r in seen if r.bench == "like the others"):
        expected = GAIN[r.ice] + 5 + 1.2 * (r.duration_s - 12)
        assert r.spread_pct is not None and abs(r.gain_pct - expected) < 3 * NOISE / np.sqrt(r.runs)
        assert 0.5 * NOISE < r.spread_pct < 1.7 * NOISE
    assert all(r.spread_pct is None for r in seen if r.bench == "just begun" and r.runs < LEAST)


def test_the_slope_and_what_is_left_are_those_of_an_analysis_of_covariance(
    told: dict[str, tuple[Run, ...]], url: str
) -> None:
    """Against statsmodels' least squares on the runs themselves."""
    from rig.advice.compare.overview import _common

    cells, lists = stored({"plain": told["plain"]}, url)
    lists.close()
    newest = {r.run for r in told["plain"][-RECENT:]}
    left = [r for r in told["plain"] if r.run not in ("r3", "r4", "r5")]
    frame = pd.DataFrame(
        {
            "cell": [f"{r.ice} {r.recipe} {r.run in newest}" for r in left],
            "x": [r.duration_s for r in left],
            "y": [100 * (r.strained_mass_g / 90.0 - 1) for r in left],
        }
    )
    other = smf.ols("y ~ x + C(cell)", frame).fit()
    common = _common(cells)
    assert common is not None and common.freedom == other.df_resid
    np.testing.assert_allclose((common.slope, common.variance), (other.params["x"], other.scale), rtol=1e-8)


def test_nothing_is_said_of_nothing() -> None:
    found = overview({}, ())
    assert (found.benches, found.ices, found.recipes) == ((), (), ())
