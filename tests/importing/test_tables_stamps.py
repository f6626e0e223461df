"""Stamps: what is one and what is not, and many at once as one by one."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from rig.importing.tabular.stamp_shapes import read_stamps
from rig.importing.tabular.stamps import Order, stamp_from

NOON = 12 * 3600.0


@pytest.mark.parametrize(
    ("text", "date", "order", "clock_s", "zone_s"),
    [
        ("2026-03-14T12:00:00Z", (2026, 3, 14), Order.YEAR_MONTH_DAY, NOON, 0.0),
        ("2026-03-14t12:00:00.250+01:00", (2026, 3, 14), Order.YEAR_MONTH_DAY, NOON + 0.25, 3600.0),
        ("20260314T120000-0430", (2026, 3, 14), Order.YEAR_MONTH_DAY, NOON, -16200.0),
        ("20260314120000", (2026, 3, 14), Order.YEAR_MONTH_DAY, NOON, None),
        ("2026/3/14 12:00", (2026, 3, 14), Order.YEAR_MONTH_DAY, NOON, None),
        ("14.03.2026 12:00:00,5", (14, 3, 2026), Order.DAY_MONTH_YEAR, NOON + 0.5, None),
        ("14/03/26 12:00:00 PM", (14, 3, 26), None, NOON, None),
        ("3/14/2026 12:00:00 AM", (3, 14, 2026), None, 0.0, None),
        ("12:00:00 14-03-2026", (14, 3, 2026), None, NOON, None),
        ("14-Mar-2026 12:00:00", (2026, 3, 14), Order.YEAR_MONTH_DAY, NOON, None),
        ("14. M\u00e4rz 2026 12:00", (2026, 3, 14), Order.YEAR_MONTH_DAY, NOON, None),
        ("4 ao\u00fbt 2026 12:00:00", (2026, 8, 4), Order.YEAR_MONTH_DAY, NOON, None),
        ("14 de marzo de 2026 12:00:00 p. m.", (2026, 3, 14), Order.YEAR_MONTH_DAY, NOON, None),
        ("Mar 14, 2026 12:00:00 PM", (2026, 3, 14), Order.YEAR_MONTH_DAY, NOON, None),
        ("Sat Mar 14 12:00:00 2026", (2026, 3, 14), Order.YEAR_MONTH_DAY, NOON, None),
        ("12:00:00:500", None, None, NOON + 0.5, None),
        ("12h00m30s", None, None, NOON + 30, None),
        ("[12:00:00]", None, None, NOON, None),
        ("2026-03-14", (2026, 3, 14), Order.YEAR_MONTH_DAY, None, None),
    ],
)
def test_a_stamp_is_taken_apart(
    text: str,
    date: tuple[int, int, int] | None,
    order: Order | None,
    clock_s: float | None,
    zone_s: float | None,
) -> None:
    stamp = stamp_from(text)
    assert stamp is not None
    assert (stamp.date, stamp.order, stamp.zone_s) == (date, order, zone_s)
    assert stamp.clock == (None if clock_s is None else pytest.approx(clock_s))


@pytest.mark.parametrize(
    "text",
    [
        "22.5",
        "-12",
        "1e5",
        "12:61:00",
        "13:00 PM",
        "22.5 \u00b0C",
        "1,234.5",
        "3:1",
        "Probe 2",
        "192.168.1.1",
        "T1",
        "25:00:00 14.03.2026",
    ],
)
def test_what_is_no_stamp_is_none(text: str) -> None:
    assert stamp_from(text) is None


SHAPES = [
    "2026-03-{d:02d}T10:{m:02d}:{s:02d}.{f:03d}Z",
    "{d:02d}.03.2026 10:{m:02d}:{s:02d}",
    "10:{m:02d}:{s:02d},{f:03d}",
    "{m:02d}:{s:02d}",
    "{m:02d}:{s:02d}.{d:02d}",
    "10:{m:02d}:{s:02d} {d:02d}/03/2026",
    "2026-03-{d:02d} 10:{m:02d}:{s:02d}+01:00",
    "26-03-{d:02d} 10:{m:02d}",
    "10h{m:02d}m{s:02d}s",
    "10:{m:02d}:{s:02d}:{f:03d}",
    "{d}:{m:02d}:{s:02d}.{f}",
    "{d}/3/2026 {h}:{m:02d}:{s:02d} PM",
    "{d}. März 2026 {h}:{m:02d}:{s:02d} Uhr",
    "Sat Mar {d} {h:02d}:{m:02d}:{s:02d} 2026",
    "202603{d:02d}T{h:02d}{m:02d}{s:02d}",
    "{d} days {h:02d}:{m:02d}:{s:02d}",
    "{d:02d}/03/2026",
    "{h}:{m}",
    "10.10.2010 10.10.{s:02d}",
    "\t{h}:{m:02d}:{s:02d}",
]


@pytest.mark.parametrize("shape", SHAPES)
def test_many_stamps_are_read_as_one_by_one(shape: str) -> None:
    rng = random.Random(1)
    texts = [
        shape.format(
            d=rng.randrange(1, 32),
            h=rng.randrange(26),
            m=rng.randrange(66),
            s=rng.randrange(64),
            f=rng.randrange(1000),
        )
        for _ in range(499)
    ]
    texts[7], texts[8], texts[9], texts[250] = "Time", texts[8] + "0", "1" + texts[9], "-- no reading --"
    together, is_stamp = read_stamps(np.array([t.encode() for t in texts], dtype="S40"))
    alone = [stamp_from(t.strip()) for t in texts]
    assert is_stamp.sum() > 150  # half of the hours are none of a twelve-hour clock
    assert is_stamp.tolist() == [s is not None for s in alone]
    for row, stamp in enumerate(alone):
        clock, zone = together.clock_s[row], together.zone_s[row]
        assert together.parts[row] == (stamp.parts if stamp else 0)
        assert clock == pytest.approx(
            math.nan if not stamp or stamp.clock is None else stamp.clock, nan_ok=True
        )
        assert zone == pytest.approx(
            math.nan if not stamp or stamp.zone_s is None else stamp.zone_s, nan_ok=True
        )
        date = tuple(together.dates[together.date[row]].tolist()) if together.date[row] >= 0 else None
        assert date == (stamp.date if stamp else None)


def test_texts_of_which_none_is_a_stamp_give_none() -> None:
    texts = np.array([b"", b"abc", b"12.5", b"\xff\xfe", b"1" * 39] * 40, dtype="S40")
    stamps, is_stamp = read_stamps(texts)
    assert not is_stamp.any() and not stamps.has_date and not stamps.has_clock
