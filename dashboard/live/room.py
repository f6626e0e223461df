"""The one drink that may be recorded at a time on this computer, and what happens to it before and after."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from dashboard.call_log import CallKeeper
from dashboard.live.caller import nobody
from dashboard.live.news import News
from dashboard.live.question import Devices, LiveQuestion, Probe
from dashboard.live.session import Cursor, LiveSession
from dashboard.params import one, params_of_store
from dashboard.service import Service
from rig.advice.live.verdict import Landing, with_landing
from rig.capture.devices.ports import every_device
from rig.capture.recording.process import Interrupted, end_left, interrupted_runs
from rig.capture.recording.recorder_files import OPEN, Files, is_held
from rig.capture.recording.taken_over import going_on
from rig.capture.to_run.calibrated import InForce
from rig.capture.to_run.intake import take_in
from rig.errors import NotFound, RigError
from rig.fitting.bench_fit import prior_fit
from rig.fitting.priors import TYPICAL_ROOM_C
from rig.fitting.result import Fit
from rig.logbook.calibrations import calibrations
from rig.logbook.store import Logbook
from rig.plausible import RUN as PLAUSIBLE
from rig.runs import Run
from rig.session.discarded import Discarded, discard, discarded, take_back
from rig.session.heard import note_on
from rig.session.places import recordings_beside
from rig.session.probe import usual_start_c
from rig.session.resumed import begun_in
from rig.session.tally import alike, score_of, tally_words
from rig.session.way import Phase
from rig.signals.sound import HeardShake

MOST_DISCARDED = 3
LOOK_S = 0.5
"""How often at most the folder is looked through for a drink whose screen has died."""
NO_LOGBOOK = (
    "This is a bench folder, which is only read. To record, bring it into a logbook: "
    "chillrig import DIR, then chillrig dashboard"
)


def is_recording(folder: Path) -> bool:
    """Whether any program on this computer records below a folder."""
    return any(is_held(lock) for lock in (folder / OPEN).glob("*.lock"))


@dataclass(frozen=True)
class Kept:
    """What became of the last drink: the run it is now, or why it is none; how it landed; how the others did.

    `again`: the same drink can be made once more with one press. `by_feel`: how near the blind ones were, in words.
    """

    words: str
    run: str = ""
    bench: str = ""
    landed: str = ""
    tally: str = ""
    again: bool = False
    by_feel: Mapping[str, Any] | None = None


class LiveRoom:
    """Begins a drink, keeps or discards it; threads may share it."""

    def __init__(self, service: Service) -> None:
        self._service, self._calls = service, CallKeeper(service)
        self._lock = threading.RLock()
        self._live: LiveSession | None = None
        self._kept: Kept | None = None
        self._left: tuple[Interrupted, ...] | None = None
        self._set_aside: tuple[Discarded, ...] | None = None
        self._question: LiveQuestion | None = None
        self._refused: set[str] = set()
        self._looked_s = float("-inf")
        self.remotes = False
        """Whether other screens may start and stop; until this program ends."""
        self.news = News()

    def told(
        self, of: LiveSession | None, cursor: Cursor
    ) -> tuple[dict[str, Any], LiveSession | None, Cursor]:
        """What is new for a screen that was told of a session up to a cursor; the session it now is, its cursor.

        `begin` in the answer says that what was told before is of another drink.
        """
        live = self._live
        if live is None:
            return self._idle() | {"begin": of is not None, "remotes": self.remotes}, None, Cursor()
        state, after = live.told(cursor if live is of else Cursor())
        begin = live is not of or state["begin"]
        return state | {"begin": begin, "remotes": self.remotes}, live, after

    def let_remotes(self, allowed: bool) -> None:
        """Let other screens start and stop, or no more."""
        self.remotes = allowed
        self._tell()

    def look(self, *, anew: bool = False) -> None:
        """Go on with a drink whose screen has died, where nothing is under way here; `anew`: a page was opened."""
        now_s = time.monotonic()
        with self._lock:
            logbook = self._service.logbook
            if self._live is not None or logbook is None or now_s - self._looked_s < LOOK_S:
                return
            self._looked_s = now_s
            if anew:
                self._left = None
            for files in going_on(recordings_beside(logbook.where)):
                if files.run not in self._refused and self._go_on(files, logbook):
                    break

    def _go_on(self, files: Files, logbook: Logbook) -> bool:
        """Go on with a recording; False where its journal does not tell of which drink it is."""
        try:
            begun = begun_in(files)
        except RigError:
            self._refused.add(files.run)
            return False
        question = LiveQuestion.of_begun(begun)
        heard = question.devices is Devices.HEARD
        self._show(
            LiveSession(
                question,
                begun.bench,
                files.folder,
                lambda: self._fit(begun.bench_name),
                self.news,
                InForce(tuple(calibrations(logbook)), datetime.now(UTC).date()),
                self._service.dialects,
                partial(self._calls.keep_live, begun.bench_name) if heard else nobody,
                goes_on=(files, begun),
            )
        )
        return True

    def _show(self, live: LiveSession) -> None:
        live.start()
        self._kept, self._left, self._live, self._question = None, None, live, live.question
        self._tell()

    def begin(self, asked: Any) -> None:
        """Begin a drink.

        Raises
        ------
        RigError
            Another one is under way; there is no logbook; what is asked for is not on the bench.
        """
        params = params_of_store(asked)
        name = self._service.chosen(one(params, "bench"))
        self._begin(LiveQuestion.of(name, self._service.bench(name), params))

    def again(self) -> None:
        """Begin the drink that was made last once more: same operator, same session, another drink.

        Raises
        ------
        RigError
            None was made yet; and as `begin`.
        """
        if self._question is None:
            raise RigError("no drink has been made here yet. Choose one and weigh it in")
        self._begin(self._question.again)

    def _begin(self, question: LiveQuestion) -> None:
        with self._lock:
            if self._live is not None and self._live.phase is not Phase.TROUBLE:
                raise RigError("a drink is being recorded already. Keep or discard it first")
            logbook, name = self._logbook(), question.bench
            if is_recording(recordings_beside(logbook.where)):
                raise RigError(
                    "another drink is still being recorded on this computer. Bring it in or set it aside first"
                )
            bench = self._service.bench(name)
            known = [d.address for d in every_device(self._service.devices)] if question.ports else []
            for gone in set(question.ports).difference(known):
                raise NotFound("device", gone[:80], known)
            held = InForce(tuple(calibrations(logbook)), datetime.now(UTC).date())
            # a simulated drink answers no call that anyone will follow
            called = partial(self._calls.keep_live, name) if question.devices is Devices.HEARD else nobody
            made = [r.run for r in logbook.list_runs(name, recipe=question.recipe)]
            usual_c = usual_start_c(bench.recipe(question.recipe), made)
            self._show(
                LiveSession(
                    question,
                    bench,
                    recordings_beside(logbook.where),
                    lambda: self._fit(name),
                    self.news,
                    held,
                    self._service.dialects,
                    called,
                    usual_c if question.probe is Probe.IN else TYPICAL_ROOM_C,
                    self._service.devices,
                )
            )

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

    def sounded(self, heard: HeardShake, start_ns: int, stop_ns: int) -> bool:
        """Give a shake that was heard or felt to the drink under way; False where there is none that it belongs to."""
        live = self._live
        return live is not None and live.sounded(heard, start_ns, stop_ns)

    def note_heard(self, bench: str, run: str, heard: HeardShake) -> None:
        """Note a shake on a run of the logbook; raises RigError where there is none, or the value cannot be."""
        note_on(self._logbook(), self._service.chosen(bench), run, heard, "heard by the microphone of Live")

    def keep(self, note: str, foam_ml: float | None = None) -> None:
        """End the drink under way and bring it into the logbook.

        Raises
        ------
        RigError
            Where the logbook does not take it, or the foam cannot be: it can be kept again.
        """
        if foam_ml is not None and (doubt := PLAUSIBLE["foam_ml"].doubt(foam_ml)):
            raise RigError(f"foam_ml: {doubt[0]}. {doubt[1]}")
        with self._lock:
            live = self.live()
            live.end()
            files = live.files
            if files is None:
                self._done(Kept(f"Nothing was recorded. {live.trouble}".strip(), again=True))
                return
            self._done(self._take_in(files, note, live.landing, foam_ml))

    def discard(self) -> None:
        """End the drink under way and leave it out of the logbook; it can be brought back."""
        with self._lock:
            live = self.live()
            live.end()
            if live.files is not None:
                discard(live.files)
            self._done(Kept("Discarded. It can be brought back for a day.", again=True))

    def bring_back(self, run: str) -> None:
        """Bring a discarded drink into the logbook after all.

        Raises
        ------
        NotFound, RigError
            There is none of that name; the logbook does not take it.
        """
        with self._lock:
            there = discarded(recordings_beside(self._logbook().where))
            found = next((d for d in there if d.files.run == run), None)
            if found is None:
                raise NotFound("discarded drink", run[:80], [d.files.run for d in there])
            take_back(found.files)
            self._done(self._take_in(found.files, ""), ended=False)

    def clear(self) -> None:
        """Go back to the choice of a drink after one that could not be begun, or was kept."""
        with self._lock:
            if self._live is not None and self._live.phase is Phase.TROUBLE:
                self._live.end()
                if self._live.goes_on is not None:
                    # what could not be gone on with is offered as it lies
                    self._refused.add(self._live.goes_on.run)
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

    def _take_in(
        self,
        files: Files,
        note: str,
        landing: Landing | None = None,
        foam_ml: float | None = None,
    ) -> Kept:
        logbook = self._logbook()

        def remark(run: Run) -> Run:
            foamed = run if foam_ml is None else replace(run, foam_ml=foam_ml)
            return with_landing(foamed, landing)

        recorded = take_in(files, logbook, self._service.decoders, calibrations(logbook), remark)
        run = recorded.run
        if note.strip():
            noted = {"notes": note.strip()[:500]}
            logbook.edit_run(recorded.bench_name, run.run, noted, "noted when it was kept")
        landed = "" if landing is None else landing.sentence
        like_it = alike(logbook, recorded.bench_name, run)
        score = score_of(self._fit(recorded.bench_name), like_it, run) if run.is_blind else None
        tally = tally_words(like_it, run)
        return Kept(f"Kept as run {run.run}.", run.run, recorded.bench_name, landed, tally, True, score)

    def _done(self, kept: Kept, *, ended: bool = True) -> None:
        if ended:
            self._live = None
        self._kept, self._left, self._set_aside = kept, None, None
        self._tell()

    def _interrupted(self, run: str) -> Interrupted:
        for found in self._found():
            if found.files.run == run:
                return found
        raise NotFound("interrupted recording", run[:80], [i.files.run for i in self._found()])

    def _found(self) -> tuple[Interrupted, ...]:
        with self._lock:
            if self._left is None:
                logbook = self._service.logbook
                self._left = () if logbook is None else interrupted_runs(recordings_beside(logbook.where))
            return self._left

    def _thrown(self) -> tuple[Discarded, ...]:
        with self._lock:
            if self._set_aside is None:
                logbook = self._service.logbook
                self._set_aside = () if logbook is None else discarded(recordings_beside(logbook.where))
            return self._set_aside[:MOST_DISCARDED]

    def _idle(self) -> dict[str, Any]:
        kept = self._kept
        logbook = self._service.logbook
        return {
            "phase": "idle",
            "asked": NO_LOGBOOK if logbook is None else "",
            "kept": None if kept is None else vars(kept),
            "interrupted": [{"run": i.files.run, "words": i.in_words} for i in self._found()],
            "discarded": [{"run": d.files.run, "words": d.words} for d in self._thrown()],
        }

    def _logbook(self) -> Logbook:
        if self._service.logbook is None:
            raise RigError(NO_LOGBOOK)
        return self._service.logbook

    def _fit(self, name: str) -> Fit:
        view = self._service.view(name)
        return view.fit or prior_fit(view.book)

    def _tell(self) -> None:
        self.news.tell()
