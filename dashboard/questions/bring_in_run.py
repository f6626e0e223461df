"""Which run the tables belong to, as a form says it; and the run made of both."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from rig.answer_units import LAB_UNITS, AnswerUnits
from rig.bench import Bench
from rig.errors import ModelRangeError, NoCommonClock, RigError, StartUnclear
from rig.importing.proposal import Proposal
from rig.importing.table_run import Joined, join, judged_book, moment_s, own_start, told_start, with_trace
from rig.importing.tables import Table
from rig.logbook.store import Logbook
from rig.plausible import RUN as PLAUSIBLE
from rig.runs import Run

NEW, INTO = "new", "into"
NAMES = ("technique", "vessel", "ice", "recipe")
NUMBERS = {
    "duration_s": "Shaken or stirred for [s]",
    "drink_mass_g": "Drink before the ice [g]",
    "drink_temp_c": "Drink before the ice [°C]",
    "ice_mass_g": "Ice [g]",
    "ice_temp_c": "Ice [°C]",
    "room_temp_c": "Room [°C]",
    "strained_mass_g": "Strained [g]",
}
"""What may be told of the run in numbers, in words."""
_LONGEST = 200


@dataclass(frozen=True)
class RunForm:
    """What the form says: a new run with its set-up, or the run that takes the tables.

    `start`: when motion began, in the first file's own time; "" finds it in the readings. `marks`: by file, the
    moment that all files share. `keep`: a name for the answers, or "".
    """

    into: bool
    run: str
    names: Mapping[str, str] = field(default_factory=dict)
    numbers: Mapping[str, float] = field(default_factory=dict)
    start: str = ""
    marks: Mapping[str, str] = field(default_factory=dict)
    keep: str = ""

    @classmethod
    def of(
        cls,
        form: Mapping[str, Any],
        bench: Bench,
        marks: Mapping[str, Any],
        units: AnswerUnits = LAB_UNITS,
    ) -> RunForm:
        """What was sent, bare numbers in these units, checked against the bench.

        Raises
        ------
        ModelRangeError, NotFound
            No name of a run, a number that is none or cannot be, something the bench does not hold.
        """
        into = form.get("way") == INTO
        run = _line(form.get("into" if into else "run"))
        if not run:
            raise ModelRangeError("say which run takes the tables" if into else "give the run a name")
        names: dict[str, str] = {}
        if not into:
            names = {k: _line(form.get(k)) for k in NAMES}
            for k, name in names.items():
                if not name:
                    raise ModelRangeError(f"choose a {k} for the new run")
            bench.vessel(names["vessel"])
            bench.ice_type(names["ice"])
            bench.recipe(names["recipe"])
        numbers = {
            k: _number(words, k, text, units) for k, words in NUMBERS.items() if (text := _line(form.get(k)))
        }
        told = {f: text for f, m in marks.items() if (text := _line(m))}
        return cls(into, run, names, numbers, _line(form.get("start")), told, _line(form.get("keep")))


def _line(value: Any) -> str:
    """A line that somebody wrote."""
    text = " ".join(str(value).split()) if isinstance(value, str | int | float) else ""
    if len(text) > _LONGEST:
        raise ModelRangeError(f"keep what you write below {_LONGEST} characters")
    return text


def _number(words: str, name: str, text: str, units: AnswerUnits) -> float:
    try:
        value = units.typed(text, PLAUSIBLE[name].unit)
    except ModelRangeError as error:
        raise ModelRangeError(f"{words}: give a number; {error}") from error
    if (doubt := PLAUSIBLE[name].doubt(value)) is not None:
        raise ModelRangeError(f"{words}: {doubt[0]}. {doubt[1]}")
    return value


def run_of(logbook: Logbook, bench: str, form: RunForm) -> Run:
    """The run that takes the tables, still without them.

    Raises
    ------
    NotFound, RigError
        No such run to add to; a new one whose name is taken.
    """
    fields: dict[str, Any] = {**form.names, **form.numbers}
    if form.into:
        return replace(logbook.run(bench, form.run), **fields)
    if any(r.run.run == form.run for r in logbook.list_runs(bench)):
        raise RigError(f"there is a run {form.run!r} on {bench}. Name another, or add the tables to that one")
    return Run(form.run, **fields)


def joined(proposals: Sequence[Proposal], start: str = "", marks: Mapping[str, str] | None = None) -> Joined:
    """The files on one clock from the start of motion.

    Raises
    ------
    RigError
        No common clock, no clear start of motion, a moment that is none: with what to fill in.
    """
    tables: list[Table] = [p.table for p in proposals if p.table is not None]
    by_name = {t.file: t for t in tables}
    marks_s = {f: moment_s(m, f, by_name[f]) for f, m in (marks or {}).items() if f in by_name}
    first = tables[0]
    told = told_start(moment_s(start, first.file, first)) if start else own_start(first)
    try:
        return join(tables, marks_s=marks_s or None, start=told)
    except NoCommonClock as refusal:
        raise RigError(
            f"{refusal.reason}. Give for each file the moment that is the same in all"
        ) from refusal
    except StartUnclear as refusal:
        likely = " or ".join(f"{s:g}" for s in refusal.candidates_s)
        raise RigError(
            f"{refusal.reason}. Say when motion began, in the time of {first.file}{': ' + likely if likely else ''}"
        ) from refusal


def start_words(proposals: Sequence[Proposal]) -> tuple[str, bool]:
    """Where motion starts and on what grounds, or what is open about it; and whether it is clear."""
    try:
        found = joined(proposals)
    except RigError as error:
        return f"{str(error).rstrip('.')}.", False
    words = [found.start_words[:1].upper() + found.start_words[1:], *found.doubts]
    return f"{'. '.join(words)}.", not found.doubts


def store(logbook: Logbook, bench: str, proposals: Sequence[Proposal], form: RunForm) -> Run:
    """Store the run with its tables; gives it back.

    Raises
    ------
    RigError
        Where that cannot be; nothing is stored then.
    """
    found = joined(proposals, form.start, form.marks)
    run = with_trace(run_of(logbook, bench, form), found, proposals)
    book = judged_book(logbook.bench(bench), run, proposals, found)
    keep = logbook.complete if form.into else logbook.add
    keep(book, bench, "; ".join(p.file for p in proposals))
    return book.runs[0]
