"""Words that stop somebody behind a bar who reads them, and that stand in nothing a user reads."""

from __future__ import annotations

import re

# a boiling point and a trace of logged points are what the trade calls them; points of dilution are not
STOPS = re.compile(
    r"\bmoved\b|\bmiddle run\b|\bthin enough\b|\bW/K\b|\bW K\b|\bJ/K\b"
    r"|(?<!ice )(?<!boiling )(?<!freezing )(?<!fixed )\bpoints\b(?! [0-9.]+=)"
    r"|\ba point is\b|\bposterior\b|\bcovariance\b|\beigen\w+|\bJacobian\b",
    re.IGNORECASE,
)


def stops_in(text: str) -> list[str]:
    """Each such word with what stands around it."""
    plain = " ".join(text.split())
    return [plain[max(m.start() - 50, 0) : m.end() + 50] for m in STOPS.finditer(plain)]
