"""Bytes to text, by the marks the bytes themselves carry; what is no text is refused by its name."""

from __future__ import annotations

import codecs
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

from rig.errors import TableRefused
from rig.importing.tabular.limits import refuse_too_large

_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_EXPORT = "Export the readings as CSV and read that file"
_NO_TABLES = (
    (b"\x89PNG", "this is a picture (PNG), not a table", _EXPORT),
    (b"GIF8", "this is a picture (GIF), not a table", _EXPORT),
    (b"\xff\xd8\xff", "this is a picture (JPEG), not a table", _EXPORT),
    (b"%PDF", "this is a PDF document, not a table", _EXPORT),
    (b"\x1f\x8b", "this file is compressed (gzip)", "Unpack it and read what is inside"),
    (b"7z\xbc\xaf", "this file is compressed (7z)", "Unpack it and read what is inside"),
    (b"\xd0\xcf\x11\xe0", "this is a spreadsheet of the old binary kind", "Save it as .xlsx, .ods or CSV"),
    (b"SQLite format 3", "this is a database (SQLite), not a table", _EXPORT),
    (b"PAR1", "this is a Parquet file", _EXPORT),
)  # fmt: skip
_HEAD = 1 << 16
_BLANK = b"\0 \t\r\n"
_CONTROL_BYTES = bytes([*range(9), 11, 12, *range(14, 32), 127])
_COUNTED = bytes([*range(9), *range(14, 27), *range(28, 32)])
_BLANKED = bytes.maketrans(_CONTROL_BYTES, b" " * len(_CONTROL_BYTES))
_ODD_BLANKS = ("\x85", "\u2028", "\u2029", "\ufeff")


@dataclass(frozen=True)
class Decoded:
    """A file's text, the encoding it was read by, and what had to be put up with."""

    text: str
    encoding: str
    notes: tuple[str, ...] = ()


def decode(raw: bytes, file: str, encoding: str | None = None) -> Decoded:
    """Decode a text file: byte order mark, pattern of NULs, strict UTF-8, else cp1252.

    Raises
    ------
    TableRefused
        Where the bytes are no text, or not in the encoding that was asked for.
    """
    if not raw[:_HEAD].strip(_BLANK) and not raw.strip(_BLANK):
        raise TableRefused("the file is empty", file, cure="Check that the logger closed it")
    for start, reason, cure in _NO_TABLES:
        if raw.startswith(start):
            raise TableRefused(reason, file, cure=cure)
    refuse_too_large(raw, file)
    if encoding is not None:
        return _as_told(raw, file, encoding)
    if b"\0" not in raw and len(raw[:_HEAD].translate(None, _CONTROL_BYTES)) == len(raw[:_HEAD]):
        with suppress(UnicodeDecodeError):
            return Decoded(raw.decode("ascii"), "ascii")
    for mark, name in _MARKS:
        if raw.startswith(mark):
            return _clean(_as_utf8(raw[len(mark) :], name), name)
    if wide := _two_byte_pattern(raw):
        return _clean(_as_utf8(raw, wide), wide)
    return _without_mark(raw, file)


def _as_told(raw: bytes, file: str, encoding: str) -> Decoded:
    try:
        text = raw.decode(encoding)
    except LookupError as e:
        raise TableRefused(
            f"there is no encoding {encoding!r}", file, cure="Say utf-8, utf-16 or cp1252"
        ) from e
    except (UnicodeError, ValueError) as e:
        raise TableRefused(f"the bytes are not {encoding}", file, cure="Leave out encoding") from e
    return _clean(text.encode(errors="replace"), encoding)


def _as_utf8(raw: bytes, encoding: str) -> bytes:
    """Whole characters of an encoding as UTF-8, broken ones marked."""
    width = 4 if "32" in encoding else 2 if "16" in encoding else 1
    return raw[: len(raw) // width * width].decode(encoding, errors="replace").encode()


def _two_byte_pattern(raw: bytes) -> str | None:
    """UTF-16 without a mark: in plain text nearly every second byte is NUL, always on the same side."""
    head = raw[:4096]
    even, odd = head[0::2], head[1::2]
    zeros_even, zeros_odd = even.count(0) / max(len(even), 1), odd.count(0) / max(len(odd), 1)
    if zeros_odd > 0.7 and zeros_even < 0.05:
        return "utf-16-le"
    return "utf-16-be" if zeros_even > 0.7 and zeros_odd < 0.05 else None


def _without_mark(raw: bytes, file: str) -> Decoded:
    notes: list[str] = []
    padded = len(raw)
    raw = raw.rstrip(b"\0")
    if len(raw) < padded:
        notes.append(f"{padded - len(raw)} NUL bytes at the end were dropped")
    sample = raw[: 1 << 20]
    controls = len(sample) - len(sample.translate(None, _COUNTED))
    if controls > max(8, len(sample) // 20):
        line = sample[: sample.find(b"\0") if b"\0" in sample else 0].count(b"\n") + 1
        raise TableRefused("this is a binary file, not a table of text", file, line, _EXPORT)
    if controls:
        notes.append("control characters were read as blanks")
    try:
        return _clean(raw, "utf-8", notes)
    except UnicodeDecodeError:
        pass
    patched = raw.decode("utf-8", errors="replace")
    broken = patched.count("\ufffd")
    if sum(1 for c in patched[: 1 << 20] if c > "\x7f") > 2 * broken:
        notes.append(f"{broken} broken UTF-8 characters")
        return _clean(patched.encode(), "utf-8", notes)
    try:
        return _clean(raw.decode("cp1252").encode(), "cp1252", notes)
    except UnicodeDecodeError:
        return _clean(raw.decode("latin-1").encode(), "latin-1", notes)


def _clean(utf8: bytes, encoding: str, notes: Sequence[str] = ()) -> Decoded:
    """The text without control characters, which would be lost on everything behind."""
    text = utf8.translate(_BLANKED).decode().removeprefix("\ufeff")
    for blank in _ODD_BLANKS:
        text = text.replace(blank, " ")
    if text.isspace():
        raise TableRefused("the file is empty", cure="Check that the logger closed it")
    return Decoded(text, encoding, tuple(notes))
