"""What is told ahead costs a small part of a call in full, for one person and for twenty at once; printed.

With a browser, from hand to number: `python -m tests.benchmarks.hand_to_number`.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.hand_to_number import (
    FORETOLD,
    IN_FULL,
    ask,
    people_at_once,
    served_ahead,
    timed_ms,
    told,
)


@pytest.mark.slow
def test_twenty_people_wait_for_what_is_told_ahead_less_than_for_a_call_in_full() -> None:
    app, server = served_ahead()
    client = app.server.test_client()
    in_full_ms = float(np.median([timed_ms(lambda n=n: ask(client, IN_FULL, 10.0 + n)) for n in range(5)]))  # type: ignore[misc]
    ahead, in_full = (people_at_once(app, output) for output in (FORETOLD, IN_FULL))
    print()
    told("twenty at once, told ahead", ahead, in_full_ms)
    told("twenty at once, in full", in_full, in_full_ms)
    server.server_close()
    assert np.median(ahead) < np.median(in_full)
