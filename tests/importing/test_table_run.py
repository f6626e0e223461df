"""Several tables join one run, on their clocks or by a mark; the start of motion stands at zero."""

from __future__ import annotations

import pytest

from rig.bench import Ingredient, Recipe
from rig.errors import TableRefused
from rig.importing.proposal import Proposal, propose
from rig.importing.table_run import (
    LEFT_OUT,
    READ_AS,
    READ_FROM,
    findings_of,
    join,
    told_start,
    with_trace,
)
from rig.importing.tables import Table
from rig.importing.weighing_in import masses_of, steps_of
from rig.runs import Run
from rig.signals.scale import Plateau


def proposal(text: str, name: str) -> Proposal:
    return propose(text.encode(), file=name)


def probe() -> Proposal:
    rows = "".join(f"{i * 0.5};{20 if i < 10 else 20 - 2 * (i - 10)}\n" for i in range(20))
    return proposal("t_s;Glass (°C)\n" + rows + "oops\n", "probe.csv")


def scale() -> Proposal:
    return proposal("t_s;m (g)\n" + "".join(f"{100 + i * 0.5};{300 + i}\n" for i in range(20)), "scale.csv")


def tables(*proposals: Proposal) -> list[Table]:
    return [p.table for p in proposals if p.table is not None]


def test_files_without_a_common_clock_are_joined_by_a_mark() -> None:
    pair = tables(probe(), scale())
    with pytest.raises(TableRefused, match="no common clock"):
        join(pair)
    joined = join(pair, marks_s={"probe.csv": 5.0, "scale.csv": 2.0}, start=told_start(5.0))
    at = dict(zip(joined.trace.time_s.tolist(), joined.trace.channels()["scale_g"].tolist(), strict=True))
    assert at[0.0] == 304.0  # 2 s after the scale's first reading
    assert joined.trace.probe_c is not None and joined.trace.time_s[0] == -5.0


def test_a_mark_for_one_file_alone_is_refused() -> None:
    with pytest.raises(TableRefused, match=r"scale\.csv has no mark"):
        join(tables(probe(), scale()), marks_s={"probe.csv": 5.0})


def test_the_run_keeps_what_was_taken_and_what_was_left_out() -> None:
    source = probe()
    run = with_trace(Run("r1", "shake", "tin", "cube", "black"), join(tables(source)), [source])
    assert run.trace is not None and run.trace.time_s[0] < 0
    assert "probe.csv (SHA-256 " in run.extra[READ_FROM]
    assert "column 2 'Glass (°C)': temperature in °C" in run.extra[READ_AS]
    assert "oops" in run.extra[LEFT_OUT]
    assert {f.place.run for f in findings_of([source], "r1")} == {"r1"}


RECIPE = Recipe(
    "black",
    (Ingredient("coffee", volume_ml=50), Ingredient("spirit", mass_g=33), Ingredient("syrup", mass_g=12)),
)


def weighed(*totals: float) -> list[Plateau]:
    return [Plateau(10.0 * i, 10.0 * i + 5, m, 0.1, m, m, 25) for i, m in enumerate(totals)]


def test_weigh_ins_are_named_by_the_recipe_and_the_rest_that_is_heavy_is_ice() -> None:
    steps = steps_of(weighed(120, 170.2, 203.1, 215.0, 405.0), RECIPE)
    assert [s.name for s in steps] == [None, "coffee", "spirit", "syrup", "ice"]
    assert [round(s.added_g, 1) for s in steps] == [120, 50.2, 32.9, 11.9, 190]
    assert masses_of(steps, RECIPE) == {"drink_mass_g": 95.0, "ice_mass_g": 190.0}


def test_ingredients_are_named_in_whatever_order_they_were_poured() -> None:
    steps = steps_of(weighed(0, 12.1, 62.0, 95.2), RECIPE)
    assert [s.name for s in steps] == [None, "syrup", "coffee", "spirit"]


@pytest.mark.parametrize(
    "totals", [(0, 50, 83, 180, 380), (0, 50, 80.0, 92.0, 292.0, 460.0), (0, 400), (0,)],
    ids=["a pour too large", "two heavy steps", "ice alone", "empty"],
)  # fmt: skip
def test_what_does_not_fit_is_shown_and_not_settled(totals: tuple[float, ...]) -> None:
    assert "ice_mass_g" not in masses_of(steps_of(weighed(*totals), RECIPE), RECIPE)


def test_a_scale_that_only_trembles_makes_no_step() -> None:
    steps = steps_of(weighed(100, 100.4, 150.4), RECIPE)
    assert [round(s.added_g, 1) for s in steps] == [100, 50.4]
