"""Reads one spreadsheet in a process of its own, which may take so much memory and time and no more.

Run as `-m rig.importing.tabular.sheet_reader MIB SECONDS CELLS UNPACKED_MIB`, it reads one from its standard input
and prints a line of JSON a row: `["sheet", [cells]]`. The last line is `"whole"`, or says why there is no more:
`{"refused": reason, "cure": cure}`, `{"damaged": kind}` or `"memory"`. It loads neither pandas nor NumPy.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import struct
import sys
import zipfile
import zlib
from collections.abc import Callable
from contextlib import suppress
from typing import Any
from xml.etree.ElementTree import ParseError
from xml.parsers.expat import ExpatError
from xml.sax import SAXException

from rig.errors import TableRefused
from rig.importing.tabular.ods_rows import ods_rows
from rig.importing.tabular.sheet_size import refuse_too_large

WHOLE, MEMORY = "whole", "memory"
_XML_NO_MEMORY = 1
# What the spreadsheet readers raise on a damaged file; they promise no class of their own.
DAMAGE = (
    ValueError, KeyError, IndexError, TypeError, AttributeError, OSError, EOFError, AssertionError,
    ArithmeticError, NotImplementedError, RuntimeError, SyntaxError, LookupError,
    zipfile.BadZipFile, zlib.error, struct.error, ParseError, SAXException, ExpatError,
)  # fmt: skip
Take = Callable[[str, list[Any]], None]


def main() -> int:
    """The child: read what stands in standard input, within the limits."""
    mib, seconds, cells, unpacked_mib = (int(a) for a in sys.argv[1:5])
    limit(mib, seconds)
    # the workbook reader would load it only to know its numbers, which takes most of the start
    sys.modules["numpy"] = None  # type: ignore[assignment]

    def take(sheet: str, row: list[Any]) -> None:
        print(json.dumps([sheet, row], default=_plain))  # noqa: T201

    try:
        read(sys.stdin.buffer.read(), take, cells, unpacked_mib << 20)
        last: Any = WHOLE
    except TableRefused as refusal:
        last = {"refused": refusal.reason, "cure": refusal.cure}
    except MemoryError:
        last = MEMORY
    except DAMAGE as error:
        no_memory = isinstance(error, ExpatError) and error.code == _XML_NO_MEMORY
        last = MEMORY if no_memory else {"damaged": type(error).__name__}
    print(json.dumps(last))  # noqa: T201
    return 0


def limit(mib: int, seconds: int) -> None:
    """Take no more than so much memory and time; where the system knows no such limits the look beforehand stands."""
    try:
        import resource
    except ImportError:
        return
    for what, most in ((resource.RLIMIT_AS, mib << 20), (resource.RLIMIT_CPU, seconds)):
        _, hard = resource.getrlimit(what)
        least = most if hard == resource.RLIM_INFINITY else min(most, hard)
        # some systems know the name of a limit and do not set it
        with suppress(ValueError, OSError):
            resource.setrlimit(what, (least, hard))


def read(raw: bytes, take: Take, cells: int, unpacked: int) -> None:
    """Give each row of each sheet, in order; empty cells are None, dates text by ISO 8601.

    Raises
    ------
    TableRefused
        It is no spreadsheet, or unpacks or unrolls to more than it may.
    MemoryError, those of `DAMAGE`
        It takes more than it may; it is damaged.
    """
    with zipfile.ZipFile(io.BytesIO(raw)) as archive:
        names = set(archive.namelist())
    if not {"xl/workbook.xml", "content.xml"} & names:
        raise TableRefused("this file is compressed (zip)", cure="Unpack it and read what is inside")
    refuse_too_large(raw, "", cells=cells, unpacked=unpacked)
    if "xl/workbook.xml" in names:
        _xlsx(raw, take)
    else:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive, archive.open("content.xml") as stream:
            ods_rows(stream.read, take)


def _xlsx(raw: bytes, take: Take) -> None:
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(raw), read_only=True, data_only=True, keep_links=False)
    for sheet in book.worksheets:
        # what a file says of its size need not be so
        sheet.reset_dimensions()
        empty = 0
        for cells in sheet.rows:
            row = [None if c.data_type == "e" else c.value for c in cells]
            while row and row[-1] in (None, ""):
                row.pop()
            if not row:
                empty += 1
                continue
            for _ in range(empty):
                take(sheet.title, [])
            empty = 0
            take(sheet.title, row)


def _plain(value: Any) -> str:
    if isinstance(value, dt.datetime):
        return value.isoformat(sep=" ")
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, dt.timedelta):
        hours, rest = divmod(value.total_seconds(), 3600)
        return f"{int(hours):02d}:{int(rest // 60):02d}:{rest % 60:09.6f}"
    return str(value)


if __name__ == "__main__":
    sys.exit(main())
