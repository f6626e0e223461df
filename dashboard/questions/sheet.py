"""The run sheet as a grid: which cells it shows, and what was typed into it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rig.bench import Bench, Motion
from rig.errors import ModelRangeError
from rig.logbook.sheet import CellFault, SheetEdits
from rig.run_fields import BY_KEY, RUN_FIELDS
from rig.runs import Run

PAGE_ROWS = 60
SPARE_ROWS = 3
_MOST_CELLS, _LONGEST = 20_000, 500
_SELDOM = ("gross_before_g", "gross_after_g", "foam_ml", "foam_half_life_s")
"""Columns that are shown where a run on the page has them."""


def shown_fields(runs: Sequence[Run]) -> tuple[str, ...]:
    """The columns of the grid."""
    return tuple(
        f.key for f in RUN_FIELDS if f.key not in _SELDOM or any(getattr(r, f.key) is not None for r in runs)
    )


def grid(bench: Bench, runs: Sequence[Run]) -> dict[str, Any]:
    """What the page's script makes the grid of: columns, rows of texts, and the names there are."""
    keys = shown_fields(runs)
    known = {
        "vessel": list(bench.vessels),
        "ice": list(bench.ice),
        "recipe": list(bench.recipes),
        "target": list(bench.targets),
        "technique": [*bench.techniques, *(m.value for m in Motion)],
    }
    columns = [
        {
            "key": k,
            "words": BY_KEY[k].words,
            "unit": BY_KEY[k].unit,
            "help": BY_KEY[k].help,
            "number": BY_KEY[k].kind == "number",
            "names": known.get(k, []),
        }
        for k in keys
    ]
    return {
        "columns": columns,
        "rows": [{"run": r.run, "cells": [text(r, k) for k in keys]} for r in runs],
        "spare": SPARE_ROWS,
    }


def text(run: Run, key: str) -> str:
    """A run's value as one types it."""
    value = getattr(run, key)
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.10g}"
    return value.isoformat(sep=" ") if hasattr(value, "isoformat") else str(value)


def edits_of(sent: Any) -> SheetEdits:
    """What the page sent, believed in nothing.

    Raises
    ------
    ModelRangeError
        Where it is not of that form, or more than a sheet holds.
    """
    if not isinstance(sent, Mapping):
        return SheetEdits()
    cells = sent.get("cells")
    new = sent.get("new")
    if not isinstance(cells, Mapping) or not isinstance(new, list):
        raise ModelRangeError("the page sent no sheet that can be read; load it again")
    edits = SheetEdits(
        {str(run): _texts(row) for run, row in cells.items()}, tuple(_texts(row) for row in new)
    )
    if edits.changes > _MOST_CELLS:
        raise ModelRangeError(
            f"{edits.changes} cells at once are too many; import such a sheet: chillrig import"
        )
    return edits


def _texts(row: Any) -> dict[str, str]:
    if not isinstance(row, Mapping):
        return {}
    told = {str(k): str(v) for k, v in row.items() if isinstance(v, str | int | float)}
    for key, value in told.items():
        if len(value) > _LONGEST:
            raise ModelRangeError(f"keep what you write below {_LONGEST} characters: {key.replace('_', ' ')}")
    return {k: v for k, v in told.items() if k in BY_KEY}


def faults_json(faults: Sequence[CellFault]) -> list[dict[str, Any]]:
    """Where each fault is and what to do, for the page's script."""
    return [{"run": f.run, "new": f.new, "field": f.field, "said": fault_words(f)} for f in faults]


def fault_words(fault: CellFault) -> str:
    """What is wrong and what to do."""
    return f"{fault.what.rstrip('.')}.{f' {fault.cure}.' if fault.cure else ''}".replace("..", ".")


def where(fault: CellFault) -> str:
    """Which cell it is, in words."""
    row = f"run {fault.run}" if fault.new is None else f"new row {fault.new + 1}"
    return f"{row}, {BY_KEY[fault.field].words.casefold() if fault.field in BY_KEY else fault.field}"


def cells_words(edits: SheetEdits) -> str:
    """How many cells are written anew."""
    return f"{edits.changes} cell{'' if edits.changes == 1 else 's'}"


def summary(edits: SheetEdits, faults: Sequence[CellFault]) -> str:
    """How much is changed and whether it can be saved."""
    if not edits.changes:
        return "Nothing is changed yet."
    cells = f"{cells_words(edits)} changed"
    if not faults:
        return f"{cells}, all in order. Say why, then save."
    return (
        f"{cells}; {len(faults)} need{'s' if len(faults) == 1 else ''} another look before anything is saved."
    )
