"""Rig: what is heard, how far it is to be believed, and a logbook that is well and copied."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from dashboard.live.care import health_of
from dashboard.page import Here
from dashboard.pages import rig
from dashboard.service import BenchView, Service
from rig.capture.decoding.readings import Identity, Quality, Quantity, Reading, Sample
from rig.capture.devices.health import PortState
from rig.capture.devices.ports import Device, UsbIdentity
from rig.capture.devices.ports_listen import Listened
from rig.errors import LogbookError
from rig.logbook.calibrations import keep_calibration
from rig.logbook.copies import back_up, backups_of, faults_of
from rig.logbook.store import open_logbook
from rig.sensors.calibration import Calibration, CalibrationKind, one_value
from tests.dashboard.benches import source_of_view
from tests.dashboard.live_drinks import room_at, small_logbook
from tests.dashboard.reading import text

TODAY = date(2031, 4, 6)
MADE = datetime(2031, 1, 10, 12, tzinfo=UTC)


def _probe(expires: date, when: datetime = MADE, device: str = "tin probe") -> Calibration:
    return Calibration(
        device, "", CalibrationKind.TEMPERATURE, when, expires, (-0.3, 1.0), ((0.0025, 0.0), (0.0, 0.0)),
        0.05, 4.0, (), "ice point",
    )  # fmt: skip


def _scoop(value: float = 42.0) -> Calibration:
    return one_value(
        "steel scoop", "", CalibrationKind.VOLUME, MADE, value, 0.6,
        degrees_of_freedom=9.0, residual_std=1.0, method="ten fillings of water",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("days", "mark"),
    [
        (90, "✓ holds"),
        (15, "✓ holds"),
        (14, "△ expires soon"),
        (1, "△ expires soon"),
        (0, "✕ expired"),
        (-3, "✕ expired"),
    ],
)
def test_a_calibration_that_runs_out_is_said_to_in_words(days: int, mark: str) -> None:
    said, what = rig.standing(_probe(TODAY + timedelta(days=days)), TODAY)
    assert said == mark
    assert ("again" in what) == (days <= rig.SOON_DAYS)


def test_warnings_name_the_devices_and_come_before_the_table() -> None:
    fine, due = _probe(TODAY + timedelta(days=60)), _probe(TODAY, device="bar probe")
    said = text(rig.calibration_block([fine, due], TODAY))
    assert said.startswith("Calibrate again soon: bar probe (expired).")
    assert "−0.30 ± 0.05 °C" in said


def test_only_the_newest_calibration_of_a_channel_is_shown() -> None:
    old, new = _probe(TODAY), _probe(TODAY + timedelta(days=90), MADE + timedelta(days=1))
    assert rig.newest([new, old]) == [new]
    assert rig.newest([old, _scoop(), new]) == [_scoop(), new]


def test_a_measure_is_told_by_what_one_filling_holds() -> None:
    assert "42.0 ± 0.6 ml" in text(rig.measure_block([_scoop()], TODAY))


def test_a_time_constant_is_told_as_seconds_behind() -> None:
    lag = replace(
        one_value(
            "tin probe",
            "",
            CalibrationKind.LAG,
            MADE,
            1.4,
            0.1,
            degrees_of_freedom=4.0,
            residual_std=0.1,
            method="plunge",
        )
    )
    assert rig.correction_words(lag) == "1.4 ± 0.1 s behind"


def test_what_a_port_says_is_shown_with_units_and_its_state_in_a_word() -> None:
    device = Device("/dev/ttyACM0", "board", UsbIdentity(0x2341, 0x43, "A1"))
    reading = Reading((Sample("probe", Quantity.TEMPERATURE, -0.25, Quality.GOOD),), 1, 100)
    heard = Listened(device, PortState.OK, "", 115_200, "wire", Identity("tin-1", "2", ("probe",)), reading)
    silent = Listened(
        Device("/dev/ttyUSB0", "converter"), PortState.SILENT, "nothing came. Is the device on?"
    )
    said = text(rig.port_block([heard, silent]))
    for words in (
        "tin-1 (2)",
        "✓ heard",
        "probe -0.25 °C",
        "wire at 115200 baud",
        "○ silent",
        "Is the device on?",
    ):
        assert words in said
    assert "No device is plugged in" in text(rig.port_block([]))


def test_the_page_shows_calibrations_measures_and_the_logbook(tmp_path: Path) -> None:
    file = small_logbook(tmp_path)
    with open_logbook(file) as logbook:
        for calibration in (_probe(TODAY + timedelta(days=90)), _scoop()):
            keep_calibration(logbook, calibration)
    _, service = room_at(file)
    said = text(rig.layout(Here(service, "corner", None, "", {})))
    for words in ("tin probe", "steel scoop", "15", "on 1 bench", "never", "Wet hands", "Probe in ice"):
        assert words in said


def test_a_bench_folder_says_where_calibrations_would_be(view: BenchView) -> None:
    said = text(rig.layout(Here(Service(source_of_view(view)), "corner", None, "", {})))
    assert "chillrig import" in said


def test_a_copy_made_while_a_writer_is_at_work_is_whole_and_is_found_again(tmp_path: Path) -> None:
    file = small_logbook(tmp_path)
    now = datetime(2031, 4, 6, 15, 30, tzinfo=UTC)
    with open_logbook(file) as logbook, closing(sqlite3.connect(file)) as writer:
        writer.execute("begin immediate")
        copy = back_up(file, now)
        writer.execute("rollback")
        assert [p for _, p in backups_of(file)] == [copy]
        assert health_of(logbook, [15]).last_backup is not None
    with open_logbook(copy) as restored:
        assert restored.benches()[0].runs == 15
    assert faults_of(copy) == ()
    assert list(copy.parent.glob("*.part")) == []


def test_a_damaged_logbook_is_found_out_and_never_copied(tmp_path: Path) -> None:
    file = small_logbook(tmp_path)
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("pragma wal_checkpoint(truncate)")
        pages, size = (connection.execute(f"pragma {p}").fetchone()[0] for p in ("page_count", "page_size"))
    data = bytearray(file.read_bytes())
    assert len(data) == pages * size
    for page in range(3, pages - 1, 2):
        data[page * size : page * size + 200] = b"\xa5" * 200
    file.write_bytes(data)
    try:
        assert faults_of(file)
    except LogbookError as error:
        assert "Restore a copy" in str(error)
    with pytest.raises(LogbookError):
        back_up(file, datetime(2031, 4, 6, tzinfo=UTC))
    assert backups_of(file) == []


def test_a_folder_that_takes_no_copy_is_told_with_the_cure(tmp_path: Path) -> None:
    file = small_logbook(tmp_path)
    (tmp_path / "backups").write_text("a file where the folder should be")
    with pytest.raises(LogbookError, match="no copy can be made"):
        back_up(file, datetime(2031, 4, 6, tzinfo=UTC))


def test_the_page_restores_the_newest_whole_copy_and_says_where_the_old_logbook_is(tmp_path: Path) -> None:
    file = small_logbook(tmp_path)
    back_up(file, datetime(2031, 4, 6, tzinfo=UTC))
    _, service = room_at(file)
    assert service.logbook is not None
    service.logbook.exclude("corner", service.logbook.list_runs("corner")[0].run.run, "spilt")
    before = service.listing("corner").tally("corner")
    said = rig.restored_words(service, file)
    assert "20310406-" in said and str(tmp_path / "backups" / "replaced-") in said
    assert service.listing("corner").tally("corner").excluded == before.excluded - 1


def test_the_page_restores_nothing_while_another_program_has_the_logbook_open(tmp_path: Path) -> None:
    file = small_logbook(tmp_path)
    back_up(file, datetime(2031, 4, 6, tzinfo=UTC))
    _, service = room_at(file)
    with open_logbook(file) as other:
        other.benches()
        with pytest.raises(LogbookError, match="in use"):
            rig.restored_words(service, file)
    assert service.names() == ("corner",)


def test_another_screen_is_not_told_where_the_logbook_lies(tmp_path: Path) -> None:
    _, service = room_at(small_logbook(tmp_path))
    said = text(rig.layout(Here(service, "corner", None, "", {}, guest=True)))
    assert str(tmp_path) not in said and "bar.sqlite" not in said
    assert "Restore" not in said and "Make a backup" not in said
