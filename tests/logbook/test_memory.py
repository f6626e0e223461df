"""What benches say without names, in the logbook: kept, learned from, lent only where an owner says so."""

from __future__ import annotations

import numpy as np
import pytest

from rig.errors import LogbookError
from rig.fitting.learning import learned_by
from rig.fitting.population import BenchStatistics
from rig.logbook.editing import undo_step
from rig.logbook.memory import is_shared, keep_populations, keep_statistics, set_shared, statistics
from rig.logbook.rows import NEW_BENCH
from rig.logbook.store import Logbook, open_logbook
from rig.logbook.venues import Right
from rig.population import Population
from rig.runs import RunBook
from tests.logbook.conftest import Shared

POPULATION = Population(
    {"rate · technique · shake": (0.2, 0.3)}, np.array([[0.25]]), {"rate · run · shake": 0.08}, 3, 1, 41
)
NEW = Population({"rate · technique · shake": (0.1, 0.4)}, np.zeros((1, 1)), {}, 4, 1, 52)


def said(value: float, runs: int = 10) -> bytes:
    one = np.array([[1e4]])
    return BenchStatistics(("rate",), np.array([0.5]), one, one[0] * value, {}, runs).to_bytes()


def test_a_bench_begins_from_what_was_learned_for_it_and_a_new_one_from_what_was_for_new_ones(
    logbook: Logbook, book: RunBook
) -> None:
    logbook.add(book, "bar", "folder")
    logbook.add(book, "other", "folder")
    assert logbook.book("bar").population is None
    keep_populations(logbook, {"bar": POPULATION, NEW_BENCH: NEW})
    assert logbook.book("bar").population == POPULATION
    assert logbook.bench_to_fit("bar") == (book.bench, POPULATION)
    assert logbook.book("other").population == NEW
    keep_populations(logbook, {"bar": None, NEW_BENCH: NEW})
    assert logbook.book("bar").population is None
    keep_populations(logbook, {})
    assert logbook.book("other").population is None


def test_what_a_bench_says_is_kept_once_and_never_learned_from_for_itself(
    logbook: Logbook, book: RunBook
) -> None:
    for name, value in (("a", 0.1), ("b", 0.2), ("c", 0.9)):
        logbook.add(book, name, "folder")
        keep_statistics(logbook, name, said(0.0))
        keep_statistics(logbook, name, said(value))
    mine = [s for s in statistics(logbook) if s.bench is not None]
    assert [s.bench for s in mine] == ["a", "b", "c"]
    found = learned_by(logbook)
    assert set(found) == {"a", "b", "c", NEW_BENCH}
    assert (found["c"].benches, found[NEW_BENCH].benches) == (
        len(statistics(logbook)) - 1,
        len(statistics(logbook)),
    )
    assert found["c"].effects["rate"][0] < found["a"].effects["rate"][0]
    keep_statistics(logbook, "a", None)
    assert [s.bench for s in statistics(logbook) if s.bench is not None] == ["b", "c"]


def test_a_bench_that_was_put_away_says_nothing(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    keep_statistics(logbook, "bar", said(0.3))
    undo_step(logbook, "bar")
    assert "bar" not in {b.name for b in logbook.benches()}
    assert "bar" not in {s.bench for s in statistics(logbook)}


def test_other_venues_are_shown_what_benches_say_only_while_an_owner_shares_it(
    shared: Shared, book: RunBook
) -> None:
    owner, barista = shared.login("harbour", Right.OWNER), shared.login("harbour", Right.BARISTA)
    with open_logbook(shared.login("pier", Right.BARISTA)) as pier, open_logbook(owner) as harbour:
        harbour.add(book, "bar", "folder")
        keep_statistics(harbour, "bar", said(0.3, runs=77))
        before = statistics(pier)
        with open_logbook(barista) as hand, pytest.raises(LogbookError):
            set_shared(hand, True)
        assert not is_shared(harbour)
        set_shared(harbour, True)
        assert is_shared(harbour) and not is_shared(pier)
        (lent,) = [s for s in statistics(pier) if s not in before]
        assert lent.bench is None
        assert BenchStatistics.from_bytes(lent.content).runs == 77
        assert learned_by(pier)[NEW_BENCH].runs >= 77
        assert pier.benches() == ()
        set_shared(harbour, False)
        assert statistics(pier) == before


def test_what_is_lent_cannot_be_changed_by_whoever_it_is_lent_to(shared: Shared, book: RunBook) -> None:
    with open_logbook(shared.login("harbour", Right.OWNER)) as harbour:
        harbour.add(book, "bar", "folder")
        keep_statistics(harbour, "bar", said(0.3))
        set_shared(harbour, True)
        mine = statistics(harbour)
        with open_logbook(shared.login("pier", Right.OWNER)) as pier, pier._writing() as connection:
            gone = connection.exec_driver_sql("delete from bench_statistics").rowcount
            changed = connection.exec_driver_sql("update bench_statistics set made_at = ''").rowcount
            ended = connection.exec_driver_sql("delete from statistics_shared").rowcount
            assert (gone, changed, ended) == (0, 0, 0)
        assert statistics(harbour) == mine
        set_shared(harbour, False)
