"""How lines are cut into cells: each delimiter and decimal mark is tried, judged by the rows it explains."""

from __future__ import annotations

import csv
import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from rig.importing.tabular.cells import Cell, Kind, read_cell

BLANKS = " "
MIXED = " ,"
"""Blanks and delimiters mixed, as where a terminal put the time before a line: '10:15:00 ST,GS,+1.4 g'."""
DELIMITERS = (",", ";", "\t", "|", BLANKS)
DECIMALS = (".", ",")
LONGEST_LINE = 20_000
READ = frozenset({Kind.NUMBER, Kind.GROUPED, Kind.STAMP})
_MOST_CELLS = 512
_SCORED_LINES = 150
_BLANKED = str.maketrans(",;|", "   ")
_ALL_READ = 0.95
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


@dataclass
class Reader:
    """Cells read once per text and decimal mark."""

    known: dict[tuple[str, str], Cell] = field(default_factory=dict)

    def kinds(self, cells: Sequence[str], decimal: str) -> list[Kind]:
        """What each cell of a line is."""
        return [self.cell(c, decimal).kind for c in cells]

    def cell(self, text: str, decimal: str) -> Cell:
        """The text read under a decimal mark."""
        cell = self.known.get((text, decimal))
        if cell is None:
            cell = self.known[text, decimal] = read_cell(text, decimal)
        return cell


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


def fits_of(
    lines: Sequence[str], reader: Reader, delimiter: str | None, decimal: str | None
) -> Iterator[Fit]:
    """Every cut that makes at least two rows of numbers or times out of a sample of lines."""
    filled = [line for line in lines if line.strip() and len(line) <= LONGEST_LINE]
    scored = filled[:: max(1, len(filled) // _SCORED_LINES)]
    together = "\n".join(scored)
    present = [d for d in DELIMITERS if d in together]
    delimiters: list[str | None] = [delimiter] if delimiter else [*present, None]
    if delimiter is None and _may_be_mixed(together, len(scored), present):
        delimiters.append(MIXED)
    best = 0.0
    for cut in delimiters:
        if cut in (BLANKS, None, MIXED) and best > _ALL_READ * len(scored):
            return  # every cell is read already; a cut at blanks could only take stamps apart
        rows = [Dialect(cut, ".").cut(line) for line in scored]
        for mark in (decimal,) if decimal else DECIMALS:
            if (mark == cut and '"' not in together) or (cut == MIXED and mark == ","):
                continue
            if fit := _fit(Dialect(cut, mark), rows, reader):
                best = max(best, fit.score if fit.width > 2 or "." in together else 0.0)
                yield fit


def _may_be_mixed(together: str, lines: int, present: Sequence[str]) -> bool:
    """Whether blanks stand beside another delimiter, and commas do not stand before decimals."""
    if BLANKS not in present or len(present) < 2:
        return False
    few = len(_DIGITS_AROUND_COMMA.findall(together)) < 0.1 * lines
    return few or _POINTS_AROUND_COMMA.search(together) is not None


def _fit(dialect: Dialect, rows: Sequence[list[str]], reader: Reader) -> Fit | None:
    score: dict[int, float] = defaultdict(float)
    tables: dict[int, list[list[Kind]]] = {}
    read_cells: Counter[int] = Counter()
    for cells in rows:
        if len(cells) > _MOST_CELLS:
            continue
        kinds = reader.kinds(cells, dialect.decimal)
        filled = [k for k in kinds if k not in _NEUTRAL]
        read = sum(k in READ for k in kinds)
        typed = sum(_WEIGHT.get(k, 0.0) for k in filled)
        if not read or typed < 0.5 * len(filled):
            continue
        width = len(cells)
        score[width] += (typed / len(filled)) ** 2
        read_cells[width] += read
        tables.setdefault(width, []).append(kinds)
    if not score:
        return None
    width = max(score, key=lambda w: (score[w], w))
    table = tables[width]
    if len(table) < 2:
        return None
    columns = [Counter(row[j] for row in table if row[j] is not Kind.EMPTY) for j in range(width)]
    kinds = [c.most_common(1)[0][0] if c else Kind.EMPTY for c in columns]
    kinds = [Kind.NUMBER if k is Kind.GROUPED else k for k in kinds]
    return Fit(dialect, score[width], width, read_cells[width] / len(table), tuple(kinds), len(table))
