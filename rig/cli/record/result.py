"""What is printed of a recorded run, and of those that an interruption left."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from rig.advice.live.verdict import Landing
from rig.capture.recording.process import Interrupted
from rig.capture.to_run.intake import Recorded
from rig.cli.printing import bullets, finding_json, print_findings, print_json, say
from rig.errors import RigError
from rig.session.drink import Session
from rig.session.simulated_drink import SIMULATED_BECAUSE
from rig.session.way import still_to_weigh

if TYPE_CHECKING:
    from rig.fitting.result import Fit
    from rig.logbook.store import Logbook

Offered = list[tuple[Interrupted, Recorded | RigError | None]]
"""Interrupted recordings, each with what came of it: a run, the reason why none, or None if left alone."""


def print_recovered(left: Offered, where: str, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "logbook": where,
                "recovered": [_run_json(r) for _, r in left if isinstance(r, Recorded)],
                "refused": [
                    {"journal": str(i.files.journal), "why": str(r)}
                    for i, r in left
                    if isinstance(r, RigError)
                ],
            }
        )
        return
    if not left:
        say("No recording was interrupted.")
    bullets(_left_lines(left))


def _left_lines(left: Offered) -> list[str]:
    lines = []
    for i, came in left:
        if isinstance(came, Recorded):
            lines.append(f"brought in as {came.run.run} of {came.bench_name}: {i.in_words}")
        elif i.trouble:
            lines.append(f"not brought in: {came or i.trouble}")
        elif came is None:
            lines.append(f"left alone: {i.in_words}. Bring it in with chillrig record --recover")
        else:
            lines.append(f"not brought in: {i.in_words}: {came}")
    return lines


def _run_json(recorded: Recorded) -> dict[str, Any]:
    """A recorded run with stable keys."""
    r = recorded.run
    trace = r.trace
    return {
        "run": r.run,
        "bench_name": recorded.bench_name,
        "technique": r.technique,
        "vessel": r.vessel,
        "ice": r.ice,
        "recipe": r.recipe,
        "started_at": None if r.started_at is None else r.started_at.isoformat(),
        "duration_s": r.duration_s,
        "drink_mass_g": r.drink_mass_g,
        "drink_temp_c": r.drink_temp_c,
        "ice_mass_g": r.ice_mass_g,
        "strained_mass_g": r.strained_mass_g,
        "samples": 0 if trace is None else int(trace.time_s.size),
        "channels": [] if trace is None else list(trace.channels())[1:],
        "lost": sum(s.lost for s in recorded.streams),
        "rejected": sum(s.rejects for s in recorded.streams),
        "findings": [finding_json(f) for f in recorded.findings],
    }


def session_score(fit: Fit, logbook: Logbook, recorded: Recorded) -> Mapping[str, str] | None:
    """How near the blind drinks of this one's session were; None where it was guided."""
    from rig.session.tally import alike, score_of

    if not recorded.run.is_blind:
        return None
    return score_of(fit, alike(logbook, recorded.bench_name, recorded.run), recorded.run)


def print_result(
    recorded: Recorded,
    landing: Landing | None,
    score: Mapping[str, str] | None,
    session: Session,
    where: str,
    left: Offered,
    as_json: bool,
) -> None:
    files = session.recording.files
    missing = still_to_weigh(session.way, list(session.weighed))
    r = recorded.run
    if as_json:
        print_json(
            _run_json(recorded)
            | {
                "logbook": where,
                "journal": str(files.done),
                "weighed_g": session.weighed,
                "not_weighed": missing,
                "landing": None if landing is None else landing.to_dict(),
                "by_feel": score,
                "simulated": r.excluded_because == SIMULATED_BECAUSE,
                "interrupted": [str(i.files.journal) for i, came in left if came is None],
            }
        )
        return
    length = "no motion" if r.duration_s is None else f"{r.duration_s:.1f} s of {r.technique}"
    say(f"Run {r.run} of {recorded.bench_name}: {r.recipe}, {length}.", style="bold")
    if landing is not None:
        say(f"{landing.headline}.", style="bold")
        say(f"{landing.why}.")
    if score is not None:
        say(f"By feel: {score['last']}. {score['practise']}", style="bold")
        say(f"{score['rate']} {score['timing']}; {score['missed']}.")
    if r.excluded_because is not None:
        say(f"In no fit: {r.excluded_because}.")
    bullets([f"{what}: {mass_g:.1f} g" for what, mass_g in session.weighed.items()])
    if missing:
        say(f"  Not weighed: {', '.join(missing)}.")
    print_findings(recorded.findings)
    bullets(_left_lines(left))
    say("", f"In the logbook at {where}; the raw journal is {files.done}.")
