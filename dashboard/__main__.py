"""`python -m dashboard`: serve a bench folder or a logbook on this computer, or to the local network."""

from __future__ import annotations

import argparse
import os
import signal
import sys
import webbrowser
from pathlib import Path

from rig.errors import RigError
from rig.threads import keep_to_one_thread

LOGBOOK_VARIABLE = "CHILLRIG_LOGBOOK"


def main(arguments: list[str] | None = None) -> int:
    """Serve until stopped; 1 where it cannot, with the reason on stderr."""
    parser = argparse.ArgumentParser(prog="python -m dashboard", description=__doc__)
    parser.add_argument("--bench", type=Path, metavar="DIR", help="a bench folder")
    parser.add_argument("--logbook", metavar="URL_OR_FILE", help=f"a logbook; default: ${LOGBOOK_VARIABLE}")
    parser.add_argument(
        "--bench-name", action="append", default=[], metavar="NAME", help="only this bench of it"
    )
    parser.add_argument("--port", type=int, default=8050, help="port to serve; 0 takes a free one")
    parser.add_argument(
        "--share", action="store_true", help="let other screens of the local network in, each by a code"
    )
    parser.add_argument("--host", help="with --share: the address to serve other screens at, and no other")
    parser.add_argument("--chromium", type=Path, metavar="FILE", help="the Chromium that makes PDFs")
    parser.add_argument(
        "--device", action="append", default=[], metavar="ADDRESS", help="a device the system does not list"
    )
    parser.add_argument(
        "--dialects",
        action="append",
        default=[],
        metavar="PATH",
        help="a file or folder that declares dialects",
    )
    parser.add_argument("--open", action="store_true", help="open a browser")
    told = parser.parse_args(arguments)
    keep_to_one_thread()

    # the libraries of the screens take seconds to load, which help and a mistyped option need not wait for
    from dashboard.serving import serve
    from dashboard.sources import Wanted

    def say(text: str) -> None:
        print(text, flush=True)  # noqa: T201

    def opened(address: str) -> None:
        say(f"chillrig dashboard at {address} (stop with Ctrl-C)")
        if told.open:
            webbrowser.open(address)

    # whoever ends it by a signal lets it end in good order, as Ctrl-C does
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        bench = None if told.bench is None else str(told.bench)
        logbook = told.logbook or os.environ.get(LOGBOOK_VARIABLE)
        serve(
            Wanted(bench, logbook, tuple(told.bench_name)),
            told.host,
            told.port,
            share=told.share,
            chromium=told.chromium,
            devices=tuple(told.device),
            dialects=tuple(told.dialects),
            tell=say,
            opened=opened,
        )
    except KeyboardInterrupt:
        return 0
    except (RigError, OSError) as error:
        print(f"chillrig dashboard: {error}", file=sys.stderr)  # noqa: T201
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
