"""Tables as loggers write them, invented: one whose date may be read two ways, and a scale's."""

from __future__ import annotations

import math
from typing import Any

from dashboard.uploads import Uploads


def _course(k: int) -> float:
    return 22.0 if k < 8 else -2.0 + 24.0 * math.exp(-(k - 8) / 5.0)


def _stamp(k: int) -> str:
    return f"03/04/2031 21:04:{k:02d}"


AMBIGUOUS = "\r\n".join(["Stamp,Tin (°C)", *(f"{_stamp(k)},{_course(k):.2f}" for k in range(30))]).encode()
"""A probe that falls 8 s after the first row, on the third of April or the fourth of March."""
TIMER = "\n".join(["clock,Tin (°C)", *(f"14:{k:02d},{_course(k):.2f}" for k in range(30))]).encode()
"""The same probe by a timer that may count minutes and seconds or hours and minutes."""
SCALE = "\n".join(["seconds,load", *(f"{k},{0.1 + 0.01 * k:.2f}" for k in range(30))]).encode()
"""A column that nothing tells the measure of."""


def sent(uploads: Uploads, *files: tuple[str, bytes]) -> dict[str, Any]:
    """Files that have come whole, as the page names them."""
    told = []
    for name, raw in files:
        id_, offset = uploads.begin(name, len(raw))
        uploads.add(id_, offset, raw[offset:])
        told.append({"id": id_, "name": name})
    return {"files": told}
