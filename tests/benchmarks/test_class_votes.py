"""How long a class waits that guesses in the same moment, against one phone alone in the same run; printed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.dashboard.phones import all_at_once, class_served

PHONES = 20


@pytest.mark.slow
def test_twenty_phones_at_once_against_one(tmp_path: Path) -> None:
    with class_served(tmp_path / "one") as server:
        alone = [all_at_once(server, 1)[0].taken[0][1] for _ in range(10)]
    with class_served(tmp_path / "class") as server:
        phones = all_at_once(server, PHONES)
        counted = len(server.wall()["guesses"])
    took = [s for phone in phones for _, s in phone.taken]
    one_ms, half_ms, most_ms = (1000.0 * float(x) for x in (np.median(alone), *np.percentile(took, [50, 95])))
    print(
        f"\n{PHONES} phones at once: {counted} counted; p50 {half_ms:.0f} ms, p95 {most_ms:.0f} ms, "
        f"{most_ms / one_ms:.1f} times one phone alone ({one_ms:.0f} ms)"
    )
    assert counted == PHONES
