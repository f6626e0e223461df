"""Lines in which each value bears its name ('t=0.5 T=21.4', 'Time: 0.5 s, Temp: 21.4 C') as a table."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rig.importing.tabular.cells import Kind, read_cell
from rig.importing.tabular.stamps import stamp_from

DELIMITER = "\t"
_NAME = r"[^\W\d_](?:[\w.°º%/#\[\]()\-]{0,30}[\w.°º%\])])?"
_LABEL = re.compile(
    rf"(?:(?:^|[,;|\t]|\s{{2,}})\s*(?P<words>{_NAME}(?: {_NAME}){{0,3}})|(?:(?<=\s)|(?<=^))(?P<word>{_NAME}))"
    r"\s*(?:=|:(?!\d\d(?!\d)))\s*"
)
_NAMES_SOMETHING = re.compile(r"=|:(?!\d\d(?!\d))")
_LINE_END = re.compile(r"\r\n|\n|\r")
_SAMPLE = 200
_MOST = 0.8
_FEWEST_LINES = 2
_LOG_WORDS = re.compile(r"(?:[\s\]]+[\[(]?[A-Za-z][\w.\-]*[\])]?:?)+$")
_READINGS = frozenset({Kind.NUMBER, Kind.GROUPED, Kind.STAMP})
_EDGES = " \t,;|{}<>"


@dataclass(frozen=True)
class Labelled:
    """A text as a table cut at tabs, on the same lines, and the names of its columns."""

    text: str
    header: tuple[str, ...]


def unlabelled(text: str) -> Labelled | None:
    """The text as a table where its lines name their values, else None.

    Lines that name other values, or none, come out empty.
    """
    head = text[: 1 << 18]
    if not ("=" in head or ":" in head) or not _NAMES_SOMETHING.search(head):
        return None
    filled = [line for line in _LINE_END.split(head, 5000)[:5000] if line.strip()][:_SAMPLE]
    found = [parts for line in filled if (parts := _parts(line)) is not None]
    if len(found) < max(_FEWEST_LINES, 0.5 * len(filled)):
        return None
    names, count = Counter(names for names, _ in found).most_common(1)[0]
    if count < _MOST * len(found) or not _are_readings([v for n, v in found if n == names], names):
        return None
    lines = []
    for line in _LINE_END.split(text):
        parts = _parts(line)
        lines.append(DELIMITER.join(parts[1]) if parts is not None and parts[0] == names else "")
    return Labelled("\n".join(lines), names)


def _parts(line: str) -> tuple[tuple[str, ...], list[str]] | None:
    """The names of a line's values and the values; what stands before the first name is its stamp."""
    if len(line) > 2000 or not ("=" in line or ":" in line):
        return None
    labels = list(_labels(line))
    if not labels:
        return None
    lead = line[: labels[0].start()].replace("->", " ").strip(_EDGES)
    lead = lead if stamp_from(lead) else _LOG_WORDS.sub("", lead).strip(" []")
    if lead and stamp_from(lead) is None and read_cell(lead, ".").kind not in _READINGS:
        return None
    names = [(m["words"] or m["word"]) for m in labels]
    ends = [*(m.start() for m in labels[1:]), len(line)]
    values = [line[m.end() : end].strip(_EDGES) for m, end in zip(labels, ends, strict=True)]
    if lead:
        return ("", *names), [lead, *values]
    return tuple(names), values


def _labels(line: str) -> Iterator[re.Match[str]]:
    at = 0
    while found := _LABEL.search(line, at):
        yield found
        at = found.end()


def _are_readings(rows: Sequence[list[str]], names: Sequence[str]) -> bool:
    """Whether every named value is mostly a number or a stamp, under either decimal mark."""
    if len(set(names)) < len(names) or (len(names) == 1):
        return False
    for column in zip(*rows, strict=True):
        read = sum(
            read_cell(cell, ".").kind in _READINGS or read_cell(cell, ",").kind in _READINGS
            for cell in column
        )
        if column is not None and read < 0.5 * len(column) and any(len(c) > 24 for c in column):
            return False
    numeric = [
        sum(read_cell(c, ".").kind in _READINGS or read_cell(c, ",").kind in _READINGS for c in column)
        > 0.5 * len(column)
        for column in zip(*rows, strict=True)
    ]
    return sum(numeric) * 2 >= len(numeric)
