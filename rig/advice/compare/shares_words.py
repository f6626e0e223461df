"""Where differences between drinks come from, in words."""

from __future__ import annotations

from collections.abc import Sequence

from rig.advice.call.words import percent
from rig.advice.compare.shares_result import Share, Shares


def sentences(found: Shares) -> tuple[str, ...]:
    """One sentence for end temperature, one for dilution, then what cannot be told apart."""
    return (
        f"End temperature after {found.duration_s:.3g} s: {_told(found.temp_c)}.",
        f"Dilution after {found.duration_s:.3g} s: {_told(found.dilution_by_volume)}.",
        *(f"{text[0].upper()}{text[1:]}." for text in found.confounded),
    )


def _told(parts: Sequence[Share]) -> str:
    first, *rest = (
        f"{percent(s.share[1])} of what differs is {s.part.words} ({_range(s)})" for s in parts[:1]
    )
    more = [f"{s.part.words} {percent(s.share[1])} ({_range(s)})" for s in parts[1:]]
    return ", ".join([first, *rest, *more])


def _range(share: Share) -> str:
    return f"{100.0 * share.share[0]:.0f} to {100.0 * share.share[2]:.0f}"
