"""`chillrig record` is killed in the middle of a drink; asked again, in another terminal, it goes on with it."""

from __future__ import annotations

import os
import re
import select
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from rig.capture.recording.taken_over import going_on
from rig.logbook.store import open_logbook
from rig.session.places import recordings_beside
from tests.bar_device import bar_device, waited
from tests.capture.test_record_cli import chillrig
from tests.dashboard.live_drinks import small_logbook

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
DRINK = (
    *("--bench-name", "corner", "--technique", "shake", "--vessel", "steel tin", "--ice", "freezer cube"),
    *("--recipe", "night shift", "--target", "coupe", "--probe-in-drink", "--run", "left"),
)
PATIENCE_S = 90.0


class Terminal:
    """`chillrig record` on a terminal of its own."""

    def __init__(self, told: tuple[str, ...]) -> None:
        self._master, slave = os.openpty()
        env = os.environ | {"COLUMNS": "120", "LINES": "40", "TERM": "xterm"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "rig.cli", "record", *told],
            stdin=slave, stdout=slave, stderr=slave, env=env, cwd=Path(__file__).parents[2], start_new_session=True,
        )  # fmt: skip
        os.close(slave)
        self.shown = ""

    def press(self, keys: str) -> None:
        os.write(self._master, keys.encode())

    def until(self, words: str, since: int = 0) -> int:
        """Return once these words have been shown, with how much has been shown by then."""
        ends_s = time.monotonic() + PATIENCE_S
        while not re.search(words, self._plain()[since:]):
            assert time.monotonic() < ends_s, (words, self._plain()[-3000:])
            self.read(0.1)
        return len(self._plain())

    def read(self, patience_s: float) -> None:
        if select.select([self._master], [], [], patience_s)[0]:
            try:
                self.shown += os.read(self._master, 65_536).decode("utf-8", errors="replace")
            except OSError:
                return

    def ended(self) -> int:
        while self.process.poll() is None:
            self.read(0.1)
        self.read(0.0)
        return int(self.process.returncode)

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self._master)

    def _plain(self) -> str:
        return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", self.shown)


@contextmanager
def terminal(*told: str) -> Iterator[Terminal]:
    with closing(Terminal(told)) as opened:
        yield opened


def _weighed_in(screen: Terminal) -> None:
    """Leave all weighing out but the vessel's, and start."""
    for step in ("coffee concentrate", "dark spirit", "cream liqueur", "ice"):
        screen.until(f"Add {step}")
        screen.press("s")
    screen.until("Space starts")
    screen.press(" ")
    screen.until("Shake: stop with space")


def test_asked_to_record_again_it_goes_on_with_the_drink_that_was_left(tmp_path: Path) -> None:
    book = small_logbook(tmp_path)
    folder, where = recordings_beside(str(book)), ("--logbook", str(book))
    with bar_device(tmp_path / "board") as (bar, device):
        with terminal(*where, *DRINK, "--port", f"{device.address}=wire") as screen:
            screen.until("Put the empty vessel")
            bar.pan_g = 300.0
            _weighed_in(screen)
            bar.moved()
            screen.until(r"keep going|get ready|STOP|no good moment")
            screen.process.kill()
            screen.process.wait()
        (files,) = waited(lambda: going_on(folder), "left alone")
        code, _, err = chillrig("record", "--simulated", "--yes", *where)
        assert code == 1
        assert "still being recorded" in err and "record --follow" in err and "record --recover" in err
        with terminal(*where) as screen:
            screen.until("Still being recorded, though its screen has died: night shift, shake in steel tin")
            screen.press("y\n")
            now = screen.until("Shake: stop with space")
            screen.until(r"keep going|get ready|STOP|no good moment")
            screen.press("q")
            assert screen.ended() == 0
            screen.until("Left going on", now)
        assert going_on(folder) == (files,)
        with terminal(*where, "--follow") as screen:
            screen.until("Shake: stop with space")
            screen.press(" ")
            screen.until("Put the empty glass|Strain into the glass")
            screen.press("e")
            assert screen.ended() == 0, screen.shown
            screen.until("Run left of corner: night shift")
    assert not files.journal.exists()
    with open_logbook(book) as logbook:
        run = logbook.run("corner", "left")
    assert run.duration_s is not None and run.duration_s > 1.0
    assert run.drink_temp_c == pytest.approx(21.5, abs=0.1)
    assert run.trace is not None
    within = run.trace.time_s[(run.trace.time_s > 0.0) & (run.trace.time_s < run.duration_s)]
    assert max(within[1:] - within[:-1]) < 0.5
    assert chillrig("record", "--follow", *where)[0] == 1
