"""Spreadsheets (.xlsx, .ods) as rows and as text, read in a process of its own with limits of memory and time.

A file of some kilobytes can be made to unroll to more than a computer has. It is looked over beforehand
(`sheet_size`), and what that does not foresee ends with the child and a sentence, not with the owner's memory.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import IO, Any

from rig.errors import RigError, TableRefused
from rig.importing.tabular.sheet_reader import MEMORY, WHOLE
from rig.importing.tabular.sheet_size import MOST_CELLS, MOST_UNPACKED_BYTES

_MOST_CHARS = 1 << 28
_MOST_WHOLE = 1e15
_LONGEST_LAST_LINE = 4096
_READER = "rig.importing.tabular.sheet_reader"


@dataclass(frozen=True)
class Limits:
    """How much a spreadsheet may take: memory [MiB], processor time and waiting [s], cells, unpacked bytes [MiB]."""

    memory_mib: int = 768
    cpu_s: int = 60
    wait_s: float = 240.0
    cells: int = MOST_CELLS
    unpacked_mib: int = MOST_UNPACKED_BYTES >> 20


TABLE = Limits()


def is_archive(raw: bytes) -> bool:
    """True for what begins like a zip archive, as both kinds of spreadsheet do."""
    return raw.startswith(b"PK\x03\x04")


def sheets_of(raw: bytes, file: str, limits: Limits = TABLE) -> Mapping[str, str]:
    """The text of each sheet that holds anything, by its name: lines of cells between tabs, dates by ISO 8601.

    Raises
    ------
    TableRefused
        As `rows_of`; or its text is more than any logger writes.
    """
    lines: dict[str, list[str]] = {}
    chars = 0
    for sheet, row in rows_of(raw, file, limits):
        line = "\t".join(map(_cell, row))
        chars += len(line) + 1
        if chars > _MOST_CHARS:  # one long text may stand in every cell and take room only once
            raise TableRefused(
                f"it holds more than {_MOST_CHARS >> 20} MiB of text", file, cure="Save the sheet as CSV"
            )
        lines.setdefault(sheet, []).append(line)
    texts = {name: _square(found) for name, found in lines.items()}
    return {name: text for name, text in texts.items() if text.strip()}


def rows_of(raw: bytes, file: str, limits: Limits = TABLE) -> Iterator[tuple[str, list[Any]]]:
    """Each row of each sheet with its sheet's name, once all of it was read; empty cells are None, dates text.

    Raises
    ------
    TableRefused
        The archive is no spreadsheet, is damaged, or takes more than it may.
    """
    with tempfile.TemporaryFile() as out:
        _read(raw, file, limits, out)
        out.seek(0)
        for line in out:
            told = json.loads(line)
            if isinstance(told, list):
                yield str(told[0]), told[1]


def _read(raw: bytes, file: str, limits: Limits, out: IO[bytes]) -> None:
    """Have the child read it.

    Raises
    ------
    TableRefused
        It did not come to its end.
    """
    most = (limits.memory_mib, limits.cpu_s, limits.cells, limits.unpacked_mib)
    told = [sys.executable, "-m", _READER, *map(str, most)]
    try:
        done = subprocess.run(
            told, input=raw, stdout=out, stderr=subprocess.DEVNULL, timeout=limits.wait_s, check=False
        )
    except subprocess.TimeoutExpired as e:
        raise _too_much(f"longer than {limits.wait_s:.0f} s", file) from e
    except OSError as e:
        raise RigError(f"{file}: no spreadsheet can be read now: {e.strerror}. Save it as CSV") from e
    last = _last_line(out)
    if last == WHOLE:
        return
    if isinstance(last, dict) and "refused" in last:
        raise TableRefused(str(last["refused"]), file, cure=last["cure"])
    if isinstance(last, dict) and "damaged" in last:
        raise TableRefused(
            f"the spreadsheet is damaged ({last['damaged']})", file, cure="Save it again, or as CSV"
        )
    if sys.platform != "win32" and done.returncode == -signal.SIGXCPU:
        raise _too_much(f"longer than {limits.cpu_s} s", file)
    if last == MEMORY or done.returncode:
        raise _too_much(f"more than {limits.memory_mib} MiB of memory", file)
    raise RigError(f"{file}: the spreadsheet cannot be read now: is the disk full? Free some space")


def _too_much(what: str, file: str) -> TableRefused:
    return TableRefused(f"the spreadsheet takes {what} to read", file, cure="Save the sheet as CSV")


def _last_line(out: IO[bytes]) -> Any:
    """The last line that the child wrote; None where it did not get that far."""
    end = out.seek(0, 2)
    out.seek(max(end - _LONGEST_LAST_LINE, 0))
    tail = out.read()
    if not tail.endswith(b"\n"):
        return None
    try:
        return json.loads(tail[:-1].rpartition(b"\n")[2])
    except ValueError:
        return None


def _square(lines: list[str]) -> str:
    """Lines of as many cells each, as a sheet has them."""
    widest = max(line.count("\t") for line in lines)
    return "".join(f"{line}{(widest - line.count(chr(9))) * chr(9)}\n" for line in lines)


def _cell(value: Any) -> str:
    if value is None or value != value:
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < _MOST_WHOLE:
        return str(int(value))
    return " ".join(str(value).split())
