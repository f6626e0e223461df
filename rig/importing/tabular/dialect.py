"""How lines are cut into cells: each delimiter and decimal mark is tried, judged by the rows it explains."""

from __future__ import annotations

import csv
import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from rig.importing.tabular.cells import PLAIN_NUMBER, Kind, read_cell

BLANKS = " "
MIXED = " ,"
"""Blanks and delimiters mixed, as where a terminal put the time before a line: '10:15:00 ST,GS,+1.4 g'."""
DELIMITERS = (",", ";", "\t", "|", BLANKS)
DECIMALS = (".", ",")
LONGEST_LINE = 20_000
READ = frozenset({Kind.NUMBER, Kind.GROUPED, Kind.STAMP})
_MOST_CELLS = 512
_SCORED_LINES = 100
_BLANKED = str.maketrans(",;|", "   ")
_ALL_READ = 0.95
_DIGITS = str.maketrans("123456789", "000000000")
_ARROW = re.compile(r"\s-+>\s")
_DIGITS_AROUND_COMMA = re.compile(r"\d,\d")
_POINTS_AROUND_COMMA = re.compile(r"\d\.\d+,[+-]?\d+\.\d")
_NEUTRAL = frozenset({Kind.EMPTY, Kind.MISSING, Kind.OVERLOAD})
_WEIGHT = {
    Kind.NUMBER: 1.0,
    Kind.STAMP: 1.0,
    Kind.GROUPED: 0.9,
    Kind.UNIT: 0.9,
    Kind.STATUS: 0.9,
    Kind.SIGN: 0.7,
}


@dataclass(frozen=True)
class Dialect:
    """How lines are cut into cells (None: a line is one cell) and which mark stands before decimals."""

    delimiter: str | None
    decimal: str

    def cut(self, line: str) -> list[str]:
        """The cells of a line, without outer blanks."""
        if self.delimiter is None:
            return [line.strip()]
        if self.delimiter == BLANKS:
            return line.split()
        if self.delimiter == MIXED:
            return unmixed(line).split()
        if '"' in line:
            try:
                row = next(csv.reader([line], delimiter=self.delimiter, skipinitialspace=True), [])
            except csv.Error:
                row = line.split(self.delimiter)
            return [c.strip() for c in row]
        return [c.strip() for c in line.split(self.delimiter)]

    def kinds(self, line: str) -> tuple[Kind, ...]:
        """What each cell of a line is."""
        return self.plain_kinds(line) or tuple(read_cell(c, self.decimal).kind for c in self.cut(line))

    def plain_kinds(self, line: str) -> tuple[Kind, ...]:
        """What each cell of a line is that holds nothing but plain numbers; empty for any other.

        Lines of one shape have the same.
        """
        if not _plain_line(self.delimiter, self.decimal).fullmatch(line):
            return ()
        blank = self.delimiter in (BLANKS, MIXED)
        return (Kind.NUMBER,) * (len(line.split()) if blank else line.count(self.delimiter or "\n") + 1)


def shapes_of(lines: Sequence[str]) -> list[str]:
    """Each line with its digits as zeros: most files have hundreds of lines of each of a few shapes."""
    return "\n".join(lines).translate(_DIGITS).split("\n")


@lru_cache
def _plain_line(delimiter: str | None, decimal: str) -> re.Pattern[str]:
    """What a line of nothing but plain numbers looks like, of which most files are made."""
    number, blank = PLAIN_NUMBER[decimal].pattern, "[ \\t]*" if delimiter in (BLANKS, MIXED) else " *"
    apart = (
        "[ \\t]+" if delimiter in (BLANKS, MIXED) else f" *{re.escape(delimiter)} *" if delimiter else "(?!)"
    )
    return re.compile(rf"{blank}{number}(?:{apart}{number})*{blank}", re.ASCII)


@dataclass(frozen=True)
class Fit:
    """How well a dialect explains the sample: its table's width, and the kind each column mostly has."""

    dialect: Dialect
    score: float
    width: int
    read_per_row: float
    kinds: tuple[Kind, ...]
    rows: int


def unmixed(text: str) -> str:
    """A text cut at blanks only, where blanks, arrows and delimiters stood mixed."""
    return _ARROW.sub(" ", text).translate(_BLANKED)


def fits_of(lines: Sequence[str], delimiter: str | None, decimal: str | None) -> Iterator[Fit]:
    """Every cut that makes at least two rows of numbers or times out of a sample of lines."""
    filled = [line for line in lines if line and len(line) <= LONGEST_LINE and not line.isspace()]
    if not filled:
        return
    scored = filled[:: max(1, len(filled) // _SCORED_LINES)]
    together = "\n".join(scored)
    present = [d for d in DELIMITERS if d in together]
    delimiters: list[str | None] = [delimiter] if delimiter else [*present, None]
    if delimiter is None and _may_be_mixed(together, len(scored), present):
        delimiters.append(MIXED)
    shapes, best = shapes_of(scored), 0.0
    for cut in delimiters:
        if cut in (BLANKS, None, MIXED) and best > _ALL_READ * len(scored):
            return  # every cell is read already; a cut at blanks could only take stamps apart
        for mark in (decimal,) if decimal else DECIMALS:
            if (mark == cut and '"' not in together) or (cut == MIXED and mark == ","):
                continue
            if fit := _fit(Dialect(cut, mark), scored, shapes):
                best = max(best, fit.score if fit.width > 2 or "." in together else 0.0)
                yield fit


def _may_be_mixed(together: str, lines: int, present: Sequence[str]) -> bool:
    """Whether blanks stand beside another delimiter, and commas do not stand before decimals."""
    if BLANKS not in present or len(present) < 2:
        return False
    few = len(_DIGITS_AROUND_COMMA.findall(together)) < 0.1 * lines
    return few or _POINTS_AROUND_COMMA.search(together) is not None


def _fit(dialect: Dialect, lines: Sequence[str], shapes: Sequence[str]) -> Fit | None:
    score: dict[int, float] = defaultdict(float)
    tables: dict[int, Counter[tuple[Kind, ...]]] = defaultdict(Counter)
    read_cells: Counter[int] = Counter()
    plain = {shape: dialect.plain_kinds(shape) for shape in set(shapes)}
    every = (plain[shape] or dialect.kinds(line) for line, shape in zip(lines, shapes, strict=True))
    for kinds, count in Counter(every).items():
        width = len(kinds)
        filled = [k for k in kinds if k not in _NEUTRAL]
        read = sum(k in READ for k in kinds)
        typed = sum(_WEIGHT.get(k, 0.0) for k in filled)
        if width > _MOST_CELLS or not read or typed < 0.5 * len(filled):
            continue
        score[width] += count * (typed / len(filled)) ** 2
        read_cells[width] += count * read
        tables[width][kinds] = count
    if not score:
        return None
    width = max(score, key=lambda w: (score[w], w))
    table = tables[width]
    if table.total() < 2:
        return None
    columns: list[Counter[Kind]] = [Counter() for _ in range(width)]
    for kinds, count in table.items():
        for column, kind in zip(columns, kinds, strict=True):
            column[kind] += count if kind is not Kind.EMPTY else 0
    usual = [c.most_common(1)[0][0] if c.total() else Kind.EMPTY for c in columns]
    usual = [Kind.NUMBER if k is Kind.GROUPED else k for k in usual]
    read_per_row = read_cells[width] / table.total()
    return Fit(dialect, score[width], width, read_per_row, tuple(usual), table.total())
