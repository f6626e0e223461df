from __future__ import annotations

import threading
from dataclasses import replace
from typing import Any

import pytest

from dashboard.page import Here
from dashboard.pages import compare, rehearsal, shake_time
from dashboard.params import params_of_store
from dashboard.questions.call import CallQuestion
from dashboard.questions.compare import CompareQuestion
from dashboard.questions.rehearsal import RehearsalQuestion
from dashboard.service import THEMES, BenchView, Service, Working
from dashboard.sources import FolderSource, Wanted, logbook_source
from rig.errors import BenchError, NotFound, RigError
from rig.logbook.store import open_logbook
from rig.runs import RunBook
from tests.cli.small_bench import small_bench, small_book
from tests.dashboard.benches import HeldSource, source_of_view
from tests.dashboard.reading import parts


def test_a_bench_is_fitted_once_however_often_it_is_looked_at(view: BenchView) -> None:
    source = source_of_view(view)
    service = Service(source)
    first = service.view("corner")
    assert service.view("corner") is first
    assert service.look("corner") is first
    assert source.fits == 1


def test_a_bench_that_changed_is_fitted_anew(view: BenchView) -> None:
    source = source_of_view(view)
    service = Service(source)
    first = service.view("corner")
    fewer = RunBook(view.bench, view.book.runs[:10])
    source.books["corner"], source.known[id(fewer)] = fewer, first.fitted()
    assert isinstance(service.look("corner"), BenchView | Working)
    assert service.view("corner").book is fewer


def test_a_bench_that_cannot_be_read_is_told_and_tried_again(view: BenchView) -> None:
    source = source_of_view(view)
    source.trouble = BenchError("the run sheet is cut off")
    service = Service(source)
    with pytest.raises(BenchError, match="cut off"):
        service.view("corner")
    with pytest.raises(BenchError, match="cut off"):
        service.look("corner")
    source.trouble = None
    assert service.view("corner").fit is not None


def test_runs_too_few_to_fit_are_shown_all_the_same() -> None:
    book = small_book()
    service = Service(HeldSource({"corner": RunBook(book.bench, ())}))
    seen = service.view("corner")
    assert seen.fit is None
    assert "no run can be fitted" in seen.lacking


def test_a_bench_nobody_has_is_refused_with_those_there_are(view: BenchView) -> None:
    service = Service(source_of_view(view, "corner", "harbour"))
    assert service.chosen(None) == "corner"
    assert service.chosen("harbour") == "harbour"
    with pytest.raises(NotFound, match="'corner', 'harbour'"):
        service.chosen("elsewhere")
    with pytest.raises(RigError, match="Import a bench first"):
        Service(HeldSource({})).chosen(None)


def test_a_folders_stamp_changes_when_a_file_in_it_does(tmp_path_factory: pytest.TempPathFactory) -> None:
    home = small_bench(tmp_path_factory.mktemp("bench") / "corner")
    source = FolderSource(home)
    before = source.stamp("corner")
    assert source.stamp("corner") == before
    sheet = home / "run_sheet.csv"
    sheet.write_text(sheet.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    assert source.stamp("corner") != before


def test_a_logbooks_stamp_changes_when_a_run_is_corrected(tmp_path_factory: pytest.TempPathFactory) -> None:
    at = tmp_path_factory.mktemp("book") / "bar.sqlite"
    with open_logbook(at) as logbook:
        logbook.add(small_book(), "corner", "test")
        source = logbook_source(str(at))
        before = source.stamp("corner")
        logbook.exclude("corner", "b3", "mis-keyed weight")
        assert source.names() == ("corner",)
        assert source.stamp("corner") != before
        source.logbook.close()


def test_a_long_bench_is_fitted_on_the_newest_of_every_drink_and_says_so(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    at = tmp_path_factory.mktemp("book") / "bar.sqlite"
    with open_logbook(at) as logbook:
        logbook.add(small_book(), "corner", "test")
        logbook.exclude("corner", "a5", "spilled")
        source = replace(logbook_source(str(at)), most_fitted=6)
        book = source.book("corner")
        assert sorted(r.run for r in book.runs) == ["a3", "a4", "b4", "b5", "c4", "c5"]
        assert [f.what for f in book.findings] == ["fitted on 6 of 15 runs, the newest of each drink"]
        source.logbook.close()


def test_a_logbook_file_that_is_not_there_is_not_made_anew(tmp_path_factory: pytest.TempPathFactory) -> None:
    at = tmp_path_factory.mktemp("none") / "bar.sqlite"
    with pytest.raises(RigError, match="there is no logbook at"):
        Wanted(logbook=str(at)).source()
    assert not at.exists()
    with pytest.raises(RigError, match="nothing to show"):
        Wanted().source()


def test_a_desk_that_works_ahead_answers_what_most_will_ask_before_anybody_does(view: BenchView) -> None:
    asked: list[tuple[BenchView, str]] = []
    done = threading.Event()

    def refused(seen: BenchView, theme: str) -> None:
        raise RigError("this one has no answer")

    def broken(seen: BenchView, theme: str) -> None:
        raise ZeroDivisionError

    def usual(seen: BenchView, theme: str) -> None:
        asked.append((seen, theme))
        if len(asked) == len(THEMES):
            done.set()

    service = Service(source_of_view(view, "corner", "harbour"), ahead=True)
    for question in (refused, broken, usual):
        service.usually(question)
    service.begin()
    assert done.wait(60)
    assert asked == [(service.view("corner"), theme) for theme in THEMES]


def test_a_desk_that_does_not_opens_nothing(view: BenchView) -> None:
    source = source_of_view(view)
    service = Service(source)
    service.usually(lambda seen, theme: pytest.fail("nobody asked"))
    service.begin()
    service.view("corner")
    assert source.fits == 1


@pytest.mark.parametrize(
    ("page", "prefix", "question"),
    [
        (shake_time, "call-", CallQuestion),
        (compare, "compare-", CompareQuestion),
        (rehearsal, "rehearsal-", RehearsalQuestion),
    ],
    ids=["shake time", "compare", "rehearsal"],
)
def test_a_page_as_it_first_stands_asks_what_was_worked_out_ahead(
    view: BenchView, page: Any, prefix: str, question: Any
) -> None:
    layout = page.layout(Here(Service(source_of_view(view)), "corner", None, "", {}))
    told = {
        p["props"]["id"].removeprefix(prefix): p["props"]["value"]
        for p in parts(layout)
        if str(p["props"].get("id", "")).startswith(prefix) and p["props"].get("value") is not None
    }
    assert len(told) > 2
    # what stands as usual is not asked, wherever its slider stands
    usual = {name.removesuffix("-usual") for name, value in told.items() if name.endswith("-usual") and value}
    told = {name: value for name, value in told.items() if name not in usual and not name.endswith("-usual")}
    assert question.of(view, params_of_store(told)) == question.of(view, {})
