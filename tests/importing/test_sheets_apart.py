"""Spreadsheets are read in a process of their own: what it may take, what it says, and what its cells come to."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from rig.errors import RigError, TableRefused
from rig.importing.loose import loose_files
from rig.importing.tabular import sheet_reader
from rig.importing.tabular.workbook import TABLE, Limits, rows_of, sheets_of
from tests.importing.test_hostile_tables import SHEET, _cell, _row, ods, xlsx

ROOT = Path(__file__).parents[2]


def _strings(mib: int) -> bytes:
    """A workbook whose texts take so much once they are read; it looks harmless beforehand."""
    one = "<si><t>" + "x" * 1000 + "</t></si>"
    texts = (
        f"<sst xmlns='http://schemas.openxmlformats.org/spreadsheetml/2006/main'>{one * (mib << 10)}</sst>"
    )
    return xlsx(
        SHEET.format('<row r="1"><c r="A1" t="s"><v>0</v></c></row>'), **{"xl/sharedStrings.xml": texts}
    )


def _many(rows: int) -> bytes:
    return xlsx(
        SHEET.format("".join(f'<row r="{n}"><c r="A{n}"><v>{n}</v></c></row>' for n in range(1, rows + 1)))
    )


@pytest.mark.skipif(sys.platform != "linux", reason="needs RLIMIT_AS")
def test_what_takes_more_memory_than_it_may_ends_with_a_sentence() -> None:
    raw = _strings(80)
    with pytest.raises(
        TableRefused, match=r"big\.xlsx: the spreadsheet takes more than 96 MiB of memory to read"
    ):
        sheets_of(raw, "big.xlsx", Limits(memory_mib=96))
    assert list(sheets_of(raw, "big.xlsx")) == ["Sheet"]


@pytest.mark.skipif(sys.platform == "win32", reason="needs RLIMIT_CPU")
def test_what_takes_longer_than_it_may_ends_with_a_sentence() -> None:
    raw = _many(150_000)
    with pytest.raises(TableRefused, match=r"slow\.xlsx: the spreadsheet takes longer than 1 s to read"):
        sheets_of(raw, "slow.xlsx", Limits(cpu_s=1))
    with pytest.raises(TableRefused, match=r"slow\.xlsx: the spreadsheet takes longer than 0 s to read"):
        sheets_of(raw, "slow.xlsx", Limits(wait_s=0.01))


def test_where_the_system_knows_no_limits_it_is_read_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "resource", None)
    sheet_reader.limit(1, 1)
    taken = []
    sheet_reader.read(
        _many(3), lambda sheet, row: taken.append((sheet, row)), TABLE.cells, TABLE.unpacked_mib << 20
    )
    assert taken == [("Sheet", [n]) for n in (1, 2, 3)]


def test_the_reader_loads_neither_pandas_nor_numpy() -> None:
    told = "import sys, rig.importing.tabular.sheet_reader; print({'pandas', 'numpy', 'openpyxl'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", told], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"


def test_the_cells_of_an_ods_are_their_values_not_what_they_show() -> None:
    def of(kind: str, said: str, text: str, more: str = "") -> str:
        return (
            f'<table:table-cell office:value-type="{kind}" {said}{more}><office:annotation><text:p>a comment</text:p>'
            f"</office:annotation><text:p>{text}</text:p></table:table-cell>"
        )

    blanks = '<table:table-cell table:number-columns-repeated="2"/>'
    rows = (
        _row(
            of("float", 'office:value="20.123456789"', "20.1"),
            of("percentage", 'office:value="0.335"', "34 %"),
            of("currency", 'office:value="3"', "3 €"),
            of("date", 'office:date-value="2031-04-06T15:00:01.5"', "6 April"),
            of("time", 'office:time-value="PT26H03M01.25S"', "02:03"),
            of("boolean", 'office:boolean-value="true"', "yes"),
        )
        + _row("<table:table-cell/>", more=' table:number-rows-repeated="2"')
        + _row(
            of("string", "", 'two<text:s text:c="2"/>words<text:line-break/>below</text:p><text:p>and more'),
            blanks,
            _cell(7, ' table:number-columns-repeated="2"'),
            blanks,
            more=' table:number-rows-repeated="2"',
        )
    )
    first, empty, also, one, two = (row for _, row in rows_of(ods(rows), "t.ods"))
    assert first == [20.123456789, 0.335, 3.0, "2031-04-06 15:00:01.5", "26:03:01.25", True]
    assert (empty, also) == ([], [])
    assert one == two == ["two  words\nbelow\nand more", None, None, 7.0, 7.0]


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9, 0.99])
def test_half_an_ods_is_refused_in_words(share: float) -> None:
    whole = ods("".join(_row(_cell(n), _cell(20 - n)) for n in range(200)))
    with pytest.raises(TableRefused, match=r"half\.ods: .*damaged"):
        sheets_of(whole[: int(share * len(whole))], "half.ods")


def test_an_archive_whose_packed_bytes_are_damaged_is_refused_in_words(tmp_path: Path) -> None:
    file = tmp_path / "drawer.zip"
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("r1.csv", "time_s,probe_c\n" + "".join(f"{k},{20 - k / 4}\n" for k in range(200)))
    whole = file.read_bytes()
    start = whole.index(b"r1.csv") + len(b"r1.csv")
    refused = 0
    for at in range(start, start + 100):
        file.write_bytes(whole[:at] + bytes([whole[at] ^ 0xFF]) + whole[at + 1 :])
        try:
            loose_files(file)
        except RigError as error:
            refused += "cannot be unpacked" in str(error)
    assert refused == 100
