"""Fits that many tests ask for, made once in a test run and shared by its workers through files."""

from __future__ import annotations

import fcntl
import os
import tempfile
from pathlib import Path

from rig.fitting.bench_fit import fingerprint, fit
from rig.fitting.kept_fit import fit_from_bytes, fit_to_bytes
from rig.fitting.result import Fit
from rig.logbook.store import Logbook
from rig.runs import RunBook

_RUN_OF_TESTS = os.environ.get("PYTEST_XDIST_TESTRUNUID", str(os.getpid()))


def fitted(book: RunBook) -> Fit:
    """The fit of a book; whoever asks first makes it, the others wait for it."""
    folder = Path(tempfile.gettempdir()) / f"chillrig-test-fits-{_RUN_OF_TESTS}"
    folder.mkdir(exist_ok=True)
    file = folder / fingerprint(book)
    with file.open("a+b") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        held.seek(0)
        found = fit_from_bytes(held.read() or None, book)
        if found is None:
            found = fit(book)
            held.truncate(0)
            held.write(fit_to_bytes(found))
        return found


def keep_fit(logbook: Logbook, bench_name: str) -> None:
    """Put the fit of a bench into its logbook's cache, as `chillrig fit` would."""
    book = logbook.book(bench_name)
    logbook.cache(fingerprint(book), fit_to_bytes(fitted(book)), bench_name)
