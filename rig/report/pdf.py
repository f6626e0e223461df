"""A page as PDF, printed by a Chromium of this computer; nothing is asked of any network."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryDirectory

from rig.errors import NotFound, RigError

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
_LONGEST_S = 120.0
_FLAGS = (
    "--headless",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-pdf-header-footer",
    "--virtual-time-budget=20000",  # figures are drawn once their script is unpacked
)


def find_chromium(told: Path | None = None) -> Path:
    """The Chromium told, or the first one on the path.

    Raises
    ------
    NotFound, RigError
        None is where it was told to be; none at all.
    """
    if told is not None:
        if not told.is_file():
            raise NotFound("Chromium", str(told), [p for n in NAMES if (p := shutil.which(n))])
        return told
    for name in NAMES:
        found = shutil.which(name)
        if found is not None:
            return Path(found)
    raise RigError(
        "no Chromium was found to make a PDF with. Install one, or name it; "
        "or open the page in any browser and print it from there"
    )


def pdf_of(html: str, chromium: Path) -> bytes:
    """A self-contained page, printed.

    Raises
    ------
    RigError
        Chromium did not print it; with the last it said.
    """
    with TemporaryDirectory(prefix="chillrig-") as folder:
        page, out = Path(folder) / "page.html", Path(folder) / "page.pdf"
        page.write_text(html, encoding="utf-8")
        # Chromium refuses its sandbox to root, and there is nothing in the page but what we put there
        root = ("--no-sandbox",) if hasattr(os, "geteuid") and os.geteuid() == 0 else ()
        told = (
            str(chromium),
            *_FLAGS,
            *root,
            f"--user-data-dir={Path(folder) / 'profile'}",
            f"--print-to-pdf={out}",
            page.as_uri(),
        )
        try:
            said = _run(told, Path(folder)).strip().splitlines()
        except (OSError, subprocess.TimeoutExpired) as error:
            raise RigError(f"{chromium} did not print the page: {error}") from error
        if not out.is_file():
            raise RigError(f"{chromium} did not print the page: {said[-1] if said else 'it said nothing'}")
        return out.read_bytes()


def _run(told: Sequence[str], folder: Path) -> str:
    """Run a browser to its end; what it said. It and all that it started are gone after that, however it ends."""
    said = folder / "said.txt"
    with said.open("wb") as out:
        # a file, not a pipe: what outlives the browser would keep a pipe open
        browser = subprocess.Popen(told, stdout=subprocess.DEVNULL, stderr=out, start_new_session=True)
        try:
            browser.wait(_LONGEST_S)
        finally:
            if hasattr(os, "killpg"):
                with suppress(ProcessLookupError, PermissionError):
                    os.killpg(browser.pid, signal.SIGKILL)
            else:
                browser.kill()
            browser.wait()
    return said.read_text(encoding="utf-8", errors="replace")
