"""The columns of a grid: what each holds, and which ones only say something about their neighbour."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum, auto

import numpy as np
import pandas as pd

from rig.arrays import BoolArray, FloatArray, IntArray
from rig.importing.tabular.cells import Cell, Kind, read_cell, shown
from rig.importing.tabular.layout import Layout
from rig.importing.tabular.report import Log
from rig.importing.tabular.stamp_shapes import Texts, read_stamps
from rig.importing.tabular.stamps import DAY_S, Stamps, stamp_from, stamps_from
from rig.importing.tabular.units_in_text import Heading, Role, Unit, heading_from, unit_from
from rig.importing.tabular.words import MISSING, STABLE_OVERLOAD, STATUS, has_word


class Content(Enum):
    """What a column mostly holds."""

    NUMBER = auto()
    STAMP = auto()
    TEXT = auto()
    STATUS = auto()
    UNIT = auto()
    SIGN = auto()
    EMPTY = auto()


_STAMP = Cell(Kind.STAMP)
_NOTHING = frozenset(MISSING) - {"-"}  # which may be a scale's sign in a column of its own
_FEW = 0.05
_CONTENT = {
    Kind.NUMBER: Content.NUMBER,
    Kind.GROUPED: Content.NUMBER,
    Kind.STAMP: Content.STAMP,
    Kind.UNIT: Content.UNIT,
    Kind.STATUS: Content.STATUS,
    Kind.SIGN: Content.SIGN,
    Kind.TEXT: Content.TEXT,
    Kind.OVERLOAD: Content.STATUS,
}


@dataclass(frozen=True, eq=False)
class Column:
    """One column. Arrays have shape (rows,); `cells` are the distinct texts read, `code` picks each row's.

    A column that pandas read as numbers has no cells. `value` is as written, NaN where there is no number. Stamps
    that were read together share one cell; `written` holds each row's text.
    """

    position: int
    heading: Heading
    content: Content
    value: FloatArray
    texts: tuple[str, ...] = ()
    cells: tuple[Cell, ...] = ()
    code: IntArray | None = None
    stamps: Stamps | None = None
    written: Texts | None = None

    @property
    def name(self) -> str:
        """The header without its unit, or the column's number."""
        return self.heading.name or f"column {self.position + 1}"

    @property
    def unit(self) -> Unit | None:
        """The unit of the header, else the one most cells carry."""
        return self.heading.unit or self.cell_unit(slice(None))

    def cell_unit(self, rows: slice | BoolArray | IntArray) -> Unit | None:
        """The unit that most cells of some rows carry."""
        if self.code is None or not any(c.unit for c in self.cells):
            return None
        code = self.code[rows]
        counts = np.bincount(code[code >= 0], minlength=len(self.cells))
        total: Counter[Unit] = Counter()
        for cell, count in zip(self.cells, counts, strict=True):
            if cell.unit and count:
                total[cell.unit] += int(count)
        return total.most_common(1)[0][0] if total else None

    def text_at(self, row: int) -> str:
        """A row's text; of a column of numbers its name."""
        if self.written is not None:
            return bytes(self.written[row]).decode("utf-8", errors="replace").strip()
        return self.name if self.code is None else self.texts[self.code[row]]

    def at(self, rows: IntArray) -> FloatArray:
        """The values of some rows as written; all of them are not copied. `rows` rises."""
        return self.value if len(rows) == len(self.value) else self.value[rows]

    def inside(self, rows: IntArray, unit: Unit | None) -> FloatArray:
        """The values of some rows in the unit inside; a cell's own unit goes before the column's."""
        value = self.at(rows)
        out = unit.inside(value) if unit else value
        if self.code is None or unit is None:
            return out
        code = self.code[rows]
        for other in {c.unit for c in self.cells if c.unit} - {unit}:
            own = np.isin(code, [i for i, c in enumerate(self.cells) if c.unit == other])
            if own.any():
                same = other.role is unit.role
                out = np.where(own, other.inside(value) if same else np.nan, out)
        return out

    def rows_of(self, kind: Kind) -> BoolArray:
        """The rows whose cell is of a kind; none in a column of plain numbers."""
        if self.code is None:
            return np.zeros(len(self.value), dtype=np.bool_)
        wanted = [i for i, c in enumerate(self.cells) if c.kind is kind]
        return np.isin(self.code, wanted)

    def log_left_out(self, rows: IntArray, log: Log) -> None:
        """Report, for the rows that are kept, the values that are no numbers."""
        lost = np.isnan(self.at(rows))
        if not lost.any():
            return
        at = rows[lost]
        code = np.full(len(at), -1) if self.code is None else self.code[at]
        lost_kinds = {i: self.cells[i].kind for i in set(code.tolist()) if i >= 0}
        missing = [i for i, k in lost_kinds.items() if k in (Kind.MISSING, Kind.EMPTY, Kind.SIGN)]
        log.drop_rows("missing value", at[(code < 0) | np.isin(code, missing)], self.name)
        for i, kind in lost_kinds.items():
            if kind is Kind.OVERLOAD:
                log.drop_rows(f"overload or fault mark {shown(self.texts[i])}", at[code == i], self.name)
        other = [i for i, k in lost_kinds.items() if k is not Kind.OVERLOAD and i not in missing]
        if other:
            what = f"value that is no number, such as {shown(self.texts[other[0]])}"
            log.drop_rows(what, at[np.isin(code, other)], self.name)


def read_columns(grid: Sequence[pd.Series], layout: Layout) -> list[Column]:
    """Every column of the grid with its heading."""
    names = layout.header or ("",) * layout.width
    units = layout.units or ("",) * layout.width
    columns = []
    for position, series in enumerate(grid):
        heading = heading_from(names[position])
        if under := unit_from(units[position]):
            heading = replace(heading, unit=under)
        elif units[position]:
            beneath = heading_from(units[position])
            heading = replace(heading, form=beneath.form or heading.form, day_first=beneath.day_first)
        columns.append(_column(position, heading, series, layout.dialect.decimal))
    return columns


def _column(position: int, heading: Heading, series: pd.Series, decimal: str) -> Column:
    if pd.api.types.is_numeric_dtype(series):
        value = series.to_numpy(dtype=np.float64)
        finite = np.isfinite(value)
        value = value if finite.all() else np.where(finite, value, np.nan)
        content = Content.NUMBER if finite.any() else Content.EMPTY
        return Column(position, heading, content, value)
    stamps, written = None, None
    if isinstance(series.dtype, pd.CategoricalDtype):
        series = series.cat.remove_categories(
            [t for t in series.cat.categories if str(t).strip() in _NOTHING]
        )
        texts = [str(t).strip() for t in series.cat.categories]
        cells = [read_cell(t, decimal) for t in texts]
        code: IntArray = np.array(series.cat.codes, dtype=np.int64)
    else:
        written = np.ascontiguousarray(series.to_numpy(dtype=np.bytes_))
        stamps, is_stamp = read_stamps(written)
        odd, odd_code = np.unique(written[~is_stamp], return_inverse=True)
        texts = [bytes(t).decode("utf-8", errors="replace").strip() for t in (*written[is_stamp][:1], *odd)]
        has_stamp = int(is_stamp.any())
        cells = [_STAMP] * has_stamp + [read_cell(t, decimal) for t in texts[has_stamp:]]
        code = np.zeros(len(written), dtype=np.int64)
        code[~is_stamp] = odd_code + has_stamp
    code[np.isin(code, [i for i, text in enumerate(texts) if text in _NOTHING])] = -1
    counts = np.bincount(code[code >= 0], minlength=len(cells))
    tally: Counter[Content] = Counter()
    for cell, count in zip(cells, counts, strict=True):
        if kind := _CONTENT.get(cell.kind):
            # A fault mark counts for little: a column of one number among fifty marks is a column of numbers.
            tally[kind] += int(count) if cell.kind is not Kind.OVERLOAD else 0
    content = tally.most_common(1)[0][0] if tally else Content.EMPTY
    if content is not Content.STAMP:
        stamps = None
    elif stamps is None:
        stamps = stamps_from([stamp_from(t) for t in texts], code)
    value = np.array([c.value for c in cells] + [np.nan])[code]
    return Column(position, heading, content, value, tuple(texts), tuple(cells), code, stamps, written)


def overfull(columns: Sequence[Column], layout: Layout) -> BoolArray:
    """The rows that fill a last, unnamed column that is empty elsewhere: their cells are shifted."""
    last = columns[-1]
    none = np.zeros(len(last.value), dtype=np.bool_)
    if layout.header is None or last.heading.text or last.unit is not None:
        return none
    filled = np.isfinite(last.value) if last.code is None else last.code >= 0
    return filled if np.mean(filled) < _FEW else none


def joined(columns: Sequence[Column], log: Log) -> list[Column]:
    """Let columns of signs, units and status words act on the column of numbers beside them."""
    out = list(columns)
    for at, column in enumerate(columns):
        left = out[at - 1] if at else None
        right = out[at + 1] if at + 1 < len(out) else None
        if _is_sign(column) and right is not None and right.content is Content.NUMBER:
            # Nothing but minus signs may as well mark a named column as missing.
            if _has_plus(column) or (not column.heading.text and any(c.unit for c in right.cells)):
                out[at + 1] = _signed(column, right)
                log.column(
                    column.position, column.heading.text, "sign", "stands before the number to its right"
                )
        elif _is_label(column) and right is not None and not right.heading.text:
            out[at + 1] = replace(right, heading=heading_from(column.texts[0].rstrip(":= ")))
            log.column(column.position, column.heading.text, "label", "names the number to its right")
        elif left is not None and left.stamps is not None and _is_half_day(column):
            out[at - 1] = replace(left, stamps=_with_half_days(left.stamps, column))
            log.column(
                column.position, column.heading.text, "AM or PM", "stands behind the clock to its left"
            )
        elif _is_unit_of(column, left):
            assert left is not None
            out[at - 1] = _with_units(left, column)
            log.column(column.position, column.heading.text, "unit", "stands behind the number to its left")
        elif (column.content is Content.STATUS and column.heading.unit is None) or (
            column.content in (Content.TEXT, Content.UNIT) and has_word(column.heading.text, STATUS)
        ):
            log.column(column.position, column.heading.text, "status words", _words(column))
            out = _without_overload(column, out, log)
    return out


def _is_sign(column: Column) -> bool:
    """A column of signs, alone or at the end of a scale's status ('ST,GS,-')."""
    if column.content is Content.SIGN:
        return True
    return column.content is Content.TEXT and all(t.endswith(("+", "-")) for t in column.texts)


def _is_label(column: Column) -> bool:
    """A column that says the same word with a colon in every row, as in 'T: 22.5 W: 412.4'."""
    return len(column.texts) == 1 and len(column.texts[0]) > 1 and column.texts[0][-1] in ":="


def _is_half_day(column: Column) -> bool:
    return bool(column.texts) and all(t.casefold().replace(".", "") in ("am", "pm") for t in column.texts)


def _with_half_days(stamps: Stamps, column: Column) -> Stamps:
    """A twelve-hour clock's stamps, with the half of the day that stands in a column of its own."""
    if column.code is None or stamps.has_half_day:
        return stamps
    afternoon = np.isin(column.code, [i for i, t in enumerate(column.texts) if t.casefold().startswith("p")])
    clock_s = np.mod(stamps.clock_s, DAY_S / 2) + np.where(afternoon, DAY_S / 2, 0.0)
    return replace(stamps, clock_s=clock_s, has_half_day=True)


def _is_unit_of(unit: Column, left: Column | None) -> bool:
    """Whether units belong to the numbers on their left; units of several roles belong to a long table."""
    roles = {c.unit.role for c in unit.cells if c.unit}
    return (
        unit.content is Content.UNIT
        and len(roles) == 1
        and left is not None
        and left.content is Content.NUMBER
    )


def _has_plus(column: Column) -> bool:
    return any(t.endswith("+") for t in column.texts)


def _words(column: Column) -> str:
    return "holds " + ", ".join(shown(t) for t in column.texts[:4])


def _signed(sign: Column, number: Column) -> Column:
    assert sign.code is not None
    minus = np.isin(sign.code, [i for i, t in enumerate(sign.texts) if t.endswith("-")])
    return replace(number, value=np.where(minus, -number.value, number.value))


def _with_units(number: Column, unit: Column) -> Column:
    """The number column as if its units stood in its own cells."""
    if unit.code is None or number.heading.unit is not None:
        return number
    distinct = len(number.cells) or 1
    own = np.zeros(len(number.value), dtype=np.int64) if number.code is None else number.code
    cells = number.cells or (Cell(Kind.NUMBER),)
    texts = number.texts or ("",)
    pair = np.where((unit.code >= 0) & (own >= 0), unit.code * distinct + own, -1)
    kept, code = np.unique(pair, return_inverse=True)
    picked = [
        (cells[k % distinct], texts[k % distinct], unit.cells[k // distinct].unit) for k in kept if k >= 0
    ]
    code = code.astype(np.int64) - (1 if len(kept) and kept[0] < 0 else 0)
    return replace(
        number,
        cells=tuple(replace(cell, unit=cell.unit or its) for cell, _, its in picked),
        texts=tuple(text for _, text, _ in picked),
        code=code,
    )


def _without_overload(status: Column, columns: list[Column], log: Log) -> list[Column]:
    """Blank the masses of rows whose status says overload."""
    if status.code is None:
        return columns
    over = np.isin(status.code, [i for i, t in enumerate(status.texts) if t.casefold() in STABLE_OVERLOAD])
    if not over.any():
        return columns
    numbers = [
        c for c in columns if c.content is Content.NUMBER and (c.unit is None or c.unit.role is Role.MASS)
    ]
    beside = [c for c in numbers if c.position > status.position] or numbers
    if not beside:
        return columns
    target = beside[0]
    log.drop_rows("value of a row whose status says overload", over & np.isfinite(target.value), target.name)
    blanked = replace(target, value=np.where(over, np.nan, target.value))
    return [blanked if c is target else c for c in columns]
