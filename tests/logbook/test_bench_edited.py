"""A bench is begun, described and renamed in the logbook, and each step is taken back whole."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.bench import Ice, parse_bench
from rig.errors import BenchError, NotFound
from rig.logbook.editing import (
    begin_bench,
    bench_text,
    describe,
    entitle,
    entry_of,
    remove,
    rename,
    undo_step,
)
from rig.logbook.steps import differences, last_step, steps
from rig.logbook.store import Logbook
from rig.runs import Run, RunBook


def test_a_bench_begun_from_nothing_is_described_and_every_step_undone(logbook: Logbook) -> None:
    begin_bench(logbook, "corner", "The corner")
    texts = [bench_text(logbook, "corner")]
    describe(logbook, "corner", "vessels", "tin", {"mass_g": 235}, "weighed")
    texts.append(bench_text(logbook, "corner"))
    describe(logbook, "corner", "vessels", "tin", {"mass_g": 240, "held_back_g": 2.5}, "weighed again")
    texts.append(bench_text(logbook, "corner"))
    describe(logbook, "corner", "ice", "cube", {"shape": "cube", "edge_mm": 25}, "first")
    entitle(logbook, "corner", "The other corner", "moved")
    bench = logbook.bench("corner")
    assert bench.title == "The other corner" and bench.vessel("tin").mass_g == 240.0
    assert entry_of(logbook, "corner", "ice", "cube") == {"shape": "cube", "edge_mm": 25}
    said = steps(logbook, "corner")
    assert [s.why for s in said] == ["moved", "first", "weighed again", "weighed", "begun"]
    (mass, kept) = said[2].described
    assert (mass.of, mass.field, mass.before, mass.after) == ("vessel tin", "mass_g", 235, 240)
    assert (kept.field, kept.before, kept.after) == ("held_back_g", None, 2.5)
    assert said[1].words == "ice cube added"
    for want in ("moved", "first"):
        assert undo_step(logbook, "corner").why == want
    for text in reversed(texts):
        assert bench_text(logbook, "corner") == text
        undo_step(logbook, "corner")
    assert logbook.benches() == () and last_step(logbook, "corner") is None
    with pytest.raises(BenchError, match="no step to undo"):
        undo_step(logbook, "corner")
    begin_bench(logbook, "corner")
    assert [b.name for b in logbook.benches()] == ["corner"]


def test_the_reader_of_bench_folders_judges_what_is_written(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    before = bench_text(logbook, "bar")
    for section, table, said in (
        ("vessels", {"mass_g": -3}, "must be above zero"),
        ("ice", {"shape": "pyramid"}, "not one of cube"),
        ("recipes", {"ingredients": []}, "lists no ingredients"),
        ("targets", {}, "names no limit"),
        ("targets", {"dilution_by_volume": [0.4, 0.3]}, "low < high"),
        ("techniques", {"like": "juggle"}, "not one of shake"),
        ("vessels", {"colour": "red"}, "unknown key"),
    ):
        with pytest.raises(BenchError, match=said):
            describe(logbook, "bar", section, "new one", table, "a slip")
    with pytest.raises(NotFound, match="shelf"):
        describe(logbook, "bar", "glasses", "coupe", {}, "a slip")
    with pytest.raises(BenchError, match="look alike"):
        describe(logbook, "bar", "vessels", "TIN", {}, "a slip")
    assert bench_text(logbook, "bar") == before and len(steps(logbook, "bar")) == 1


def test_what_runs_name_is_renamed_with_them_and_never_taken_from_under_them(
    logbook: Logbook, book: RunBook
) -> None:
    logbook.add(book, "bar", "folder")
    before = logbook.book("bar")
    with pytest.raises(BenchError, match=r"cannot be taken off: .* name"):
        remove(logbook, "bar", "vessels", "tin", "gone")
    rename(logbook, "bar", "vessels", "tin", "small tin", "two tins now")
    runs = [r for r in logbook.book("bar").runs if r.vessel == "small tin"]
    assert len(runs) == sum(r.vessel == "tin" for r in book.runs) > 1
    assert "tin" not in logbook.bench("bar").vessels
    taken = last_step(logbook, "bar")
    assert taken is not None and taken.changed == len(runs)
    assert taken.words.endswith("runs changed, vessel tin is now small tin")
    undo_step(logbook, "bar")
    assert logbook.book("bar") == before
    own = entry_of(logbook, "bar", "vessels", "tin")
    assert set(own) - {"material", "mass_g", "held_back_g"}, "it has a key of the bar's own"
    describe(logbook, "bar", "vessels", "light tin", own | {"mass_g": 200}, "another", was="tin")
    assert entry_of(logbook, "bar", "vessels", "light tin") == own | {"mass_g": 200}
    undo_step(logbook, "bar")
    assert logbook.book("bar") == before


def test_a_recipe_that_is_drawn_from_another_follows_it(logbook: Logbook) -> None:
    begin_bench(logbook, "corner")
    coffee = {"name": "coffee", "volume_ml": 50}
    describe(logbook, "corner", "recipes", "base", {"ingredients": [coffee]}, "first")
    drawn = {"name": "house batch", "volume_ml": 90, "batch": "base"}
    describe(logbook, "corner", "recipes", "long", {"ingredients": [drawn]}, "first")
    sweet = {"name": "syrup", "volume_ml": 10, "sugar_g_per_100ml": 60}
    describe(logbook, "corner", "recipes", "base", {"ingredients": [coffee, sweet]}, "sweeter")
    assert [i.name for i in logbook.bench("corner").recipe("long").ingredients[0].batch] == [
        "coffee",
        "syrup",
    ]
    rename(logbook, "corner", "recipes", "base", "house base", "a name of its own")
    assert entry_of(logbook, "corner", "recipes", "long")["ingredients"][0]["batch"] == "house base"
    with pytest.raises(BenchError, match="no recipe 'house base'"):
        remove(logbook, "corner", "recipes", "house base", "no more")


def test_an_import_is_one_step_and_comes_in_again(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    before = logbook.book("bar")
    taken = undo_step(logbook, "bar")
    assert taken.began_bench and taken.added == len(book.runs)
    assert logbook.benches() == ()
    again = logbook.add(book, "bar", "folder")
    assert (again.new, again.unchanged) == (len(book.runs), 0)
    assert logbook.book("bar") == before
    undo_step(logbook, "bar")
    assert logbook.benches() == ()


def test_undo_of_a_run_and_of_the_bench_are_one(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    before = logbook.book("bar")
    logbook.edit_run("bar", "r1", {"drink_temp_c": 20.0}, "read it wrong")
    logbook.edit_run("bar", "r1", {"room_temp_c": 19.0}, "thermometer")
    logbook.undo("bar", "r1")
    taken = undo_step(logbook, "bar")
    assert taken.why == "read it wrong"
    assert logbook.book("bar") == before
    logbook.delete_run("bar", "r1", "a test")
    undo_step(logbook, "bar")
    assert logbook.book("bar") == before
    assert last_step(logbook, "bar").began_bench  # type: ignore[union-attr]


def test_what_was_described_by_hand_stays_when_the_folder_comes_in_again(
    logbook: Logbook, book: RunBook
) -> None:
    logbook.add(book, "bar", "folder")
    describe(logbook, "bar", "vessels", "tin", {"mass_g": 199}, "weighed")
    describe(logbook, "bar", "vessels", "jar", {}, "new")
    logbook.add(book, "bar", "folder")
    assert logbook.bench("bar").vessel("tin").mass_g == 199.0 and "jar" in logbook.bench("bar").vessels
    fresh = {**book.bench.ice, "cube": Ice("cube", edge_mm=31.0)}
    vessels = {**book.bench.vessels}
    changed = replace(book, bench=replace(book.bench, ice=fresh, vessels=vessels))
    logbook.add(changed, "bar", "folder")
    bench = logbook.bench("bar")
    assert (bench.ice_type("cube").edge_mm, bench.vessel("tin").mass_g) == (31.0, 199.0)


def test_a_run_recorded_meanwhile_takes_nothing_from_the_bench(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    at_the_start = logbook.bench("bar")
    describe(logbook, "bar", "vessels", "tin", {"mass_g": 199}, "weighed")
    run = Run("live1", "shake", "tin", "cube", "black")
    logbook.add(RunBook(at_the_start, (run,)), "bar", "recording live1")
    assert logbook.bench("bar").vessel("tin").mass_g == 199.0
    assert undo_step(logbook, "bar").words == "run live1 brought in"


def test_two_texts_are_told_apart_by_what_they_say(logbook: Logbook) -> None:
    one = '# a remark\ntitle = "x"\n\n[vessels.tin]\nmass_g = 2 # light\n'
    assert differences(one, one.replace("# a remark\n", "")) == ()
    (found,) = differences(one, one.replace("= 2", "= 3"))
    assert (found.of, found.field, found.before, found.after) == ("vessel tin", "mass_g", 2, 3)
    assert parse_bench(one)[0].vessel("tin").mass_g == 2.0
