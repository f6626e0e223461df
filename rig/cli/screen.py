"""`chillrig dashboard`: the same in a browser."""

from __future__ import annotations

import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from rig.cli.options import BenchFolder, BenchName, Dialects, Logbook, example
from rig.cli.source import existing_logbook_at
from rig.errors import RigError

EXAMPLE = example(
    "chillrig dashboard",
    "chillrig dashboard --bench my-bar --port 8060",
    "chillrig dashboard --share",
)


def command(
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    share: Annotated[
        bool,
        typer.Option("--share", help="Let other screens of the local network in, each by a one-time code."),
    ] = False,
    host: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS", help="With --share: this computer's address on the network to serve."
        ),
    ] = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port to serve; 0 takes a free one.")] = 8050,
    chromium: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The Chromium that makes PDFs. Default: the first on the path."),
    ] = None,
    device: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ADDRESS", help="A device that the system does not list, such as socket://host:port."
        ),
    ] = None,
    dialects: Dialects = None,
    browser: Annotated[bool, typer.Option(help="Open a browser.")] = True,
) -> None:
    """Serve the dashboard from this computer; needs no network beyond it. Stop with Ctrl-C.

    With --share it prints an address and a code for other screens in the bar: each code lets in one screen and is
    followed by the next. Runs can be corrected on this computer only.
    """
    if host is not None and not share:
        raise typer.BadParameter("--host names the network to share on; give --share with it")
    if find_spec("dashboard") is None or find_spec("dashboard.__main__") is None:
        raise RigError("the dashboard is not installed with this chillrig; reinstall it with its dashboard")
    # a process of its own: neither the screens nor the command line imports the other
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "dashboard",
            *_source(bench, logbook, bench_name),
            *_how(share, host, port, chromium, browser),
            *(part for address in device or () for part in ("--device", address)),
            *(part for path in dialects or () for part in ("--dialects", str(path))),
        ]
    )
    while True:
        try:
            raise typer.Exit(1 if process.wait() else 0)
        except KeyboardInterrupt:
            # Ctrl-C reached it too: it says goodbye itself, and stopping it is no failure
            continue


def _source(bench: Path | None, logbook: str | None, bench_name: str | None) -> list[str]:
    """Which runs the dashboard is told to show.

    Raises
    ------
    RigError
        Where there is no logbook to show.
    """
    if bench is not None:
        return ["--bench", str(bench)]
    named = [] if bench_name is None else ["--bench-name", bench_name]
    return ["--logbook", existing_logbook_at(logbook), *named]


def _how(share: bool, host: str | None, port: int, chromium: Path | None, browser: bool) -> list[str]:
    """How the dashboard is told to serve them."""
    return [
        *("--port", str(port)),
        *(["--share"] if share else []),
        *([] if host is None else ["--host", host]),
        *([] if chromium is None else ["--chromium", str(chromium)]),
        *(["--open"] if browser else []),
    ]
