"""The fields of forms are those of the bench; what is typed in them is read with its unit, and shown as it stands."""

from __future__ import annotations

import dataclasses

import pytest

from rig.bench import SECTIONS, Ice, Target, Technique, Vessel, parse_bench
from rig.bench_fields import SHELVES, changed_table, shelf_of, summary, was_and_is, words_of, written
from rig.bench_text import merged, tables_of, with_entry, with_entry_renamed, without_entry
from rig.brewing import Brew
from rig.errors import BenchError, NotFound
from rig.plausible import RUN
from rig.recipe import Ingredient
from rig.run_fields import RUN_FIELDS
from rig.runs import Run


@pytest.mark.parametrize(
    ("section", "kind"),
    [("vessels", Vessel), ("ice", Ice), ("targets", Target), ("techniques", Technique)],
)
def test_a_form_asks_for_every_field_that_there_is(section: str, kind: type) -> None:
    there = {f.name for f in dataclasses.fields(kind)} - {"name"}
    assert {f.key for f in SHELVES[section].fields} == there


def test_an_ingredient_is_asked_for_all_that_it_can_be() -> None:
    keys = {f.key for f in SHELVES["recipes"].parts}
    there = {f.name for f in dataclasses.fields(Ingredient)} - {"brew"}
    assert {k for k in keys if "." not in k} == there
    assert {k.removeprefix("brew.") for k in keys if "." in k} == {f.name for f in dataclasses.fields(Brew)}
    assert set(SHELVES) == set(SECTIONS)


def test_a_sheet_asks_for_every_field_of_a_run_that_somebody_writes_down() -> None:
    worked_out = {"trace", "trace_file", "extra", "probe_std_k", "scale_std_g"}
    assert {f.key for f in RUN_FIELDS} == {f.name for f in dataclasses.fields(Run)} - worked_out
    units = {f.key: f.unit for f in RUN_FIELDS if f.unit}
    assert units == {k: RUN[k].unit for k in units}
    assert all(RUN[f.key].low <= f.usual[0] < f.usual[1] <= RUN[f.key].high for f in RUN_FIELDS if f.usual)


VESSELS, TARGETS, PARTS = SHELVES["vessels"].fields, SHELVES["targets"].fields, SHELVES["recipes"].parts


@pytest.mark.parametrize(
    ("fields", "said", "told"),
    [
        (VESSELS, {"mass_g": ["0,235 kg"]}, {"mass_g": 235}),
        (VESSELS, {"mass_g": ["235 g"]}, {"mass_g": 235}),
        (VESSELS, {"heat_capacity_j_per_k": ["118,5 J/K"]}, {"heat_capacity_j_per_k": 118.5}),
        (TARGETS, {"serve_temp_c_max": ["28.4 °F"]}, {"serve_temp_c_max": -2}),
        (TARGETS, {"serve_temp_c_max": ["−2"]}, {"serve_temp_c_max": -2}),
        (TARGETS, {"dilution_by_volume": ["30 %", "0,36"]}, {"dilution_by_volume": [0.3, 0.36]}),
        (TARGETS, {"abv_pct": ["12 % vol", "14"]}, {"abv_pct": [12, 14]}),
        (PARTS, {"volume_ml": ["3,5 cl"], "abv_pct": ["42"]}, {"volume_ml": 35, "abv_pct": 42}),
        (PARTS, {"allergens": ["tree nuts; milk, "]}, {"allergens": ["tree nuts", "milk"]}),
        (PARTS, {"brew.method": ["Espresso"], "brew.dose_g": ["18"]}, {"brew": {"method": "espresso", "dose_g": 18}}),
        (SHELVES["ice"].fields, {"edge_mm": ["25 mm"], "shape": [""]}, {"edge_mm": 25}),
    ],
)  # fmt: skip
def test_what_is_typed_is_read_with_its_unit_and_comma(fields: tuple, said: dict, told: dict) -> None:
    assert changed_table(fields, {}, said) == told


def test_what_is_not_touched_stays_and_what_is_emptied_goes() -> None:
    stands = {"mass_g": 235.123456, "material": "steel", "colour": "red", "held_back_g": 2}
    said = {f.key: list(written(f, stands)) for f in VESSELS}
    assert changed_table(VESSELS, stands, said) == stands
    assert changed_table(VESSELS, stands, said | {"held_back_g": [" "]}) == {
        k: v for k, v in stands.items() if k != "held_back_g"
    }
    cold = {"temp_c": -16.123456}
    assert changed_table(SHELVES["ice"].fields, cold, {"temp_c": ["−16.123456"]}) == cold
    brewed = {"name": "coffee", "brew": {"method": "espresso"}}
    assert changed_table(PARTS, brewed, {"brew.method": [""]}) == {"name": "coffee"}


def test_every_wrong_field_is_told_at_once() -> None:
    with pytest.raises(BenchError, match=r"Mass, empty: 'heavy' is not a number; Held back: .*carries 'ml'"):
        changed_table(VESSELS, {}, {"mass_g": ["heavy"], "held_back_g": ["2 ml"]})
    with pytest.raises(BenchError, match="give both ends"):
        changed_table(TARGETS, {}, {"abv_pct": ["12", ""]})


def test_a_shelf_is_named_by_itself_or_by_one_thing_on_it() -> None:
    assert shelf_of("vessel") is shelf_of("vessels") is SHELVES["vessels"]
    with pytest.raises(NotFound, match="did you mean 'vessel'"):
        shelf_of("vesel")
    assert summary(SHELVES["targets"], {"serve_temp_c_max": -2}) == "served at most at −2 °C"


ODD = (
    "vessels = { tin = { mass_g = 235 } }\n"
    'recipes.black.ingredients = [{ name = "coffee", volume_ml = 50 }]\n'
    "[[ice.cube.seen]]\nwhen = 2026-01-01\n[[ice.cube.seen]]\nwhen = 2026-01-02\n"
)


def test_a_text_in_any_spelling_of_toml_is_edited_to_say_what_it_should() -> None:
    text = with_entry(ODD, "vessels", "pot", {"mass_g": 300})
    text = with_entry(text, "recipes", "black", {"ingredients": [{"name": "coffee", "mass_g": 49}]})
    text = with_entry_renamed(without_entry(text, "vessels", "tin"), "ice", "cube", "block")
    tables = tables_of(text)
    assert tables["vessels"] == {"pot": {"mass_g": 300}} and list(tables["ice"]) == ["block"]
    assert tables["recipes"]["black"]["ingredients"] == [{"name": "coffee", "mass_g": 49}]
    assert parse_bench(text)[0].recipe("black").ingredients[0].mass_g == 49.0


def test_what_came_in_goes_under_what_was_changed_by_hand() -> None:
    base = (
        '# ours\ntitle = "x"\n[vessels.tin]\nmass_g = 1 # light\nheld_back_g = 2\n[vessels.pot]\n[ice.cube]\n'
    )
    mine = base.replace("mass_g = 1", "mass_g = 9")
    theirs = (
        base.replace("held_back_g = 2", "held_back_g = 3").replace("[vessels.pot]\n", "") + "[ice.ball]\n"
    )
    got = merged(base, mine, theirs, needed={}, yields=False)
    assert tables_of(got)["vessels"] == {"tin": {"mass_g": 9, "held_back_g": 3}}
    assert set(tables_of(got)["ice"]) == {"cube", "ball"} and "# light" in got
    kept = merged(base, mine, theirs, needed={"vessels": {"pot"}}, yields=True)
    assert tables_of(kept)["vessels"] == {"tin": {"mass_g": 9, "held_back_g": 2}, "pot": {}}
    assert merged(base, base, theirs, needed={}, yields=False) == theirs


def test_a_change_is_told_in_the_words_of_the_form() -> None:
    assert was_and_is("targets", "dilution_by_volume", None, [0.3, 0.36]) == (
        "–",
        "water added ÷ starting volume 0.3 to 0.36",
    )
    assert was_and_is("vessels", "mass_g", 235, 240) == ("235 g", "240 g")
    coffee = {"name": "coffee", "volume_ml": 50}
    spirit = {"name": "spirit", "volume_ml": 35, "abv_pct": 40}
    changed = was_and_is("recipes", "ingredients", [coffee, spirit], [coffee, spirit | {"abv_pct": 42}])
    assert changed == ("spirit (35 ml, alcohol 40 % vol)", "spirit (35 ml, alcohol 42 % vol)")
    assert was_and_is("recipes", "", None, {"ingredients": [coffee]}) == ("–", "coffee (50 ml)")
    assert was_and_is("", "title", "a", "b") == ("a", "b")
    assert words_of("ice", "temp_c") == "usual temperature" and words_of("ice", "own_key") == "own key"
