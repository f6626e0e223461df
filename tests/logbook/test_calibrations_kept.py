"""Calibrations in the logbook come back as they were, and the one in force is found."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
import sqlalchemy as sa

from rig.errors import LogbookError
from rig.logbook import schema
from rig.logbook.calibrations import calibration_in_force, calibrations, keep_calibration
from rig.logbook.connect import engine_for, url_from
from rig.logbook.migrations import STEPS, migrate
from rig.logbook.store import Logbook, open_logbook
from rig.runs import RunBook
from rig.sensors.calibration import Calibration, CalibrationKind, Point, one_value
from rig.sensors.line import fit_line
from tests.logbook.conftest import without_step_8

KIND = CalibrationKind.TEMPERATURE
WHEN = datetime(2026, 3, 9, 18, 30, 1, 250_000, tzinfo=timezone(timedelta(hours=-9, minutes=-30)))
PROBE = fit_line(
    "tin probe ☕", "wall", KIND, WHEN, [Point(0.1 + 0.2, 0.0, 0.07, "ice point"), Point(99.3, 99.0, 0.12)],
    method="two fixed points",
)  # fmt: skip
SCATTERED = fit_line(
    "tin probe ☕",
    "",
    KIND,
    WHEN,
    [Point(x, x + 0.01 * x * x % 0.3) for x in (1.0, 2.0, 30.0)],
    method="three",
)
LAG = one_value(
    "tin probe ☕", "wall", CalibrationKind.LAG, WHEN, 4.2, 0.1, degrees_of_freedom=9.5, residual_std=0.1,
    method="plunge",
)  # fmt: skip


@pytest.mark.parametrize("made", [PROBE, SCATTERED, LAG], ids=["weighted", "scattered", "lag"])
def test_a_calibration_comes_back_equal_to_the_last_bit(url: str, made: Calibration) -> None:
    with open_logbook(url) as logbook:
        assert keep_calibration(logbook, made)
    with open_logbook(url) as logbook:
        assert calibrations(logbook) == (made,)


def test_infinite_degrees_of_freedom_come_back_infinite(logbook: Logbook) -> None:
    keep_calibration(logbook, PROBE)
    assert math.isinf(calibrations(logbook)[0].degrees_of_freedom)


def test_the_same_calibration_is_kept_once(logbook: Logbook) -> None:
    assert keep_calibration(logbook, PROBE)
    assert not keep_calibration(logbook, PROBE)
    assert len(calibrations(logbook)) == 1


def test_calibrations_are_found_by_device_channel_and_kind_newest_first(logbook: Logbook) -> None:
    newer = replace(PROBE, when=datetime(2026, 4, 1, tzinfo=UTC))
    for made in (PROBE, SCATTERED, LAG, newer):
        keep_calibration(logbook, made)
    assert calibrations(logbook, channel="wall", kind=KIND) == (newer, PROBE)
    assert calibrations(logbook, device="nobody's") == ()
    assert calibrations(logbook, kind=CalibrationKind.LAG) == (LAG,)


def test_the_one_in_force_is_the_newest_that_holds(logbook: Logbook) -> None:
    newer = replace(PROBE, when=datetime(2026, 4, 1, tzinfo=UTC), expires=date(2026, 4, 15))
    keep_calibration(logbook, PROBE)
    keep_calibration(logbook, newer)

    def on(day: date) -> Calibration | None:
        return calibration_in_force(logbook, PROBE.device, "wall", KIND, day)

    assert on(date(2026, 4, 10)) == newer
    assert on(date(2026, 4, 20)) == PROBE
    assert on(PROBE.expires) is None


def test_runs_and_calibrations_live_side_by_side(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    keep_calibration(logbook, PROBE)
    assert logbook.book("bar") == book and calibrations(logbook) == (PROBE,)


@pytest.fixture
def damaged(own_url: str) -> Iterator[Logbook]:
    with open_logbook(own_url) as logbook:
        keep_calibration(logbook, PROBE)
        with logbook._engine.begin() as connection:
            connection.execute(schema.calibration.update().values(covariance="[[1.0]]"))
        yield logbook


def test_a_damaged_calibration_is_named_with_its_cure(damaged: Logbook) -> None:
    with pytest.raises(
        LogbookError, match=r"the calibration of tin probe .* cannot be read: .*calibrate again"
    ):
        calibrations(damaged)


def test_a_logbook_of_the_step_before_gets_the_table(own_url: str) -> None:
    engine = engine_for(url_from(own_url))
    migrate(engine, STEPS[:1])
    migrate(engine)
    engine.dispose()
    with open_logbook(own_url) as logbook:
        assert keep_calibration(logbook, PROBE)


def test_runs_of_a_logbook_older_than_calibrated_runs_are_still_the_same_runs(
    own_url: str, book: RunBook
) -> None:
    with open_logbook(own_url) as logbook:
        logbook.add(book, "bar", "folder")
        with logbook._engine.begin() as connection:
            without_step_8(connection)
            for column in schema.SINCE_STEP_4:
                connection.exec_driver_sql(f"alter table run drop column {column}")
            schema.call_made.drop(connection)
            schema.run_deleted.drop(connection)
            for table in (schema.step_run, schema.step, schema.bench_put_away, schema.bench_file):
                table.drop(connection)
            connection.execute(sa.delete(schema.schema_version).where(schema.schema_version.c.version > 3))
        migrate(logbook._engine)
    with open_logbook(own_url) as logbook:
        assert logbook.book("bar") == book
        assert logbook.add(book, "bar", "folder").unchanged == len(book.runs)
        with logbook._engine.connect() as connection:
            row = connection.execute(sa.select(schema.run)).mappings().first()
    assert row is not None
    assert set(schema.SINCE_STEP_4).isdisjoint(json.loads(row["imported"]))


def test_what_a_calibration_leaves_unknown_is_kept_with_the_run_and_may_be_corrected(
    logbook: Logbook, book: RunBook
) -> None:
    known = replace(book, runs=(replace(book.runs[0], probe_std_k=0.06, scale_std_g=0.1), *book.runs[1:]))
    logbook.add(known, "bar", "folder")
    assert logbook.book("bar") == known
    logbook.edit_run("bar", "r1", {"probe_std_k": None}, "the probe was exchanged")
    assert logbook.run("bar", "r1").probe_std_k is None
