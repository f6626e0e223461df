"""`chillrig record`: one simulated drink from empty vessel to logbook, and what a crash leaves."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console
from typer.testing import CliRunner

from rig.advice.live.live import EVERY_S, LiveCall
from rig.bench import parse_bench
from rig.capture.decoding.dialects import load
from rig.capture.decoding.readings import Quantity
from rig.capture.devices.simulated.drink import make_drink
from rig.capture.devices.simulated.rig import SimulatedRig
from rig.capture.recording.follow import Advisor, Follower, StopWords
from rig.capture.recording.journal import EventKind, JournalTail, read_journal
from rig.capture.recording.process import interrupted_runs, start_recording
from rig.capture.recording.recorder_files import Files, Plan, read_state
from rig.capture.to_run.calibrated import Heard, InForce
from rig.capture.to_run.intake_streams import streams_from
from rig.capture.to_run.weighing import StepKind
from rig.cli.app import app
from rig.cli.record.asked import SIMULATED_BENCH
from rig.cli.record.keys import run_session
from rig.cli.record.view import asked, big, screen
from rig.fitting.bench_fit import prior_fit
from rig.fitting.situation import Situation
from rig.logbook.calibrations import keep_calibration
from rig.logbook.store import open_logbook
from rig.runs import Run, RunBook
from rig.sensors.calibration import CalibrationKind, Point
from rig.sensors.line import fit_line, one_point
from rig.session.advisor import preparing
from rig.session.drink import Session
from rig.session.simulated_drink import SIMULATED_BECAUSE, DrawnDrink, drawn_drink
from rig.session.way import Way, WeighedIn
from rig.signals.moments import Rhythm
from tests.cli.small_bench import small_book

TIME_SCALE = 15.0
PATIENCE_S = 60.0


def chillrig(*arguments: str | Path) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "100"})
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout, result.stderr


def drink_of_seed_3() -> DrawnDrink:
    """The drink of the tests' seed, in the world of the bench that stands in where none is named."""
    fit = prior_fit(RunBook(parse_bench(SIMULATED_BENCH)[0], ()))
    return drawn_drink(fit, Situation("shake", "two-piece steel", "freezer cube", "night ferry"), 3)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("record")


@pytest.fixture(scope="module")
def made(home: Path) -> dict[str, Any]:
    """One drink, recorded by the command; the module's tests look at it from several sides."""
    code, out, err = chillrig(
        *("record", "--simulated", "--yes", "--json", "--duration-s", "9", "--seed", "3"),
        *(
            "--time-scale",
            str(TIME_SCALE),
            "--logbook",
            home / "bar.sqlite",
            "--operator",
            "A",
            "--run",
            "n1",
        ),
    )
    assert code == 0, err
    result: dict[str, Any] = json.loads(out)
    return result


@pytest.fixture(scope="module")
def run(home: Path, made: dict[str, Any]) -> Run:
    with open_logbook(home / "bar.sqlite") as logbook:
        return logbook.run("simulated", "n1")


def test_a_simulated_drink_goes_from_empty_vessel_to_logbook_without_a_key(
    made: dict[str, Any], run: Run
) -> None:
    assert run.operator == "A"
    assert made["not_weighed"] == []
    assert (made["lost"], made["rejected"], made["findings"]) == (0, 0, [])
    assert run.trace is not None
    assert set(run.trace.channels()) == {"time_s", "probe_c", "scale_g", "cadence_hz"}


def test_the_very_first_drink_makes_the_place_it_is_kept_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "new" / "home"))
    monkeypatch.delenv("CHILLRIG_LOGBOOK", raising=False)
    code, out, err = chillrig(
        "record", "--simulated", "--yes", "--json", "--duration-s", "4", "--time-scale", str(TIME_SCALE)
    )
    assert code == 0, err
    with open_logbook(tmp_path / "new" / "home" / "chillrig" / "logbook.sqlite") as logbook:
        assert logbook.run("simulated", json.loads(out)["run"]).duration_s is not None


def test_what_is_recorded_is_what_was_simulated(run: Run) -> None:
    drink = drink_of_seed_3()
    assert run.duration_s is not None
    assert 8.9 < run.duration_s < 15.0
    assert run.drink_mass_g == pytest.approx(drink.drink_mass_g, abs=1.0)
    assert run.ice_mass_g == pytest.approx(drink.ice_mass_g, abs=1.0)
    assert run.strained_mass_g == pytest.approx(drink.strained_g(run.duration_s), abs=1.5)
    assert run.drink_temp_c == pytest.approx(drink.temp_c(0.0) + drink.instruments.probe_offset_k, abs=0.5)


def test_a_simulated_run_is_marked_and_in_no_fit_and_says_whether_it_landed(
    made: dict[str, Any], run: Run
) -> None:
    assert run.excluded_because == SIMULATED_BECAUSE
    assert made["simulated"] is True
    assert run.target == "coupe"
    assert made["landing"]["landed"] in (True, False)
    assert made["landing"]["sentence"] == run.extra["how it landed"]


def test_without_a_duration_it_is_stopped_when_the_call_says_so(tmp_path: Path) -> None:
    code, out, err = chillrig(
        *("record", "--simulated", "--yes", "--seed", "2", "--time-scale", "6"),
        *("--logbook", tmp_path / "bar.sqlite", "--run", "n2"),
    )
    assert code == 0, err
    assert "Landed." in out or "Missed: " in out
    assert "foretold" in out and "In no fit: simulated" in out
    with open_logbook(tmp_path / "bar.sqlite") as logbook:
        assert (logbook.run("simulated", "n2").duration_s or 0.0) > 4.0


def test_on_a_real_bench_a_simulated_run_leaves_the_fit_alone(tmp_path: Path) -> None:
    book = tmp_path / "bar.sqlite"
    with open_logbook(book) as logbook:
        logbook.add(small_book(), "corner", "test")
        before = len(logbook.book("corner").used_runs())
    code, out, err = chillrig(
        *("record", "--simulated", "--bench-name", "corner", "--yes", "--duration-s", "8", "--json"),
        *("--time-scale", str(TIME_SCALE), "--logbook", book, "--run", "made up"),
    )
    assert code == 0, err
    assert json.loads(out)["landing"]["called_s"] > 0
    with open_logbook(book) as logbook:
        assert logbook.run("corner", "made up").excluded_because == SIMULATED_BECAUSE
        assert logbook.run("corner", "made up").target == "coupe"
        assert len(logbook.book("corner").used_runs()) == before


def test_the_journal_is_kept_and_holds_the_whole_way(made: dict[str, Any]) -> None:
    journal = read_journal(Path(made["journal"]))
    kinds = [e.kind for e in journal.events()]
    assert kinds.count(EventKind.START) == kinds.count(EventKind.STOP) == 1
    assert kinds[-1] is EventKind.END
    assert Path(made["journal"]).parent.name == "done"


def test_a_recorded_run_is_listed_like_any_other(home: Path, made: dict[str, Any]) -> None:
    code, out, _ = chillrig("runs", "--logbook", home / "bar.sqlite", "--json")
    assert code == 0
    assert "n1" in out


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (("--bench-name", "simulated", "--yes"), 2, "--duration-s"),
        (("--bench-name", "simulated", "--world", "3"), 2, "--simulated"),
        (("--simulated", "--recipe", "night fairy", "--duration-s", "1", "--yes"), 1, "night ferry"),
        (
            ("--port", "/dev/ttyACM0@fast", "--bench-name", "simulated", "--duration-s", "1", "--yes"),
            2,
            "speed",
        ),
        (
            (
                "--bench-name",
                "elsewhere",
            ),
            1,
            "elsewhere",
        ),
    ],
)
def test_what_cannot_be_is_said_before_anything_is_recorded(
    home: Path, made: dict[str, Any], arguments: tuple[str, ...], code: int, said: str
) -> None:
    got, _, err = chillrig("record", *arguments, "--logbook", home / "bar.sqlite")
    assert (got, said in err) == (code, True), err
    assert interrupted_runs(home / "recordings") == ()


def test_without_any_device_it_says_what_to_try(
    home: Path, made: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rig.capture.devices.ports.list_devices", lambda: ())
    code, _, err = chillrig(
        "record", "--bench-name", "simulated", "--logbook", home / "bar.sqlite", "--duration-s", "1", "--yes"
    )
    assert code == 1
    assert "--simulated" in err


def test_a_killed_command_and_recorder_lose_nothing_and_the_run_is_brought_in_later(tmp_path: Path) -> None:
    book = tmp_path / "bar.sqlite"
    command = subprocess.Popen(
        [
            *(sys.executable, "-m", "rig.cli", "record", "--simulated", "--yes", "--duration-s", "60"),
            *("--time-scale", str(TIME_SCALE), "--logbook", str(book), "--run", "cut short"),
        ],
        stdout=subprocess.DEVNULL,
    )
    opened = tmp_path / "recordings" / "open"
    end_s = time.monotonic() + PATIENCE_S
    tails: dict[Path, JournalTail] = {}
    kinds: list[EventKind] = []
    while EventKind.START not in kinds:
        assert time.monotonic() < end_s
        for path in opened.glob("*.ndjson"):
            tail = tails.setdefault(path, JournalTail(path))
            kinds += [r.kind for r in tail.poll() if hasattr(r, "kind")]
        time.sleep(0.01)
    (state_file,) = opened.glob("*.state")
    state = read_state(Files(tmp_path / "recordings", state_file.stem))
    assert state is not None
    os.kill(state.pid, signal.SIGKILL)
    command.kill()
    command.wait()
    code, out, _ = chillrig("record", "--recover", "--json", "--logbook", book)
    assert code == 0
    (recovered,) = json.loads(out)["recovered"]
    assert recovered["run"] == "cut short"
    assert recovered["drink_mass_g"] > 0
    assert any("interrupted" in f["what"] for f in recovered["findings"])
    assert interrupted_runs(tmp_path / "recordings") == ()
    code, out, _ = chillrig("record", "--recover", "--logbook", book)
    assert (code, out.strip()) == (0, "No recording was interrupted.")


def test_a_journal_with_no_run_in_it_is_put_aside_and_not_offered_again(tmp_path: Path) -> None:
    left = Files(tmp_path / "recordings", "0c0ffee0")
    left.make_folders()
    left.journal.write_bytes(b'{"v":1,"run":"0c0ff')
    assert len(interrupted_runs(left.folder)) == 1
    code, out, _ = chillrig("record", "--recover", "--json", "--logbook", tmp_path / "bar.sqlite")
    assert code == 0
    (refused,) = json.loads(out)["refused"]
    assert "no header" in refused["why"]
    assert interrupted_runs(left.folder) == ()
    assert left.done.exists()


def test_a_session_ended_before_the_motion_stores_no_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rig.cli.record.keys.NoKeys.wait", lambda self, patience_s: "q")
    code, _, err = chillrig("record", "--simulated", "--logbook", tmp_path / "bar.sqlite")
    assert code == 1
    assert "no run was stored" in err
    assert interrupted_runs(tmp_path / "recordings") == ()
    with open_logbook(tmp_path / "bar.sqlite") as logbook:
        assert logbook.benches() == ()


def session_of(rig: SimulatedRig, folder: Path, **options: Any) -> Session:
    plan = Plan(folder, rig.ports, time_scale=rig.time_scale)
    way = Way("shake", (("coffee", 50.0), ("rum", 34.0)), vessel_g=300.0, duration_s=4.0)
    recording = start_recording(plan)
    follower = Follower(plan.files.journal, load())
    return Session(recording, follower, way, hands=rig.hands, **options)


def test_an_advisor_is_told_each_reading_in_order_and_its_cue_rings_once(tmp_path: Path) -> None:
    told: list[tuple[float, float | None]] = []
    rung: list[float] = []

    def advisor(
        time_s: float, temp_c: float | None, rhythm: Rhythm | None, believed_until_s: float
    ) -> StopWords:
        told.append((time_s, temp_c))
        return StopWords("stop" if time_s > 2.0 else "go on", stop_now=time_s > 2.0)

    with SimulatedRig(make_drink(1), time_scale=TIME_SCALE) as rig:
        session = session_of(rig, tmp_path, by_itself=True, advisor=advisor, ring=lambda: rung.append(1))
        run_session(session, lambda pace_s: time.sleep(0.002) or "", lambda s: None)
        session.recording.end()
    times = [t for t, _ in told]
    assert len(told) > 20
    assert times[-1] > 2.0
    assert times == sorted(times)
    assert all(temp is not None for _, temp in told[5:])
    assert len(rung) == 2  # the cue, and the end of the time that was asked for
    assert session.words == StopWords("stop", stop_now=True)


def test_a_blind_drink_rings_nothing_and_shows_no_number_until_it_has_stopped(tmp_path: Path) -> None:
    rung: list[float] = []
    moving: list[str] = []
    after: list[str] = []

    def advisor(
        time_s: float, temp_c: float | None, rhythm: Rhythm | None, believed_until_s: float
    ) -> StopWords:
        return StopWords("STOP at once", stop_now=time_s > 1.0)

    def show(session: Session) -> None:
        if session.started:
            shown = Console(file=io.StringIO(), width=80)
            shown.print(screen(session))
            assert isinstance(shown.file, io.StringIO)
            (moving if session.moving else after).append(shown.file.getvalue())

    with SimulatedRig(make_drink(1), time_scale=TIME_SCALE) as rig:
        session = session_of(
            rig, tmp_path, by_itself=True, blind=True, advisor=advisor, ring=lambda: rung.append(1)
        )
        run_session(session, lambda pace_s: time.sleep(0.002) or "", show)
        session.recording.end()
    assert session.words is not None and session.words.stop_now
    assert len(rung) == 1  # only the end of the time that was asked for
    assert all("by feel" in text and "█" not in text and "STOP" not in text for text in moving)
    assert any("█" in text for text in after)


def test_what_is_stopped_by_feel_is_stopped_by_nobody_else(tmp_path: Path) -> None:
    code, _, err = chillrig("record", "--simulated", "--blind", "--yes", "--logbook", tmp_path / "bar.sqlite")
    assert code == 2
    assert "stopped by feel" in " ".join(err.split())


WHEN = datetime(2026, 1, 5, 9, tzinfo=UTC)
FOR_EVER = 36_500
SCALE = replace(
    fit_line(
        "simulated scale",
        "",
        CalibrationKind.MASS,
        WHEN,
        [Point(0.0, 1.5, 0.05), Point(100.0, 103.5, 0.05), Point(500.0, 511.5, 0.05)],
        method="check weights",
        valid_days=FOR_EVER,
    ),
    residual_std=0.1,
)
"""True mass = 1.5 g + 1.02 · reading: the scale weighs 2 % too little."""
PROBE = one_point(
    "simulated probe",
    "",
    CalibrationKind.TEMPERATURE,
    WHEN,
    Point(0.4, 0.0, 0.06, "ice point"),
    method="ice point",
    slope_std=0.0,
    valid_days=FOR_EVER,
)
"""The probe reads 0.4 K too much, and that is known to 0.06 K."""


def test_a_calibrated_scale_and_probe_correct_the_run_and_leave_the_journal_as_it_was_read(
    tmp_path: Path,
) -> None:
    book = tmp_path / "bar.sqlite"
    with open_logbook(book) as logbook:
        assert keep_calibration(logbook, SCALE) and keep_calibration(logbook, PROBE)
    code, out, err = chillrig(
        *("record", "--simulated", "--yes", "--json", "--duration-s", "5", "--seed", "3"),
        *("--time-scale", str(TIME_SCALE), "--logbook", book, "--run", "n1"),
    )
    assert code == 0, err
    made = json.loads(out)
    with open_logbook(book) as logbook:
        run = logbook.run("simulated", "n1")
    raw = {
        e.detail["what"]: e.detail["mass_g"]
        for e in read_journal(Path(made["journal"])).events(EventKind.WEIGH)
    }
    # a weigh-in is a difference: the offset of 1.5 g falls out, the slope stays
    for what, mass_g in (
        ("drink", run.drink_mass_g),
        ("ice", run.ice_mass_g),
        ("strained", run.strained_mass_g),
    ):
        assert mass_g == pytest.approx(1.02 * raw[what], abs=0.006), what
    assert made["drink_mass_g"] == run.drink_mass_g
    assert run.probe_std_k == pytest.approx(0.06, abs=1e-6)
    assert run.scale_std_g == pytest.approx(0.1 * 2**0.5, abs=0.02)
    drink = drink_of_seed_3()
    assert run.drink_temp_c == pytest.approx(
        drink.temp_c(0.0) + drink.instruments.probe_offset_k - 0.4, abs=0.5
    )
    assert (
        f"drink weighed {raw['drink']:.1f} g, by simulated scale's calibration" in run.extra["calibrations"]
    )
    assert any("drink weighed" in f["what"] for f in made["findings"])


def test_the_live_call_hears_what_calibrated_readings_stand_for(tmp_path: Path) -> None:
    told: list[float] = []
    known: list[WeighedIn] = []

    def prepare(weighed_in: WeighedIn) -> Advisor:
        known.append(weighed_in)

        def advisor(
            time_s: float, temp_c: float | None, rhythm: Rhythm | None, believed_until_s: float
        ) -> None:
            if temp_c is not None:
                told.append(temp_c)

        return advisor

    with SimulatedRig(make_drink(1), time_scale=TIME_SCALE) as rig:
        heard = Heard(InForce((SCALE, PROBE), datetime.now(UTC).date()))
        session = session_of(rig, tmp_path, by_itself=True, prepare=prepare, heard=heard)
        run_session(session, lambda pace_s: time.sleep(0.002) or "", lambda s: None)
        session.recording.end()
    streams = streams_from(read_journal(session.recording.files.journal), load())
    read = {
        v for s in streams for c in s.of(Quantity.TEMPERATURE) for v in c.value[np.isfinite(c.value)].tolist()
    }
    assert told and all(any(abs(t + 0.4 - v) < 1e-9 for v in read) for t in told)
    (first,) = known
    assert first.mass_g["drink"] == pytest.approx(1.02 * session.weighed["drink"])
    assert first.probe_std_k == pytest.approx(0.06, abs=1e-6)
    assert first.scale_std_g == pytest.approx(0.1 * 2**0.5, abs=0.02)


def test_keys_take_start_stop_mark_and_skip(tmp_path: Path) -> None:
    """Space takes what rests on the scale, starts and stops; s leaves out; m marks; the screen follows."""
    asked_for: list[str] = []
    with SimulatedRig(make_drink(2), time_scale=TIME_SCALE) as rig:
        session = session_of(rig, tmp_path)
        end_s = time.monotonic() + PATIENCE_S

        def press(pace_s: float) -> str:
            assert time.monotonic() < end_s, asked_for
            now = asked(session)
            fresh = not asked_for or asked_for[-1] != now
            if fresh:
                asked_for.append(now)
            assert screen(session) is not None
            if "ice" in now:
                return "s"
            if now.startswith("Shake"):
                return "m" if fresh else (" " if session.moved_s > 3.0 else "")
            return " "

        run_session(session, press, lambda s: None)
        session.recording.end()
    assert [w.split(":")[0] for w in asked_for][:4] == [
        "Put the empty vessel on the scale",
        "Add coffee",
        "Add rum",
        "Add ice",
    ]
    assert session.skipped == ["ice"]
    assert session.weighed["drink"] == pytest.approx(rig.hands.drink.drink_mass_g, abs=1.0)
    assert "ice" not in session.weighed
    assert session.weighed["strained"] > 40
    journal = read_journal(session.recording.files.journal)
    kinds = [e.kind for e in journal.events()]
    assert [kinds.count(k) for k in (EventKind.START, EventKind.STOP, EventKind.MARK)] == [1, 1, 1]


def test_figures_are_five_rows_tall_and_as_wide_as_they_need() -> None:
    rows = big("-12.5").splitlines()
    assert len(rows) == 5
    assert all(set(row) <= {"█", " "} for row in rows)
    assert big("1") != big("7")


def test_the_way_of_a_drink_starts_with_an_empty_vessel_and_ends_in_the_glass() -> None:
    way = Way("shake", (("coffee", 50.0),))
    assert [s.name for s in (*way.before, *way.after)] == [
        "empty vessel",
        "coffee",
        "ice",
        "empty glass",
        "strained",
    ]
    assert way.before[0].kind is StepKind.VESSEL


BAR = """
title = "Corner bar"
[vessels."steel tin"]
mass_g = 300
[ice."freezer cube"]
edge_mm = 28
temp_c = -16
[recipes."night shift"]
ingredients = [{ name = "coffee", volume_ml = 50 }, { name = "rum", volume_ml = 35, abv_pct = 42 }]
[targets.coupe]
serve_temp_c_max = 2.0
"""


def test_the_live_call_is_made_from_the_weigh_in_and_says_stop_before_the_drink_is_too_cold() -> None:
    bench = parse_bench(BAR)[0]
    given = {"technique": "shake", "vessel": "steel tin", "ice": "freezer cube", "recipe": "night shift"}
    fit, calls = prior_fit(RunBook(bench, ())), list[LiveCall]()
    prepare = preparing(fit, bench.target("coupe"), given, True, calls.append)
    advisor = prepare(WeighedIn({"drink": 84.0, "ice": 195.0}, 22.0))
    assert [c.rehearsal.prediction.situation.ice_mass_g for c in calls] == [195.0]
    said = [advisor(t / 10, 22.0 - 24.0 * (1 - 2.718 ** (-t / 40)), None) for t in range(800)]
    told = [w for w in said if w is not None]
    assert len(told) <= 800 * 0.1 / EVERY_S + 1
    assert not told[0].stop_now
    cue = next(w for w in told if w.stop_now)
    assert cue.text.startswith("STOP")
    assert "no run" in cue.note
