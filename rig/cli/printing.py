"""How results are printed: tables no wider than 100 columns, plain when not on a terminal, or JSON."""

from __future__ import annotations

import json
import re
import shutil
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from rig.answer_units import AnswerUnits
    from rig.runs import Finding, SetUp

WIDEST = 100
SLOW_S = 1.0
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]+")
_CONTROL_IN_LINE = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f]+")

_PARTICULARS = re.compile(r"'[^']*'|\"[^\"]*\"|[-+]?\d[\d.,:]*")
"""What differs between findings of one kind: quoted text and numbers."""


def one_line(text: str) -> str:
    """Text on one line, with no control characters a file could smuggle to the terminal."""
    return " ".join(_CONTROL.sub(" ", text).split())


def visible(value: Any) -> str:
    """A value as text to print, in the reader's units, line breaks kept; nothing where there is none."""
    return "" if value is None else reader_units().text(_CONTROL_IN_LINE.sub(" ", str(value)))


class _Reader:
    """Whom a command speaks to: the units told with it, or those kept before, looked up when first needed."""

    def __init__(self, units: AnswerUnits | None) -> None:
        self.units = units


_READER: ContextVar[_Reader | None] = ContextVar("reader", default=None)


@contextmanager
def for_reader(units: AnswerUnits | None) -> Iterator[None]:
    """A command whose answers are printed in these units; None: in those kept for the user."""
    before = _READER.set(_Reader(units))
    try:
        yield
    finally:
        _READER.reset(before)


def reader_units() -> AnswerUnits:
    """The units that whoever called the program wants answers in."""
    from rig.answer_units import LAB_UNITS

    reader = _READER.get()
    if reader is None:
        return LAB_UNITS
    if reader.units is None:
        from rig.session.kept_units import kept_units

        reader.units = kept_units()
    return reader.units


def keep_names(names: Sequence[str]) -> None:
    """Names of the bench that is spoken of: a vessel called `600 ml tin` stays one, whatever the units."""
    reader = _READER.get()
    if reader is not None:
        reader.units = reader_units().beside(names)


def two_lines(set_up: SetUp) -> str:
    """A set-up for a narrow column: its ice, which most often tells it from others, on a line of its own."""
    return f"{set_up.technique} · {set_up.vessel}\n{set_up.ice}"


def console(to_stderr: bool = False) -> Console:
    """Where to print: at most 100 columns, no colour off a terminal, no markup read into names."""
    from rich.console import Console

    stream = sys.stderr if to_stderr else sys.stdout
    fallback = (WIDEST, 40)
    width = min(WIDEST, shutil.get_terminal_size(fallback).columns)
    return Console(
        file=stream, width=max(width, 40), markup=False, emoji=False, highlight=False, soft_wrap=False
    )


def _show(what: RenderableType, style: str | None = None) -> None:
    """Print without the blanks that would only fill the line."""
    out = console()
    with out.capture() as captured:
        out.print(what, style=style)
    print("\n".join(line.rstrip() for line in captured.get().splitlines()))


def say(*paragraphs: str, style: str | None = None) -> None:
    """Print paragraphs, wrapped at words."""
    for text in paragraphs:
        _show(visible(text), style)


def heading(text: str) -> None:
    """Print a heading with air above it."""
    say("", text, style="bold")


def bullets(texts: Sequence[str], mark: str = "-") -> None:
    """Print a list, each entry wrapped under its own start."""
    from rich.padding import Padding
    from rich.table import Table

    grid = Table.grid(padding=(0, 1))
    grid.add_column(no_wrap=True)
    grid.add_column()
    for text in texts:
        grid.add_row(mark, visible(text))
    if texts:
        _show(Padding(grid, (0, 0, 0, 2)))


def table(columns: Sequence[str], rows: Sequence[Sequence[Any]], *, words: int = 1) -> None:
    """Print a table: the first `words` columns hold words and may wrap, the others are numbers, to the right.

    Line breaks in a column's title or a cell are kept.
    """
    from rich import box
    from rich.table import Table

    out = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1), header_style="bold", show_edge=False)
    units = reader_units()
    heads = [units.heading(str(name)) for name in columns]
    for k, (name, _) in enumerate(heads):
        out.add_column(visible(name), justify="left" if k < words else "right", overflow="fold")
    for row in rows:
        # a row's own head may say the unit of its numbers
        of_row = units.heading(str(row[0]))[1] if row else None
        out.add_row(
            *(units.cell(visible(v), of_row or heads[k][1] if k else None) for k, v in enumerate(row))
        )
    _show(out)


def print_json(value: Any) -> None:
    """Print a result for programs: standard JSON, text as UTF-8, no NaN."""
    text = json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False)
    try:
        text.encode(sys.stdout.encoding or "utf-8")
    except UnicodeEncodeError:
        text = json.dumps(value, ensure_ascii=True, indent=1, allow_nan=False)
    print(text)


def print_findings(findings: Sequence[Finding], most: int = 12) -> None:
    """Print findings, the gravest first, each with its place and cure; those of one kind only once."""
    order = {"left out": 0, "doubt": 1, "note": 2}
    kinds: dict[tuple[str, str, str], list[Finding]] = {}
    for f in sorted(findings, key=lambda f: order[f.gravity.value]):
        kinds.setdefault((f.gravity.value, _PARTICULARS.sub("", f.what), f.cure), []).append(f)
    lines = []
    for (gravity, _, _), alike in list(kinds.items())[:most]:
        more = f" (and {len(alike) - 1} more like it)" if len(alike) > 1 else ""
        lines.append(f"{gravity}: {alike[0]}{more}")
    bullets(lines)
    if len(kinds) > most:
        say(f"  … and {len(kinds) - most} more kinds; --json lists all.")


def finding_json(finding: Finding) -> dict[str, Any]:
    """A finding with stable keys."""
    place = finding.place
    return {
        "gravity": finding.gravity.value,
        "what": finding.what,
        "file": place.file,
        "line": place.line,
        "column": place.column,
        "run": place.run,
        "cure": finding.cure,
    }


@contextmanager
def progress(task: str, quiet: bool) -> Iterator[Callable[[float], None]]:
    """A function to call with the share done; on a terminal a bar on stderr once a second has passed."""
    if quiet or not sys.stderr.isatty():
        yield lambda share: None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn()
    bar = Progress(*columns, console=console(to_stderr=True), transient=True)
    entry = bar.add_task(task, total=1.0)
    started = time.monotonic()

    def tell(share: float) -> None:
        bar.update(entry, completed=share)
        if not bar.live.is_started and time.monotonic() - started > SLOW_S:
            bar.start()

    try:
        yield tell
    finally:
        bar.stop()
