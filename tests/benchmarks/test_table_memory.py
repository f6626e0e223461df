"""Reading a table takes memory in proportion to its file, also where the file is damaged."""

from __future__ import annotations

import tracemalloc

import pytest

from rig.errors import TableRefused
from rig.importing.tables import table_from_bytes

MOST_TIMES = 40  # a cell of five bytes becomes a float, a text and a code

ROWS = 8_000
WELL = b"time_s,probe_c,scale_g\n" + b"".join(
    b"%d.5,%d.25,%d.1\n" % (i, i % 40, i % 500) for i in range(ROWS)
)
CLOCKS = (b"%02d:%02d:%02d" % (i // 3600, i // 60 % 60, i % 60) for i in range(ROWS))
STAMPED = b"Zeit;T\n" + b"".join(b"17.03.2026 %s;20,5 C\n" % clock for clock in CLOCKS)
NAMED = b"".join(b"t_ms=%d probe_C=%d.5\n" % (i * 100, i % 40) for i in range(ROWS))


@pytest.mark.parametrize(
    "raw",
    [WELL, STAMPED, NAMED, WELL.replace(b",", b"", 600), WELL[::-1], b'"' + WELL, WELL * 2 + b"\0" * 900],
    ids=["numbers", "stamps", "named", "cut", "backwards", "open quote", "twice"],
)
def test_memory_stays_in_proportion_to_the_file(raw: bytes) -> None:
    tracemalloc.start()
    try:
        table_from_bytes(raw, "big.csv")
    except TableRefused:
        pass
    finally:
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert most < MOST_TIMES * len(raw) + 20_000_000
