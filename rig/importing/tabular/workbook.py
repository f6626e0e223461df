"""Spreadsheets (.xlsx, .ods) as text: each sheet becomes lines of tab-separated cells with ISO dates."""

from __future__ import annotations

import datetime as dt
import io
import struct
import zipfile
import zlib
from collections.abc import Mapping
from typing import Any, Literal
from xml.etree.ElementTree import ParseError
from xml.parsers.expat import ExpatError
from xml.sax import SAXException

import pandas as pd

from rig.errors import TableRefused
from rig.importing.tabular.sheet_size import refuse_too_large

_MOST_CHARS = 1 << 28
# What the spreadsheet readers raise on a damaged file; they promise no class of their own.
DAMAGE = (
    ValueError, KeyError, IndexError, TypeError, AttributeError, OSError, EOFError, AssertionError,
    ArithmeticError, NotImplementedError, RuntimeError, SyntaxError, LookupError,
    zipfile.BadZipFile, zlib.error, struct.error, ParseError, SAXException, ExpatError,
)  # fmt: skip


def is_archive(raw: bytes) -> bool:
    """True for what begins like a zip archive, as both kinds of spreadsheet do."""
    return raw.startswith(b"PK\x03\x04")


def sheets_of(raw: bytes, file: str) -> Mapping[str, str]:
    """The text of each sheet that holds anything, by its name.

    Raises
    ------
    TableRefused
        Where the archive is no spreadsheet, is damaged, or unrolls to more than any logger writes.
    """
    engine = _engine(raw, file)
    try:
        refuse_too_large(raw, file)
        frames = pd.read_excel(io.BytesIO(raw), sheet_name=None, header=None, dtype=object, engine=engine)
    except ImportError as e:
        raise TableRefused(
            "no reader for this kind of spreadsheet is installed",
            file,
            cure="Install openpyxl or odfpy, or save as CSV",
        ) from e
    except TableRefused:
        raise
    except DAMAGE as e:
        raise TableRefused(
            f"the spreadsheet is damaged ({type(e).__name__})", file, cure="Save it again, or as CSV"
        ) from e
    texts = {str(name): _text(frame, file) for name, frame in frames.items()}
    return {name: text for name, text in texts.items() if text.strip()}


def _engine(raw: bytes, file: str) -> Literal["openpyxl", "odf"]:
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            names = set(archive.namelist())
    except DAMAGE as e:
        raise TableRefused("the file is a damaged zip archive", file, cure="Copy it again") from e
    if "xl/workbook.xml" in names:
        return "openpyxl"
    if "content.xml" in names:
        return "odf"
    raise TableRefused("this file is compressed (zip)", file, cure="Unpack it and read what is inside")


def _text(frame: pd.DataFrame, file: str) -> str:
    lines, chars = [], 0
    for row in frame.itertuples(index=False):
        lines.append("\t".join(_cell(v) for v in row))
        chars += len(lines[-1]) + 1
        if chars > _MOST_CHARS:  # one long text may stand in every cell and take room only once
            raise TableRefused(
                f"a sheet holds more than {_MOST_CHARS >> 20} MiB of text", file, cure="Save it as CSV"
            )
    return "\n".join(lines) + "\n"


def _cell(value: Any) -> str:
    if value is None or value is pd.NaT or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, dt.datetime):
        return value.isoformat(sep=" ")
    if isinstance(value, (dt.date, dt.time)):
        return value.isoformat()
    if isinstance(value, dt.timedelta):
        hours, rest = divmod(value.total_seconds(), 3600)
        return f"{int(hours):02d}:{int(rest // 60):02d}:{rest % 60:09.6f}"
    return " ".join(str(value).split())
