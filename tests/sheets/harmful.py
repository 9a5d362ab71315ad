"""Workbooks made to do harm: a sound one in which some members were put in place of its own."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterable, Mapping

import xlsxwriter

_MAIN = b'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
SHEET, STRINGS, BOOK = "xl/worksheets/sheet1.xml", "xl/sharedStrings.xml", "xl/workbook.xml"
RELATIONS = "xl/worksheets/_rels/sheet1.xml.rels"


def workbook_with(members: Mapping[str, bytes | Iterable[bytes]]) -> bytes:
    """A workbook with a sheet "Log", ``members`` (name -> content, or its parts) in it."""
    sound, held = io.BytesIO(), io.BytesIO()
    book = xlsxwriter.Workbook(sound, {"in_memory": True})
    sheet = book.add_worksheet("Log")
    sheet.write_string(0, 0, "Date")
    book.close()
    with zipfile.ZipFile(sound) as old, zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as new:
        for name in dict.fromkeys((*members, *old.namelist())):
            content = members.get(name)
            parts = [old.read(name)] if content is None else content
            with new.open(name, "w", force_zip64=True) as member:
                for part in [parts] if isinstance(parts, bytes) else parts:
                    member.write(part)
    return held.getvalue()


def sheet_xml(cells: bytes) -> bytes:
    """A sheet whose rows are ``cells``."""
    return b"<worksheet " + _MAIN + b"><sheetData>" + cells + b"</sheetData></worksheet>"


def rows_of(number: int, cell: bytes) -> bytes:
    """So many rows of one cell; # in it stands for the row."""
    return b"".join(b'<row r="%d">' % row + cell.replace(b"#", b"%d" % row) + b"</row>"
                    for row in range(1, number + 1))


def long_string_often(letters: int, times: int) -> bytes:
    """A workbook of some kilobytes: one long text, and cells without number that show it."""
    text = b"<sst " + _MAIN + b"><si><t>" + b"a" * letters + b"</t></si></sst>"
    return workbook_with({
        STRINGS: text, SHEET: sheet_xml(rows_of(times, b'<c r="A#" t="s"><v>0</v></c>'))})
