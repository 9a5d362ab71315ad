"""The workbook as a lead's own program reads it."""

from __future__ import annotations

import datetime as dt
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from flows.returns import workbook as workbook_module
from flows.returns.gathering import Answer, gather
from flows.returns.workbook import (
    ABOUT_SHEET,
    ANSWER_SHEET,
    DETAIL_SHEET,
    LAYOUT,
    MARK,
    NOT_NEEDED,
    summary_lines,
    value_rule,
    write_workbook,
)
from shared.fields import FIELDS
from shared.findings import Finding
from shared.flags import Effect
from shared.problems import Trouble
from shared.settings import Network, Site

Make = Callable[..., Finding]
Write = Callable[..., Path]

HOSTILE = ('=HYPERLINK("http://bad.example","54")', "+1+1", "-2+3", "@SUM(A1)",
           "<script>alert(1)</script>", "http://bad.example", "{=1+1}", "\x07bell", "")


@pytest.fixture
def write(
    tmp_path: Path, site: Site, network: Network, account: Mapping[str, int], as_of: dt.date
) -> Write:
    def do(findings: list[Finding], name: str = "a.xlsx", **changes: object) -> Path:
        path = tmp_path / name
        given: dict[str, object] = {
            "account": account, "troubles": [], "version": "2026.20", "as_of": as_of,
            "token": "token-1"}
        write_workbook(path, site, network, gather(findings),
                       **(given | changes))  # type: ignore[arg-type]
        return path

    return do


def answer_sheet(path: Path) -> tuple[Worksheet, int]:
    """The first sheet and the 1-based row of its first question."""
    sheet = openpyxl.load_workbook(path)[ANSWER_SHEET]
    head = next(cell.row for cell in sheet["A"] if cell.value == "No.")
    assert head is not None
    return sheet, head + 1


def validation_at(sheet: Worksheet, cell: str) -> DataValidation | None:
    return next((rule for rule in sheet.data_validations.dataValidation if cell in rule.sqref),
                None)


def test_one_line_a_question_and_every_cell_on_the_second_sheet(
    write: Write, finding: Make, fahrenheit_column: list[Finding]
) -> None:
    path = write([*fahrenheit_column, finding(4), finding(5, effect=Effect.HOLD)])
    sheet, first = answer_sheet(path)
    assert [sheet.cell(row, 1).value for row in range(first, sheet.max_row + 1)] == [1, 2, 3]
    detail = openpyxl.load_workbook(path)[DETAIL_SHEET]
    assert detail.max_row == 2 + 302
    assert {detail.cell(row, 1).value for row in range(3, detail.max_row + 1)} == {1, 2, 3}


def test_a_line_says_where_when_what_why_and_what_to_do(write: Write, finding: Make) -> None:
    sheet, row = answer_sheet(write([finding(12, suggestion="4.5 degC", effect=Effect.MASK)]))
    assert [sheet.cell(row, column).value for column in range(2, 7)] == [
        "Sheet 'Eels' of file sedge.xlsx, F12", "13 Mar 2026", "Water temperature: 5.4",
        "It stands alone among its neighbours.\nUntil you answer: loaded without this value.",
        "4.5 °C"]


def test_answer_cells_are_open_tinted_and_labelled_and_nothing_else_is(
    write: Write, finding: Make
) -> None:
    path = write([finding(12), finding(13, column="K")])
    sheet, first = answer_sheet(path)
    assert sheet.protection.sheet and not sheet.protection.password
    for line in sheet.iter_rows():
        for cell in line:
            is_answer = (cell.row or 0) >= first and 7 <= (cell.column or 0) <= 10
            assert cell.protection.locked is not is_answer, cell.coordinate
            if is_answer:
                assert cell.fill.fgColor.rgb == "FFFFF1C2"
    assert [sheet.cell(first - 1, column).value for column in range(7, 12)] == [
        "Your answer", "Your value", "Note", "Answered by", "Ref."]
    book = openpyxl.load_workbook(path)
    assert all(page.protection.sheet for page in book.worksheets)
    assert book[ABOUT_SHEET].sheet_state == "hidden"


def test_answers_come_from_a_closed_list(write: Write, finding: Make) -> None:
    sheet, row = answer_sheet(write([finding(12, suggestion="4.5", effect=Effect.HOLD)]))
    rule = validation_at(sheet, f"G{row}")
    assert rule is not None and rule.type == "list"
    assert rule.formula1 == '"' + ",".join(Answer) + '"'
    assert rule.showErrorMessage


def test_a_temperature_may_be_given_in_either_unit_but_within_nature(
    write: Write, finding: Make
) -> None:
    sheet, row = answer_sheet(write([finding(12)]))
    rule = validation_at(sheet, f"H{row}")
    assert rule is not None and rule.type == "decimal"
    # -2 degC (freezing sea water, dictionary) to 40 degC, which is 104 degF.
    assert (float(rule.formula1 or 0), float(rule.formula2 or 0)) == (-2.0, 104.0)
    assert "-2 to 40 °C or 28.4 to 104 °F" in (rule.prompt or "")


def test_one_value_for_cells_that_differ_is_neither_asked_nor_writable(
    write: Write, fahrenheit_column: list[Finding]
) -> None:
    sheet, row = answer_sheet(write(fahrenheit_column))
    assert sheet.cell(row, 8).value == NOT_NEEDED
    assert sheet.cell(row, 8).protection.locked
    assert validation_at(sheet, f"H{row}") is None


@pytest.mark.parametrize("field_id", sorted(FIELDS))
def test_every_field_of_the_dictionary_has_a_rule_that_a_program_accepts(
    write: Write, finding: Make, field_id: str, as_of: dt.date
) -> None:
    rule = value_rule(FIELDS[field_id], as_of)
    assert len(rule["input_message"]) <= 255 and len(rule["error_message"]) <= 255
    # Excel refuses longer lists, and XlsxWriter then leaves the validation out.
    assert len(",".join(rule.get("source", []))) <= 255
    sheet, row = answer_sheet(write([finding(12, field=field_id)]))
    assert validation_at(sheet, f"H{row}") is not None


def test_prints_landscape_one_page_wide_under_a_repeated_frozen_header(
    write: Write, finding: Make
) -> None:
    sheet, first = answer_sheet(write([finding(12)]))
    assert sheet.page_setup.orientation == "landscape"
    # The format leaves a width of 1 unsaid; a height of 0 means as many pages as it takes.
    setup = sheet.sheet_properties.pageSetUpPr
    assert setup is not None and setup.fitToPage
    assert (sheet.page_setup.fitToWidth or 1, sheet.page_setup.fitToHeight) == (1, 0)
    assert sheet.freeze_panes == f"A{first}"
    assert sheet.print_title_rows == f"${first - 1}:${first - 1}"


@pytest.mark.parametrize("hostile", HOSTILE)
def test_text_of_strangers_never_becomes_a_formula_or_a_link(
    write: Write, finding: Make, hostile: str, site: Site
) -> None:
    path = write([finding(12, value=hostile, suggestion=hostile, message=hostile, sheet=hostile,
                          file=hostile, cell=hostile)],
                 troubles=[Trouble("file-unreadable", hostile, hostile, hostile)], token=hostile)
    for sheet in openpyxl.load_workbook(path).worksheets:
        for line in sheet.iter_rows():
            assert all(cell.data_type != "f" and cell.hyperlink is None for cell in line)
    with zipfile.ZipFile(path) as archive:
        sheets = [archive.read(name) for name in archive.namelist() if "worksheets/" in name]
    assert not any(b"<f>" in xml or b"<f " in xml for xml in sheets)


@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(max_size=60))
def test_any_text_can_be_written_and_read_back(write: Write, finding: Make, text: str) -> None:
    sheet, row = answer_sheet(write([finding(12, value=text, message=text)]))
    assert sheet.cell(row, 1).value == 1


def test_a_file_name_in_no_known_encoding_is_shown_as_well_as_can_be(
    write: Write, finding: Make
) -> None:
    # What os.fsdecode makes of a byte that is no UTF-8.
    odd = "april\udce9.csv"
    sheet, row = answer_sheet(write([finding(12, file=odd), finding(13)],
                                    troubles=[Trouble("file-empty", "Empty.", "Send it.", odd)]))
    assert "april .csv" in str(sheet.cell(row, 2).value)


def test_same_arguments_same_bytes_and_no_wall_clock(
    write: Write, finding: Make, as_of: dt.date
) -> None:
    findings = [finding(12), finding(13, effect=Effect.HOLD)]
    first = write(findings).read_bytes()
    assert write(list(reversed(findings)), "b.xlsx").read_bytes() == first
    with zipfile.ZipFile(write(findings, "c.xlsx")) as archive:
        core = archive.read("docProps/core.xml").decode()
        assert {entry.date_time[0] for entry in archive.infolist()} == {1980}
    assert core.count(f"{as_of.isoformat()}T00:00:00Z") == 2


def test_the_hidden_sheet_tells_which_answer_belongs_to_which_finding(
    write: Write, finding: Make, fahrenheit_column: list[Finding]
) -> None:
    found = [*fahrenheit_column[:3], finding(400, effect=Effect.HOLD)]
    path = write(found)
    rows = list(openpyxl.load_workbook(path)[ABOUT_SHEET].values)
    facts = {row[0]: row[1] for row in rows[:7]}
    assert facts == {"what": MARK, "layout": str(LAYOUT), "network": "lantern-bay",
                     "site": "sedge-creek", "as_of": "2026-05-18", "version": "2026.20",
                     "token": "token-1"}
    sheet, first = answer_sheet(path)
    listed = rows[9:]
    assert {row[3] for row in listed} == {item.id for item in found}
    assert [(row[0], row[1]) for row in listed] == [(1, first)] + [(2, first + 1)] * 3
    assert sheet.cell(int(str(listed[1][1])), 1).value == 2
    assert {row[2] for row in listed if row[0] == 2} == {"column-in-degf"}


@pytest.mark.parametrize("troubles", [0, 1, 2, 5])
def test_the_summary_has_four_to_six_lines(
    site: Site, network: Network, account: Mapping[str, int], as_of: dt.date, finding: Make,
    troubles: int,
) -> None:
    bad = [Trouble("file-unreadable", "It is a PDF.", "Please send the sheet.", f"{n}.pdf")
           for n in range(troubles)]
    lines = summary_lines(site, network, gather([finding(3)]), account, bad, as_of)
    assert 4 <= len(lines) <= 6
    assert "118 rows arrived, 115 loaded" in lines[1] and "3 held" in lines[1]
    assert "send this workbook back the way you send your sheet" in lines[3]
    if troubles == 5:
        assert "4 more files" in lines[-1]


def test_two_files_are_told_apart(write: Write, finding: Make) -> None:
    sheet, row = answer_sheet(write([finding(12), finding(12, file="april.csv")]))
    wheres = {sheet.cell(row, 2).value, sheet.cell(row + 1, 2).value}
    assert any("april.csv" in str(where) for where in wheres)


def test_a_long_sentence_gets_the_height_it_needs() -> None:
    words = " ".join(["word"] * 60)
    tall = workbook_module._height([(words, 40)])
    assert tall > workbook_module._height([(words, 80)]) > workbook_module._height([("word", 40)])
