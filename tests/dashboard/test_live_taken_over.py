"""A dashboard is killed in the middle of a drink; the next one shows the whole of it and goes on."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import pytest

from rig.capture.recording.recorder_files import is_held
from rig.capture.recording.taken_over import going_on
from rig.logbook.store import open_logbook
from rig.session.places import recordings_beside
from tests.bar_device import Bar, bar_device, waited
from tests.dashboard.live_drinks import room_at, small_logbook, told

PATIENCE_S = 90.0
ASKED = {"bench": "corner", "target": "coupe", "devices": "heard", "probe": "in", "operator": "Ada"}


class Dashboard:
    """A dashboard in a process of its own, as a browser speaks to it."""

    def __init__(self, process: subprocess.Popen[str], port: int) -> None:
        self.process, self.port = process, port

    def act(self, **asked: Any) -> str:
        connection = HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        connection.request("POST", "/live/act", json.dumps(asked), {"Content-Type": "application/json"})
        said = json.loads(connection.getresponse().read())["said"]
        connection.close()
        return str(said)

    def told(self) -> Iterator[dict[str, Any]]:
        """The state of a page that is opened now, and how it goes on; curves grow."""
        connection = HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        connection.request("GET", "/live/events")
        answer, state = connection.getresponse(), dict[str, Any]()
        try:
            while line := answer.readline():
                if line.startswith(b"data: "):
                    new = json.loads(line.removeprefix(b"data: "))
                    old = {} if new.get("begin") else state
                    state = old | new
                    state |= {k: old.get(k, []) + new.get(k, []) for k in ("probe", "estimates")}
                    yield state
        finally:
            connection.close()

    def until(self, condition: Any) -> dict[str, Any]:
        return next(state for state in self.told() if condition(state))


@contextmanager
def dashboard(book: Path, address: str) -> Iterator[Dashboard]:
    told = [sys.executable, "-m", "dashboard", "--logbook", str(book), "--port", "0", "--device", address]
    root = Path(__file__).parents[2]
    process = subprocess.Popen(
        told, cwd=root, env=os.environ | {"PYTHONUNBUFFERED": "1"}, stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        found = re.search(r"127\.0\.0\.1:(\d+)", process.stdout.readline())
        assert found is not None
        yield Dashboard(process, int(found[1]))
    finally:
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()


def _begun(screen: Dashboard, bar: Bar, address: str) -> dict[str, Any]:
    """A drink up to the third second of its motion; only the vessel is weighed."""
    assert screen.act(act="begin", asked=ASKED | {"port": [address]}) == ""
    bar.pan_g = 300.0
    for state in screen.told():
        if state["phase"] == "weighing" and state["step"] != "empty vessel":
            screen.act(act="skip", step=state["step"])
        elif state["phase"] == "ready":
            assert screen.act(act="go", phase="ready") == ""
            bar.moved()
            break
        assert state["phase"] in ("idle", "opening", "weighing"), state
    return screen.until(lambda s: s["phase"] == "moving" and s["moved_s"] > 3.0 and s["probe"])


@pytest.mark.skipif(sys.platform == "win32", reason="kills with SIGKILL, and needs pseudo-terminals")
def test_the_next_dashboard_shows_the_whole_drink_and_goes_on(tmp_path: Path) -> None:
    book = small_logbook(tmp_path)
    folder = recordings_beside(str(book))
    with bar_device(tmp_path / "board") as (bar, device):
        with dashboard(book, device.address) as screen:
            before = _begun(screen, bar, device.address)
            os.kill(screen.process.pid, signal.SIGKILL)
            screen.process.wait()
        (files,) = waited(lambda: going_on(folder), "left alone")
        with dashboard(book, device.address) as screen:
            after = screen.until(lambda s: s["phase"] == "moving" and s["estimates"] and s["call"]["word"])
            assert after["drink"] == before["drink"] and after["target"] == before["target"]
            assert after["probe"][: len(before["probe"])] == before["probe"]
            assert after["started_s"] == before["started_s"] and after["moved_s"] > before["moved_s"]
            steps = {s["name"]: s for s in after["steps"]}
            assert steps["empty vessel"]["mass_g"] == pytest.approx(300.0, abs=0.2)
            assert steps["ice"]["state"] == "left out"
            # where the drink was is estimated too, not only from here on
            assert after["estimates"][0][0] < before["moved_s"] < after["estimates"][-1][0]
            assert screen.act(act="go", phase="moving") == ""
            assert screen.act(act="end") == ""
            done = screen.until(lambda s: s["phase"] == "done" and s["landing"] and s["landing"]["why"])
            assert screen.act(act="keep", text="") == ""
            kept = screen.until(lambda s: s["phase"] == "idle" and s.get("kept"))["kept"]
        assert done["landing"]["why"] in kept["landed"]
    assert not is_held(files.lock) and not files.journal.exists() and not files.screen.exists()
    with open_logbook(book) as logbook:
        run = logbook.run("corner", kept["run"])
        assert [r.run.run for r in logbook.list_runs("corner", operator="Ada")] == [run.run]
    assert run.trace is not None and run.trace.probe_c is not None
    assert run.duration_s == pytest.approx(done["moved_s"], abs=0.05)
    assert run.drink_temp_c == pytest.approx(21.5, abs=0.1)
    # no reading between the two screens is missing: the board sends one every 20 ms
    within = run.trace.time_s[(run.trace.time_s > 0.0) & (run.trace.time_s < run.duration_s)]
    assert max(within[1:] - within[:-1]) < 0.5


def test_a_page_that_is_open_finds_what_another_dashboard_has_left(tmp_path: Path) -> None:
    book = small_logbook(tmp_path)
    with bar_device(tmp_path / "board") as (bar, device):
        waiting, _ = room_at(book)
        with dashboard(book, device.address) as screen:
            _begun(screen, bar, device.address)
            waiting.look(anew=True)
            # one whose screen lives is left to it
            assert told(waiting)["phase"] == "idle" and told(waiting)["interrupted"] == []
        waited(lambda: waiting.look() or told(waiting)["phase"] == "moving", "gone on with")
        waiting.discard()
        assert told(waiting)["discarded"]
