"""A sheet's own text is shown on a terminal and never obeyed by it."""

from __future__ import annotations

from pathlib import Path

import pytest
import xlsxwriter
from hypothesis import given
from hypothesis import strategies as st

from flows.cli import main
from flows.terminal import shown

ORDERS = "\x1b\x07\x9b\x9d\u202e\u2066"


def _workbook(path: Path) -> Path:
    book = xlsxwriter.Workbook(str(path))
    sheet = book.add_worksheet("Log")
    for column, heading in enumerate(("Date", "Glass eels", "Note\x1b]0;mine\x07", "Odd \x9b31m")):
        sheet.write_string(0, column, heading)
    for row in range(1, 5):
        sheet.write_string(row, 0, f"2026-04-0{row}")
        sheet.write_string(row, 1, "3\x1b[2Jx" if row == 2 else "3")
        sheet.write_string(row, 2, "fine\x1b[31m\u202e")
    sheet.write_string(6, 0, "Total\x1b[31m")
    book.close()
    return path


@pytest.mark.parametrize("more", [[], ["--explain", "C1"], ["--explain", "B3"]])
def test_check_shows_a_sheets_text_and_gives_no_orders(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[str]
) -> None:
    main(["check", str(_workbook(tmp_path / "counts.xlsx")), *more])
    out = capsys.readouterr().out
    assert out and not set(out) & set(ORDERS)


def test_a_refusal_gives_no_orders(capsys: pytest.CaptureFixture[str]) -> None:
    main(["check", "none\x1b[31m.csv"])
    said = capsys.readouterr().err
    assert "none" in said and "\x1b" not in said


@given(st.text())
def test_what_is_shown_is_the_text_but_for_its_orders(text: str) -> None:
    out = shown(text)
    assert len(out) == len(text) and not set(out) & set(ORDERS)
    assert all(now in (was, "\ufffd") for now, was in zip(out, text, strict=True))
    assert shown("Água: 5,4 °C\n\t– fine") == "Água: 5,4 °C\n\t– fine"
