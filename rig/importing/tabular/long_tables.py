"""Long tables, where each row says which channel it belongs to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from rig.arrays import BoolArray, IntArray
from rig.importing.tabular.cells import Kind
from rig.importing.tabular.columns import Column, Content
from rig.importing.tabular.time_axis import TimeAxis
from rig.importing.tabular.units_in_text import Unit, unit_from
from rig.importing.tabular.words import CHANNEL, INDEX, STATUS, UNIT, VALUE, has_word

_MOST_CHANNELS = 64
_SAMPLE = 10_000  # rows that settle whether whole numbers number channels


@dataclass(frozen=True, eq=False)
class LongTable:
    """The column that names the channel, the one that holds the value, and the one of units, if any.

    `code` picks for each row one of `names`; -1 where a row names none.
    """

    channel: Column
    value: Column
    unit: Column | None
    names: tuple[str, ...]
    code: IntArray

    def unit_of(self, rows: IntArray) -> Unit | None:
        """The unit that the unit column gives most of some rows."""
        if self.unit is None or self.unit.code is None:
            return None
        code = self.unit.code[rows]
        code = code[code >= 0]
        return unit_from(self.unit.texts[int(np.bincount(code).argmax())]) if len(code) else None


def find_long(columns: Sequence[Column], axis: TimeAxis, valid: BoolArray) -> LongTable | None:
    """The long table among the columns, or None where each channel has a column of its own."""
    free = [c for c in columns if c.position not in axis.used]
    numbers = [c for c in free if c.content is Content.NUMBER and not _is_row_number(c)]
    named_value = [c for c in numbers if has_word(c.heading.text, VALUE)]
    for channel in free:
        by_word = has_word(channel.heading.text, CHANNEL) and not has_word(channel.heading.text, STATUS)
        is_number = channel.content is Content.NUMBER
        if (is_number and not (by_word and _is_numbering(channel))) or channel.content in (
            Content.EMPTY,
            Content.STATUS,
        ):
            continue
        if channel.content is Content.STAMP or has_word(channel.heading.text, STATUS | UNIT):
            continue
        values = named_value or [c for c in numbers if c is not channel]
        if len(values) != 1 or values[0] is channel or channel.heading.unit is not None:
            continue
        codes, names = pd.factorize(_labels(channel))
        code = np.where(valid, codes, -1)
        if not _interleaves(code, len(names), by_word, bool(named_value) or not values[0].heading.text):
            continue
        unit = next((c for c in free if c.content is Content.UNIT or has_word(c.heading.text, UNIT)), None)
        return LongTable(channel, values[0], unit, tuple(map(str, names)), code)
    return None


def _is_row_number(column: Column) -> bool:
    if not has_word(column.heading.text, INDEX):
        return False
    value = column.value[np.isfinite(column.value)]
    return len(value) > 1 and bool(np.mean(np.diff(value) == 1) > 0.9)


def _is_numbering(column: Column) -> bool:
    value = column.value[:_SAMPLE]
    value = value[np.isfinite(value)]
    return (
        len(value) > 0 and bool(np.all(value == np.round(value))) and value.min() >= 0 and value.max() < 1000
    )


def _labels(channel: Column) -> pd.Series:
    if channel.code is None:
        labels = pd.Series(channel.value)
        return labels.map(lambda v: f"{channel.heading.text} {v:g}", na_action="ignore")
    texts = np.array(
        [t if c.kind is not Kind.MISSING else "" for t, c in zip(channel.texts, channel.cells, strict=True)]
        + [""],
        dtype=object,
    )
    return pd.Series(texts[channel.code]).replace("", np.nan)


def _interleaves(code: IntArray, count: int, by_word: bool, value_is_plain: bool) -> bool:
    """Whether rows of several channels alternate; phases of one run follow each other in blocks instead."""
    if not 1 < count <= _MOST_CHANNELS:
        return count == 1 and by_word and value_is_plain
    named = code[code >= 0]
    if len(named) < 2 * count:
        return False
    switches = int(np.count_nonzero(np.diff(named)))
    return (by_word or value_is_plain) and (switches > 2 * (count - 1) or (by_word and value_is_plain))
