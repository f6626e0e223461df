"""What the CSV files of a bench folder hold, as W3C metadata (Metadata Vocabulary for Tabular Data, 2015)."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

from rig.importing.bench_folder import TRACES
from rig.importing.book_records import UNIT
from rig.importing.cells_out import trace_names
from rig.importing.run_sheet import RUN_SHEET
from rig.importing.write_bench import sheet_header
from rig.plausible import channel_unit
from rig.runs import RunBook

METADATA_FILE = "csv-metadata.json"
"""Where section 5.4 of Model for Tabular Data (2015) looks for a folder's metadata."""

_CONTEXT = ["http://www.w3.org/ns/csvw", {"@language": "en"}]
_REQUIRED = ("run", "technique", "vessel", "ice", "recipe")


def folder_metadata(book: RunBook) -> str:
    """The metadata of a bench folder: its run sheet and every trace."""
    names = trace_names(book.runs)
    tables = [sheet_table(book, RUN_SHEET)]
    written: dict[str, Any] = {}
    for run in book.runs:
        if run.trace is not None:
            url = f"{TRACES}/{names[run.run]}"
            written.setdefault(url, _table(url, list(run.trace.channels()), traced=True))
    return _text({"@context": _CONTEXT, "dc:title": book.bench.title, "tables": [*tables, *written.values()]})


def sheet_metadata(book: RunBook, url: str) -> str:
    """The metadata of a run sheet alone, for the file that stands beside it, named `url`-metadata.json."""
    return _text({"@context": _CONTEXT, "dc:title": book.bench.title, **sheet_table(book, url)})


def sheet_table(book: RunBook, url: str) -> dict[str, Any]:
    """The table description of a run sheet."""
    table = _table(url, sheet_header(book), traced=False)
    table["tableSchema"]["primaryKey"] = "run"
    return table


def _table(url: str, columns: Sequence[str], *, traced: bool) -> dict[str, Any]:
    return {
        "url": quote(url),
        "tableSchema": {"columns": [_column(n, name, traced) for n, name in enumerate(columns, 1)]},
    }


def _column(number: int, title: str, traced: bool) -> dict[str, Any]:
    """One column: its name as a URI template has it, its title as written, its type and unit."""
    name = quote(title, safe="")
    column: dict[str, Any] = {
        "name": name if name[:1] not in ("_", "") else f"column{number}",
        "titles": title,
    }
    unit = channel_unit(title) if traced else UNIT.get(title)
    if traced or title in UNIT:
        column["datatype"] = "double"
        column["schema:unitText"] = unit
    elif title == "started_at":
        column["datatype"] = "dateTime"
    else:
        column["datatype"] = "string"
    if title in _REQUIRED or (traced and title == "time_s"):
        column["required"] = True
    return column


def _text(value: dict[str, Any]) -> str:
    return json.dumps(value, ensure_ascii=False, indent=1) + "\n"
