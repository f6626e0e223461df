"""A small file never takes the machine: it is refused in words, in a child that has little memory to give."""

from __future__ import annotations

import io
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from rig.errors import RigError
from rig.importing.book_file import open_book
from rig.importing.tables import read_table, table_from_bytes
from rig.importing.tabular import limits

ROOT = Path(__file__).parents[2]
MEMORY_BYTES = 700 << 20
READ = f"""
import resource, sys
import pandas, rig.importing.tables  # what is loaded is not what a file takes
used = int(open('/proc/self/statm').read().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (used + {MEMORY_BYTES}, resource.RLIM_INFINITY))
from pathlib import Path
from rig.errors import RigError
from rig.importing.book_file import open_book
from rig.importing.tables import read_table
for reader in (open_book, read_table):
    try:
        reader(Path(sys.argv[1]))
    except RigError as error:
        print(error)
"""


def xlsx(sheet: str, **parts: str) -> bytes:
    """A workbook with this XML for its sheet."""
    made = io.BytesIO()
    from openpyxl import Workbook

    book = Workbook()
    book.active.append(["time_s", "probe_c"])
    book.save(made)
    out = io.BytesIO()
    with zipfile.ZipFile(made) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = sheet.encode() if name == "xl/worksheets/sheet1.xml" else old.read(name)
            if name == "[Content_Types].xml" and STRINGS in parts:
                content = content.replace(b"</Types>", STRINGS_TYPE + b"</Types>")
            _write(new, name, content)
        for name, part in parts.items():
            _write(new, name, part.encode())
    return out.getvalue()


def _write(archive: zipfile.ZipFile, name: str, content: bytes) -> None:
    """Write a part; where it says MUCH there are 200 MiB of blanks, which are never in memory at once."""
    before, much, after = content.partition(MUCH.encode())
    with archive.open(name, "w") as part:
        part.write(before)
        for _ in range(200 if much else 0):
            part.write(b" " * (1 << 20))
        part.write(after)


MUCH = "<!--much-->"


STRINGS = "xl/sharedStrings.xml"
STRINGS_TYPE = (
    b'<Override PartName="/xl/sharedStrings.xml" '
    b'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"/>'
)


def ods(rows: str, mime: str = "application/vnd.oasis.opendocument.spreadsheet") -> bytes:
    """A spreadsheet with these rows in its one table."""
    spaces = " ".join(
        f'xmlns:{n}="urn:oasis:names:tc:opendocument:xmlns:{v}:1.0"'
        for n, v in (("office", "office"), ("table", "table"), ("text", "text"))
    )
    manifest = (
        '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
        f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{mime}"/>'
        '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/></manifest:manifest>'
    )
    content = (
        f'<?xml version="1.0"?><office:document-content {spaces}><office:body><office:spreadsheet>'
        f'<table:table table:name="s">{rows}</table:table></office:spreadsheet></office:body></office:document-content>'
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", mime, zipfile.ZIP_STORED)
        archive.writestr("content.xml", content)
        archive.writestr("META-INF/manifest.xml", manifest)
    return out.getvalue()


SHEET = '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>{}</sheetData></worksheet>'
NUMBER = '<table:table-cell office:value-type="float" office:value="{v}"{more}><text:p>{v}</text:p></table:table-cell>'
FAR = '<row r="1"><c r="A1"><v>1</v></c></row><row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
WIDE_ROWS = "".join(f'<row r="{n}"><c r="XFD{n}"><v>1</v></c></row>' for n in range(1, 3000))


def _cell(value: float, more: str = "") -> str:
    return NUMBER.format(v=value, more=more)


def _row(*cells: str, more: str = "") -> str:
    return f"<table:table-row{more}>{''.join(cells)}</table:table-row>"


REPEATED_ROWS = _row(_cell(1), _cell(2), more=' table:number-rows-repeated="1000000000"')
REPEATED_COLUMNS = _row(_cell(1, ' table:number-columns-repeated="1000000000"'))
FAR_OUT = (
    _row(_cell(1))
    + _row("<table:table-cell/>", more=' table:number-rows-repeated="900000000"')
    + _row(_cell(2))
)
BLANKS = _row(
    '<table:table-cell office:value-type="string"><text:p><text:s text:c="2000000000"/>x</text:p></table:table-cell>'
)
HOSTILE = {
    "far.xlsx": lambda: xlsx(SHEET.format(FAR)),
    "wide.xlsx": lambda: xlsx(SHEET.format(WIDE_ROWS)),
    "deep.xlsx": lambda: xlsx(SHEET.format("<row>" * 200_000)),
    "zeros.xlsx": lambda: xlsx(SHEET.format(MUCH)),
    "strings.xlsx": lambda: xlsx(SHEET.format(FAR), **{"xl/sharedStrings.xml": f"<sst>{MUCH}"}),
    "rows.ods": lambda: ods(REPEATED_ROWS),
    "columns.ods": lambda: ods(REPEATED_COLUMNS),
    "far.ods": lambda: ods(FAR_OUT),
    "blanks.ods": lambda: ods(BLANKS),
    "less.ods": lambda: ods(_row(_cell(1), more=' table:number-rows-repeated="-5"')),
    "one-line.csv": lambda: b"1,2," * (25 << 20),
    "columns.csv": lambda: b"time_s" + b",c" * 1_000_000 + b"\n" + b"1" + b",2" * 1_000_000 + b"\n",
    "rows.csv": lambda: b"t,c\n" + b"1,2\n" * (limits.MOST_ROWS + 1),
    "cells.csv": lambda: (b"," * 199 + b"\n") * 210_000,
}


@pytest.mark.skipif(sys.platform != "linux", reason="needs RLIMIT_AS and /proc")
@pytest.mark.parametrize("name", HOSTILE)
def test_a_file_that_would_take_the_machine_is_refused_in_words_and_little_memory(
    tmp_path: Path, name: str
) -> None:
    file = tmp_path / name
    file.write_bytes(HOSTILE[name]())
    told = [sys.executable, "-c", READ, str(file)]
    done = subprocess.run(told, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    assert name in done.stdout and len(done.stdout) < 1000


@pytest.mark.skipif(sys.platform != "linux", reason="needs RLIMIT_AS and /proc")
def test_a_parquet_file_that_repeats_one_value_without_end_is_refused(tmp_path: Path) -> None:
    pa = pytest.importorskip("pyarrow")
    from pyarrow import parquet

    file = tmp_path / "t.parquet"
    parquet.write_table(pa.table({"run": pa.array([["x"] * 100_000]), "a": pa.array(["y"])}), file)
    with pytest.raises(RigError):
        read_table(file)


def _course(rows: int) -> str:
    return _row(
        *(
            '<table:table-cell office:value-type="string"><text:p>' + h + "</text:p></table:table-cell>"
            for h in ("time_s", "probe_c")
        )
    ) + "".join(_row(_cell(k), _cell(20 - 0.25 * k)) for k in range(rows))


def test_what_a_program_leaves_empty_at_the_end_does_not_count(tmp_path: Path) -> None:
    """Spreadsheet programs write a million empty rows after the last, and empty columns after the last."""
    rest = _row(
        '<table:table-cell table:number-columns-repeated="16384"/>',
        more=' table:number-rows-repeated="1048000"',
    )
    (tmp_path / "t.ods").write_bytes(ods(_course(60) + rest))
    assert read_table(tmp_path / "t.ods").channels[0].value.size == 60


def test_half_a_spreadsheet_is_damaged_and_not_a_shorter_one() -> None:
    whole = ods(_course(60))
    with zipfile.ZipFile(io.BytesIO(whole)) as archive:
        content = archive.read("content.xml")
    for share in (0.3, 0.5, 0.9, 0.999):
        out = io.BytesIO()
        with zipfile.ZipFile(io.BytesIO(whole)) as old, zipfile.ZipFile(out, "w") as new:
            for name in old.namelist():
                new.writestr(
                    name, content[: int(share * len(content))] if name == "content.xml" else old.read(name)
                )
        with pytest.raises(RigError, match="damaged"):
            table_from_bytes(out.getvalue(), "half.ods")


@pytest.mark.parametrize("kind", ["ods", "xlsx"])
def test_a_spreadsheet_with_any_byte_changed_is_read_or_refused_in_words(kind: str, tmp_path: Path) -> None:
    import random

    rows = "".join(
        f'<row r="{n}"><c r="A{n}"><v>{n}</v></c><c r="B{n}"><v>{20 - n / 4}</v></c></row>'
        for n in range(1, 60)
    )
    whole = ods(_course(60)) if kind == "ods" else xlsx(SHEET.format(rows))
    rng, file = random.Random(3), tmp_path / f"t.{kind}"
    for _ in range(150):
        content = bytearray(whole)
        for _ in range(rng.choice((1, 4, 30))):
            content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)
        file.write_bytes(content if rng.random() < 0.8 else content[: rng.randrange(len(content))])
        for reader in (open_book, read_table):
            try:
                reader(file)
            except RigError as error:
                assert file.name in str(error) or "empty" in str(error)
