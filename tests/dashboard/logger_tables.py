"""Tables as loggers write them, invented: one whose date may be read two ways, and a scale's."""

from __future__ import annotations

import base64
import math
from typing import Any


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


def sent(*files: tuple[str, bytes]) -> dict[str, Any]:
    """Files as the page keeps them."""
    contents = [f"data:text/csv;base64,{base64.b64encode(raw).decode()}" for _, raw in files]
    return {"names": [name for name, _ in files], "contents": contents}
