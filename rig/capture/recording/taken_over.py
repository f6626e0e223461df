"""A recording taken over from a screen that has died: told and watched by its files, as its own screen would."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Protocol

from rig.capture.recording.journal import Event, EventKind
from rig.capture.recording.process import end_left, is_left, send_order
from rig.capture.recording.recorder_files import OPEN, Files, RecorderState, held, is_held, read_state
from rig.errors import LogbookError


class Recording(Protocol):
    """A recording as whoever makes the drink needs it, begun here or taken over."""

    @property
    def files(self) -> Files:
        """Its files."""
        ...

    @property
    def alive(self) -> bool:
        """Whether it still records."""
        ...

    def order(self, kind: EventKind, **detail: Any) -> Event:
        """Tell the recorder something, as of now."""
        ...

    def state(self) -> RecorderState | None:
        """How it was doing a moment ago."""
        ...


class TakenOver:
    """A recording that goes on without the screen it was begun on."""

    def __init__(self, files: Files) -> None:
        self.files = files

    @property
    def alive(self) -> bool:
        """Whether it still records."""
        return is_held(self.files.lock)

    def order(self, kind: EventKind, **detail: Any) -> Event:
        """Tell the recorder something, as of now. Raises LogbookError where it cannot be told."""
        return send_order(self.files, kind, **detail)

    def state(self) -> RecorderState | None:
        """How it was doing a moment ago."""
        return read_state(self.files)

    def end(self) -> None:
        """End the recording. Raises LogbookError where it does not end."""
        end_left(self.files)


@contextmanager
def take_over(files: Files) -> Iterator[TakenOver]:
    """Take a recording over meanwhile; it goes on after, unless it was ended. One screen at a time can.

    Raises
    ------
    LogbookError
        Another screen has it.
    """
    with ExitStack() as stack:
        try:
            stack.enter_context(held(files.screen))
        except LogbookError as error:
            raise LogbookError(f"{files.run}: another screen shows this recording. Go on there") from error
        yield TakenOver(files)


def going_on(folder: Path) -> tuple[Files, ...]:
    """The recordings below a folder that go on while no screen shows them."""
    there = [Files(folder, lock.stem) for lock in (folder / OPEN).glob("*.lock")]
    return tuple(f for f in there if is_held(f.lock) and is_left(f))
