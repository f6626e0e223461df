"""Names that people can tell apart: what looks the same on every screen is not taken for two."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

from rig.errors import BenchError, Place

_INVISIBLE = frozenset({"Cc", "Cf", "Co", "Cs", "Zl", "Zp"})
"""Controls, zero-width and direction marks, private characters, line ends (Unicode 15, 4.5)."""
_JOINERS = frozenset("\u200c\u200d")
"""Some scripts are written with these between letters."""


class NameUnclear(BenchError):
    """A name is empty, holds what nobody sees, or is not told apart from another."""


def refuse_unclear(kind: str, names: Iterable[str], known: Iterable[str] = ()) -> None:
    """Look over names of one kind that come in, beside those that are there.

    Raises
    ------
    NameUnclear
        One is empty or holds what nobody sees; two are told apart only by capitals, width or composition.
    """
    seen = {alike(name): name for name in known}
    for name in names:
        if unclear := unclear_words(kind, name):
            raise NameUnclear(unclear[0], Place(), unclear[1])
        other = seen.setdefault(alike(name), name)
        if other != name:
            what, cure = alike_words(kind, other, name)
            raise NameUnclear(what, Place(), cure)


def unclear_among(kind: str, name: str, there: Iterable[str]) -> tuple[str, str] | None:
    """What is wrong with a name beside those that are there, and what to do; None where it is a good one."""
    other = next((n for n in there if n != name and alike(n) == alike(name)), None)
    return unclear_words(kind, name) or (None if other is None else alike_words(kind, other, name))


def unclear_words(kind: str, name: str) -> tuple[str, str] | None:
    """What is wrong with a name by itself, and what to do; None where it is a good one."""
    if not "".join(c for c in name if c not in _JOINERS).strip():
        return f"a {kind} has no name", "Give it one"
    if hidden := [c for c in name if unicodedata.category(c) in _INVISIBLE and c not in _JOINERS]:
        what = (
            f"the name of {kind} {_shown(name)} holds a character that nobody sees (U+{ord(hidden[0]):04X})"
        )
        return what, "Type it anew"
    return None


def alike_words(kind: str, one: str, other: str) -> tuple[str, str]:
    """What to say of two names that nobody tells apart, and what to do."""
    return f"the names of {kind} {_shown(one)} and {_shown(other)} look alike", "Use one of them for both"


def alike(name: str) -> str:
    """What names that look alike have in common (Unicode 15, 3.13: compatibility caseless matching)."""
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    return " ".join("".join(c for c in folded if c not in _JOINERS).split())


def _shown(name: str) -> str:
    return repr("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in name[:60]))
