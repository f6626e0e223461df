"""Hearing a shake lands more drinks than a stopwatch does; worlds of two families that nothing was tuned on."""

from __future__ import annotations

import pytest

from rig.advice.kit_parts import Part
from tests.judge.kits import gains, landed

LEAST_SHARE = 0.5
"""Start, stop and cadence heard are to bring at least half of what a probe brings."""


@pytest.mark.slow
def test_what_is_heard_brings_at_least_half_of_what_a_probe_brings() -> None:
    drinks: list[dict[Part, bool]] = []
    for family in ("lumped", "shells"):
        drinks += landed(family, 251, runs=6, drinks=12)
    assert len(drinks) >= 72
    heard, probed = gains(drinks)
    assert probed > 0.0
    assert heard >= LEAST_SHARE * probed
