"""Curves that stand side by side in one table, each with a time of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rig.importing.tabular.columns import Column, Content
from rig.importing.tabular.questions import Settles
from rig.importing.tabular.units_in_text import Role
from rig.importing.tabular.words import TIME, has_word

CURVES_QUESTION = "curves stand side by side, each with a time of its own"


def curves_cure(count: int) -> Settles:
    """How a person says what the curves are."""
    choices = ("channels", *(str(n) for n in range(1, count + 1)))
    return Settles(
        "Pass curves='channels' where they are probes and scales of one run, or the number of one where each is "
        "a run",
        "curves",
        choices,
    )


def curves_of(columns: Sequence[Column]) -> list[list[int]]:
    """Positions of the columns of each curve, its time first; fewer than two where none stand side by side."""
    parts: list[list[int]] = []
    for column in columns:
        if _counts_time(column) and not (parts and len(parts[-1]) == 1):
            parts.append([column.position])
        elif parts and column.content is Content.NUMBER:
            parts[-1].append(column.position)
    return parts if len(parts) > 1 and all(len(p) > 1 for p in parts) else []


def only(columns: Sequence[Column], positions: Sequence[int]) -> list[Column]:
    """The columns with all but some blanked, so that each keeps its place."""
    return [c if c.position in positions else _blank(c) for c in columns]


def _blank(column: Column) -> Column:
    heading = replace(column.heading, text="", name="", unit=None, form=None)
    nothing = np.full(len(column.value), np.nan)
    return Column(column.position, heading, Content.EMPTY, nothing)


def _counts_time(column: Column) -> bool:
    if column.content is not Content.NUMBER:
        return False
    if column.unit is not None:
        return column.unit.role is Role.TIME
    return has_word(column.heading.text, TIME)
