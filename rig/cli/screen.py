"""`chillrig dashboard`: the same in a browser."""

from __future__ import annotations

import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from rig.cli.options import BenchFolder, BenchName, Logbook, example
from rig.cli.source import existing_logbook_at
from rig.errors import RigError

EXAMPLE = example("chillrig dashboard", "chillrig dashboard --bench my-bar --port 8060")


def command(
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    host: Annotated[
        str, typer.Option(help="Address to serve; 0.0.0.0 lets other screens in the bar join.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port to serve; 0 takes a free one.")] = 8050,
    browser: Annotated[bool, typer.Option(help="Open a browser.")] = True,
) -> None:
    """Serve the dashboard from this computer; needs no network beyond it. Stop with Ctrl-C."""
    if find_spec("dashboard") is None or find_spec("dashboard.__main__") is None:
        raise RigError("the dashboard is not installed with this chillrig; reinstall it with its dashboard")
    # a process of its own: the screens are a layer above the command line and never imported by it
    process = subprocess.Popen(
        [sys.executable, "-m", "dashboard", *_arguments(bench, logbook, bench_name, host, port, browser)]
    )
    while True:
        try:
            raise typer.Exit(1 if process.wait() else 0)
        except KeyboardInterrupt:
            # Ctrl-C reached it too: it says goodbye itself, and stopping it is no failure
            continue


def _arguments(
    bench: Path | None, logbook: str | None, bench_name: str | None, host: str, port: int, browser: bool
) -> list[str]:
    """What the dashboard is told.

    Raises
    ------
    RigError
        Where there is no logbook to show.
    """
    if bench is not None:
        source = ["--bench", str(bench)]
    else:
        source = ["--logbook", existing_logbook_at(logbook)]
        if bench_name is not None:
            source += ["--bench-name", bench_name]
    return [*source, "--host", host, "--port", str(port), *(["--open"] if browser else [])]
