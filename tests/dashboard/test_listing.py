from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rig.errors import NotFound
from rig.logbook.listing import BookListing, LogbookListing, RunFilter
from rig.logbook.store import open_logbook
from rig.runs import RunBook
from tests.cli.small_bench import small_book


def told_apart() -> RunBook:
    """The small bench with sessions, operators, notes and one run left out."""
    book = small_book()
    runs = tuple(
        replace(
            r,
            session=f"evening {k % 2}",
            operator=("ada", None, "bo_1")[k % 3],
            notes="100 % spilled" if k == 4 else None,
        )
        for k, r in enumerate(book.runs)
    )
    return replace(book, runs=(*runs[:-1], replace(runs[-1], excluded_because="spilled")))


@pytest.fixture(scope="module")
def book() -> RunBook:
    return told_apart()


@pytest.fixture(scope="module")
def stored(book: RunBook, tmp_path_factory: pytest.TempPathFactory) -> Iterator[LogbookListing]:
    at: Path = tmp_path_factory.mktemp("lists") / "bar.sqlite"
    with open_logbook(at) as logbook:
        logbook.add(book, "corner", "test")
    listing = LogbookListing(str(at))
    yield listing
    listing.close()


TEXTS = st.sampled_from(["", "shake", "stir", "wet cube", "night shift", "evening 1", "no such"])


@settings(deadline=None, max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    wanted=st.builds(
        RunFilter,
        technique=st.sampled_from(["", "shake", "stir"]),
        ice=st.sampled_from(["", "wet cube", "freezer cube"]),
        session=TEXTS,
        words=st.sampled_from(["", "a", "B", "ada", "100 %", "_", "%", "'; drop table run; --"]),
        excluded=st.sampled_from([None, True, False]),
        names=st.none() | st.frozensets(st.sampled_from(["a1", "b3", "c5", "zz"])),
    ),
    first=st.integers(0, 16),
    count=st.integers(1, 16),
)
def test_the_database_lists_what_a_plain_reading_of_the_book_lists(
    book: RunBook, stored: LogbookListing, wanted: RunFilter, first: int, count: int
) -> None:
    plain, listed = (
        BookListing(book).page("corner", wanted, first, count),
        stored.page("corner", wanted, first, count),
    )
    assert listed.total == plain.total
    assert [r.run for r in listed.runs] == [r.run for r in plain.runs]
    assert all(r.trace is None for r in listed.runs)


def test_both_offer_the_same_to_filter_by(book: RunBook, stored: LogbookListing) -> None:
    assert stored.facets("corner") == BookListing(book).facets("corner")


def test_runs_and_those_left_out_are_counted(book: RunBook, stored: LogbookListing) -> None:
    for listing in (stored, BookListing(book)):
        tally = listing.tally("corner")
        assert (tally.runs, tally.excluded) == (15, 1)


def test_a_bench_nobody_has_is_refused(stored: LogbookListing) -> None:
    with pytest.raises(NotFound, match="'corner'"):
        stored.tally("elsewhere")
