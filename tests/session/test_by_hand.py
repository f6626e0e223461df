"""A drink made by hand: what is asked, what typed numbers are taken for, and the run made of them."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from rig.advice.live.verdict import THERMOMETER_STD_K, how_it_landed, sentence_of
from rig.bench import Target
from rig.consistency.judging import judged
from rig.errors import NotFound
from rig.runs import THERMOMETER, Run
from rig.session.by_hand import ByHand, asked_after, asked_before, drink_mass_g, read_typed, whole_drink
from tests.cli.small_bench import small_book
from tests.shared_fits import fitted

BOOK = small_book()
BENCH = BOOK.bench
MADE = ByHand("shake", "steel tin", "freezer cube", "night shift", "coupe")
TYPED = {
    "pour 0": "50,1",
    "pour 1": "33.0 g",
    "pour 2": "0.55 oz",
    "drink_temp_c": "72 °F",
    "ice_mass_g": "0,2 kg",
    "end_temp_c": "\N{MINUS SIGN}2,5",
    "strained_mass_g": "125",
}
BEGAN = datetime(2026, 3, 4, 20, 0, tzinfo=UTC)


def _run(typed: dict[str, str], moved_s: float = 12.0, made: ByHand = MADE) -> Run:
    return made.run(BENCH, read_typed(BENCH, made.recipe, typed), "h1", "ab" * 16, BEGAN, moved_s)


def test_every_ingredient_is_asked_for_with_what_the_recipe_has_of_it() -> None:
    asked = asked_before(BENCH, "night shift")
    assert [a.words for a in asked[:3]] == [
        "Pour coffee concentrate",
        "Pour dark spirit",
        "Pour cream liqueur",
    ]
    assert sum(a.expected or 0.0 for a in asked) == pytest.approx(
        whole_drink(BENCH, "night shift").expected, abs=0.2
    )
    assert [a.name for a in asked[3:]] == ["drink_temp_c", "ice_mass_g"]
    with pytest.raises(NotFound):
        asked_before(BENCH, "day shift")


def test_foam_is_asked_for_only_where_the_target_wants_air() -> None:
    assert [a.name for a in asked_after(BENCH.target("coupe"))] == ["end_temp_c", "strained_mass_g"]
    assert asked_after(Target(serve_temp_c_max=0.0, overrun_pct_min=15.0))[-1].name == "foam_ml"


def test_numbers_are_read_with_comma_point_minus_and_units() -> None:
    run = _run(TYPED)
    assert run.drink_mass_g == pytest.approx(50.1 + 33.0 + 0.55 * 28.3495, abs=0.01)
    assert run.drink_temp_c == pytest.approx(22.22, abs=0.01)
    assert run.ice_mass_g == 200.0
    assert run.trace is not None and run.trace.probes_c[THERMOMETER][-1] == -2.5
    assert run.trace.time_s[-1] == run.duration_s == 12.0
    assert run.extra["weighed dark spirit g"] == "33.0"


def test_what_cannot_be_read_or_cannot_be_is_said_by_name_and_not_taken() -> None:
    known = read_typed(BENCH, "night shift", {**TYPED, "ice_mass_g": "two hands", "strained_mass_g": "1,250"})
    assert set(known.wrong) == {"ice_mass_g", "strained_mass_g"}
    assert "1.250 or 1250" in known.wrong["strained_mass_g"]
    hot = read_typed(BENCH, "night shift", {"drink_temp_c": "220"})
    assert "lies outside" in hot.wrong["drink_temp_c"]


def test_a_drink_with_an_ingredient_left_out_has_no_mass_and_one_weighed_whole_has() -> None:
    part = read_typed(BENCH, "night shift", {k: v for k, v in TYPED.items() if k != "pour 1"})
    assert drink_mass_g(BENCH, "night shift", part) is None
    whole = read_typed(BENCH, "night shift", {"drink_mass_g": "98"})
    assert drink_mass_g(BENCH, "night shift", whole) == 98.0


def test_temperature_and_water_are_judged_by_what_was_typed() -> None:
    known = fitted(BOOK)
    asked = Target(serve_temp_c_max=5.0, dilution_by_volume=(0.05, 0.95))
    told = how_it_landed(known, _run(TYPED), asked)
    assert told is not None and told.landed
    assert told.temp_c is not None and told.dilution_by_volume is not None
    assert told.temp_c[1] == pytest.approx(-2.5, abs=0.01)
    assert told.temp_c[2] - told.temp_c[0] == pytest.approx(2 * 1.645 * THERMOMETER_STD_K, rel=0.02)
    warm = how_it_landed(known, _run({**TYPED, "end_temp_c": "3"}), Target(serve_temp_c_max=0.0))
    assert warm is not None and warm.headline == "Missed: too warm by 3.0 °C"
    unread = how_it_landed(known, _run({k: v for k, v in TYPED.items() if k != "end_temp_c"}), asked)
    assert unread is not None and unread.headline == "Not known: no temperature at the end"
    assert sentence_of(known, _run(TYPED))


def test_what_heat_forbids_is_set_aside_at_the_same_door_as_any_run() -> None:
    frozen = judged(BENCH, [_run({**TYPED, "end_temp_c": "-24,9"})])[0]
    assert frozen.set_aside and "freezes" in frozen.set_aside[0].what
    assert frozen.run.trace is None or not frozen.run.trace.probes_c
    heavy = judged(BENCH, [_run({**TYPED, "strained_mass_g": "1250"})])[0]
    assert heavy.run.strained_mass_g is None
    assert judged(BENCH, [_run(TYPED)])[0].set_aside == ()
