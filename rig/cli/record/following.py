"""`chillrig record --follow`: go on with a drink whose recording goes on because only its screen has died."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from rig.capture.recording.process import end_left
from rig.capture.recording.recorder_files import Files
from rig.capture.recording.taken_over import going_on, take_over
from rig.cli.source import Source, fitted_or_prior
from rig.errors import RigError

if TYPE_CHECKING:
    from rig.capture.decoding.readings import Decoder
    from rig.fitting.result import Fit
    from rig.logbook.store import Logbook
    from rig.session.advisor import Prepare
    from rig.session.drink import Session
    from rig.session.resumed import Begun

WAYS = "space: start, stop or take    s: skip    m: mark    e: end it and bring it in    q: leave it going on"


def left_going_on(folder: Path) -> Files:
    """The recording that goes on without its screen.

    Raises
    ------
    RigError
        There is none.
    """
    running = going_on(folder)
    if not running:
        raise RigError("no recording goes on without a screen. Begin one: chillrig record")
    return running[-1]


def follow(
    files: Files, decoders: Mapping[str, Decoder], logbook: Logbook, quiet: bool
) -> tuple[Session, Fit | None] | None:
    """Go on with a drink until it is done; its session and the fit that it was called with, None where it is left.

    Raises
    ------
    RigError
        Its journal does not tell of which drink it is; another screen shows it; it does not end.
    """
    from rig.capture.recording.follow import Follower
    from rig.capture.to_run.calibrated import Heard, InForce
    from rig.cli.record.keys import run_session, terminal_keys
    from rig.cli.record.view import live_view
    from rig.logbook.calibrations import calibrations
    from rig.session.drink import Session
    from rig.session.resumed import begun_in

    begun = begun_in(files)
    with take_over(files) as recording, terminal_keys() as keys:
        held = InForce(tuple(calibrations(logbook)), datetime.now(UTC).date())
        fit = None if begun.target is None else fitted_or_prior(_source(begun, logbook), quiet)
        session = Session(
            recording,
            Follower(files.journal, dict(decoders)),
            begun.way,
            prepare=_prepare(begun, fit),
            heard=Heard(held),
            watch=begun.watch,
            blind=begun.blind,
            ring=lambda: print("\a", end="", file=sys.stderr, flush=True),
        )
        with live_view(sys.stdout.isatty() and not quiet, WAYS) as show:
            run_session(session, keys.wait, show, pace_s=0.05 / max(begun.time_scale, 1.0))
        if not session.done:
            return None
        end_left(files)
        return session, fit


def _source(begun: Begun, logbook: Logbook) -> Source:
    """The runs that the call goes by: the logbook's of that bench, else none."""
    from rig.runs import RunBook

    if begun.bench_name in [b.name for b in logbook.benches()]:
        return Source(logbook.book(begun.bench_name), begun.bench_name, logbook)
    return Source(RunBook(begun.bench, ()), begun.bench_name)


def _prepare(begun: Begun, fit: Fit | None) -> Prepare | None:
    from rig.session.advisor import preparing

    if fit is None or begun.target is None:
        return None
    return preparing(fit, begun.target, begun.given, begun.probe_in_drink)
