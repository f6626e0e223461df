"""`chillrig record --follow`: stand beside a recording that goes on because only its screen has died."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from rig.capture.decoding.readings import Decoder
from rig.capture.recording.follow import Follower
from rig.capture.recording.journal import EventKind
from rig.capture.recording.process import Interrupted, end_left, interrupted_runs, send_order
from rig.capture.recording.recorder_files import is_held, read_state
from rig.cli.printing import one_line, visible
from rig.errors import RigError

WAYS = "space: start or stop    e: end it and bring it in    q: leave it going on"
_WIDTH = 96


def going_on(folder: Path) -> Interrupted:
    """The recording that goes on without its screen.

    Raises
    ------
    RigError
        There is none.
    """
    running = [i for i in interrupted_runs(folder) if i.running]
    if not running:
        raise RigError("no recording goes on without a screen. Begin one: chillrig record")
    return running[-1]


def follow(
    left: Interrupted,
    decoders: Mapping[str, Decoder],
    key: Callable[[float], str],
    show: Callable[[str], None],
    pace_s: float = 0.1,
) -> bool:
    """Follow until it ends, or a key says otherwise; whether it is to be brought in. `key` waits for one so long."""
    follower = Follower(left.files.journal, decoders)
    while is_held(left.files.lock):
        follower.poll()
        show(_line(follower, left))
        match key(pace_s):
            case " ":
                send_order(left.files, EventKind.STOP if follower.moving else EventKind.START)
            case "e":
                end_left(left.files)
            case "q":
                return False
            case _:
                pass
    return True


@contextmanager
def line_view(on_terminal: bool) -> Iterator[Callable[[str], None]]:
    """A function that shows one line, ever anew; off a terminal it shows nothing."""
    if not on_terminal:
        yield lambda text: None
        return
    print(WAYS)
    try:
        yield lambda text: print(f"\r{text[:_WIDTH]:<{_WIDTH}}", end="", flush=True)
    finally:
        print()


def _line(follower: Follower, left: Interrupted) -> str:
    """How it is now, in one line."""
    state = read_state(left.files)
    parts = [
        f"{follower.now_s:.0f} s",
        "no probe yet" if follower.temp_c is None else f"{follower.temp_c:.1f} °C",
        "" if follower.scale_g is None else f"{follower.scale_g:.1f} g",
        f"moving for {follower.moved_s:.0f} s" if follower.moving else "",
        "" if state is None else state.disk_words,
    ]
    return one_line(visible("   ".join(p for p in parts if p)))
