"""`python -m dashboard.guests`: serve other screens, as a plan on the standard input says, until that ends.

It stands back behind every other program of the computer, the one that records first.
"""

from __future__ import annotations

import json
import os
import sys
from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path
from threading import Thread
from typing import Any

from rig.errors import RigError
from rig.threads import keep_to_one_thread

NICE = 10


def main() -> int:
    """Serve; 1 where it cannot, with the reason as its last word."""
    keep_to_one_thread()

    # the libraries take seconds to load, while the plan is made
    from dashboard.app import SERVICE, make_app
    from dashboard.guests.owner import Owner
    from dashboard.guests.process import GO_ON, LEAVE, LEAVE_S, Open, Plan
    from dashboard.guests.served import Shares, sharing_server

    told = sys.stdin.readline()
    if not told:
        return 0
    plan = Plan.from_json(told)
    owner = Owner(plan.owner_port, plan.owner_key)
    try:
        chromium = None if plan.chromium is None else Path(plan.chromium)
        app = make_app(plan.wanted.source(owner.fit), chromium, plan.devices, plan.dialects)
        shares = Shares(app.server.wsgi_app, owner)
        server, gate = sharing_server(shares, plan.host, plan.port, lambda words: _say(said=words))
    except (RigError, OSError) as error:
        _say(trouble=str(error))
        return 1
    if hasattr(os, "nice"):
        os.nice(NICE)  # not before: this computer's page opens once other screens are served
    Thread(target=server.serve_forever, daemon=True).start()
    _say(opened=asdict(Open(server.server_port, gate.where, gate.class_code)))
    service = app.server.extensions[SERVICE]
    with ExitStack() as left:
        for order in sys.stdin:
            if order.strip() == LEAVE:
                left.enter_context(shares.turns.stopped(LEAVE_S))
                left.enter_context(service.logbook_left())
                _say(left=True)
            elif order.strip() == GO_ON:
                left.close()
    server.shutdown()
    return 0


def _say(**told: Any) -> None:
    print(json.dumps(told), flush=True)  # noqa: T201


if __name__ == "__main__":
    sys.exit(main())
