"""The one drink that may be recorded at a time on this computer, and what happens to it before and after."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from dashboard.calls_kept import CallKeeper
from dashboard.desk import Desk
from dashboard.live.caller import nobody
from dashboard.live.news import News
from dashboard.live.question import Devices, LiveQuestion
from dashboard.live.session import Cursor, LiveSession
from dashboard.params import one, params_of_store
from rig.capture.devices.ports import every_device
from rig.capture.recording.process import Interrupted, end_left, interrupted_runs
from rig.capture.recording.recorder_files import OPEN, Files, is_held
from rig.capture.to_run.calibrated import InForce
from rig.capture.to_run.intake import take_in
from rig.errors import NotFound, RigError
from rig.fitting.bench_fit import prior_fit
from rig.fitting.result import Fit
from rig.logbook.calibrations import calibrations
from rig.logbook.store import Logbook
from rig.session.drink import Phase
from rig.session.places import recordings_beside

NO_LOGBOOK = (
    "This is a bench folder, which is only read. To record, bring it into a logbook: "
    "chillrig import DIR, then chillrig dashboard"
)


def is_recording(folder: Path) -> bool:
    """Whether any program on this computer records below a folder."""
    return any(is_held(lock) for lock in (folder / OPEN).glob("*.lock"))


@dataclass(frozen=True)
class Kept:
    """What became of the last drink: the run it is now, or why it is none."""

    words: str
    run: str = ""
    bench: str = ""


class LiveRoom:
    """Begins a drink, keeps or discards it; threads may share it."""

    def __init__(self, desk: Desk) -> None:
        self._desk, self._calls = desk, CallKeeper(desk)
        self._lock = threading.RLock()
        self._live: LiveSession | None = None
        self._kept: Kept | None = None
        self._left: tuple[Interrupted, ...] | None = None
        self.news = News()

    def told(
        self, of: LiveSession | None, cursor: Cursor
    ) -> tuple[dict[str, Any], LiveSession | None, Cursor]:
        """What is new for a screen that was told of a session up to a cursor; the session it now is, its cursor.

        `begin` in the answer says that what was told before is of another drink.
        """
        live = self._live
        if live is None:
            return self._idle() | {"begin": of is not None}, None, Cursor()
        state, after = live.told(cursor if live is of else Cursor())
        return state | {"begin": live is not of or state["begin"]}, live, after

    def begin(self, asked: Any) -> None:
        """Begin a drink.

        Raises
        ------
        RigError
            Another one is under way; there is no logbook; what is asked for is not on the bench.
        """
        with self._lock:
            if self._live is not None and self._live.phase is not Phase.TROUBLE:
                raise RigError("a drink is being recorded already. Keep or discard it first")
            logbook = self._logbook()
            if is_recording(recordings_beside(logbook.where)):
                raise RigError(
                    "another drink is still being recorded on this computer. Bring it in or set it aside first"
                )
            params = params_of_store(asked)
            name = self._desk.chosen(one(params, "bench"))
            bench = self._desk.bench(name)
            question = LiveQuestion.of(name, bench, params)
            known = [d.address for d in every_device(self._desk.devices)] if question.ports else []
            for gone in set(question.ports).difference(known):
                raise NotFound("device", gone[:80], known)
            self._kept = None
            held = InForce(tuple(calibrations(logbook)), datetime.now(UTC).date())
            # a simulated drink answers no call that anyone will follow
            called = partial(self._calls.keep_live, name) if question.devices is Devices.HEARD else nobody
            live = LiveSession(
                question,
                bench,
                recordings_beside(logbook.where),
                lambda: self._fit(name),
                self.news,
                held,
                self._desk.dialects,
                called,
            )
            live.start()
            self._live = live
        self._tell()

    def live(self) -> LiveSession:
        """The drink under way.

        Raises
        ------
        RigError
            There is none.
        """
        live = self._live
        if live is None:
            raise RigError("no drink is being recorded. Begin one")
        return live

    def keep(self, note: str) -> None:
        """End the drink under way and bring it into the logbook.

        Raises
        ------
        RigError
            Where the logbook does not take it: the journal stays where it is, and can be kept again.
        """
        with self._lock:
            live = self.live()
            live.end()
            files = live.files
            if files is None:
                self._done(Kept(f"Nothing was recorded. {live.trouble}".strip()))
                return
            self._done(self._take_in(files, note))

    def discard(self) -> None:
        """End the drink under way and leave it out of the logbook; its journal is set aside, not deleted."""
        with self._lock:
            live = self.live()
            live.end()
            if live.files is not None:
                live.files.set_done()
            self._done(Kept("Discarded. Its raw readings stay in the folder recordings/done."))

    def clear(self) -> None:
        """Go back to the choice of a drink after one that could not be begun, or was kept."""
        with self._lock:
            if self._live is not None and self._live.phase is Phase.TROUBLE:
                self._live.end()
                self._live = None
            self._kept = None
        self._tell()

    def recover(self, run: str) -> None:
        """Bring an interrupted recording into the logbook.

        Raises
        ------
        NotFound, RigError
            There is none of that name; the logbook does not take it.
        """
        with self._lock:
            self._done(self._take_in(self._interrupted(run).files, ""), ended=False)

    def set_aside(self, run: str) -> None:
        """Leave an interrupted recording out of the logbook; its journal is set aside, not deleted."""
        with self._lock:
            left = self._interrupted(run).files
            end_left(left)
            left.set_done()
            self._done(Kept("Set aside. Its raw readings stay in the folder recordings/done."), ended=False)

    def _take_in(self, files: Files, note: str) -> Kept:
        logbook = self._logbook()
        recorded = take_in(files, logbook, self._desk.decoders, calibrations(logbook))
        name = recorded.run.run
        if note.strip():
            logbook.edit_run(
                recorded.bench_name, name, {"notes": note.strip()[:500]}, "noted when it was kept"
            )
        return Kept(f"Kept as run {name}.", name, recorded.bench_name)

    def _done(self, kept: Kept, *, ended: bool = True) -> None:
        if ended:
            self._live = None
        self._kept, self._left = kept, None
        self._tell()

    def _interrupted(self, run: str) -> Interrupted:
        for found in self._found():
            if found.files.run == run:
                return found
        raise NotFound("interrupted recording", run[:80], [i.files.run for i in self._found()])

    def _found(self) -> tuple[Interrupted, ...]:
        with self._lock:
            if self._left is None:
                logbook = self._desk.logbook
                self._left = () if logbook is None else interrupted_runs(recordings_beside(logbook.where))
            return self._left

    def _idle(self) -> dict[str, Any]:
        kept = self._kept
        logbook = self._desk.logbook
        return {
            "phase": "idle",
            "asked": NO_LOGBOOK if logbook is None else "",
            "kept": None if kept is None else vars(kept),
            "interrupted": [{"run": i.files.run, "words": i.in_words} for i in self._found()],
        }

    def _logbook(self) -> Logbook:
        if self._desk.logbook is None:
            raise RigError(NO_LOGBOOK)
        return self._desk.logbook

    def _fit(self, name: str) -> Fit:
        view = self._desk.view(name)
        return view.fit or prior_fit(view.book)

    def _tell(self) -> None:
        self.news.tell()


Acted = Mapping[str, Any]


def act(room: LiveRoom, told: Acted) -> str:
    """Do what a page asks for; words for who asked, empty where it was done.

    Raises
    ------
    RigError
        It cannot be done.
    """
    text = {k: str(told.get(k, ""))[:500] for k in ("act", "phase", "step", "text", "run")}
    late = "the drink has gone on meanwhile: look again"
    match text["act"]:
        case "begin":
            room.begin(told.get("asked") or {})
        case "go":
            return "" if room.live().act(text["phase"]) else late
        case "skip":
            return "" if room.live().skip(text["step"]) else late
        case "mark":
            return "" if room.live().mark(text["text"]) else "nothing was written"
        case "end":
            room.live().finish()
        case "keep":
            room.keep(text["text"])
        case "discard":
            room.discard()
        case "recover":
            room.recover(text["run"])
        case "set aside":
            room.set_aside(text["run"])
        case "clear":
            room.clear()
        case _:
            raise RigError("the page asked for something that is not known here. Load it again")
    return ""
