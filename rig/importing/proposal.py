"""What a table file was taken for, shown before anything is stored; and the answers that settle the rest."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from os import PathLike
from pathlib import Path
from typing import Any

from rig.errors import ModelRangeError, TableRefused
from rig.importing.tables import Table, bytes_of, table_from_prepared
from rig.importing.tabular.assembly import Channel
from rig.importing.tabular.likeness import Kept, Offer, fitted, offer_for
from rig.importing.tabular.prepared import Prepared, prepare
from rig.importing.tabular.profile import TableProfile
from rig.importing.tabular.questions import Settles
from rig.importing.tabular.report import Dropped
from rig.importing.tabular.units_in_text import Role
from rig.units import typed

_MEASURES = ("°C", "°F", "K", "g", "kg", "oz", "lb", "ignore")
_PREVIEW_LINES = 8
_TIME_WORDS = ("time", "clock", "minutes and seconds", "sample number")


@dataclass(frozen=True)
class Question:
    """What a file leaves open, and the setting of a `TableProfile` that settles it.

    `setting` "columns" is told for `column`; `choices` are likely answers as text, empty where any may be.
    """

    setting: str
    text: str
    choices: tuple[str, ...] = ()
    column: str | None = None
    line: int | None = None

    def answer(self, text: str) -> dict[str, Any]:
        """An answer as settings of a `TableProfile`.

        Raises
        ------
        TableRefused
            Where the text is no answer to this question.
        """
        plain = text.strip()
        match self.setting:
            case "columns":
                return {"columns": {self.column or "": plain}}
            case "day_first":
                if plain.casefold() not in ("day first", "day-first", "month first", "month-first"):
                    raise TableRefused(f"{plain!r} is neither 'day first' nor 'month first'")
                return {"day_first": plain.casefold().startswith("day")}
            case "interval_s" | "recording":
                try:
                    number = typed(plain, "s" if self.setting == "interval_s" else "")
                except ModelRangeError as e:
                    raise TableRefused(f"{plain!r} is no number that can be used: {e}") from e
                return {self.setting: number if self.setting == "interval_s" else int(number)}
        return {self.setting: plain}


@dataclass(frozen=True)
class ProposedColumn:
    """One column of the file: what it was taken for, why, and a few readings where it is a channel."""

    position: int
    header: str
    taken_for: str
    why: str


@dataclass(frozen=True, eq=False)
class Proposal:
    """How a file would be read. `table` is None while a question is open; nothing has been stored.

    Attributes
    ----------
    file, shape : the file's name; what files of the same logger have in common
    columns, time_basis, dropped, notes : what each column and the time were taken for, what was left out
    questions : what the file leaves open; empty where it can be read
    profile : every answer given so far
    preview : the table's first lines as they stand in the file
    kept : the name of the kept answers that it was read by, "" where by none
    offer : kept answers of files much like it
    """

    file: str
    shape: str
    headers: tuple[str, ...]
    preview: tuple[str, ...]
    profile: TableProfile
    raw: bytes
    table: Table | None = None
    questions: tuple[Question, ...] = ()
    kept: str = ""
    offer: Offer | None = None

    @property
    def columns(self) -> tuple[ProposedColumn, ...]:
        """What each column was taken for; while a question is open, only the headers are known."""
        if self.table is None:
            return tuple(ProposedColumn(n, h, "", "") for n, h in enumerate(self.headers, 1))
        return tuple(
            ProposedColumn(c.position, c.header, c.taken_for, c.why) for c in self.table.report.columns
        )

    @property
    def time_basis(self) -> str:
        """Where the time comes from, in words; "" while that is open."""
        if self.table is None:
            return ""
        for note in self.table.report.columns:
            if any(word in note.taken_for for word in _TIME_WORDS) and "not used" not in note.taken_for:
                return f"{note.header or f'column {note.position}'}: {note.taken_for} ({note.why})"
        return next((n for n in self.table.report.notes if n.startswith("rows are")), "")

    @property
    def dropped(self) -> tuple[Dropped, ...]:
        """Rows and values left out, with their lines."""
        return () if self.table is None else self.table.report.dropped

    @property
    def notes(self) -> tuple[str, ...]:
        """What was assumed or put in order."""
        return () if self.table is None else self.table.report.notes

    @property
    def started_at(self) -> datetime | None:
        """The moment of time 0, where the file tells it."""
        return None if self.table is None else self.table.started_at

    def to_remember(self) -> TableProfile:
        """What a profile for like files keeps: all that is settled, but nothing of this one recording."""
        settled = self.profile if self.table is None else self.profile.joined(self.table.settled)
        told = self.profile
        return replace(settled, recording=None, encoding=told.encoding, interval_s=told.interval_s)


def propose(
    source: str | PathLike[str] | bytes, profile: TableProfile | None = None, *, file: str | None = None
) -> Proposal:
    """How a file, given by its path or as bytes, would be read.

    Raises
    ------
    TableRefused
        Where it is no table at all, or nothing one could answer would make it one.
    """
    raw = source if isinstance(source, bytes) else bytes_of(Path(source))
    name = file or ("table" if isinstance(source, bytes) else Path(source).name)
    told = profile or TableProfile()
    try:
        prepared = prepare(raw, name, told)
    except TableRefused as refusal:
        return Proposal(name, "", (), (), told, raw, questions=(_question(refusal),))
    bare = Proposal(name, prepared.shape, prepared.headers, tuple(_preview(prepared)), told, raw)
    try:
        table = table_from_prepared(prepared)
    except TableRefused as refusal:
        return replace(bare, questions=(_question(refusal),))
    return replace(bare, table=table, questions=tuple(_open_quantities(table)))


def propose_by(
    kept: Sequence[Kept],
    source: str | PathLike[str] | bytes,
    told: TableProfile,
    *,
    file: str | None = None,
) -> Proposal:
    """How a file would be read by the answers kept for files of its shape, what is told going before them.

    Where there are none, those of files much like it are offered. Raises what `propose` raises.
    """
    look = propose(source, told, file=file)
    if not look.shape:
        return look
    same = next((k for k in kept if k.shape == look.shape), None)
    if same is None:
        return replace(look, offer=offer_for(look.shape, look.headers, kept))
    return _read_by(same, look)


def propose_by_named(
    named: Kept, source: str | PathLike[str] | bytes, told: TableProfile, *, file: str | None = None
) -> Proposal:
    """How a file would be read by answers kept for other files as well, what is told going before them."""
    return _read_by(named, propose(source, told, file=file))


def _read_by(kept: Kept, look: Proposal) -> Proposal:
    settings = fitted(kept, look.shape).joined(look.profile)
    return replace(propose(look.raw, settings, file=look.file), kept=kept.name)


def answered(proposal: Proposal, answers: TableProfile | Mapping[str, Any]) -> Proposal:
    """The proposal read again with answers, given as settings of a `TableProfile`."""
    later = answers if isinstance(answers, TableProfile) else TableProfile().with_settings(answers)
    again = propose(proposal.raw, proposal.profile.joined(later), file=proposal.file)
    return replace(again, kept=proposal.kept, offer=proposal.offer)


def settle(proposal: Proposal, answers: TableProfile | Mapping[str, Any] | None = None) -> list[Channel]:
    """The channels of a proposal once answers have settled it.

    Raises
    ------
    TableRefused
        Where a question is still open: the first one, with its line and the setting that settles it.
    """
    done = answered(proposal, answers) if answers else proposal
    if done.questions:
        first = done.questions[0]
        choices = ", ".join(map(repr, first.choices)) or "a value"
        raise TableRefused(first.text, done.file, first.line, f"Answer {first.setting} with {choices}")
    assert done.table is not None
    return list(done.table.channels)


def _question(refusal: TableRefused) -> Question:
    """The question behind a refusal; one that no setting answers is raised again."""
    cure = refusal.cure
    if not isinstance(cure, Settles):
        raise refusal
    return Question(cure.setting, refusal.reason, cure.choices, cure.column, refusal.line)


def _open_quantities(table: Table) -> Iterator[Question]:
    """Where neither a temperature nor a mass was found, what the unnamed channels measure."""
    if any(c.role in (Role.TEMPERATURE, Role.MASS) for c in table.channels):
        return
    names = {c.header or f"column {c.position}": c.position for c in table.report.columns}
    for channel in table.channels:
        if channel.role is not Role.UNKNOWN:
            continue
        low, high = float(channel.value.min()), float(channel.value.max())
        key = channel.name if channel.name in names else f"column {channel.name}"
        column = str(names[channel.name]) if channel.name.startswith("column ") else channel.name
        text = (
            f"nothing says what {key if key in names else repr(channel.name)} measures: {low:g} to {high:g}"
        )
        yield Question("columns", text, _MEASURES, column, table.report.header_line)


def _preview(prepared: Prepared) -> Iterator[str]:
    """The lines from the header on, or from the first row."""
    top = (prepared.layout.header_line or prepared.layout.first_line) - 1
    head = prepared.text[: 1 << 18].replace("\r\n", "\n").replace("\r", "\n").split("\n")
    yield from (line[:200] for line in head[top : top + _PREVIEW_LINES] if line.strip())
