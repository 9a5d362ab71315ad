"""The account of what was understood, as people and programs get it."""

from __future__ import annotations

from flows.intake.account import contract_sheets, explain_table
from flows.intake.recognising import recognise
from flows.intake.standardizing import standardize
from tests.flows.intake.paper import SHA, book, days, network, site, understood


def test_the_contract_names_rows_and_cells_as_the_lead_sees_them() -> None:
    workbook = book(
        ["Alder Creek"],
        ["Date", "Glass eels", "Water temp (F)", "Barometer"],
        *[[day, 3.0, 41.0, 1013.0] for day in days(3)],
        ["Total", 9.0],
    )
    found = recognise(workbook, site(), network())
    (entry,) = contract_sheets(
        workbook, found, standardize(workbook, found, site(), network(), SHA)
    )
    assert (entry["name"], entry["protocol"], entry["header_row"], entry["rows"]) == (
        "Log",
        "fyke",
        2,
        3,
    )
    assert entry["columns"][1] == {
        "heading": "Glass eels",
        "cell": "B2",
        "field": "count",
        "unit": "1",
        "confidence": entry["columns"][1]["confidence"],
        "taxon": "anguilla-rostrata",
        "life_stage": "glass eel",
    }
    assert entry["columns"][2]["unit"] == "degF"
    assert [(u["heading"], u["cell"]) for u in entry["unrecognised"]] == [("Barometer", "D2")]
    assert entry["skipped_rows"] == [{"row": 6, "why": "totals row"}]


def test_every_column_is_explained_with_some_of_its_cells() -> None:
    workbook = book(
        ["Date", "Glass eels", "Running total"],
        *[[day, 3.0 + n, 9.0] for n, day in enumerate(days(5))],
    )
    lines = explain_table(understood(workbook).tables[0], workbook)
    assert [line[0] for line in lines] == ["Date", "Glass eels", "Running total"]
    assert lines[1][1] == "Count: American eel, glass eel"
    assert lines[1][3] == "3, 4, 5"
    assert "left aside" in lines[2][1]
