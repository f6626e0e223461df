"""What a form about a bench says: which entry, what was typed of it, and why it changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from dashboard.questions.correction import reason_of
from rig.bench_fields import Shelf, changed_table, shelf_of
from rig.bench_text import tables_of
from rig.errors import ModelRangeError
from rig.importing.write_bench import bench_files, zipped
from rig.logbook.editing import begin_bench, bench_text, describe, kept_files
from rig.logbook.store import Logbook

ADDED = "added"
"""The reason that is kept of a new entry where none is given."""
_LONGEST, _MOST_ROWS = 500, 60
ENTRY = -1
"""The row of the entry's own fields; its ingredients count from 0."""


@dataclass(frozen=True)
class EntryForm:
    """What was sent: texts by key of the entry's own fields, and of each of its ingredients, in their order.

    `was`: the name that the entry has now, "" where it is new. `origin`: by ingredient, which one it is of those that
    stand; None for a new one.
    """

    shelf: Shelf
    was: str
    name: str
    own: Mapping[str, Sequence[str]] = field(default_factory=dict)
    parts: Sequence[Mapping[str, Sequence[str]]] = ()
    origin: Sequence[int] = ()

    @classmethod
    def of(cls, entry: Any, name: Any, ids: Any, values: Any, left_out: Any) -> EntryForm:
        """What was sent, by the ids of its controls.

        Raises
        ------
        NotFound, ModelRangeError
            No such shelf, no name, or more than any entry has.
        """
        told = entry if isinstance(entry, Mapping) else {}
        shelf = shelf_of(str(told.get("section")))
        rows: dict[int, dict[str, list[str]]] = {}
        gone = {i["row"] for i, v in left_out if v and isinstance(i, dict) and isinstance(i.get("row"), int)}
        for id_, value in zip(ids or (), values or (), strict=False):
            if isinstance(id_, dict) and isinstance(id_.get("row"), int):
                text = str(value) if isinstance(value, str | int | float) else ""
                if len(text) > _LONGEST:
                    raise ModelRangeError(f"keep what you write below {_LONGEST} characters")
                rows.setdefault(id_["row"], {}).setdefault(str(id_.get("key")), []).append(text)
        if len(rows) > _MOST_ROWS:
            raise ModelRangeError(f"a recipe has {_MOST_ROWS} ingredients at most")
        own = rows.pop(ENTRY, {})
        kept = {
            n: row for n, row in sorted(rows.items()) if n not in gone and any(any(t) for t in row.values())
        }
        said = " ".join(name.split()) if isinstance(name, str) else ""
        if not said:
            raise ModelRangeError(f"give the {shelf.one} a name")
        return cls(
            shelf, str(told.get("name") or ""), said[:_LONGEST], own, tuple(kept.values()), tuple(kept)
        )

    def table(self, stands: Mapping[str, Any]) -> dict[str, Any]:
        """The entry as bench.toml has it, made of what stands and what was typed.

        Raises
        ------
        BenchError
            Naming what cannot be read.
        """
        table = changed_table(self.shelf.fields, stands, self.own)
        if self.shelf.parts:
            before = parts_of(stands)
            table["ingredients"] = [
                changed_table(self.shelf.parts, before[n] if n < len(before) else {}, said)
                for n, said in zip(self.origin, self.parts, strict=True)
            ]
        return table

    def make(self, logbook: Logbook, bench: str, why: Any) -> str:
        """Change the bench; what to say of it.

        Raises
        ------
        RigError
            A reason is lacking, or the bench does not take it.
        """
        entries = tables_of(bench_text(logbook, bench))[self.shelf.section]
        stands = entries.get(self.was, {}) if self.was else {}
        is_new = not self.was
        reason = ADDED if is_new and not str(why or "").strip() else reason_of(why)
        if is_new and self.name in entries:
            raise ModelRangeError(
                f"there is a {self.shelf.one} {self.name!r}; give another name, or change that one"
            )
        was = None if is_new else self.was
        changed = describe(logbook, bench, self.shelf.section, self.name, self.table(stands), reason, was=was)
        if not changed:
            return "There is nothing to change: it says so already."
        return f"{self.name} is {'on the bench' if is_new else 'changed; what it was is kept'}."


def parts_of(table: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The ingredients that a recipe's table lists."""
    listed = table.get("ingredients")
    return [dict(i) for i in listed if isinstance(i, dict)] if isinstance(listed, list) else []


def as_folder(logbook: Logbook, bench: str) -> bytes:
    """The bench as the folder it is on a disk, in one archive."""
    book = replace(logbook.book(bench), files=kept_files(logbook, bench))
    return zipped(bench_files(book, bench_text(logbook, bench)), bench)


def begin(logbook: Logbook, name: Any, title: Any) -> str:
    """Begin a bench; its name.

    Raises
    ------
    RigError
        It has no name, or one that is taken.
    """
    said = " ".join(name.split())[:_LONGEST] if isinstance(name, str) else ""
    if not said:
        raise ModelRangeError("give the bench a name, as you would call it to a colleague")
    begin_bench(logbook, said, title[:_LONGEST] if isinstance(title, str) else "")
    return said
