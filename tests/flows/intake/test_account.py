"""The account of what was understood, as people and programs get it."""

from __future__ import annotations

from pathlib import Path

import pytest

from flows.intake.account import (
    contract_sheets,
    date_order_said,
    explain_table,
    lines_to_name,
    unmatched_names,
)
from flows.intake.recognising import recognise
from flows.intake.standardizing import standardize
from shared.fields import FIELDS
from shared.settings import parse_network
from shared.taxa import STAGES, TAXA
from tests.flows.intake.paper import SHA, book, days, network, profile, site, staged, understood


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


@pytest.mark.parametrize(
    ("dates", "said"),
    [
        (["5/3/2026", "6/3/2026", "17/3/2026"], "day first (5 March 2026): days above 12"),
        (["3/5/2026", "3/6/2026", "3/17/2026"], "month first (5 March 2026): days above 12"),
        (["3/4/2026"], "could be read day first or month first"),
        (["13/3/2026", "14/3/2026", "15/3/2026"], ""),
        (["2026-03-04", "4 Mar 2026"], ""),
    ],
)
def test_the_reading_of_dates_that_could_be_two_is_said(dates: list[str], said: str) -> None:
    workbook = book(["Date", "Hours fished", "Glass eels"], *[[day, 24.0, 3.0] for day in dates])
    told = date_order_said(understood(workbook).tables[0], workbook)
    assert (said in told) if said else told == ""


def test_the_order_by_the_profile_is_said_to_be_the_profile_s() -> None:
    workbook = book(["Date", "Hours fished", "Glass eels"], ["3/4/2026", 24.0, 3.0])
    at = site(profile=profile(date_order="dmy"))
    assert "3 April 2026), as the site's profile says" in date_order_said(
        understood(workbook, at).tables[0], workbook
    )


def test_the_line_offered_for_a_column_left_aside_has_it_read() -> None:
    workbook = book(
        ["Date", "Hours fished", "Glass eels", 'Clouds "by eye", in tenthses'],
        *[[day, 24.0, 3.0, 40.0] for day in days(6)],
    )
    found = understood(workbook)
    assert found.tables[0].columns[3].field is None
    ((line, _),) = lines_to_name(found)
    settings = parse_network(
        '[network]\nid = "n"\nname = "N"\nseason_start = "02-01"\nseason_end = "06-30"\n'
        f'[sites.alder-creek]\nzone = "Etc/UTC"\n[sites.alder-creek.profile.columns]\n{line}\n'
    )
    again = understood(workbook, settings.sites["alder-creek"])
    assert again.tables[0].columns[3].field == "cloud_cover"
    assert lines_to_name(again) == []


def test_a_heading_that_only_looks_like_one_we_know_is_guessed_at_and_not_taken() -> None:
    workbook = book(
        ["Date", "Glass eels", "Tubidness"], *[[day, 3.0, 5.5] for day in days(6)]
    )
    (column,) = understood(workbook).tables[0].columns[2:]
    assert column.field is None
    assert column.guesses[0][0] == "turbidity" and column.guesses[0][1] < 0.75


def test_a_sheet_of_headings_nobody_knows_is_read_once_the_profile_names_them() -> None:
    workbook = book(
        ["Fangtag", "Uhr", "Aale", "Waerme (F)", "Zug"],
        *[[day, "7:15", 3.0, 41.0, 7.0] for day in days(4)],
    )
    at = site(
        profile=profile(
            columns={
                "Fangtag": "local_date",
                "uhr": "check_time",
                "Aale": "count:anguilla-rostrata:elver",
                "Waerme (F)": "water_temperature",
                "Zug": "-",
                "Wärme (F)": "salinity",
            }
        )
    )
    found = understood(workbook, at)
    assert [c.field for c in found.tables[0].columns] == [
        "local_date",
        "check_time",
        "count",
        "water_temperature",
        None,
    ]
    result = staged(workbook, at)
    assert result.events["water_temperature"] == [5.0] * 4
    assert set(result.catches["life_stage"]) == {"elver"}
    assert list(unmatched_names(found, at)) == [("Wärme (F)", "Waerme (F)")]


def test_the_page_about_profiles_names_all_that_can_be_named_and_its_example_holds() -> None:
    page = (Path(__file__).parents[3] / "docs" / "profile.md").read_text(encoding="utf-8")
    known = [*FIELDS, *TAXA, *STAGES]
    assert [name for name in known if f"`{name}`" not in page] == []
    example = page.split("```toml")[1].split("```")[0]
    settings = parse_network(
        '[network]\nid = "n"\nname = "N"\nseason_start = "02-01"\nseason_end = "06-30"\n'
        f'[sites.alder-creek]\nzone = "Etc/UTC"\n{example}'
    )
    assert settings.sites["alder-creek"].profile.columns["Bucket"] == "-"
