"""Names that people can tell apart: what looks the same on every screen is not taken for two."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

from rig.errors import BenchError, Place

_INVISIBLE = frozenset({"Cc", "Cf", "Co", "Cs", "Zl", "Zp"})
"""Controls, zero-width and direction marks, private characters, line ends (Unicode 15, 4.5)."""
_JOINERS = frozenset("\u200c\u200d")
"""Some scripts are written with these between letters."""


def refuse_unclear(kind: str, names: Iterable[str], known: Iterable[str] = ()) -> None:
    """Look over names of one kind that come in, beside those that are there.

    Raises
    ------
    BenchError
        One is empty or holds what nobody sees; two are told apart only by capitals, width or composition.
    """
    seen = {alike(name): name for name in known}
    for name in names:
        if not name.strip():
            raise BenchError(f"a {kind} has no name", Place(), "Give it one")
        if hidden := [c for c in name if unicodedata.category(c) in _INVISIBLE and c not in _JOINERS]:
            raise BenchError(
                f"the name of {kind} {_shown(name)} holds a character that nobody sees (U+{ord(hidden[0]):04X})",
                Place(),
                "Type it anew",
            )
        other = seen.setdefault(alike(name), name)
        if other != name:
            raise BenchError(
                f"the names of {kind} {_shown(other)} and {_shown(name)} look alike",
                Place(),
                "Use one of them for both",
            )


def alike(name: str) -> str:
    """What names that look alike have in common (Unicode 15, 3.13: compatibility caseless matching)."""
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    return " ".join("".join(c for c in folded if c not in _JOINERS).split())


def _shown(name: str) -> str:
    return repr("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in name[:60]))
