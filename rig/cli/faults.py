"""The edge of the program: every failure becomes one line and an exit code, never a traceback.

0 done, 1 asked for something that cannot be, 2 wrong usage.
"""

from __future__ import annotations

import io
import os
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from rig.cli.options import LOGBOOK_VARIABLE
from rig.cli.printing import one_line, visible
from rig.errors import RigError

CANNOT = 1
SHOW_TRACEBACK = "CHILLRIG_TRACEBACK"
FAULT_LOG = "chillrig-faults.log"


@contextmanager
def edge() -> Iterator[None]:
    """Round all of the program: whatever comes through leaves by SystemExit, a fault with where it is kept."""
    _speak_any_text()
    try:
        yield
    except KeyboardInterrupt:
        stop("stopped")
    except BrokenPipeError:
        _reader_left()
    except Exception as error:
        _fault(error)


@contextmanager
def told() -> Iterator[None]:
    """Turn what a user can meet into one line on stderr and exit code 1."""
    try:
        yield
    except RigError as error:
        stop(visible(str(error)))
    except KeyboardInterrupt:
        stop("stopped")
    except BrokenPipeError:
        _reader_left()


def stop(text: str) -> None:
    """Say one line on stderr and leave with exit code 1."""
    print(f"chillrig: {one_line(_safe(text))}", file=sys.stderr)
    raise SystemExit(CANNOT)


def _fault(error: Exception) -> None:
    kept = _keep(error)
    where = f" (details in {kept})" if kept else ""
    text = one_line(str(error)) or "no text"
    stop(
        f"this is a fault in chillrig: {type(error).__name__}: {text}; "
        f"run `chillrig doctor` and report what it prints{where}"
    )


def _keep(error: Exception) -> Path | None:
    """Write the traceback for a maintainer: to stderr if told so, else to a file beside the logbook."""
    from rig.session.places import data_folder, recordings_beside

    if os.environ.get(SHOW_TRACEBACK, "") not in ("", "0"):
        traceback.print_exception(error)
        return None
    with suppress(OSError):
        # beside the logbook that was asked for, where that is a file
        folder = recordings_beside(_logbook_told() or str(data_folder() / "logbook")).parent
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / FAULT_LOG
        with path.open("a", encoding="utf-8", errors="backslashreplace") as log:
            told = " ".join(["chillrig", *sys.argv[1:], "\n", *traceback.format_exception(error)])
            log.write(_safe(f"--- {datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC, {told}"))
        return path
    return None


def _logbook_told() -> str | None:
    """The logbook that the program was called with, by option or variable."""
    told = sys.argv[1:]
    for at, word in enumerate(told):
        if word.startswith("--logbook="):
            return word.partition("=")[2]
        if word == "--logbook" and at + 1 < len(told):
            return told[at + 1]
    return os.environ.get(LOGBOOK_VARIABLE)


def _safe(text: str) -> str:
    from rig.logbook.passwords import without_password

    return without_password(text)


def _speak_any_text() -> None:
    """A terminal that lacks a character shows a substitute; it never stops the program."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _reader_left() -> None:
    """The reader of our output (`| head`) has what it wants: leave quietly."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    raise SystemExit(0)
