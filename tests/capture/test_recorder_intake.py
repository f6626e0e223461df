"""From journal to logbook: the run as it was made, once, whatever happens on the way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.bench import parse_bench
from rig.capture.decoding import wire
from rig.capture.decoding.dialects import load
from rig.capture.devices.ports import PortSpec
from rig.capture.recording.journal import (
    AGO_S,
    Event,
    EventKind,
    Header,
    JournalFile,
    Line,
    encode,
    read_journal,
)
from rig.capture.recording.recorder_files import Files
from rig.capture.to_run.intake import JOURNAL_KEY, Recorded, recorded_in, take_in
from rig.errors import LogbookError, NotEnoughData
from rig.fitting.cadence import mean_cadence_hz
from rig.logbook.store import Logbook, open_logbook
from rig.runs import HEARD, Gravity, Run, RunBook
from rig.sensors.calibration import Calibration, CalibrationKind, Point, one_value
from rig.sensors.line import fit_line

RUN = "0c0ffee0-0000-4000-8000-000000000001"
UTC_START = datetime(2031, 4, 6, 15, tzinfo=UTC)
BENCH = """
title = "Corner bar"
[vessels."steel tin"]
mass_g = 300
[ice."wet cube"]
edge_mm = 30
[recipes."night shift"]
ingredients = [{ name = "coffee", volume_ml = 90 }]
"""
META: Mapping[str, Any] = {
    "bench_name": "corner",
    "bench": BENCH,
    "probe_in_drink": True,
    "run": {
        "run": "n1",
        "technique": "shake",
        "vessel": "steel tin",
        "ice": "wet cube",
        "recipe": "night shift",
        "operator": "A",
    },
}
START_S, STOP_S, END_S = 5.0, 17.0, 20.0


def drink_c(time_s: float) -> float:
    return round(20.0 - 18.0 * (1 - float(np.exp(-max(time_s - START_S, 0.0) / 3.0))), 2)


def stamp(time_s: float) -> int:
    return 7_000_000_000 + round(time_s * 1e9)


def lines(delay_s: float = 0.0, drift: float = 0.0) -> list[Line]:
    """A probe at 10 Hz and a scale at 5 Hz; the probe's board runs off by `drift`."""
    out = []
    rng = np.random.default_rng(1)
    for n in range(int(END_S * 10)):
        t = n / 10
        late = float(rng.uniform(0, delay_s))
        sample = wire.encode(n, 500 + round(t * 1000 * (1 + drift)), [("probe", drink_c(t), "C")]).strip()
        out.append(Line(stamp(t + late), 0, sample))
        if n % 2 == 0:
            out.append(
                Line(
                    stamp(t + 0.01), 1, wire.encode(n // 2, round(t * 1000), [("scale", 200.0, "g")]).strip()
                )
            )
    return sorted(out, key=lambda r: r.at_ns)


def event(time_s: float, kind: EventKind, **detail: Any) -> Event:
    return Event(stamp(time_s), kind, None, detail)


EVENTS = (
    event(1.0, EventKind.WEIGH, what="drink", mass_g=91.0),
    event(2.0, EventKind.WEIGH, what="ice"),
    event(START_S, EventKind.START),
    event(9.0, EventKind.MARK, text="lid slipped"),
    event(STOP_S, EventKind.STOP),
    event(18.0, EventKind.WEIGH, what="strained", mass_g=118.5),
    event(18.5, EventKind.WEIGH, what="strained", mass_g=119.2),
    event(END_S, EventKind.END),
)


def journal_at(folder: Path, records: list[Line | Event], meta: Mapping[str, Any] = META) -> Files:
    files = Files(folder, RUN)
    files.make_folders()
    ports = tuple(
        PortSpec(f"/dev/ttyACM{n}", label=name) for n, name in enumerate(("probe", "scale", "motion"))
    )
    file = JournalFile(files.journal)
    file.append([Header(RUN, UTC_START, stamp(0.0), ports, meta)])
    file.append(sorted(records, key=lambda r: r.at_ns))
    file.close()
    return files


def recorded(folder: Path, records: list[Line | Event], meta: Mapping[str, Any] = META) -> Recorded:
    return recorded_in(read_journal(journal_at(folder, records, meta).journal), load())


def test_the_run_holds_what_was_read_and_said_from_the_start_of_motion(tmp_path: Path) -> None:
    run = recorded(tmp_path, [*lines(), *EVENTS]).run
    assert (run.run, run.operator, run.extra[JOURNAL_KEY]) == ("n1", "A", RUN)
    assert (run.drink_mass_g, run.ice_mass_g, run.strained_mass_g) == (91.0, 200.0, 119.2)
    assert run.duration_s == pytest.approx(STOP_S - START_S)
    assert run.drink_temp_c == pytest.approx(20.0)
    assert run.started_at == UTC_START + timedelta(seconds=START_S)
    assert run.extra["mark at 4.0 s"] == "lid slipped"
    assert run.trace is not None
    assert run.trace.probe_c is not None
    assert run.trace.scale_g is not None
    read = np.isfinite(run.trace.probe_c)
    due = [drink_c(t + START_S) for t in run.trace.time_s[read]]
    assert read.sum() == END_S * 10
    assert np.isfinite(run.trace.scale_g).sum() == END_S * 5
    assert run.trace.probe_c[read] == pytest.approx(due, abs=0.03)
    assert np.all(np.diff(run.trace.time_s) > 0)


def test_calibrations_in_force_correct_the_run_and_leave_the_journal_raw(tmp_path: Path) -> None:
    when = datetime(2031, 4, 1, tzinfo=UTC)
    half_low = one_value(
        "probe",
        "",
        CalibrationKind.TEMPERATURE,
        when,
        0.5,
        0.06,
        degrees_of_freedom=9.0,
        residual_std=0.1,
        method="ice point",
    )
    shifted = replace(half_low, coefficients=(0.5, 1.0), covariance=((0.0036, 0.0), (0.0, 0.0)))
    late = replace(shifted, when=datetime(2031, 5, 1, tzinfo=UTC), coefficients=(9.0, 1.0))
    journal = read_journal(journal_at(tmp_path, [*lines(), *EVENTS]).journal)
    plain, corrected = (recorded_in(journal, load(), c).run for c in ((), (shifted, late)))
    assert plain.trace is not None and corrected.trace is not None
    before, after = plain.trace.probe_c, corrected.trace.probe_c
    assert before is not None and after is not None
    assert np.nanmax(np.abs(after - before - 0.5)) < 1e-9
    assert corrected.drink_temp_c == pytest.approx(20.5)
    assert "calibration of 2031-04-01 applied, ±0.06 °C" in corrected.extra["calibrations"]
    assert "calibrations" not in plain.extra
    assert (plain.probe_std_k, corrected.probe_std_k) == (None, pytest.approx(0.06))


def scale_line(device: str, slope: float) -> Calibration:
    points = [Point(x, 2.0 + slope * x, 0.05) for x in (0.0, 200.0, 500.0)]
    return fit_line(
        device, "", CalibrationKind.MASS, datetime(2031, 4, 1, tzinfo=UTC), points, method="weights"
    )


def test_a_typed_weigh_in_is_corrected_once_by_the_slope_and_the_run_says_so(tmp_path: Path) -> None:
    journal = read_journal(journal_at(tmp_path, [*lines(), *EVENTS]).journal)
    plain, run = (recorded_in(journal, load(), c).run for c in ((), (scale_line("scale", 1.01),)))
    assert run.drink_mass_g == pytest.approx(1.01 * 91.0)
    assert run.strained_mass_g == pytest.approx(1.01 * 119.2, abs=0.006)  # the later one, rounded
    # read off the scale itself, which stood at 200 g: the trace's own correction, offset and all, and no second
    assert run.ice_mass_g == pytest.approx(2.0 + 1.01 * 200.0)
    said = run.extra["calibrations"]
    assert "drink weighed 91.0 g, by scale's calibration of 2031-04-01 91.91 g" in said
    assert "119.2 g" in said and "118.5 g" not in said
    assert run.scale_std_g is not None and run.probe_std_k is None
    assert (plain.drink_mass_g, plain.scale_std_g, plain.probe_std_k) == (91.0, None, None)


def test_a_weigh_in_is_corrected_by_the_scale_it_names(tmp_path: Path) -> None:
    other = [replace(r, port=0, line=r.line) for r in lines() if r.port == 1]
    named = event(18.0, EventKind.WEIGH, what="strained", mass_g=100.0, port=1, channel="scale")
    unknown = event(3.0, EventKind.WEIGH, what="drink", mass_g=90.0)
    journal = read_journal(journal_at(tmp_path, [*lines(), *other, named, unknown, *EVENTS[2:5]]).journal)
    both = (scale_line("probe", 1.1), scale_line("scale", 1.01))
    run = recorded_in(journal, load(), both).run
    assert run.strained_mass_g == pytest.approx(101.0)
    assert run.drink_mass_g == pytest.approx(99.0)  # named by none: the first scale there is


def test_late_lines_and_a_wrong_crystal_do_not_shift_the_trace(tmp_path: Path) -> None:
    run = recorded(tmp_path, [*lines(delay_s=0.05, drift=100e-6), *EVENTS]).run
    assert run.trace is not None
    assert run.trace.probe_c is not None
    time_s = run.trace.time_s[np.isfinite(run.trace.probe_c)]
    assert time_s == pytest.approx(np.arange(END_S * 10) / 10 - START_S, abs=0.005)


def test_a_clean_recording_leaves_nothing_to_doubt(tmp_path: Path) -> None:
    assert recorded(tmp_path, [*lines(), *EVENTS]).findings == ()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda r: [e for e in r if e != EVENTS[-1]], "was interrupted"),
        (lambda r: [*r, Event(stamp(6.0), EventKind.GAP, 0, {"lines": 12})], "12 readings could not be kept"),
        (lambda r: [*r, event(6.0, EventKind.SLEEP, seconds=95.0)], "slept for 95 s"),
        (lambda r: [x for x in r if not (isinstance(x, Line) and b",77," in x.line)], "never arrived"),
        (lambda r: [*r, Line(stamp(6.0), 0, b"\xff\x80?")], "no valid reading"),
        (lambda r: [e for e in r if e != EVENTS[4]], "stop of motion was not marked"),
    ],
    ids=["interrupted", "gap", "sleep", "lost", "rejected", "no stop"],
)
def test_what_went_wrong_is_told(tmp_path: Path, change: Any, said: str) -> None:
    found = recorded(tmp_path, change([*lines(), *EVENTS]))
    assert any(said in f.what for f in found.findings)


def test_a_motion_that_nobody_marked_is_seen_by_the_probe(tmp_path: Path) -> None:
    unmarked = [e for e in EVENTS if e.kind not in (EventKind.START, EventKind.STOP)]
    run = recorded(tmp_path, [*lines(), *unmarked]).run
    assert run.started_at is not None
    assert (run.started_at - UTC_START).total_seconds() == pytest.approx(START_S, abs=0.3)


def test_a_weigh_in_while_the_scale_moves_is_not_taken(tmp_path: Path) -> None:
    moving = [
        replace(r, line=wire.encode(n, n * 100, [("scale", 3.0 * n, "g")]).strip()) if r.port == 1 else r
        for n, r in enumerate(lines())
    ]
    found = recorded(tmp_path, [*moving, *EVENTS])
    assert found.run.ice_mass_g is None
    assert any("not steady" in f.what for f in found.findings)


def test_a_journal_with_nothing_in_it_makes_no_run(tmp_path: Path) -> None:
    with pytest.raises(NotEnoughData, match="no valid reading"):
        recorded(tmp_path, [EVENTS[2], EVENTS[4]])


def stored(logbook: Logbook) -> tuple[Run, ...]:
    return logbook.book("corner").runs


def test_taken_in_twice_it_is_in_the_logbook_once_and_edits_stay(tmp_path: Path) -> None:
    files = journal_at(tmp_path, [*lines(), *EVENTS])
    with open_logbook(tmp_path / "book.sqlite") as logbook:
        taken = take_in(files, logbook, load())
        assert stored(logbook) == (taken.run,)
        assert not files.journal.exists()
        logbook.edit_run("corner", "n1", {"operator": "B"}, "it was B")
        files.done.rename(files.journal)
        take_in(files, logbook, load())
        (run,) = stored(logbook)
        assert run.operator == "B"
        assert files.done.exists()


class Dies(Exception):
    """The process is gone at this point."""


class Dying:
    """A logbook whose process dies just before or just after the commit."""

    def __init__(self, logbook: Logbook, after_commit: bool) -> None:
        self.logbook, self.after_commit = logbook, after_commit

    def run(self, bench_name: str, run: str) -> Run:
        return self.logbook.run(bench_name, run)

    def add(self, book: RunBook, bench_name: str, source: str) -> object:
        if self.after_commit:
            self.logbook.add(book, bench_name, source)
        raise Dies


@pytest.mark.parametrize("after_commit", [False, True])
def test_a_death_before_or_after_the_commit_leaves_it_once_after_a_restart(
    tmp_path: Path, after_commit: bool
) -> None:
    files = journal_at(tmp_path, [*lines(), *EVENTS])
    with open_logbook(tmp_path / "book.sqlite") as logbook:
        with pytest.raises(Dies):
            take_in(files, Dying(logbook, after_commit), load())
        assert files.journal.exists()
        taken = take_in(files, logbook, load())
        assert stored(logbook) == (taken.run,)


def test_a_logbook_out_of_reach_leaves_the_journal_where_it_is(tmp_path: Path) -> None:
    files = journal_at(tmp_path, [*lines(), *EVENTS])

    class Shut(Dying):
        def add(self, book: RunBook, bench_name: str, source: str) -> object:
            raise LogbookError("locked")

    with open_logbook(tmp_path / "book.sqlite") as logbook, pytest.raises(LogbookError):
        take_in(files, Shut(logbook, False), load())
    assert files.journal.exists()
    assert not files.done.exists()


def test_two_runs_of_one_name_both_stay(tmp_path: Path) -> None:
    with open_logbook(tmp_path / "book.sqlite") as logbook:
        bench = parse_bench(BENCH)[0]
        other = Run("n1", "stir", "steel tin", "wet cube", "night shift")
        logbook.add(RunBook(bench, (other,)), "corner", "a folder")
        taken = take_in(journal_at(tmp_path, [*lines(), *EVENTS]), logbook, load())
        assert {r.run for r in stored(logbook)} == {"n1", f"n1-{RUN[:8]}"}
        assert taken.run.run == f"n1-{RUN[:8]}"


def test_an_order_that_the_recorder_did_not_live_to_write_is_not_lost(tmp_path: Path) -> None:
    files = journal_at(tmp_path, [*lines(), *EVENTS[:4]])
    files.orders.write_bytes(b"".join(encode(e) for e in EVENTS[2:]))
    with open_logbook(tmp_path / "book.sqlite") as logbook:
        run = take_in(files, logbook, load()).run
    assert run.duration_s == pytest.approx(STOP_S - START_S)
    assert run.strained_mass_g == 119.2
    assert [k for k in run.extra if k.startswith("mark")] == ["mark at 4.0 s"]


def test_a_weigh_in_that_cannot_be_is_not_kept_as_a_number_and_is_named(tmp_path: Path) -> None:
    slipped = [e for e in EVENTS if e.detail.get("what") != "strained"]
    slipped.append(event(18.5, EventKind.WEIGH, what="strained", mass_g=1192.0))
    made = recorded(tmp_path, [*lines(), *slipped])
    assert made.run.strained_mass_g is None and made.run.drink_mass_g == 91.0
    (finding,) = [f for f in made.findings if f.place.column == "strained_mass_g"]
    assert finding.gravity is Gravity.LEFT_OUT and "119.2 g would fit" in finding.cure


def test_an_accelerometer_on_the_shaker_shows_when_it_was_moved_and_how_fast(tmp_path: Path) -> None:
    """Nobody pressed a key: three axes at 50 Hz, shaken 3.5 times a second."""
    records: list[Line | Event] = list(lines())
    for n in range(int(END_S * 50)):
        t = n / 50
        moved = 20.0 * float(np.sin(2 * np.pi * 3.5 * t)) if START_S <= t < STOP_S else 0.0
        axes = [("ax", 0.8 * moved, "m/s2"), ("ay", 0.6 * moved, "m/s2"), ("az", 9.81, "m/s2")]
        records.append(Line(stamp(t), 2, wire.encode(n, round(t * 1000), axes).strip()))
    found = recorded(tmp_path, [*records, event(END_S, EventKind.END)])
    assert found.run.duration_s == pytest.approx(STOP_S - START_S, abs=1.5)
    assert found.run.trace is not None and found.run.trace.cadence_hz is not None
    hz, time_s = found.run.trace.cadence_hz, found.run.trace.time_s
    assert np.nanmedian(hz[(time_s > 2) & (time_s < 10)]) == pytest.approx(3.5, abs=0.1)
    assert any("the cadence shows it" in f.what for f in found.findings)


def test_what_was_heard_after_it_was_pressed_holds_and_the_cadence_goes_with_the_run(tmp_path: Path) -> None:
    """Pressed 0.4 s late and 0.6 s late; heard of both later, each told with how long ago it was."""
    rhythm = {"cadence_hz": 3.5, "cadence_std_hz": 0.02, "stroke_cv": 0.05}
    told = [
        event(START_S + 0.4, EventKind.START),
        Event(stamp(START_S + 3.5), EventKind.START, None, {AGO_S: 3.5, "by": "sound"}),
        event(STOP_S + 0.6, EventKind.STOP),
        Event(stamp(STOP_S + 1.5), EventKind.STOP, None, {AGO_S: 1.5, "by": "sound", **rhythm}),
    ]
    run = recorded(tmp_path, [*lines(), *told, event(END_S, EventKind.END)]).run
    assert run.duration_s == pytest.approx(STOP_S - START_S, abs=0.01)
    assert run.trace is not None and run.trace.cadence_hz is not None
    moved = (run.trace.time_s >= 0.0) & (run.trace.time_s <= STOP_S - START_S)
    assert np.array_equal(run.trace.cadence_hz, np.where(moved, 3.5, 0.0))
    assert run.extra[HEARD].startswith("start heard; stop heard; 3.5 strokes a second (±0.0), even")


def test_a_shake_that_is_only_heard_has_its_strokes_counted_in_the_fit(tmp_path: Path) -> None:
    """No probe: its journal holds what was heard and one weighing, and the fit takes its cadence."""
    rhythm = {"cadence_hz": 3.5, "cadence_std_hz": 0.02, "stroke_cv": 0.05}
    told = [
        Event(stamp(START_S + 3.5), EventKind.START, None, {AGO_S: 3.5, "by": "sound"}),
        Event(stamp(STOP_S + 1.5), EventKind.STOP, None, {AGO_S: 1.5, "by": "sound", **rhythm}),
    ]
    weighed = event(1.0, EventKind.WEIGH, what="ice", mass_g=200.0)
    run = recorded(tmp_path, [weighed, *told, event(END_S, EventKind.END)]).run
    assert mean_cadence_hz(run) == pytest.approx(3.5, abs=0.01)
