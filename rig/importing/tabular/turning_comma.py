"""A file whose comma parts cells in one half and marks decimals in the other: two files pasted into one."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

from rig.errors import TableRefused
from rig.importing.tabular.dialect import shapes_of

_NUMBERS = re.compile(r"[\s\d.,;:+\-\"|]*\d[\s\d.,;:+\-\"|]*", re.ASCII)
_POINT = re.compile(r"\d\.\d")
_COMMA = re.compile(r"\d,\d")
_STRETCHES, _LINES = 15, 2
"""How many stretches of a file are looked at, and how many lines in each."""
_FEWEST = 3
_OTHER_PARTS = (";", "\t", "|")

_Cut = tuple[str, int]
"""How a line is cut: by what, and into how many cells."""


def refuse_turning_comma(text: str, file: str) -> None:
    """Refuse a text that is cut one way up to some line and another from there to its end.

    Stretches from all over the text are looked at, so that a file of any length costs the same.

    Raises
    ------
    TableRefused
        With the first line that is cut otherwise.
    """
    if "," not in text:
        return
    starts, lines = zip(*_sampled(text), strict=True)
    shapes = shapes_of(lines)
    cuts = {shape: _cut(shape) for shape in set(shapes)}
    seen = [(at, cut) for at, shape in zip(starts, shapes, strict=True) if (cut := cuts[shape]) is not None]
    if len(seen) < 2 * _FEWEST:
        return
    first, last = _usual(seen[: len(seen) // 3]), _usual(seen[-(len(seen) // 3) :])
    if first is None or last is None or not _turned(first, last):
        return
    ends = max(n for n, (_, cut) in enumerate(seen) if cut == first)
    begins = min(n for n, (_, cut) in enumerate(seen) if cut == last)
    if begins < ends:  # mixed all over: another matter
        return
    line = _first_line(text, seen[ends][0], seen[begins][0], last)
    raise TableRefused(
        "the comma parts the cells above this line and marks decimals from it on (or the other way round)",
        file,
        line,
        "Two files seem pasted into one: save each by itself",
    )


def _sampled(text: str) -> Iterator[tuple[int, str]]:
    """Lines from all over a text, each with where it starts."""
    at = 0
    stride = len(text) // _STRETCHES
    for n in range(_STRETCHES + 1):
        at = max(at, n * stride if n else 0)
        if at and text[at - 1 : at] != "\n":
            at = text.find("\n", at) + 1
            if not at:
                return
        for _ in range(_LINES):
            end = text.find("\n", at)
            yield at, text[at : end if end >= 0 else None]
            if end < 0:
                return
            at = end + 1


def _cut(line: str) -> _Cut | None:
    """How a line of nothing but numbers is cut (or of their shape); None for any other."""
    if len(line) > 2000 or not _NUMBERS.fullmatch(line):
        return None
    other = next((d for d in _OTHER_PARTS if d in line.strip()), None)
    if other is not None:
        return f"{other}{',' if _COMMA.search(line) else ''}", 0
    if "," not in line:
        return None
    return ",." if _POINT.search(line) else ",", line.count(",") + 1


def _usual(seen: list[tuple[int, _Cut]]) -> _Cut | None:
    """The way in which nearly all lines of a part are cut."""
    cut, count = Counter(cut for _, cut in seen).most_common(1)[0] if seen else (None, 0)
    return cut if count >= max(_FEWEST, 0.6 * len(seen)) else None


def _turned(one: _Cut, other: _Cut) -> bool:
    """Whether two cuts read the comma differently."""
    if one[0] in (",", ",.") and other[0] in (",", ",."):
        fewer, more = sorted((one, other), key=lambda cut: cut[1])
        return fewer[1] >= 2 and more[1] > fewer[1] and more[0] == ","
    parts, marks = one[0].startswith(","), other[0].startswith(",")
    by_other = other[0] if parts else one[0]
    return parts != marks and by_other.endswith(",")


def _first_line(text: str, low: int, high: int, cut: _Cut) -> int:
    """The number of the first line between two places that is cut in a given way."""
    at = low
    while at < high:
        end = text.find("\n", at)
        if end < 0 or _cut(text[at:end]) == cut:
            break
        at = end + 1
    return text.count("\n", 0, at) + 1
