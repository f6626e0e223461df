"""`chillrig dashboard`: the same in a browser."""

from __future__ import annotations

import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from rig.cli.options import LOGBOOK_VARIABLE, Logbook, example
from rig.cli.source import logbook_at
from rig.errors import RigError

EXAMPLE = example("chillrig dashboard", "chillrig dashboard --logbook bar.sqlite --port 8060")


def command(
    logbook: Logbook = None,
    host: Annotated[
        str, typer.Option(help="Address to serve; 0.0.0.0 lets other screens in the bar join.")
    ] = ("127.0.0.1"),
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port to serve.")] = 8050,
    browser: Annotated[bool, typer.Option(help="Open a browser.")] = True,
) -> None:
    """Serve the dashboard from this computer; needs no network beyond it. Stop with Ctrl-C."""
    if find_spec("dashboard") is None or find_spec("dashboard.__main__") is None:
        raise RigError("the dashboard is not installed with this chillrig; reinstall it with its dashboard")
    at = logbook_at(logbook)
    if "://" not in at and not Path(at).exists():
        raise RigError(f"there is no logbook at {at}. Import a bench first: chillrig import DIR")
    # a process of its own: the screens are a layer above the command line and never imported by it
    command_line = [sys.executable, "-m", "dashboard", "--host", host, "--port", str(port)]
    if browser:
        command_line.append("--open")
    code = subprocess.call(command_line, env=os.environ | {LOGBOOK_VARIABLE: at})
    if code:
        raise RigError(f"the dashboard stopped with exit code {code}; its reason stands above")
