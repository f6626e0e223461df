"""`chillrig dashboard`: the same in a browser."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from rig.cli.options import LOGBOOK_VARIABLE, BenchFolder, BenchName, Dialects, Logbook, example
from rig.cli.source import existing_logbook_at
from rig.errors import RigError
from rig.session.places import logbook_at, new_logbook_at

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

    Where there is no logbook yet, an empty one of your own is begun, and the page says what to do first.

    With --share it prints an address and a code for other screens in the bar: each code lets in one screen and is
    followed by the next. Runs can be corrected on this computer only.
    """
    if host is not None and not share:
        raise typer.BadParameter("--host names the network to share on; give --share with it")
    if find_spec("dashboard") is None or find_spec("dashboard.__main__") is None:
        raise RigError("the dashboard is not installed with this chillrig; reinstall it with its dashboard")
    source, at = _source(bench, logbook, bench_name)
    # neither the screens nor the command line imports the other
    _become(
        [
            *(sys.executable, "-m", "dashboard"),
            *source,
            *_how(share, host, port, chromium, browser),
            *(part for address in device or () for part in ("--device", address)),
            *(part for path in dialects or () for part in ("--dialects", str(path))),
        ],
        # an address may hold a password, and everybody on a computer sees how its programs were called
        os.environ | ({} if at is None else {LOGBOOK_VARIABLE: at}),
    )


def _become(told: list[str], variables: Mapping[str, str]) -> None:
    """Go on as another program, so that whoever ends this one ends that one."""
    sys.stdout.flush()
    sys.stderr.flush()
    if sys.platform != "win32":
        os.execve(told[0], told, variables)
    # Windows has no such thing: its console ends both by Ctrl-C or when it is closed
    with subprocess.Popen(told, env=variables) as process:
        while True:
            try:
                raise typer.Exit(1 if process.wait() else 0)
            except KeyboardInterrupt:
                continue  # it says goodbye itself, and stopping it is no failure


def _source(bench: Path | None, logbook: str | None, bench_name: str | None) -> tuple[list[str], str | None]:
    """Which runs the dashboard is told to show, and in which logbook; one's own is begun where there is none.

    Raises
    ------
    RigError
        The logbook that was named is not there.
    """
    if bench is not None:
        return ["--bench", str(bench)], None
    named = [] if bench_name is None else ["--bench-name", bench_name]
    if logbook is None and not Path(logbook_at(None)).exists():
        from rig.logbook.store import open_logbook

        open_logbook(new_logbook_at(None)).close()
    return named, existing_logbook_at(logbook)


def _how(share: bool, host: str | None, port: int, chromium: Path | None, browser: bool) -> list[str]:
    """How the dashboard is told to serve them."""
    return [
        *("--port", str(port)),
        *(["--share"] if share else []),
        *([] if host is None else ["--host", host]),
        *([] if chromium is None else ["--chromium", str(chromium)]),
        *(["--open"] if browser else []),
    ]
