"""Hold a SQLite file for oneself, so that nothing can read or write it while it is exchanged.

The lock is SQLite's own EXCLUSIVE one on the file's lock bytes (sqlite.org/fileformat2.html#the_lock_byte_page), so it
sees every program that has the file open, and none can open it meanwhile. A child process holds it: locks of one
process never stand against each other, and closing any descriptor of the file would drop those of the process
itself (POSIX fcntl). SQLite is not asked to lock, since opening the file would first play back its write-ahead log.

`python -m rig.logbook.holding FILE` says `held` or `busy`, and holds until its standard input ends.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rig.errors import LogbookError

HELD, BUSY = "held", "busy"
_FIRST_BYTE, _BYTES = 0x4000_0000, 512
"""SQLite's pending, reserved and shared bytes."""


@contextmanager
def held_alone(file: Path) -> Iterator[None]:
    """Keep everybody else out of a SQLite file for as long as this lasts; a file that is not there needs nobody.

    Raises
    ------
    LogbookError
        Where another program, or another part of this one, has it open.
    """
    if not file.exists():
        yield
        return
    child = subprocess.Popen(
        [sys.executable, "-m", "rig.logbook.holding", str(file)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with child:
        try:
            assert child.stdout is not None
            said = child.stdout.readline().strip()
            if said != HELD:
                raise LogbookError(
                    f"{file}: it is in use. Close the dashboard and every other chillrig, then try again"
                    if said == BUSY
                    else f"{file}: it cannot be held: {said or 'no answer'}. Check its permissions"
                )
            yield
        finally:
            assert child.stdin is not None
            child.stdin.close()


def main(file: str) -> int:
    """The child."""
    try:
        fd = os.open(file, os.O_RDWR)
    except OSError as error:
        _say(str(error.strerror))
        return 1
    if _say(HELD if _lock(fd) else BUSY):
        sys.stdin.read()
    os.close(fd)
    return 0


def _say(word: str) -> bool:
    """Tell whoever asked; whether there still is anybody, who may have been killed meanwhile."""
    try:
        os.write(sys.stdout.fileno(), f"{word}\n".encode())
    except BrokenPipeError:
        return False
    return True


if sys.platform == "win32":
    import msvcrt

    def _lock(fd: int) -> bool:
        os.lseek(fd, _FIRST_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(fd, msvcrt.LK_NBLCK, _BYTES)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _lock(fd: int) -> bool:
        try:
            fcntl.lockf(fd, fcntl.LOCK_EX | fcntl.LOCK_NB, _BYTES, _FIRST_BYTE)
        except OSError:
            return False
        return True


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
