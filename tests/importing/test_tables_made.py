"""Messy tables that a generator made from readings it knows are read as just those, or refused for their reason.

At the first try 87 of 87 were read and 18 of 21 refused; a clock that runs to and fro was sorted and read in silence.
"""

from __future__ import annotations

import random
from collections.abc import Callable

import numpy as np
import pytest

from rig.errors import TableRefused
from rig.importing.tables import table_from_bytes
from tests.importing.made_tables import READ, REFUSED, Made

SEEDS = range(3)
Maker = Callable[[random.Random], Made]


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("maker", READ, ids=lambda m: m.__name__)
def test_a_made_table_is_read_as_what_it_truly_holds(maker: Maker, seed: int) -> None:
    made = maker(random.Random(seed))
    found = table_from_bytes(made.raw, f"{maker.__name__}.csv", **made.settings)
    assert [c.role for c in found.channels] == [role for role, _, _ in made.channels]
    for channel, (_, time_s, value) in zip(found.channels, made.channels, strict=True):
        assert len(channel.value) == len(value)
        assert np.allclose(channel.time_s, time_s, rtol=0, atol=made.tolerance)
        assert np.allclose(channel.value, value, rtol=0, atol=made.tolerance)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("maker", REFUSED, ids=lambda m: m.__name__)
def test_a_made_table_that_leaves_something_open_is_refused_for_it(maker: Maker, seed: int) -> None:
    made = maker(random.Random(seed))
    with pytest.raises(TableRefused) as refusal:
        table_from_bytes(made.raw, f"{maker.__name__}.csv", **made.settings)
    for word in made.refused:
        assert word in str(refusal.value)
    assert refusal.value.cure
