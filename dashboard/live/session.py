"""One drink being recorded: a recorder process, a thread that follows its journal, and what screens are told.

The session lives in the server, not in a page: a browser that is closed loses nothing, and any page that is
opened later finds the drink where it is.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dashboard.live.caller import Called, Caller, Heard, nobody
from dashboard.live.listening import MOVES_READINGS, Listening
from dashboard.live.news import News
from dashboard.live.question import Devices, LiveQuestion, Probe, World
from dashboard.live.state_json import Standing, is_hidden, points_of, state_of
from rig.advice.live.verdict import Landing, landing_of
from rig.bench import Bench
from rig.capture.decoding.dialects import load
from rig.capture.recording.journal import read_journal
from rig.capture.recording.process import RecordingProcess, start_recording
from rig.capture.recording.recorder_files import Files, Plan
from rig.capture.recording.taken_over import TakenOver, take_over
from rig.capture.to_run.calibrated import Heard as Known
from rig.capture.to_run.calibrated import InForce
from rig.capture.to_run.intake import recorded_in
from rig.errors import RigError
from rig.fitting.priors import TYPICAL_ROOM_C
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.session.devices import ports_of, simulated_devices
from rig.session.drink import Session
from rig.session.ear import give
from rig.session.probe import ProbeWatch
from rig.session.resumed import Begun
from rig.session.simulated_drink import simulated_drink
from rig.session.way import Phase
from rig.signals.sound import HeardShake

TICK_S, LEAST_TICK_S = 0.05, 0.01
"""How often the journal is read and screens are told: as often as an eye follows, and no oftener."""
BEFORE_S = 5.0
"""How much before the start is shown and told to the live call [s]."""


@dataclass(frozen=True)
class Cursor:
    """How much of a session a screen has been told: points of the main probe, of the others, estimates."""

    main: tuple[int, str] | None = None
    probe: int = 0
    others: Mapping[str, int] = field(default_factory=dict)
    estimates: int = 0


class LiveSession:
    """One drink from the first weighing to the last; threads may share it.

    `news` hears whenever there may be something new to tell. One that goes on with a drink whose screen has died has
    read its journal from the start before anybody is told.
    """

    def __init__(
        self,
        question: LiveQuestion,
        bench: Bench,
        folder: Path,
        fit: Callable[[], Fit],
        news: News,
        held: InForce | None = None,
        dialect_files: tuple[str, ...] = (),
        called: Called = nobody,
        usual_start_c: float = TYPICAL_ROOM_C,
        known_devices: tuple[str, ...] = (),
        goes_on: tuple[Files, Begun] | None = None,
    ) -> None:
        """Nothing runs before `start`; `held` are the calibrations of this day; `called` hears the call.

        `usual_start_c`: what the probe should show before the start; `known_devices`: addresses that somebody named.
        `goes_on`: the recording that it goes on with, instead of beginning one.
        """
        self._goes_on = goes_on
        self.goes_on = None if goes_on is None else goes_on[0]
        """The recording that it goes on with."""
        self._usual_c, self._known_devices, self._fit = usual_start_c, known_devices, fit
        self.landing: Landing | None = None
        """Whether it landed, once it is done and that has been worked out."""
        self.judged = False
        self.question, self.bench, self._news, self._held = question, bench, news, held
        self._trouble = ""
        self._folder, self._dialect_files = folder, dialect_files
        self.lock = threading.RLock()
        self._left = threading.Event()
        self._opening = True
        self.session: Session | None = None
        self.follower: Listening | None = None
        self.recording: RecordingProcess | TakenOver | None = None
        self._state: dict[str, Any] | None = None
        """What all screens are told alike, made once for them all; None where it may have changed."""
        self.caller = Caller(fit, question.goal(bench), self.known, self.heard, called)
        self._thread = threading.Thread(target=self._run, name="live session", daemon=True)

    def start(self) -> None:
        """Open the devices and record; returns at once."""
        self._thread.start()
        self.caller.start()

    @property
    def files(self) -> Files | None:
        """The files of the recording; None before it has begun."""
        return None if self.recording is None else self.recording.files

    @property
    def trouble(self) -> str:
        """What went wrong, in words; empty while all is well."""
        session = self.session
        if session is not None and session.done and not session.finished:
            return "the recorder has stopped by itself. What it read is on file: keep it"
        return self._trouble

    @property
    def phase(self) -> Phase:
        """Where the drink has got to."""
        session = self.session
        if self._opening:
            return Phase.OPENING
        if session is None:
            return Phase.TROUBLE
        if session.done:
            return Phase.DONE
        if session.moving:
            return Phase.MOVING
        if self.stopped:
            return Phase.AFTER
        return Phase.WEIGHING if session.expecting is not None else Phase.READY

    @property
    def stopped(self) -> bool:
        """Whether the drink was moved and is at rest again."""
        session = self.session
        return session is not None and not session.moving and session.moved_s > 0.0

    def act(self, phase: str) -> bool:
        """Do what the moment is there for; False where the drink is no longer where the person saw it."""
        with self.lock:
            session = self.session
            if session is None or session.done or phase != self.phase:
                return False
            session.act()
            self._state = None
            return True

    def skip(self, step: str) -> bool:
        """Leave a weighing out; False where another one is due by now."""
        with self.lock:
            session = self.session
            if session is None or session.expecting is None or session.expecting.name != step:
                return False
            session.skip()
            self._state = None
            return True

    def believe(self) -> bool:
        """Believe the probe as it reads; False where nothing is recorded."""
        with self.lock:
            session = self.session
            if session is None or session.done:
                return False
            session.believe()
            self._state = None
            return True

    def mark(self, text: str) -> bool:
        """Note something at this moment."""
        with self.lock:
            session = self.session
            if session is None or session.done or not text.strip():
                return False
            session.mark(text.strip()[:200])
            self._state = None
            return True

    def sounded(self, heard: HeardShake, start_ns: int, stop_ns: int) -> bool:
        """Let a shake that was heard or felt start and stop this drink; False where it is not this drink's."""
        with self.lock:
            session, follower = self.session, self.follower
            if session is None or follower is None or self.question.speed != 1.0:
                return False
            given = give(session, heard, follower.at_s(start_ns), follower.at_s(stop_ns))
            self._state = None
        self._news.tell()
        return given

    def finish(self) -> None:
        """Be done, wherever the drink is; it can still be kept or discarded."""
        with self.lock:
            if self.session is not None:
                self.session.finished = True
            self._state = None

    def end(self) -> None:
        """End the recording wherever it is, and wait until its journal is closed; what was read stays on file."""
        with self.lock:
            if self.session is not None:
                self.session.finished = True
        self.caller.leave()
        self._left.set()
        self._thread.join()

    def told(self, cursor: Cursor) -> tuple[dict[str, Any], Cursor]:
        """What is new for a screen since its cursor, as JSON values: seconds, °C, g; and its next cursor.

        `begin` in it says that another probe is the main one by now, and all is told anew.
        """
        with self.lock:
            follower, estimates = self.follower, self.caller.estimates
            probe, others = ([], {}) if follower is None else (follower.probe, follower.others)
            main = None if follower is None else follower.main
            if is_hidden(self.question, self.phase):
                probe, others, estimates, main = [], {}, [], None
            another = cursor.main is not None and cursor.main != main
            if another:
                cursor = Cursor()
            after = Cursor(main, len(probe), {name: len(c) for name, c in others.items()}, len(estimates))
            points = points_of(
                probe[cursor.probe :],
                {name: c[cursor.others.get(name, 0) :] for name, c in others.items()},
                estimates[cursor.estimates : after.estimates],
            )
            if self._state is None:
                self._state = state_of(self._standing())
            return self._state | points | {"begin": another}, after

    def _standing(self) -> Standing:
        recorder = None if self.recording is None else self.recording.state()
        drink = None if self.session is None or self.follower is None else (self.session, self.follower)
        call, goal = self.caller, self.question.goal(self.bench)
        return Standing(
            *(self.question, goal, self.phase, self.trouble, recorder, drink, call.estimates, call.words),
            *(self.landing, self.judged),
        )

    def _run(self) -> None:
        with ExitStack() as stack:
            try:
                session = self._open(stack)
            except (RigError, OSError) as error:
                self._trouble = str(error)
                self._opening = False
                self._tell()
                return
            self._opening = False
            while not self._left.wait(max(TICK_S / self.question.speed, LEAST_TICK_S)):
                with self.lock:
                    self._turn(session)
                self._tell()
                if session.done:
                    break
            self.caller.leave()
        self._tell()
        self._judge()
        self._tell()

    def _judge(self) -> None:
        """Work out whether it landed, from the closed journal: as the kept run will tell it."""
        session, files = self.session, self.files
        if session is not None and files is not None and session.started:
            with suppress(RigError):
                calibrations = () if self._held is None else self._held.known
                run = recorded_in(read_journal(files.journal), load(self._dialect_files), calibrations).run
                self.landing = landing_of(self._fit(), run)
        self.judged = True

    def _open(self, stack: ExitStack) -> Session:
        return self._begin(stack) if self._goes_on is None else self._go_on(stack, *self._goes_on)

    def _go_on(self, stack: ExitStack, files: Files, begun: Begun) -> Session:
        """Take the drink over where it is."""
        recording = stack.enter_context(take_over(files))
        stack.callback(_end, recording)
        self.follower = Listening(files.journal, load(self._dialect_files))
        known = Known(self._held)
        session = Session(recording, self.follower, begun.way, heard=known, watch=begun.watch)
        session.tick()
        if session.started:
            self.caller.called = nobody
        with self.lock:
            self.recording, self.session = recording, session
        return session

    def _begin(self, stack: ExitStack) -> Session:
        q, decoders = self.question, load(self._dialect_files)
        if q.devices is Devices.SIMULATED:
            world = None if q.world is World.OWN else q.seed
            drink = simulated_drink(self._fit(), q.simulated_situation, q.seed, world)
            hands, ports = stack.enter_context(simulated_devices(drink, q.speed))
        else:
            hands, ports = None, ports_of(None, decoders, q.ports, self._known_devices)
        plan = Plan(
            *(self._folder, ports, q.meta(self.bench, self._usual_c)),
            time_scale=q.speed,
            dialect_files=self._dialect_files,
        )
        self.recording = stack.enter_context(start_recording(plan))
        self.follower = Listening(plan.files.journal, decoders)
        self.session = Session(
            self.recording,
            self.follower,
            q.way(self.bench),
            heard=Known(self._held),
            watch=ProbeWatch(self._usual_c, q.probe is Probe.IN, q.speed),
            hands=hands,
        )
        return self.session

    def _turn(self, session: Session) -> None:
        try:
            session.tick()
        except (RigError, OSError) as error:
            self._trouble = str(error)
        follower = self.follower
        assert follower is not None
        if self.phase is Phase.READY and follower.moves_in_a_row >= MOVES_READINGS:
            session.act()
            session.said = "started by the motion sensor"

    def _tell(self) -> None:
        self._state = None
        self._news.tell()

    def known(self) -> Situation | None:
        """What is known of the drink before and while it is moved, as its readings stand for; None otherwise.

        Also of one that had come to rest before it was taken over: it is shown as it went.
        """
        with self.lock:
            if self.session is None or not (self.phase in (Phase.READY, Phase.MOVING) or self._to_tell):
                return None
            follower = self.follower
            assert follower is not None
            before = [v for t, v in follower.probe if t > follower.now_s - 1.0]
            start_c = self.session.temp_c if not before else sum(before) / len(before)
            raw_c = start_c if self.phase is Phase.READY else self._start_c(follower)
            return self.question.situation(self.session.known(None if self.session.temp_c is None else raw_c))

    @property
    def _to_tell(self) -> bool:
        """Whether the drink had come to rest before it was seen here, and nothing was estimated yet."""
        return self._goes_on is not None and self.stopped and not self.caller.estimates

    @staticmethod
    def _start_c(follower: Listening) -> float | None:
        """What the probe showed when the motion began."""
        start = follower.started_s
        if start is None:
            return None
        before = [v for t, v in follower.probe if start - 1.0 < t <= start]
        return sum(before) / len(before) if before else None

    def heard(self) -> Heard | None:
        """What there is to estimate from while the drink is moved, as the readings stand for; None otherwise."""
        with self.lock:
            session, follower = self.session, self.follower
            if session is None or follower is None or follower.started_s is None:
                return None
            if not (session.moving or self._to_tell):
                return None
            start = follower.started_s
            first = start - BEFORE_S if self.question.probe is Probe.IN else start
            last = start + session.believed_until_s
            kept = [(t - start, v) for t, v in follower.probe if first < t <= last]
            temps_c = session.heard.temps_c([v for _, v in kept])
            believed = session.temp_c is not None
            return Heard(session.moved_s, [t for t, _ in kept], temps_c, session.rhythm, believed)


def _end(recording: TakenOver) -> None:
    """End a recording that was taken over; one that does not end says so when it is kept."""
    with suppress(RigError):
        recording.end()
