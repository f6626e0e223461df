"""What goes into a logbook comes out the same, is known again, and keeps its history."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from rig.bench import Bench, Ice, Recipe, Vessel
from rig.errors import BenchError, NotFound
from rig.logbook.edits import EDITABLE
from rig.logbook.intake import Added
from rig.logbook.records import FIELDS
from rig.logbook.schema import NUMBERS, OPTIONAL_TEXTS, TEXTS
from rig.logbook.store import Logbook, StoredBench, open_logbook
from rig.plausible import RUN as PLAUSIBLE
from rig.runs import RunBook, Trace


def changed(book: RunBook, run: str, **fields: Any) -> RunBook:
    return replace(book, runs=tuple(replace(r, **fields) if r.run == run else r for r in book.runs))


def test_a_book_comes_out_as_it_went_in(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    assert logbook.book("bar") == book


def test_a_book_comes_out_as_it_went_in_after_closing(url: str, book: RunBook) -> None:
    with open_logbook(url) as logbook:
        logbook.add(book, "bar", "folder")
    with open_logbook(url) as logbook:
        again = logbook.book("bar")
    assert again == book
    assert list(again.bench.recipes) == list(book.bench.recipes)
    trace, stored = book.runs[0].trace, again.runs[0].trace
    assert trace is not None and stored is not None
    assert [v.tobytes() for v in trace.channels().values()] == [
        v.tobytes() for v in stored.channels().values()
    ]
    assert [r.started_at and r.started_at.utcoffset() for r in again.runs] == [
        r.started_at and r.started_at.utcoffset() for r in book.runs
    ]


def test_a_logbook_in_memory_keeps_a_book(book: RunBook) -> None:
    with open_logbook(None) as logbook:
        logbook.add(book, "bar", "folder")
        assert logbook.book("bar") == book


@pytest.mark.parametrize(
    "trace",
    [
        Trace(np.array([])),
        Trace(np.array([0.0])),
        Trace(np.array([0.0, 1.0]), {"x_c": np.array([np.nan, np.nan])}),
        Trace(np.array([0.0]), {"b": np.array([1.0]), "a": np.array([-0.0])}, cadence_hz=np.array([np.inf])),
    ],
)
def test_a_trace_of_any_shape_comes_out_as_it_went_in(logbook: Logbook, book: RunBook, trace: Trace) -> None:
    odd = changed(book, "r2", trace=trace)
    logbook.add(odd, "bar", "folder")
    stored = logbook.run("bar", "r2").trace
    assert stored == trace
    assert stored is not None and list(stored.probes_c) == list(trace.probes_c)


def test_every_field_of_a_run_has_its_place() -> None:
    assert set(FIELDS) == {"run", "started_at", "extra", "trace", *TEXTS, *OPTIONAL_TEXTS, *NUMBERS}
    assert set(NUMBERS) == set(PLAUSIBLE)


def test_the_same_book_again_changes_nothing(logbook: Logbook, book: RunBook) -> None:
    assert logbook.add(book, "bar", "folder") == Added(new=4)
    assert logbook.add(book, "bar", "folder") == Added(unchanged=4)
    assert logbook.book("bar") == book
    assert all(logbook.history("bar", r.run) == () for r in book.runs)


def test_a_changed_source_is_taken_over_and_the_old_values_are_kept(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    later = changed(book, "r1", drink_temp_c=25.5, notes=None)
    later = changed(later, "r10", trace=book.runs[0].trace)
    assert logbook.add(later, "bar", "folder") == Added(unchanged=2, changed=2)
    assert logbook.book("bar") == later
    (change,) = logbook.history("bar", "r1")
    assert (change.rev, change.why) == (2, "import from folder")
    assert change.changes == {
        "drink_temp_c": (24.30000000000001, 25.5),
        "notes": ("two lines,\n“quoted” — ☕", None),
    }
    (change,) = logbook.history("bar", "r10")
    assert set(change.changes) == {"trace"}


def test_an_import_keeps_what_was_edited_by_hand(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    logbook.edit_run("bar", "r1", {"drink_temp_c": 30}, "read it wrong")
    logbook.exclude("bar", "r3", "lid came off")
    assert logbook.add(book, "bar", "folder") == Added(unchanged=4)
    logbook.add(changed(changed(book, "r1", notes="new"), "r3", notes="new"), "bar", "folder")
    r1, _, _, r3 = logbook.book("bar").runs
    assert (r1.drink_temp_c, r1.notes) == (30, "new")
    assert (r3.excluded_because, r3.notes) == ("lid came off", "new")
    logbook.add(changed(book, "r1", drink_temp_c=31, notes="new"), "bar", "folder")
    assert logbook.book("bar").runs[0].drink_temp_c == 31


def test_new_runs_follow_the_old_and_runs_gone_from_the_source_stay(logbook: Logbook, book: RunBook) -> None:
    logbook.add(replace(book, runs=book.runs[2:]), "bar", "folder")
    assert logbook.add(replace(book, runs=book.runs[:3]), "bar", "folder") == Added(new=2, unchanged=1)
    assert [r.run for r in logbook.book("bar").runs] == ["r10", "r3", "r1", "r2"]


def test_a_run_changed_from_another_source_is_named(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    later = changed(book, "r2", notes="x")
    assert logbook.add(later, "bar", "elsewhere") == Added(unchanged=3, changed=1, from_elsewhere=("r2",))


def test_entries_that_runs_need_survive_a_bench_without_them(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    smaller = Bench(
        title="Smaller",
        vessels={"tin": Vessel("tin", mass_g=300)},
        ice={"cube": Ice("cube", edge_mm=30)},
        recipes={
            "black": book.bench.recipes["black"],
            "new": Recipe("new", book.bench.recipes["black"].ingredients),
        },
    )
    logbook.add(RunBook(smaller, book.runs[:1]), "bar", "folder")
    bench = logbook.bench("bar")
    assert bench.title == "Smaller" and bench.vessels["tin"].mass_g == 300 and bench.ice["cube"].edge_mm == 30
    assert set(bench.recipes) == {"black", "new", "white"}
    assert set(bench.targets) == {"coupe"} and set(bench.techniques) == {"dry tumble"}
    for run in logbook.book("bar").runs:
        bench.vessel(run.vessel), bench.ice_type(run.ice), bench.recipe(run.recipe)


def test_findings_of_the_last_import_of_each_source_are_kept(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "a")
    logbook.add(replace(book, findings=book.findings[:1]), "bar", "b")
    assert logbook.book("bar").findings == (*book.findings, book.findings[0])
    logbook.add(replace(book, findings=()), "bar", "a")
    assert logbook.book("bar").findings == book.findings[:1]


def test_two_runs_of_one_name_in_a_book_are_refused(logbook: Logbook, book: RunBook) -> None:
    with pytest.raises(BenchError, match="run r1: two runs have this name"):
        logbook.add(replace(book, runs=(book.runs[0], book.runs[0])), "bar", "folder")
    assert logbook.benches() == ()


def test_benches_keep_apart(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "quay", "a")
    logbook.add(replace(book, runs=book.runs[:1]), "bar", "b")
    assert logbook.benches() == (StoredBench("bar", "Test bar", 1), StoredBench("quay", "Test bar", 4))
    logbook.edit_run("bar", "r1", {"notes": "here"}, "x")
    assert logbook.run("quay", "r1") == book.runs[0]
    assert [(x.bench, x.run.run) for x in logbook.list_runs()] == [
        *(("quay", r.run) for r in book.runs),
        ("bar", "r1"),
    ]


@pytest.mark.parametrize(
    ("selection", "expected"),
    [
        ({"technique": "shake"}, ["r1", "r3"]),
        ({"vessel": "tin"}, ["r1", "r10", "r3"]),
        ({"ice": "pebble"}, ["r2"]),
        ({"recipe": "white"}, ["r2", "r10"]),
        ({"session": "late"}, ["r10", "r3"]),
        ({"session": "late", "recipe": "black"}, ["r3"]),
        ({"session": "never"}, []),
        ({"session": None}, ["r1", "r2", "r10", "r3"]),
    ],
)
def test_a_selection_holds_the_runs_that_match_all(
    logbook: Logbook, book: RunBook, selection: Any, expected: list[str]
) -> None:
    logbook.add(book, "bar", "folder")
    selected = logbook.book("bar", **selection)
    assert selected.runs == tuple(r for r in book.runs if r.run in expected)
    assert [x.run.run for x in logbook.list_runs("bar", **selection)] == expected
    assert selected.bench == book.bench
    doubts = {f.place.run for f in selected.findings} - {None}
    assert doubts == ({"r2"} & set(expected) if any(selection.values()) else {"r2", "r9"})


def test_a_list_opens_no_trace(
    logbook: Logbook, book: RunBook, statements: Callable[[Logbook], list[str]]
) -> None:
    logbook.add(book, "bar", "folder")
    seen = statements(logbook)
    listed = logbook.list_runs("bar")
    without = logbook.book("bar", with_traces=False)
    assert [x.run for x in listed] == [replace(r, trace=None) for r in book.runs] == list(without.runs)
    assert [x.has_trace for x in listed] == [True, False, True, True]
    assert seen and not any("channel" in s for s in seen)


def test_one_trace_of_two_runs_is_stored_once(
    logbook: Logbook, book: RunBook, statements: Callable[[Logbook], list[str]]
) -> None:
    seen = statements(logbook)
    logbook.add(book, "bar", "folder")
    assert sum(s.startswith("INSERT INTO channel") for s in seen) == 2


def test_an_edit_keeps_before_after_when_and_why(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    moment = datetime(2026, 3, 10, 9, tzinfo=UTC)
    assert logbook.edit_run("bar", "r2", {"ice_mass_g": 205, "started_at": moment}, "forgot") == 2
    assert logbook.edit_run("bar", "r2", {"extra": {"lid": "tight"}, "notes": "  "}, "note") == 3
    run = logbook.run("bar", "r2")
    assert run == replace(book.runs[1], ice_mass_g=205, started_at=moment, extra={"lid": "tight"})
    first, second = logbook.history("bar", "r2")
    assert first.changes["ice_mass_g"] == (None, 205.0) and first.why == "forgot"
    assert first.changes["started_at"] == ("2026-03-09T00:00:00+00:00", "2026-03-10T09:00:00+00:00")
    assert dict(second.changes) == {"extra": ({}, {"lid": "tight"})}
    assert first.changed_at.tzinfo is not None and first.changed_at <= second.changed_at
    assert logbook.list_runs("bar")[1].rev == 3


def test_an_edit_that_changes_nothing_leaves_no_trace(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    assert logbook.edit_run("bar", "r1", {"drink_temp_c": book.runs[0].drink_temp_c}, "again") == 1
    assert logbook.history("bar", "r1") == ()


def test_a_run_is_excluded_with_a_reason_and_taken_back(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    logbook.exclude("bar", "r1", "spilt")
    assert [r.run for r in logbook.book("bar").used_runs()] == ["r2", "r3"]
    logbook.include("bar", "r1", "it was only a drop")
    assert logbook.book("bar") == book
    assert [c.why for c in logbook.history("bar", "r1")] == ["spilt", "it was only a drop"]


@pytest.mark.parametrize(
    ("changes", "error", "says"),
    [
        ({"drink_temp_c": 140}, BenchError, "column drink_temp_c, run r1: 140 lies outside .* write 60"),
        ({"ice_mass_g": -5.0}, BenchError, "negative"),
        ({"ice_mass_g": float("nan")}, BenchError, "not a number"),
        ({"ice_mass_g": "210"}, BenchError, "not a number. Give it in g"),
        ({"ice_mass_g": True}, BenchError, "not a number"),
        ({"started_at": "2026-03-09"}, BenchError, "no date and time"),
        ({"technique": " "}, BenchError, "Give the technique"),
        ({"vessel": None}, BenchError, "Give the vessel"),
        ({"notes": 5}, BenchError, "no text"),
        ({"vessel": "tinn"}, NotFound, "did you mean 'tin'"),
        ({"target": "coup"}, NotFound, "did you mean 'coupe'"),
        ({"drink_temp": 20}, NotFound, "did you mean 'drink_temp_c'"),
        ({"trace": None}, NotFound, "editable field"),
        ({"run": "r7"}, NotFound, "editable field"),
    ],
)
def test_an_edit_that_cannot_be_is_refused_and_changes_nothing(
    logbook: Logbook, book: RunBook, changes: dict[str, Any], error: type[Exception], says: str
) -> None:
    logbook.add(book, "bar", "folder")
    with pytest.raises(error, match=says):
        logbook.edit_run("bar", "r1", {"notes": "must not stay", **changes}, "why")
    assert logbook.book("bar") == book and logbook.history("bar", "r1") == ()


def test_every_optional_field_may_be_emptied(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    emptied = {f: None for f in EDITABLE if f not in (*TEXTS, "extra")}
    logbook.edit_run("bar", "r1", emptied, "start over")
    assert logbook.run("bar", "r1") == replace(book.runs[0], **emptied)


def test_names_that_are_not_there_are_told_with_those_like_them(logbook: Logbook, book: RunBook) -> None:
    with pytest.raises(NotFound, match=r"there is no bench 'bar'\. Known: none"):
        logbook.book("bar")
    logbook.add(book, "bar", "folder")
    with pytest.raises(NotFound, match="there is no bench 'barr'; did you mean 'bar'"):
        logbook.list_runs("barr")
    with pytest.raises(NotFound, match=r"there is no run 'r11'; did you mean 'r1"):
        logbook.run("bar", "r11")
    with pytest.raises(NotFound, match="there is no run 'zzz'"):
        logbook.exclude("bar", "zzz", "x")


def test_what_is_cached_is_found_under_its_fingerprint_only(logbook: Logbook) -> None:
    assert logbook.cached("a") is None
    logbook.cache("a", b"\x00one", "bar")
    logbook.cache("b", b"two", "pier")
    assert (logbook.cached("a"), logbook.cached("b")) == (b"\x00one", b"two")
    logbook.cache("a", b"three", "bar")
    assert logbook.cached("a") == b"three"


def test_progress_counts_up_to_all_runs(logbook: Logbook, book: RunBook) -> None:
    many = replace(book, runs=tuple(replace(book.runs[1], run=f"r{n}") for n in range(45)))
    seen: list[tuple[int, int]] = []
    logbook.add(many, "bar", "folder", progress=lambda done, total: seen.append((done, total)))
    assert seen == [(20, 45), (40, 45), (45, 45)]
    assert logbook.book("bar").runs == many.runs


def test_two_imports_at_once_store_each_run_once(url: str, book: RunBook) -> None:
    many = replace(book, runs=tuple(replace(book.runs[n % 2], run=f"r{n}") for n in range(60)))
    with open_logbook(url) as first, open_logbook(url) as second, ThreadPoolExecutor(2) as pool:
        results = list(pool.map(lambda logbook: logbook.add(many, "bar", "folder"), (first, second)))
        assert sum(r.new for r in results) == 60 and sum(r.unchanged for r in results) == 60
        stored = first.book("bar")
        assert sorted(stored.runs, key=lambda r: int(r.run[1:])) == list(many.runs)
        assert second.book("bar") == stored
