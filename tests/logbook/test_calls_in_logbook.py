"""Calls made go into the logbook once a question and fit, and come out as they went in."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa

from rig.bench import Target
from rig.errors import LogbookError, NotFound
from rig.logbook import schema
from rig.logbook.calls import CallMade, arrivals, calls_made, keep_call
from rig.logbook.connect import engine_for, url_from
from rig.logbook.migrations import STEPS, migrate, schema_number
from rig.logbook.store import Logbook, open_logbook
from rig.runs import RunBook

NOON = datetime(2031, 5, 1, 12, 0, tzinfo=UTC)
CALL = CallMade(
    technique="shake",
    vessel="tin",
    ice="cube",
    recipe="black",
    conditions={"drink_temp_c": 24.0, "ice_mass_g": 210.5},
    target=Target(serve_temp_c_max=-2, dilution_by_volume=(0.3, 0.36), name="coupe"),
    duration_s=12.25,
    window_s=(10.5, 14.0),
    odds=0.7234,
    basis="measured",
    fit="f1",
    asked_from="advise",
    asked_at=NOON,
)


def rows(logbook: Logbook) -> int:
    with logbook._reading() as connection:
        return connection.scalar(sa.select(sa.func.count()).select_from(schema.call_made)) or 0


def test_a_call_comes_out_as_it_went_in(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    keep_call(logbook, "bar", CALL)
    (kept,) = calls_made(logbook, "bar")
    assert kept.call == CALL
    assert kept.last_asked_at == NOON
    assert kept.after_position == max(arrivals(logbook, "bar").values())


def test_the_same_question_in_the_same_fit_is_one_row_and_remembers_when_it_was_last_asked(
    logbook: Logbook, book: RunBook
) -> None:
    logbook.add(book, "bar", "folder")
    later = NOON + timedelta(minutes=5)
    keep_call(logbook, "bar", CALL)
    keep_call(logbook, "bar", replace(CALL, asked_at=later, asked_from="Shake time"))
    (kept,) = calls_made(logbook, "bar")
    assert (kept.call.asked_at, kept.last_asked_at, kept.call.asked_from) == (NOON, later, "advise")
    keep_call(logbook, "bar", replace(CALL, asked_at=NOON - timedelta(hours=1)))
    assert calls_made(logbook, "bar")[0].last_asked_at == later


@pytest.mark.parametrize(
    "other",
    [
        replace(CALL, fit="f2"),
        replace(CALL, recipe="white"),
        replace(CALL, conditions={"drink_temp_c": 25.0, "ice_mass_g": 210.5}),
        replace(CALL, target=Target(serve_temp_c_max=-1, name="coupe")),
    ],
)
def test_another_question_or_fit_is_another_row(logbook: Logbook, book: RunBook, other: CallMade) -> None:
    logbook.add(book, "bar", "folder")
    other = replace(other, asked_at=NOON + timedelta(minutes=1))
    keep_call(logbook, "bar", CALL)
    keep_call(logbook, "bar", other)
    assert [k.call for k in calls_made(logbook, "bar")] == [CALL, other]


def test_each_bench_has_its_own_calls(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    logbook.add(book, "room", "folder")
    keep_call(logbook, "bar", CALL)
    keep_call(logbook, "room", CALL)
    assert len(calls_made(logbook, "bar")) == len(calls_made(logbook, "room")) == 1
    assert rows(logbook) == 2
    with pytest.raises(NotFound):
        keep_call(logbook, "cellar", CALL)


def test_a_call_on_a_bench_without_runs_is_before_all_that_come(logbook: Logbook, book: RunBook) -> None:
    logbook.add(replace(book, runs=()), "bar", "folder")
    keep_call(logbook, "bar", CALL)
    logbook.add(book, "bar", "folder")
    (kept,) = calls_made(logbook, "bar")
    assert all(position > kept.after_position for position in arrivals(logbook, "bar").values())
    assert list(arrivals(logbook, "bar")) == [r.run for r in book.runs]


def test_one_statement_asks_for_the_calls(logbook: Logbook, book: RunBook, statements: object) -> None:
    logbook.add(book, "bar", "folder")
    for k in range(20):
        keep_call(logbook, "bar", replace(CALL, fit=f"f{k}"))
    seen = statements(logbook)  # type: ignore[operator]
    assert len(calls_made(logbook, "bar")) == 20
    assert len([s for s in seen if s.lower().startswith("select")]) <= 2


def test_a_logbook_of_the_step_before_is_brought_along(tmp_path: Path, book: RunBook) -> None:
    file = tmp_path / "log.sqlite"
    engine = engine_for(url_from(file))
    before = next(n for n, step in enumerate(STEPS) if step.__name__ == "add_calls_made")
    migrate(engine, STEPS[:before])
    assert schema.call_made.name not in sa.inspect(engine).get_table_names()
    engine.dispose()
    with open_logbook(file) as logbook:
        assert schema_number(logbook._engine) == len(STEPS)
        logbook.add(book, "bar", "folder")
        keep_call(logbook, "bar", CALL)
        assert len(calls_made(logbook, "bar")) == 1


def test_a_logbook_that_takes_nothing_says_so_and_still_answers(url: str, book: RunBook) -> None:
    with open_logbook(url) as logbook:
        logbook.add(book, "bar", "folder")
        keep_call(logbook, "bar", CALL)
    at = url_from(url)
    if at.get_backend_name() == "postgresql":
        read_only = f"{at.query['options']} -cdefault_transaction_read_only=on"
        url = at.update_query_dict({"options": read_only}).render_as_string(False)
    with open_logbook(url) as logbook:
        if at.get_backend_name() == "sqlite":
            sa.event.listen(logbook._engine, "checkout", lambda c, *_: c.execute("pragma query_only=on"))
        with pytest.raises(LogbookError, match=r"may not be written|read-only"):
            keep_call(logbook, "bar", replace(CALL, fit="f2"))
        assert [k.call for k in calls_made(logbook, "bar")] == [CALL]
