"""What screens are told of a session: small values, ready for JSON; seconds, °C, g, dilution in %."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dashboard.live.question import LiveQuestion
from rig.advice.call.words import of_hundred
from rig.advice.live.live import LiveEstimate, Word
from rig.advice.live.verdict import Landing
from rig.capture.devices.health import PortReport, PortState
from rig.capture.recording.follow import Follower
from rig.capture.recording.recorder_files import RecorderState
from rig.capture.to_run.weighing import Step, StepKind
from rig.session.drink import Session
from rig.session.way import Phase
from rig.signals.probe_faults import ProbeFault
from rig.target import Target

Point = tuple[float, float]
_WORDS = {
    PortState.ABSENT: "not there",
    PortState.IN_USE: "another program has it",
    PortState.NOT_ALLOWED: "not allowed",
    PortState.REFUSED: "refused",
    PortState.OPENING: "opening",
    PortState.SILENT: "silent",
    PortState.UNREADABLE: "not understood",
    PortState.OK: "well",
}


@dataclass(frozen=True, eq=False)
class Standing:
    """Where a session stands at one moment; `drink` is its steps and what was read, None before it records."""

    question: LiveQuestion
    target: Target | None
    phase: Phase
    trouble: str
    recorder: RecorderState | None
    drink: tuple[Session, Follower] | None
    estimates: Sequence[LiveEstimate]
    call_words: str
    landing: Landing | None = None
    judged: bool = False


def state_of(now: Standing) -> dict[str, Any]:
    """Where a session stands; numbers are rounded to what a screen shows."""
    state: dict[str, Any] = {
        "phase": now.phase.value,
        "drink": now.question.words,
        "technique": now.question.technique,
        "target": _target(now),
        "simulated": now.question.devices.value == "simulated",
        "trouble": now.trouble or ("" if now.recorder is None else now.recorder.disk_words),
        "asked": "Opening the devices …" if now.phase is Phase.OPENING else now.trouble,
        "speed": now.question.speed,
    }
    if now.drink is None:
        return state
    session, follower = now.drink
    hidden = is_hidden(now.question, now.phase)
    step = session.expecting if now.phase in (Phase.WEIGHING, Phase.AFTER) else None
    net_g = None
    if step is not None and follower.scale_g is not None:
        net_g = follower.scale_g - (session.pan_g(step) if step.kind is StepKind.ADDITION else 0.0)
    return state | {
        "asked": asked_of(session, now.phase, step),
        "step": None if step is None else step.name,
        "expected_g": None if step is None else rounded(step.expected_g, 1),
        "net_g": rounded(net_g, 1),
        "scale_g": rounded(follower.scale_g, 1),
        "hidden": hidden,
        "temp_c": None if hidden else rounded(session.temp_c, 2),
        "trust": trust_of(session),
        "missing": missing_of(session, now.phase),
        "moved_s": None if hidden and now.phase is Phase.MOVING else rounded(session.moved_s, 2),
        "started_s": rounded(follower.started_s, 3),
        "steps": [_step(session, s, step) for s in (*session.way.before, *session.way.after)],
        "said": session.said or session.doubt or stopped_words(now, session),
        "ports": [] if now.recorder is None else [_port(p) for p in now.recorder.ports],
        "call": NO_CALL if hidden else call_of(now.estimates, session, now.call_words),
        "landing": landing_of(now),
    }


NO_CALL = {"word": "", "note": "", "waiting": ""}


def is_hidden(question: LiveQuestion, phase: Phase) -> bool:
    """Whether the call and all numbers but those of the scale are kept from every screen: until a blind drink stops."""
    return question.blind and phase in (Phase.OPENING, Phase.WEIGHING, Phase.READY, Phase.MOVING)


def stopped_words(now: Standing, session: Session) -> str:
    """When a blind drink was stopped, once it was; else nothing."""
    if not now.question.blind or now.phase not in (Phase.AFTER, Phase.DONE):
        return ""
    return f"stopped by feel after {session.moved_s:.1f} s"


def trust_of(session: Session) -> dict[str, Any]:
    """Whether the probe can be believed, in a word and in words; `ask`: a person can say that it is right."""
    doubt = session.watch.doubt
    if doubt is not None:
        ask = doubt.fault is ProbeFault.FAHRENHEIT
        words = session.probe_words
        return {"state": "doubted", "words": f"{words[0].upper()}{words[1:]}", "ask": ask}
    if not session.watch.heard:
        return {"state": "none", "words": "No probe is heard", "ask": False}
    return {"state": "believed", "words": "Probe believed", "ask": False}


def missing_of(session: Session, phase: Phase) -> list[str]:
    """What is still to be weighed before the start, by name."""
    if phase is not Phase.WEIGHING:
        return []
    due = [s.name for s in session.way.before if s != session.expecting]
    return [n for n in due if n not in session.weighed and n not in session.skipped]


def landing_of(now: Standing) -> dict[str, Any] | None:
    """Whether it landed, for the last of the big states; None before, or where no target was named."""
    if now.phase is not Phase.DONE or now.target is None or not (now.drink and now.drink[0].started):
        return None
    if now.landing is None:
        words = "It cannot be told whether this one landed" if now.judged else "Working out how it landed …"
        return {"landed": None, "big": "", "headline": words, "why": ""}
    big, _, by = now.landing.headline.partition(": ")
    return {"landed": now.landing.landed, "big": big, "headline": by, "why": now.landing.why}


def asked_of(session: Session, phase: Phase, step: Step | None) -> str:
    """What is to be done now, in words."""
    if phase is Phase.MOVING:
        return f"{session.way.technique.capitalize()} …"
    if phase is Phase.READY:
        return f"All is weighed. Start, and {session.way.technique} at once."
    if phase is Phase.DONE:
        return "Keep this run?"
    if step is None:
        return ""
    if step.kind is StepKind.VESSEL:
        return f"Put the {step.name} on the scale"
    if step.name == "strained":
        return "Strain into the glass"
    return f"Add {step.name}"


def call_of(estimates: Sequence[LiveEstimate], session: Session, waiting: str) -> dict[str, Any]:
    """What the newest estimate says as of this very moment: the time left runs on between two estimates."""
    if not estimates:
        return {"word": "", "note": "", "waiting": waiting if session.expecting is None else ""}
    newest = estimates[-1]
    word, left_s = newest.word, None
    if newest.stop_at_s is not None:
        left_s = newest.stop_at_s - session.moved_s
        if word in (Word.KEEP_GOING, Word.GET_READY) and left_s <= 0.0 and session.moving:
            word = Word.STOP
    return {
        "word": word.value,
        "note": newest.note,
        "cadence": newest.cadence,
        "waiting": "",
        "left_s": rounded(left_s, 2),
        "by_clock": newest.by_clock,
        "odds_now_pct": _pct(newest.odds_now),
        "odds_best_pct": _pct(newest.odds_best),
        "lands": "" if newest.odds_best is None else of_hundred(newest.odds_best),
        "temp_c": [rounded(v, 2) for v in newest.temp_c],
        "dilution_pct": [rounded(100.0 * v, 1) for v in newest.dilution_by_volume],
    }


def points_of(
    probe: Sequence[Point], others: Mapping[str, Sequence[Point]], estimates: Sequence[LiveEstimate]
) -> dict[str, Any]:
    """What the screen's curves grow by.

    `probe` and the `others` by name as [s since the journal's start, °C]; `estimates` as [s of motion, °C at 5, 50
    and 95 %, dilution in % at 5, 50 and 95 %].
    """
    return {
        "probe": _points(probe),
        "others": {name: _points(curve) for name, curve in others.items() if curve},
        "estimates": [
            [
                round(e.now_s, 2),
                *(round(v, 2) for v in e.temp_c),
                *(round(100.0 * v, 1) for v in e.dilution_by_volume),
            ]
            for e in estimates
        ],
    }


def _points(curve: Sequence[Point]) -> list[list[float]]:
    return [[round(t, 3), round(v, 3)] for t, v in curve]


def _port(p: PortReport) -> dict[str, Any]:
    return {"name": p.name, "ok": p.state is PortState.OK, "state": _WORDS[p.state], "words": p.words}


def _step(session: Session, step: Step, now: Step | None) -> dict[str, Any]:
    mass_g = session.weighed.get(step.name)
    state = "to come"
    if step == now:
        state = "now"
    elif mass_g is not None:
        state = "weighed"
    elif step.name in session.skipped:
        state = "left out"
    return {
        "name": step.name,
        "expected_g": rounded(step.expected_g, 1),
        "mass_g": mass_g,
        "state": state,
    }


def _target(now: Standing) -> dict[str, Any] | None:
    target = now.target
    if target is None:
        return None
    window = target.dilution_by_volume
    return {
        "name": target.name or now.question.target,
        "temp_c_max": target.serve_temp_c_max,
        "temp_c_min": target.serve_temp_c_min,
        "dilution_pct": None if window is None else [100.0 * window[0], 100.0 * window[1]],
    }


def rounded(value: float | None, digits: int) -> float | None:
    """A number to so many digits, never −0, None where there is none to show."""
    return None if value is None or value != value else round(value, digits) + 0.0


def _pct(share: float | None) -> int | None:
    return None if share is None else round(100.0 * share)
