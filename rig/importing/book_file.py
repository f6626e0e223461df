"""Open a file of runs that was exported: JSON or a workbook."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from rig.consistency.judging import judged
from rig.errors import BenchError, Place
from rig.importing.book_json import book_from_json
from rig.importing.book_records import FORMAT
from rig.importing.book_workbook import book_from_xlsx
from rig.importing.tabular.limits import MOST_BYTES
from rig.runs import RunBook

_HEAD = 4096


def open_book(path: Path) -> RunBook | None:
    """The bench and runs of an exported file; None where the file is anything else, such as a logger's table.

    Raises
    ------
    BenchError
        Where it cannot be read, or is an export and damaged.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise BenchError(
                f"is larger than {MOST_BYTES >> 20} MiB", Place(str(path)), "Export fewer runs at once"
            )
        raw = path.read_bytes()
    except OSError as error:
        raise BenchError(f"cannot be read: {error.strerror}", Place(str(path))) from error
    if raw.startswith(b"PK\x03\x04") and path.suffix == ".xlsx":
        book = book_from_xlsx(raw, path.name)
    elif FORMAT.encode() in raw[:_HEAD]:
        book = book_from_json(raw.decode("utf-8", errors="replace"), path.name)
    else:
        return None
    return None if book is None else _judged(book, path.name)


def _judged(book: RunBook, file: str) -> RunBook:
    """The book without values that cannot be; what the file says of itself is not said twice."""
    told = judged(book.bench, book.runs)
    said = {(f.what, f.place.run) for f in book.findings}
    found = [f for one in told for f in one.findings(Place(file)) if (f.what, f.place.run) not in said]
    return replace(book, runs=tuple(one.run for one in told), findings=(*book.findings, *found))
