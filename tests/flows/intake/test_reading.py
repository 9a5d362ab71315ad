"""Files of every kind, sound and unsound, read into sheets of cells."""

from __future__ import annotations

import datetime as dt
import io
import zipfile

import openpyxl
import pytest
import xlsxwriter
import xlwt
from hypothesis import given, settings
from hypothesis import strategies as st
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P

from flows.intake.reading import Limits, cell_text, read_workbook
from shared.problems import (
    EmptyFile,
    FileTooLarge,
    NotASheet,
    Problem,
    ProtectedFile,
    UnreadableFile,
)
from tests.flows.intake.paper import xlsx


def test_addresses_are_true_where_a_sheet_begins_low_and_right() -> None:
    workbook = read_workbook(xlsx({"C4": "Date", "D6": 7}), "any")
    rows = workbook.sheets[0].rows
    assert workbook.format == "xlsx"
    assert rows[3][2] == "Date"
    assert rows[5][3] == 7.0
    assert rows[0] == [None, None, None, None]


@pytest.mark.parametrize("since_1904", [False, True])
def test_dates_are_right_in_both_date_systems_of_xlsx(since_1904: bool) -> None:
    content = xlsx(
        {
            "A1": dt.date(2026, 3, 14),
            "B1": dt.datetime(2026, 3, 14, 7, 30),
            "C1": dt.time(7, 30),
            "D1": dt.timedelta(hours=30),
        },
        default_date_format="yyyy-mm-dd",
        date_1904=since_1904,
    )
    row = read_workbook(content, "x").sheets[0].rows[0]
    assert row == [
        dt.date(2026, 3, 14),
        dt.datetime(2026, 3, 14, 7, 30),
        dt.time(7, 30),
        dt.timedelta(hours=30),
    ]


@pytest.mark.parametrize("since_1904", [False, True])
def test_dates_are_right_in_both_date_systems_of_xls(since_1904: bool) -> None:
    made = xlwt.Workbook()
    made.dates_1904 = since_1904
    sheet = made.add_sheet("S")
    sheet.write(1, 1, dt.datetime(2026, 3, 14), xlwt.easyxf(num_format_str="yyyy-mm-dd"))
    held = io.BytesIO()
    made.save(held)
    workbook = read_workbook(held.getvalue(), "x.xls")
    assert workbook.format == "xls"
    assert workbook.sheets[0].rows[1][1] == dt.date(2026, 3, 14)


def test_merged_ranges_and_hidden_tabs_are_kept() -> None:
    held = io.BytesIO()
    made = xlsxwriter.Workbook(held)
    made.add_worksheet("Front").merge_range("B2:D3", "Water")
    hidden = made.add_worksheet("Lists")
    hidden.write("A1", "ebb")
    hidden.hide()
    made.close()
    front, lists = read_workbook(held.getvalue(), "x").sheets
    assert front.merged == [(1, 1, 2, 3)]
    assert (front.hidden, lists.hidden) == (False, True)


def test_an_error_and_a_formula_never_calculated_are_not_blank() -> None:
    made = openpyxl.Workbook()
    sheet = made.active
    assert sheet is not None
    sheet["A1"] = "Hours"
    sheet["A2"] = "=B2-C2"
    sheet["A3"] = "#DIV/0!"
    held = io.BytesIO()
    made.save(held)
    rows = read_workbook(held.getvalue(), "x").sheets[0].rows
    assert [row[0] for row in rows] == ["Hours", "=B2-C2", "#DIV/0!"]


def test_errors_merged_cells_and_long_durations_of_an_opendocument_sheet() -> None:
    made = OpenDocumentSpreadsheet()
    table = Table(name="S")
    row = TableRow()
    for text, marks in (
        ("Date", {"valuetype": "string", "numberrowsspanned": 2}),
        ("#DIV/0!", {"valuetype": "string", "stringvalue": "", "formula": "of:=1/0"}),
        ("26:30", {"valuetype": "time", "timevalue": "PT26H30M00S"}),
    ):
        cell = TableCell(**marks)
        cell.addElement(P(text=text))
        row.addElement(cell)
    table.addElement(row)
    made.spreadsheet.addElement(table)
    held = io.BytesIO()
    made.save(held)
    workbook = read_workbook(held.getvalue(), "x.ods")
    assert workbook.format == "ods"
    assert workbook.sheets[0].rows == [["Date", "#DIV/0!", dt.timedelta(hours=26, minutes=30)]]
    assert workbook.sheets[0].merged == [(0, 0, 1, 0)]


def test_notes_attached_to_cells_are_kept() -> None:
    held = io.BytesIO()
    made = xlsxwriter.Workbook(held)
    sheet = made.add_worksheet("Log")
    sheet.write("B3", 4)
    sheet.write_comment("B3", "seal near the net")
    made.close()
    (read,) = read_workbook(held.getvalue(), "x").sheets
    assert getattr(read, "comments", None) == {(2, 1): "seal near the net"}


@pytest.mark.parametrize(
    ("encoding", "named"),
    [
        ("utf-8", "utf-8"),
        ("utf-8-sig", "utf-8-sig"),
        ("utf-16", "utf-16"),
        ("utf-16-le", "utf-16-le"),
        ("cp1252", "cp1252"),
        ("mac_roman", "mac_roman"),
    ],
)
def test_encodings_of_text(encoding: str, named: str) -> None:
    text = "Date,Temp (°C),Recorder\n2026-03-14,5.2,Zoé\n2026-03-15,5.4,Zoé\u2019s aunt\n"
    workbook = read_workbook(text.encode(encoding), "log.csv")
    assert workbook.encoding == named
    assert workbook.sheets[0].rows[0][1] == "Temp (°C)"
    assert workbook.sheets[0].rows[2][2] == "Zoé\u2019s aunt"


@pytest.mark.parametrize(
    ("text", "separator", "decimal"),
    [
        ("Date;Temp;Eels\n14.03.2026;5,2;12\n15.03.2026;5,4;9\n", "semicolon", "decimal comma"),
        ("Date;A;B\n14.03.2026;5,2;7,1\n15.03.2026;5,4;7,2\n", "semicolon", "decimal comma"),
        ("Date,Temp,Eels\n3/14/26,5.2,12\n", "comma", "decimal point"),
        ("Date\tTemp\tEels\n3/14/26\t5.2\t12\n", "tab", "decimal point"),
        ("Date;Temp\n14/03/2026;5.2\n15/03/2026;5.4\n", "semicolon", "decimal point"),
        (
            "Notes; and such\nDate,Temp,Eels\n3/14/26,5.2,1\n3/15/26,5.3,2\n",
            "comma",
            "decimal point",
        ),
    ],
)
def test_separators_and_decimal_marks(text: str, separator: str, decimal: str) -> None:
    assert read_workbook(text.encode(), "log").dialect == f"{separator}, {decimal}"


def test_a_quoted_line_break_is_one_cell_and_blanks_are_none() -> None:
    workbook = read_workbook(b'Date,Remarks,Eels\n2026-03-14,"windy\nand cold",\n', "x.csv")
    assert workbook.sheets[0].rows[1] == ["2026-03-14", "windy\nand cold", None]


def test_a_quotation_mark_never_closed_loses_no_rows() -> None:
    lines = "".join(f"2026-03-{day:02d},{day},{'rain ' * 60}\n" for day in range(1, 29))
    workbook = read_workbook(f'Date,Eels,Remarks\n2026-02-28,3,"odd\n{lines}'.encode(), "x.csv")
    assert len(workbook.sheets[0].rows) == 30


@pytest.mark.parametrize(
    "content",
    [
        b"%PDF-1.7 x",
        b"\xff\xd8\xff\xe0 photo",
        b"\x89PNG\r\n\x1a\n",
        b"<!DOCTYPE html><table>",
        b"\x00\x00\x00\x18ftypheic",
        bytes(range(256)) * 20,
    ],
)
def test_other_kinds_of_file_are_refused_whatever_their_name(content: bytes) -> None:
    with pytest.raises(NotASheet) as caught:
        read_workbook(content, "count.xlsx")
    assert caught.value.remedy


def test_a_text_document_and_an_archive_are_told_apart_from_a_workbook() -> None:
    photo = b"\xff\xd8\xff\xe0 photo"
    for member, data, word in (
        ("word/document.xml", b"x", "text document"),
        ("a/photo.jpg", photo, "no spreadsheet in it"),
    ):
        held = io.BytesIO()
        with zipfile.ZipFile(held, "w") as archive:
            archive.writestr(member, data)
        with pytest.raises(NotASheet, match=word):
            read_workbook(held.getvalue(), "x.xlsx")


def test_a_workbook_with_a_password_says_so() -> None:
    content = (
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
        + b"\x00" * 600
        + ("EncryptedPackage".encode("utf-16-le"))
        + b"\x00" * 600
    )
    with pytest.raises(ProtectedFile, match="password"):
        read_workbook(content, "x.xlsx")


@pytest.mark.parametrize("content", [b"", b"  \r\n\t\n", xlsx({})])
def test_nothing_in_the_file(content: bytes) -> None:
    with pytest.raises(EmptyFile):
        read_workbook(content, "x.xlsx")


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        (Limits(bytes=100), "MB; at most"),
        (Limits(cells=3), "cells; at most"),
        (Limits(decompressed=100), "unpack"),
        (Limits(sheets=0), "tabs; at most"),
    ],
)
def test_each_limit_has_a_sentence_of_its_own(limits: Limits, words: str) -> None:
    with pytest.raises(FileTooLarge, match=words):
        read_workbook(xlsx({"A1": 1, "B2": 2, "C3": 3}), "x.xlsx", limits)


def test_a_lone_cell_far_away_is_refused_before_memory_is_taken() -> None:
    with pytest.raises(FileTooLarge, match="spans"):
        read_workbook(xlsx({"A1": "Date", "XFD1048576": 1}), "x.xlsx")


def test_formatting_far_below_the_table_is_no_reason_to_refuse() -> None:
    held = io.BytesIO()
    made = xlsxwriter.Workbook(held)
    sheet = made.add_worksheet()
    sheet.write("A1", "Date")
    sheet.write_blank("XFD1048576", None, made.add_format({"bold": True}))
    made.close()
    assert read_workbook(held.getvalue(), "x").sheets[0].rows == [["Date"]]


@settings(max_examples=60)
@given(st.integers(0, 4000), st.binary(max_size=40))
def test_a_damaged_workbook_gives_a_problem_or_a_workbook(place: int, noise: bytes) -> None:
    sound = _SOUND
    place = place % len(sound)
    try:
        read_workbook(sound[:place] + noise + sound[place + len(noise) :], "x.xlsx")
    except Problem as problem:
        assert problem.what and problem.remedy


_SOUND = xlsx({"A1": "Date", "B1": "Eels", "A2": dt.date(2026, 3, 14), "B2": 3})


@settings(max_examples=60)
@given(st.binary(max_size=300))
def test_any_bytes_give_a_problem_or_a_workbook(content: bytes) -> None:
    try:
        read_workbook(content, "x")
    except Problem as problem:
        assert problem.what and problem.remedy


def test_a_file_cut_short_is_unreadable_with_a_remedy() -> None:
    with pytest.raises(UnreadableFile, match="cut short"):
        read_workbook(_SOUND[: len(_SOUND) // 2], "x.xlsx")


@pytest.mark.parametrize(
    ("cell", "text"),
    [
        (158.0, "158"),
        (5.25, "5.25"),
        (dt.date(2026, 3, 4), "2026-03-04"),
        (True, "TRUE"),
        (dt.datetime(2026, 3, 4, 7, 30), "2026-03-04 07:30"),
        (dt.time(7, 5), "07:05"),
        (dt.timedelta(hours=26, minutes=15), "26:15"),
        (None, ""),
        ("~200", "~200"),
        (0.1 + 0.2, "0.3"),
    ],
)
def test_the_text_of_a_cell_is_what_the_lead_sees(cell: object, text: str) -> None:
    assert cell_text(cell) == text  # type: ignore[arg-type]
