"""A file made ready to be read: its text, where the table stands in it, and the shape of its header."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from rig.errors import TableRefused
from rig.importing.tabular import labelled_rows
from rig.importing.tabular.encoding import decode
from rig.importing.tabular.layout import Layout, find_layout
from rig.importing.tabular.likeness import NONE, Shape
from rig.importing.tabular.profile import TableProfile
from rig.importing.tabular.questions import Settles
from rig.importing.tabular.transposed import DELIMITER as LYING_DELIMITER
from rig.importing.tabular.transposed import stood_up
from rig.importing.tabular.turning_comma import refuse_turning_comma
from rig.importing.tabular.words import folded
from rig.importing.tabular.workbook import is_archive, sheets_of

_JSON = re.compile(r'\s*(\{\s*["}]|\[\s*[\[{"])')
_PAGE = re.compile(r"\s*<(!doctype\s+html|html|head|body|table|div|p\b)", re.IGNORECASE)
_XML = re.compile(r"\s*<(\?xml|!|[a-z][\w:.-]*[\s>/])", re.IGNORECASE)
_EXPORT = "Export the readings as CSV and read that file"


@dataclass(frozen=True, eq=False)
class Prepared:
    """A file's text and layout, before any cell is read."""

    file: str
    text: str
    encoding: str
    layout: Layout
    told: TableProfile
    notes: tuple[str, ...]

    @property
    def headers(self) -> tuple[str, ...]:
        """The header of each column, "" where it has none."""
        return self.layout.header or ("",) * self.layout.width

    @property
    def shape(self) -> str:
        """What files of one logger have in common: how they are cut and what their header says."""
        headers, units = (
            tuple(folded(" ".join(n.split())) for n in names)
            for names in (self.headers, self.layout.units or ())
        )
        dialect = self.layout.dialect
        return str(Shape(dialect.delimiter or NONE, dialect.decimal, headers, units))


def prepare(raw: bytes, file: str, told: TableProfile) -> Prepared:
    """Decode a file and find its table; `file` names it in messages.

    Raises
    ------
    TableRefused
        Where the bytes are no table, or several sheets hold one.
    """
    if is_archive(raw):
        text, sheet = _sheet(raw, file, told)
        told = replace(told, delimiter="\t", sheet=sheet)
        text, layout = _laid_out(text, file, told)
        return Prepared(file, text, f"sheet {sheet!r}", layout, told, layout.notes)
    decoded = decode(raw, file, told.encoding)
    _refuse_markup(decoded.text, file)
    refuse_turning_comma(decoded.text, file)
    text, layout = _laid_out(_double_quoted(decoded.text), file, told)
    return Prepared(file, text, decoded.encoding, layout, told, (*decoded.notes, *layout.notes))


def _sheet(raw: bytes, file: str, told: TableProfile) -> tuple[str, str]:
    """The text and name of the one sheet that holds a table."""
    sheets = sheets_of(raw, file)
    if told.sheet is not None:
        if told.sheet not in sheets:
            names = ", ".join(map(repr, sheets))
            raise TableRefused(f"there is no sheet {told.sheet!r}", file, cure=f"Sheets: {names}")
        return sheets[told.sheet], told.sheet
    tables = []
    for name, text in sheets.items():
        try:
            find_layout(text, file, delimiter="\t", decimal=told.decimal)
        except TableRefused:
            continue
        tables.append(name)
    if not tables:
        raise TableRefused(
            "no sheet holds rows of numbers", file, cure="Give a sheet with at least two readings"
        )
    if len(tables) > 1:
        names = ", ".join(map(repr, tables))
        raise TableRefused(
            f"more than one sheet holds a table: {names}",
            file,
            cure=Settles(f"Pass sheet={tables[0]!r}", "sheet", tuple(tables)),
        )
    return sheets[tables[0]], tables[0]


def _double_quoted(text: str) -> str:
    """The text with double quotes where every line stands in single ones."""
    head = [line for line in text[: 1 << 14].splitlines()[:50] if line.strip()]
    quoted = all(s[0] == s[-1] == "'" and s.count("'") % 2 == 0 and len(s) > 1 for s in map(str.strip, head))
    return text.replace("'", '"') if quoted and '"' not in text else text


def _refuse_markup(text: str, file: str) -> None:
    head = text[:2000]
    if _JSON.match(head):
        raise TableRefused("this is JSON, not a table", file, 1, _EXPORT)
    if _PAGE.match(head):
        raise TableRefused("this is a web page (HTML), not a table", file, 1, _EXPORT)
    if _XML.match(head):
        raise TableRefused("this is XML, not a table", file, 1, _EXPORT)


def _laid_out(text: str, file: str, told: TableProfile) -> tuple[str, Layout]:
    """The text as lines of readings, and where its table stands."""
    if told.delimiter in (None, labelled_rows.DELIMITER):
        if (named := labelled_rows.unlabelled(text)) is not None:
            layout = find_layout(named.text, file, delimiter=labelled_rows.DELIMITER, decimal=told.decimal)
            if layout.width == len(named.header):
                first = text.splitlines()[: layout.first_line - 1]
                note = "each line names its values; lines that name others were left out"
                return named.text, replace(
                    layout, header=named.header, preamble=tuple(filter(str.strip, first)), notes=(note,)
                )
        if (upright := stood_up(text)) is not None:
            layout = find_layout(upright, file, delimiter=LYING_DELIMITER, decimal=told.decimal)
            note = "the table lies on its side; its columns were read as rows, and lines count columns"
            return upright, replace(layout, notes=(*layout.notes, note))
    return text, find_layout(text, file, delimiter=told.delimiter, decimal=told.decimal)
