"""Small workbooks that would take all memory or all day: gone through in seconds, or refused."""

from __future__ import annotations

import sys
import zipfile
from collections.abc import Callable

import pytest

from flows.intake.containers import kind_of
from flows.intake.reading import read_workbook
from flows.intake.reading_room import Bounds, ReaderStopped, ReadingRoom
from shared.problems import FileTooLarge
from shared.settings import lone_site
from tests.sheets.harmful import BOOK, RELATIONS, SHEET, rows_of, sheet_xml, workbook_with

MANY = 200_000
"""Quadratic work over so many takes minutes, linear work a second."""

_ODS_HEAD = b'<office:document-content><table:table table:name="a"><table:table-row>'


def _ods(content: bytes) -> bytes:
    import io

    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        book.writestr("content.xml", content)
    return held.getvalue()


_BEGINNINGS: dict[str, Callable[[], bytes]] = {
    "relations": lambda: workbook_with({RELATIONS: b"<Relationship " * MANY}),
    "a relation's words": lambda: workbook_with(
        {RELATIONS: b"<Relationship " + b"a" * 4 * MANY + b">"}),
    "sheets": lambda: workbook_with({BOOK: b"<sheet " * MANY}),
    "error cells": lambda: workbook_with(
        {SHEET: sheet_xml(rows_of(MANY, b'<c r="A#" t="e">'))}),
    "an error cell's marks": lambda: workbook_with(
        {SHEET: sheet_xml(b"<c " + b't="e" ' * MANY)}),
    "formulas": lambda: workbook_with(
        {SHEET: sheet_xml(b'<row r="1"><c r="A1"><f>1</f>' + b" " * 4 * MANY + b"</row>")}),
    "rows": lambda: workbook_with({SHEET: sheet_xml(b"row " * MANY)}),
    "a far cell's addresses": lambda: workbook_with(
        {SHEET: sheet_xml(b'<row r="1048576"><c ' + b'r="XFD1" ' * MANY + b"/></row>")}),
    "notes of a cell": lambda: _ods(
        _ODS_HEAD + b'<table:table-cell office:value-type="string">'
        + b"<office:annotation>" * MANY),
    "texts of a cell": lambda: _ods(
        _ODS_HEAD + b'<table:table-cell office:value-type="error">' + b"<text:p>" * MANY),
    "tags of a cell": lambda: _ods(
        _ODS_HEAD + b'<table:table-cell office:value-type="error"><text:p>' + b"<" * MANY
        + b"</text:p>"),
}


@pytest.mark.skipif(sys.platform == "win32", reason="the system bounds no processor time")
@pytest.mark.parametrize("what", _BEGINNINGS)
def test_beginnings_without_an_end_take_as_long_as_they_are(what: str) -> None:
    network = lone_site()
    room = ReadingRoom(Bounds(processor=10, clock=600.0), at_once=1)
    try:
        room.take_in(_BEGINNINGS[what](), "counts.xlsx", network.sites["site"], network, "ab" * 32)
    except ReaderStopped as stopped:
        pytest.fail(f"{what}: {stopped.what}")


@pytest.mark.parametrize("member", ["mimetype", "META-INF/manifest.xml"])
def test_what_tells_the_kind_is_not_unpacked_whole(member: str) -> None:
    """A workbook of a megabyte, of which the first look alone would have taken 700 MB."""
    import tracemalloc

    bomb = workbook_with({member: (b"\0" * 1_000_000 for _ in range(700))})
    tracemalloc.start()
    try:
        assert kind_of(bomb, "counts.xlsx") == "xlsx"
        assert tracemalloc.get_traced_memory()[1] < 50_000_000
    finally:
        tracemalloc.stop()
    with pytest.raises(FileTooLarge, match="unpack"):
        read_workbook(bomb, "counts.xlsx")
