"""What of a run may be changed by hand, and the record that is kept of it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from rig.bench import Bench
from rig.consistency.judging import objections
from rig.errors import BenchError, ModelRangeError, NotFound, Place
from rig.logbook.records import FIELDS, Record, json_text
from rig.logbook.schema import NUMBERS, OPTIONAL_TEXTS, TEXTS
from rig.plausible import RUN as PLAUSIBLE
from rig.runs import Run
from rig.units import typed

JUDGED = frozenset(("technique", "vessel", "ice", "recipe", *PLAUSIBLE))
"""What speaks for or against a run's other values."""
EDITABLE = tuple(f for f in FIELDS if f not in ("run", "trace", "trace_file"))


@dataclass(frozen=True)
class Change:
    """One revision of a run: when, why, and (before, after) of each field that changed, as JSON values.

    A trace stands as its digest. `id` is the same in every logbook that holds it; `follows`: by field, the changes that
    it knew of and put another in the place of; `made_in`: the logbook in which somebody made it.
    """

    rev: int
    changed_at: datetime
    why: str
    changes: Mapping[str, tuple[Any, Any]]
    id: str = ""
    follows: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    made_in: str = ""


def heads(history: Sequence[Change], of: str) -> tuple[Change, ...]:
    """The changes of a field that no other followed, the one that stands last.

    More than one where two people changed it without knowing of each other. Which of them stands meanwhile is the same
    in every logbook: the later one, by its time and then its id.
    """
    mine = [c for c in history if of in c.changes]
    followed = {i for c in mine for i in c.follows.get(of, ())}
    return tuple(sorted((c for c in mine if c.id not in followed), key=lambda c: (c.changed_at, c.id)))


def disputed(history: Sequence[Change]) -> dict[str, tuple[Change, ...]]:
    """Fields that two people changed side by side to different values, with those changes, the standing one last."""
    fields = dict.fromkeys(f for c in history for f in c.changes)
    found = {f: heads(history, f) for f in fields}
    return {f: all_of for f, all_of in found.items() if len({json_text(c.changes[f][1]) for c in all_of}) > 1}


DELETED = "deleted"
"""What stands in a run's history beside its fields: whether it was deleted."""
_UNDOES = re.compile(r"undo of revision (\d+)")


@dataclass(frozen=True)
class DeletedRun:
    """A run that was deleted: its name, when and why."""

    run: str
    deleted_at: datetime
    why: str


def is_deleted(history: Sequence[Change]) -> bool:
    """Whether a run with this history, oldest first, is deleted now."""
    turns = [change.changes[DELETED] for change in history if DELETED in change.changes]
    return bool(turns and turns[-1][1])


def undoes(rev: int) -> str:
    """The reason that is kept of an undo."""
    return f"undo of revision {rev}"


def undone_by(change: Change) -> int | None:
    """The revision that a change takes back; None where it takes back none."""
    found = _UNDOES.match(change.why)
    return int(found[1]) if found else None


def to_undo(history: Sequence[Change], run: str) -> Change:
    """The newest change that was not undone yet.

    Raises
    ------
    BenchError
        Where there is none.
    """
    undone: set[int] = set()
    for change in reversed(history):
        if (taken_back := undone_by(change)) is not None:
            undone.add(taken_back)
        elif change.rev not in undone:
            return change
    raise BenchError("there is no change to undo", Place(run=run), "It is as it came in")


def checked_changes(bench: Bench, run: str, changes: Mapping[str, Any]) -> Record:
    """The changes as a record's values.

    Raises
    ------
    NotFound
        Where a field is not one that may be changed, or a vessel, ice, recipe or target is not on the bench.
    BenchError
        Where a value is of the wrong kind or cannot be.
    """
    return {field: _checked(bench, Place(column=field, run=run), field, v) for field, v in changes.items()}


def typed_value(field: str, text: str) -> Any:
    """What somebody typed of a run's field, as its value: a number with a decimal comma or a unit, a time, a name.

    Raises
    ------
    BenchError
        Where it is none.
    """
    said = text.strip()
    if not said:
        return None
    try:
        if field in NUMBERS:
            return typed(said, PLAUSIBLE[field].unit)
        if field == "started_at":
            return datetime.fromisoformat(said)
    except ModelRangeError as error:
        raise BenchError(str(error), Place(column=field), "Write a number, as 118.5") from error
    except ValueError:
        what = f"{said[:40]!r} is not a time by ISO 8601"
        raise BenchError(what, Place(column=field), "Write it year first, as 2026-03-01 21:30") from None
    return said


def refuse_strangers(bench: Bench, record: Mapping[str, Any]) -> None:
    """Refuse a run that names what the bench does not hold.

    Raises
    ------
    NotFound
        Naming the first.
    """
    bench.vessel(record["vessel"])
    bench.ice_type(record["ice"])
    bench.recipe(record["recipe"])
    if record["target"] is not None:
        bench.target(record["target"])


def refuse_contradictions(bench: Bench, before: Run, changes: Record) -> None:
    """Refuse changes that make of a run what mass or heat forbids, and was not so before.

    Raises
    ------
    BenchError
        Saying what speaks against the first of them.
    """
    after = replace(before, **{f: v for f, v in changes.items() if f in JUDGED})
    was, now = objections(bench, [before, after])
    known = {o.columns for o in was if o.impossible}
    for objection in now:
        if objection.impossible and objection.columns not in known:
            column = next((c for c in objection.columns if c in changes), objection.columns[0])
            raise BenchError(objection.what, Place(column=column, run=before.run), objection.cure)


def _checked(bench: Bench, place: Place, field: str, value: Any) -> Any:
    if field not in EDITABLE:
        raise NotFound("editable field", field, EDITABLE)
    shelves = {"vessel": bench.vessel, "ice": bench.ice_type, "recipe": bench.recipe, "target": bench.target}
    if field in TEXTS and not (isinstance(value, str) and value.strip()):
        raise BenchError("it cannot be empty", place, f"Give the {field}")
    if value is None:
        return None
    if field in NUMBERS:
        return _number(place, field, value)
    if field == "started_at":
        if not isinstance(value, datetime):
            raise BenchError(f"{value!r} is no date and time", place, "Give a datetime")
        return value.isoformat()
    if field == "extra":
        return {str(k): str(v) for k, v in dict(value).items()}
    if field in (*TEXTS, *OPTIONAL_TEXTS) and not isinstance(value, str):
        raise BenchError(f"{value!r} is no text", place)
    if field in shelves:
        shelves[field](value)
    return value.strip() or None


def _number(place: Place, field: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise BenchError(f"{value!r} is not a number", place, f"Give it in {PLAUSIBLE[field].unit}")
    doubt = PLAUSIBLE[field].doubt(value)
    if doubt is not None:
        raise BenchError(doubt[0], place, doubt[1])
    return float(value)
