"""No cell of a season's CSV is a formula, whatever a site or a net is called."""

from __future__ import annotations

import csv
import io

import pytest

from flows.season.drawing import as_csv


@pytest.mark.parametrize("name", ["=1+1", "@SUM(A1)", "+cmd|' /C calc'!A0", " =HYPERLINK(\"x\")"])
def test_a_name_is_never_calculated(name: str) -> None:
    (_, row) = csv.reader(io.StringIO(as_csv(("site", "eels"), [(name, -3.5)])))
    assert row == [f"'{name}", "-3.5"]


def test_numbers_and_dashes_stay_as_they_are() -> None:
    (_, row) = csv.reader(io.StringIO(as_csv(("a", "b", "c"), [("-12.5", "-", "Alder Creek")])))
    assert row == ["-12.5", "-", "Alder Creek"]
