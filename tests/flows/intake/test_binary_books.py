"""Old and binary workbooks: errors and uncalculated formulas are never blanks."""

from __future__ import annotations

import io
import struct
import zipfile
from pathlib import Path

import msoffcrypto.format.ooxml
import pytest
import xlwt

from flows.intake.binary_books import NOT_CALCULATED, compound_stream
from flows.intake.reading import Limits, comments_of, read_workbook
from shared.problems import FileTooLarge, ProtectedFile, UnreadableFile
from tests.flows.intake.paper import xlsx

MADE = Path(__file__).parents[2] / "sheets" / "made"


def _old(*cells: tuple[int, int, object]) -> bytes:
    made = xlwt.Workbook()
    sheet = made.add_sheet("Log")
    for row, column, value in cells:
        sheet.write(row, column, value)
    held = io.BytesIO()
    made.save(held)
    return held.getvalue()


def test_a_formula_never_calculated_in_an_old_workbook_is_no_blank() -> None:
    content = _old((0, 0, "Hours"), (1, 0, xlwt.Formula("B2+1")), (1, 1, 5.0))
    assert read_workbook(content, "x.xls").sheets[0].rows == [["Hours", None], [NOT_CALCULATED, 5]]


@pytest.mark.parametrize(
    ("code", "text"), [(0x07, "#DIV/0!"), (0x2A, "#N/A"), (0x17, "#REF!"), (0x0F, "#VALUE!")]
)
def test_an_error_in_an_old_workbook_is_no_blank(code: int, text: str) -> None:
    # A cell of yes or no is rewritten as a cell of an error: only code and mark differ.
    content = _old((0, 0, "Glass eels"), (1, 0, True), (2, 0, 7.0))
    place = content.index(struct.pack("<HHHH", 0x205, 8, 1, 0))
    changed = bytearray(content)
    changed[place + 10 : place + 12] = bytes((code, 1))
    rows = read_workbook(bytes(changed), "x.xls").sheets[0].rows
    assert [row[0] for row in rows] == ["Glass eels", text, 7.0]


def test_an_old_workbook_spread_too_wide_is_refused_before_memory_is_taken() -> None:
    with pytest.raises(FileTooLarge, match="spans"):
        read_workbook(_old((0, 0, "Date"), (65_535, 255, 1.0)), "x.xls", Limits(cells=1_000_000))


def test_a_broken_chain_of_sectors_is_a_problem_not_a_loop() -> None:
    content = bytearray(_old((0, 0, "Date")))
    table = struct.unpack_from("<I", content, 76)[0]
    start = (table + 1) * 512
    content[start : start + 512] = struct.pack("<128I", *([1] * 128))
    with pytest.raises(UnreadableFile):
        compound_stream(bytes(content), ("Workbook",), "x.xls")


def _binary() -> Path:
    return next(MADE.glob("*-plain-xlsb.xlsb"), next(MADE.glob("*.xlsb")))


def _with_sheet(change: tuple[bytes, bytes]) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(_binary()) as old, zipfile.ZipFile(held, "w") as new:
        for entry in old.infolist():
            data = old.read(entry)
            if entry.filename == "xl/worksheets/sheet1.bin":
                assert change[0] in data
                data = data.replace(*change, 1)
            new.writestr(entry.filename, data)
    return held.getvalue()


def _a_number() -> tuple[bytes, int, int]:
    """A cell record of a number in the second row or below, with its row and column."""
    with zipfile.ZipFile(_binary()) as book:
        data = book.read("xl/worksheets/sheet1.bin")
    from flows.intake.binary_books import _binary_records

    row, within = 0, False
    for kind, place, length in _binary_records(data):
        within = kind == 145 or (within and kind != 146)
        if within and kind == 0:
            row = int.from_bytes(data[place : place + 4], "little")
        if within and kind == 5 and row > 0:
            return (
                data[place - 2 : place + length],
                row,
                int.from_bytes(data[place : place + 4], "little"),
            )
    raise AssertionError("the binary workbook holds no number")


def test_an_error_in_a_binary_workbook_is_no_blank() -> None:
    record, row, column = _a_number()
    error = bytes((3, 9)) + record[2:10] + bytes((0x2A,))
    workbook = read_workbook(_with_sheet((record, error)), "x.xlsb")
    assert workbook.format == "xlsb"
    assert workbook.sheets[0].rows[row][column] == "#N/A"


def test_cells_that_the_reader_would_leave_out_refuse_the_binary_workbook() -> None:
    record, _, _ = _a_number()
    short = bytes((16, 12)) + record[6:18]
    with pytest.raises(UnreadableFile, match="cannot be read whole"):
        read_workbook(_with_sheet((record, short)), "x.xlsb")


def test_a_workbook_that_was_encrypted_asks_for_its_password() -> None:
    held = io.BytesIO()
    plain = msoffcrypto.format.ooxml.OOXMLFile(io.BytesIO(xlsx({"A1": "Date"})))
    plain.encrypt("lantern", held)
    with pytest.raises(ProtectedFile, match="password"):
        read_workbook(held.getvalue(), "x.xlsx")


@pytest.mark.parametrize("name", ["locked.xls", "locked.ods"])
def test_an_old_or_open_workbook_that_was_encrypted_asks_for_its_password(name: str) -> None:
    content = (MADE.parent / "kept" / name).read_bytes()
    with pytest.raises(ProtectedFile, match="password"):
        read_workbook(content, name)


@pytest.mark.parametrize("name", ["notes.xls", "notes.ods"])
def test_notes_attached_to_cells_are_kept(name: str) -> None:
    content = (MADE.parent / "kept" / name).read_bytes()
    (sheet,) = read_workbook(content, name).sheets
    notes = comments_of(sheet)
    assert notes[2, 2] == "Eimer – umgekippt ☂ 2×"
    assert notes[4, 2] == "otter\nin the net"
    assert notes[5, 1] == "z" * 9000  # longer than one record of an old workbook
    assert len(notes) == 3


def _record(kind: int, body: bytes) -> bytes:
    head = bytes((kind & 0x7F | 0x80, kind >> 7)) if kind > 0x7F else bytes((kind,))
    assert len(body) < 128
    return head + bytes((len(body),)) + body


def test_notes_of_a_binary_workbook_are_kept() -> None:
    # No writer at hand makes them: the records of [MS-XLSB] 2.1.7.10, put together here.
    at = struct.pack("<5I", 0, 3, 3, 1, 1) + bytes(16)
    text = "seal near".encode("utf-16-le")
    said = bytes((0,)) + struct.pack("<I", len(text) // 2) + text
    comments = _record(628, b"") + _record(635, at) + _record(637, said) + _record(636, b"")
    relations = (
        b'<Relationships><Relationship Id="r1" Target="../comments1.bin" '
        b'Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/comments"/>'
        b"</Relationships>"
    )
    source = next(iter(sorted(MADE.glob("*plain*.xlsb")) or sorted(MADE.glob("*.xlsb"))))
    held = io.BytesIO()
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(held, "w") as new:
        member = sorted(n for n in old.namelist() if n.startswith("xl/worksheets/sheet"))[0]
        for entry in old.infolist():
            new.writestr(entry.filename, old.read(entry))
        leaf = member.rpartition("/")[2]
        new.writestr(f"xl/worksheets/_rels/{leaf}.rels", relations)
        new.writestr("xl/comments1.bin", comments)
    sheets = read_workbook(held.getvalue(), "x.xlsb").sheets
    assert comments_of(sheets[0]) == {(3, 1): "seal near"}
