"""``check --explain CELL``: how one value came to be."""

from __future__ import annotations

import datetime as dt

import pytest

from flows.checking import Checked, check_bytes
from flows.sheet_report import explain_cell
from shared.problems import BadSettings
from shared.settings import lone_site
from tests.flows.intake.paper import days, xlsx


def _checked(*rows: list[object]) -> Checked:
    cells = {
        f"{chr(65 + column)}{row + 1}": value
        for row, values in enumerate(rows)
        for column, value in enumerate(values)
        if value is not None
    }
    return check_bytes(xlsx(cells), "log.xlsx", lone_site(), "site", dt.date(2026, 11, 25))


@pytest.fixture(scope="module")
def checked() -> Checked:
    rows: list[list[object]] = [[day, 12.0 + n, 41.0, "moon"] for n, day in enumerate(days(6))]
    rows[1][1] = "~200"
    rows[2][2] = "warm"
    rows[3][2] = "5 C"
    return _checked(["Date", "Glass eels", "Water temp (F)", "Bucket"], *rows, ["Total", 77.0])


def _said(checked: Checked, cell: str, *words: str) -> None:
    told = " ".join(explain_cell(checked, None, cell))
    for word in words:
        assert word in told, told


def test_a_converted_value_names_heading_unit_and_result(checked: Checked) -> None:
    _said(
        checked,
        "C2",
        "number",
        '"41"',
        "Water temp (F)",
        "Water temperature",
        "°F",
        "from its heading",
        "converted to °C",
        "value kept is 5 °C",
    )


def test_a_qualified_count_names_its_animal_and_mark(checked: Checked) -> None:
    _said(
        checked,
        "$B$3",
        "text",
        "~200",
        "American eel (glass eel)",
        "value kept is 200",
        "qualified: ~",
    )


def test_what_is_not_understood_keeps_no_value_and_names_the_finding(checked: Checked) -> None:
    _said(checked, "c4", "No value is kept", "not be understood", "not-understood (")


def test_a_unit_in_the_cell_is_said(checked: Checked) -> None:
    _said(checked, "C5", "names its own unit", "value kept is 5 °C")


def test_a_column_left_aside_a_totals_row_and_a_heading(checked: Checked) -> None:
    _said(checked, "D2", "left aside")
    _said(checked, "B8", "Row 8 is not data", "totals row")
    _said(checked, "A1", "headings")
    _said(checked, "Z99", "empty")


@pytest.mark.parametrize(("sheet", "cell"), [(None, "41F"), (None, ""), ("May", "B2")])
def test_no_such_cell_or_tab(checked: Checked, sheet: str | None, cell: str) -> None:
    with pytest.raises(BadSettings) as caught:
        explain_cell(checked, sheet, cell)
    assert caught.value.remedy


def test_a_cell_of_a_turned_sheet_is_found_by_its_own_address() -> None:
    turned = _checked(
        ["Date", *days(5)],
        ["Glass eels", 1.0, 2.0, 3.0, 4.0, 5.0],
        ["Water temp (C)", 5.0, 5.0, 5.0, 5.0, 6.0],
    )
    _said(turned, "F3", '"6"', "Water temperature", "value kept is 6", "turned")
