"""What is understood of sheets as people keep them; the understanding is written by hand."""

from __future__ import annotations

import datetime as dt
import random

import pytest

from shared.problems import NothingRecognised
from shared.sheets import TURNED, Cell, Sheet, Workbook
from shared.staging import Staged
from tests.flows.intake.paper import (
    book,
    column,
    days,
    fields,
    profile,
    site,
    staged,
    understood,
)

EEL = "anguilla-rostrata"
GLASS = f"count:{EEL}:glass eel"
ELVER = f"count:{EEL}:elver"


def test_title_rows_blank_columns_and_notes_below() -> None:
    found = understood(
        book(
            [None, "Alder Creek glass eels, spring 2026"],
            [None, "please write zeros!"],
            [],
            [
                None,
                "Date",
                "Time checked",
                "Hrs fished",
                "Glass eels",
                "Water temp (F)",
                "Tide",
                "Who",
            ],
            *[[None, day, dt.time(7, 40), 23.5, 4.0, 41.2, "ebb", "MT"] for day in days(6)],
            [None, "Total", None, 141.0, 24.0],
            [],
            [None, "Net mended on the 5th."],
        )
    )
    (table,) = found.tables
    assert table.header_row == 3
    assert table.protocol == "fyke"
    assert fields(table) == {
        "Date": "local_date",
        "Time checked": "check_time",
        "Hrs fished": "hours_fished",
        "Glass eels": GLASS,
        "Water temp (F)": "water_temperature",
        "Tide": "tide_stage",
        "Who": "recorder",
    }
    temp = column(table, "Water temp (F)")
    assert (temp.unit, temp.unit_from) == ("degF", "heading")
    assert table.data_rows == [4, 5, 6, 7, 8, 9]
    assert [(s.row, s.counts) for s in table.skipped] == [(10, True), (11, False), (12, True)]
    assert "totals row" in table.skipped[0].why
    assert "Net mended" in table.skipped[2].why


def test_group_headings_merged_and_a_units_row() -> None:
    found = understood(
        book(
            [None, "Set", None, "Check", None, "Eels", None, None, "Water", None, None, "Air"],
            [
                "Net",
                "Date",
                "Time",
                "Date",
                "Time",
                "Glass",
                "Elvers",
                "Total",
                "Temp",
                "DO",
                "DO",
                "Temp",
            ],
            [None, None, None, None, None, None, None, None, "°F", "mg/L", "%", "°C"],
            *[
                [
                    "A",
                    day,
                    dt.time(8, 0),
                    day + dt.timedelta(days=1),
                    dt.time(7, 30),
                    float(n),
                    1.0,
                    n + 1.0,
                    41.0,
                    11.2,
                    95.0,
                    3.0,
                ]
                for n, day in enumerate(days(8))
            ],
            merged=[(0, 1, 0, 2), (0, 3, 0, 4), (0, 5, 0, 7), (0, 8, 0, 10)],
        )
    )
    (table,) = found.tables
    assert [c.field for c in table.columns] == [
        "gear_unit",
        "set_date",
        "set_time",
        "check_date",
        "check_time",
        "count",
        "count",
        "count",
        "water_temperature",
        "dissolved_oxygen",
        "dissolved_oxygen_saturation",
        "air_temperature",
    ]
    assert [c.life_stage for c in table.columns if c.field == "count"] == [
        "glass eel",
        "elver",
        "all",
    ]
    assert [(c.unit, c.unit_from) for c in table.columns[8:]] == [
        ("degF", "units row"),
        ("mg/l", "units row"),
        ("%", "units row"),
        ("degC", "units row"),
    ]
    assert table.header_row == 1
    assert table.skipped[0].row == 2


def test_two_heading_rows_where_only_the_upper_names_some_columns() -> None:
    found = understood(
        book(
            ["Date", "Glass eels", None, "Remarks"],
            [None, "Count", "Dead", None],
            *[[day, 5.0, 0.0, "ok"] for day in days(5)],
        )
    )
    assert [c.field for c in found.tables[0].columns] == [
        "local_date",
        "count",
        "mortality",
        "remarks",
    ]
    assert found.tables[0].columns[2].life_stage == "glass eel"


def test_computed_columns_are_never_counts() -> None:
    counts = [3.0, 5.0, 0.0, 7.0, 2.0, 1.0]
    running = [sum(counts[: n + 1]) for n in range(6)]
    found = understood(
        book(
            [
                "Date",
                "Week",
                "Day no",
                "Glass eels",
                "Running total",
                "Season total",
                "CPUE",
                "Total to date",
                "Weekly total",
            ],
            *[
                [
                    day,
                    10.0,
                    float(n),
                    counts[n],
                    running[n],
                    running[n],
                    counts[n] / 24,
                    running[n],
                    9.0,
                ]
                for n, day in enumerate(days(6))
            ],
        )
    )
    table = found.tables[0]
    assert {h: f for h, f in fields(table).items() if f} == {
        "Date": "local_date",
        "Glass eels": GLASS,
    }
    assert all(c.why_not for c in table.columns if c.field is None)


def test_a_plain_total_that_only_grows_is_left_aside() -> None:
    counts = [3.0, 5.0, 0.0, 7.0, 2.0, 1.0]
    found = understood(
        book(
            ["Date", "Glass eels", "Total"],
            *[[day, counts[n], sum(counts[: n + 1])] for n, day in enumerate(days(6))],
        )
    )
    assert "running total" in column(found.tables[0], "Total").why_not


def test_a_total_over_different_animals_is_left_aside() -> None:
    found = understood(
        book(
            ["Date", "Glass eels", "Sticklebacks", "Total"],
            *[[day, float(n), 2.0, n + 2.0] for n, day in enumerate(days(6))],
        )
    )
    assert "different animals" in column(found.tables[0], "Total").why_not


@pytest.mark.parametrize("heading", ["Count", "Number", "Total", "# eels total", "Total eels"])
def test_a_lone_plain_count_is_of_the_first_target(heading: str) -> None:
    found = understood(book(["Date", heading], *[[day, 4.0] for day in days(4)]))
    assert fields(found.tables[0])[heading] == GLASS


@pytest.mark.parametrize(
    ("heading", "meaning"),
    [
        ("Glass eels", GLASS),
        ("Elvers (>65 mm)", ELVER),
        ("A. rostrata glass", GLASS),
        ("# of elvers", ELVER),
        ("No. glass eels", GLASS),
        ("Dead elvers", f"mortality:{EEL}:elver"),
        ("Glass eels released", f"released:{EEL}:glass eel"),
        ("Stickleback 3-sp", "count:gasterosteus-aculeatus:unspecified"),
        ("Three-spined sticklebacks", "count:gasterosteus-aculeatus:unspecified"),
        ("Alewife (adult)", "count:alosa-pseudoharengus:adult"),
        ("Pigmented", ELVER),
        ("Glass ees", GLASS),
        ("Sitckleback", "count:gasterosteus-aculeatus:unspecified"),
    ],
)
def test_headings_that_name_animals(heading: str, meaning: str | None) -> None:
    found = understood(
        book(["Date", heading, "Hours fished"], *[[day, 4.0, 24.0] for day in days(5)])
    )
    assert fields(found.tables[0])[heading] == meaning


@pytest.mark.parametrize(
    ("heading", "field", "unit"),
    [
        ("Water temp (F)", "water_temperature", "degF"),
        ("WaterTemp_C", "water_temperature", "degC"),
        ("Temp. water, °C", "water_temperature", "degC"),
        ("Water (deg F)", "water_temperature", "degF"),
        ("Air temp in F", "air_temperature", "degF"),
        ("Temp (air, °C)", "air_temperature", "degC"),
        ("Rain in", "precipitation", "in"),
        ("Rain, last 24 hrs (mm)", "precipitation", "mm"),
        ("Cond. (mS/cm)", "conductivity", "mS/cm"),
        ("Conductivity at 25 °C", "specific_conductance", "uS/cm"),
        ("Sp. cond. µS/cm", "specific_conductance", "uS/cm"),
        ("DO %", "dissolved_oxygen_saturation", "%"),
        ("D.O. (mg/L)", "dissolved_oxygen", "mg/l"),
        ("Salinity (ppt)", "salinity", "1"),
        ("Soak (min)", "hours_fished", "min"),
        ("Secchi (m)", "secchi_depth", "m"),
        ("Wind Bft", "wind_speed", "bft"),
        ("Temprature", "water_temperature", "degC"),
        ("Turbidity", "turbidity", "NTU"),
    ],
)
def test_headings_with_units(heading: str, field: str, unit: str) -> None:
    found = understood(
        book(
            ["Date", heading, "Glass eels"], *[[day, 5.0 + n, 4.0] for n, day in enumerate(days(6))]
        )
    )
    taken = column(found.tables[0], heading)
    assert (taken.field, taken.unit) == (field, unit)


def test_a_heading_its_own_cells_deny_is_not_taken() -> None:
    found = understood(
        book(
            ["Date", "pH", "Tide", "Glass eels", "Day"],
            *[[day, 400.0 + n, 3.0 + n, 2.0, "Tue"] for n, day in enumerate(days(8))],
        )
    )
    table = found.tables[0]
    for heading in ("pH", "Tide", "Day"):
        assert column(table, heading).field is None
    assert "400" in column(table, "pH").why_not


def test_one_bad_cell_does_not_overturn_a_plain_heading() -> None:
    rows: list[list[object]] = [[day, 7.1, 2.0] for day in days(8)]
    rows[3][1] = 71.0
    found = understood(book(["Date", "pH", "Glass eels"], *rows))
    assert column(found.tables[0], "pH").field == "ph"


def test_cells_decide_between_two_meanings_of_a_heading() -> None:
    found = understood(
        book(
            ["Date", "Net", "Set", "Wind", "DO", "Glass eels"],
            *[
                [
                    day,
                    "fishing" if n % 2 else "lifted",
                    day - dt.timedelta(days=1),
                    "NW",
                    95.0 + n,
                    3.0,
                ]
                for n, day in enumerate(days(8))
            ],
        )
    )
    assert [c.field for c in found.tables[0].columns] == [
        "local_date",
        "net_status",
        "set_date",
        "wind_direction",
        "dissolved_oxygen_saturation",
        "count",
    ]


def test_each_meaning_is_given_once_and_the_plainer_heading_has_it() -> None:
    found = understood(
        book(
            ["Date", "Time", "Check time", "Temp", "Water temp", "Glass eels"],
            *[[day, dt.time(9, 0), dt.time(7, 30), 3.0, 5.0, 1.0] for day in days(5)],
        )
    )
    table = found.tables[0]
    assert column(table, "Check time").field == "check_time"
    assert column(table, "Water temp").field == "water_temperature"
    assert column(table, "Time").field is None and "C1" in column(table, "Time").why_not
    assert column(table, "Temp").field is None


def test_two_columns_with_one_heading_and_different_cells_are_a_riddle() -> None:
    found = understood(
        book(["Date", "Temp", "Temp", "Glass eels"], *[[day, 3.0, 5.0, 1.0] for day in days(5)])
    )
    temps = [c for c in found.tables[0].columns if c.heading == "Temp"]
    assert [c.field for c in temps] == [None, None]
    assert all("cannot be known" in c.why_not for c in temps)


def test_an_unknown_heading_is_listed_with_a_reason() -> None:
    found = understood(
        book(
            ["Date", "Glass eels", "Barometer", "Total catch rate"],
            *[[day, 3.0, 1013.0, 0.4] for day in days(5)],
        )
    )
    aside = [c for c in found.tables[0].columns if c.field is None]
    assert [c.heading for c in aside] == ["Barometer", "Total catch rate"]
    assert all(c.why_not for c in aside)


def test_the_profile_overrides_headings_and_gives_units() -> None:
    here = site(
        profile=profile(
            columns={
                "GE": "-",
                "Wriggly ones": "count:anguilla-rostrata:glass eel",
                "Ht": "water_level",
            },
            units={"water_temperature": "degF", "water_level": "ft"},
        )
    )
    found = understood(
        book(
            ["Date", "GE", "wriggly  ones", "Ht", "Water temp"],
            *[[day, 1.0, 2.0, 3.0, 41.0] for day in days(4)],
        ),
        here,
    )
    table = found.tables[0]
    assert fields(table)["wriggly ones"] == GLASS
    assert column(table, "GE").field is None
    assert (column(table, "Ht").field, column(table, "Ht").unit) == ("water_level", "ft")
    temp = column(table, "Water temp")
    assert (temp.unit, temp.unit_from) == ("degF", "profile")


def test_repeated_headings_subtotals_means_and_blank_rows_are_skipped_with_reasons() -> None:
    heading = ["Date", "Recorder", "Glass eels", "Elvers"]
    found = understood(
        book(
            heading,
            *[[day, "Max", 3.0, 1.0] for day in days(3)],
            ["Weekly total", None, 9.0, 3.0],
            [],
            heading,
            ["March", None, None, None],
            *[[day, "Min", 2.0, 1.0] for day in days(3, dt.date(2026, 3, 10))],
            ["Average", None, 2.5, 1.0],
            [None, None, 15.0, 6.0],
        )
    )
    (table,) = found.tables
    assert table.data_rows == [1, 2, 3, 8, 9, 10]
    assert {s.row: s.why.split(" (")[0].split(":")[0] for s in table.skipped if s.counts} == {
        4: "totals row",
        6: "the headings again",
        7: "a heading or note within the table",
        11: "row of means or extremes",
        12: "totals row",
    }


def test_every_row_below_the_headings_is_accounted_for_once() -> None:
    rng = random.Random(5)
    kinds: list[list[object]] = [
        [dt.date(2026, 3, 4), 3.0, 5.0],
        [],
        [None, 4.0, 6.0],
        ["Total", 9.0],
        ["a note"],
        [None, None, None, "beside"],
        ["??", 2.0],
        ["2026-03-09", None, None],
    ]
    for _ in range(30):
        rows = [rng.choice(kinds) for _ in range(12)]
        workbook = book(
            ["Date", "Glass eels", "Water temp"], [dt.date(2026, 3, 3), 1.0, 4.0], *rows
        )
        (table,) = understood(workbook).tables
        account = sorted([*table.data_rows, *(s.row for s in table.skipped)])
        assert account == list(range(1, len(workbook.sheets[0].rows)))


def test_a_row_whose_date_is_wanting_is_still_data() -> None:
    found = understood(
        book(
            ["Date", "Check time", "Glass eels"],
            [dt.date(2026, 3, 3), dt.time(7, 30), 3.0],
            [None, dt.time(7, 35), 5.0],
            ["Tuesday-ish", dt.time(7, 35), 5.0],
            [dt.date(2026, 3, 6), None, None],
        )
    )
    (table,) = found.tables
    assert table.data_rows == [1, 2, 3]
    assert [s.why for s in table.skipped] == ["only the date is filled in"]


def test_two_tables_under_one_another_on_a_sheet() -> None:
    found = understood(
        book(
            ["Date", "Hours fished", "Glass eels"],
            *[[day, 24.0, 2.0] for day in days(3)],
            [],
            ["Date", "Water temp (C)", "Salinity", "pH"],
            *[[day, 5.0, 12.0, 7.2] for day in days(3)],
        )
    )
    assert [t.protocol for t in found.tables] == ["fyke", "water"]
    assert [t.data_rows for t in found.tables] == [[1, 2, 3], [6, 7, 8]]


def test_a_summary_box_beside_the_table_is_not_part_of_it() -> None:
    rows: list[list[object]] = [[day, 2.0, 5.0, None, None, None] for day in days(12)]
    for n, month in enumerate(("February", "March", "April")):
        rows[n][4:] = [month, 30.0 * n]
    found = understood(book(["Date", "Glass eels", "Water temp", None, "Month", "Total"], *rows))
    table = found.tables[0]
    assert column(table, "Total").field is None
    assert len(table.data_rows) == 12


@pytest.mark.parametrize(
    ("name", "headings", "protocol"),
    [
        ("Seine", ["Date", "Glass eels", "Area swept (m2)"], "seine"),
        ("Sheet1", ["Date", "Number of hauls", "Sticklebacks"], "seine"),
        ("Net log", ["Date", "Glass eels", "Water temp"], "fyke"),
        ("WQ", ["Date", "Salinity", "Water temp"], "water"),
        ("Log", ["Date", "Hours fished", "Water temp"], "fyke"),
    ],
)
def test_the_protocol_is_read_from_tab_title_and_columns(
    name: str, headings: list[str], protocol: str
) -> None:
    found = understood(book(headings, *[[day, 3.0, 5.0] for day in days(4)], name=name))
    assert found.tables[0].protocol == protocol


def test_a_site_without_a_seine_has_no_seine_sheet() -> None:
    workbook = book(["Date", "Glass eels"], *[[day, 3.0] for day in days(4)], name="Seine? no!")
    assert understood(workbook, site(protocols=("fyke",))).tables[0].protocol == "fyke"


@pytest.mark.parametrize(
    ("tab", "title", "nets", "gear"),
    [
        ("Net B", "", ("A", "B"), "B"),
        ("B", "", ("A", "B"), "B"),
        ("Log", "Lower net, spring 2026", ("Upper", "Lower"), "Lower"),
        ("Log", "", ("A", "B"), None),
        ("Upper and lower net", "", ("Upper", "Lower"), None),
    ],
)
def test_the_net_is_read_from_tab_or_title(
    tab: str, title: str, nets: tuple[str, ...], gear: str | None
) -> None:
    workbook = book(
        [title or None], ["Date", "Glass eels"], *[[day, 3.0] for day in days(4)], name=tab
    )
    assert understood(workbook, site(nets=nets)).tables[0].gear_unit == gear


def test_tabs_that_are_no_tables_are_left_aside_with_reasons() -> None:
    dated: list[list[Cell]] = [[day, 3.0] for day in days(4)]
    counts: list[list[Cell]] = [["Date", "Glass eels"], *dated]
    table = Sheet("2026", counts)
    read_me: list[list[Cell]] = [["How to fill this in"], ["Write zeros."]]
    places: list[list[Cell]] = [
        ["Site", "Latitude", "Longitude"],
        ["Alder Creek", 44.8, -67.1],
    ]
    across: list[list[Cell]] = [
        ["Date", *days(5)],
        ["Glass eels", 1.0, 2.0, 3.0, 4.0, 5.0],
        ["Water temp", 5.0, 5.0, 5.0, 5.0, 5.0],
        ["Salinity", 1.0],
    ]
    found = understood(
        Workbook(
            "x",
            "xlsx",
            [
                Sheet("Read me", read_me),
                Sheet("Sites", places),
                Sheet("Summary", counts),
                Sheet("Old", counts, hidden=True),
                Sheet("Across", across),
                table,
            ],
        )
    )
    assert [t.sheet for t in found.tables] == [f"Across, {TURNED}", "2026"]
    reasons = dict(found.left_aside)
    assert set(reasons) == {"Read me", "Sites", "Summary", "Old"}
    assert "date" in reasons["Sites"]
    assert "summary" in reasons["Summary"]
    assert "hidden" in reasons["Old"]


def test_a_lone_tab_called_summary_is_the_sheet_itself() -> None:
    found = understood(
        book(["Date", "Glass eels"], *[[day, 3.0] for day in days(4)], name="Summary 2026")
    )
    assert len(found.tables) == 1


def test_nothing_recognised_says_what_was_seen_and_what_to_do() -> None:
    with pytest.raises(NothingRecognised, match="Budget") as caught:
        understood(book(["Item", "Price"], ["Waders", 80.0], name="Budget"))
    assert caught.value.remedy


# -- dates ---------------------------------------------------------------------------------


def _dated(texts: list[str], **given: object) -> tuple[str, str]:
    workbook = book(["Date", "Glass eels"], *[[text, 3.0] for text in texts])
    table = understood(workbook, site(**given)).tables[0]
    return table.date_order, table.date_order_from


def test_the_order_of_day_and_month_is_taken_from_evidence() -> None:
    assert _dated(["3/14/26", "3/15/26"])[0] == "mdy"
    assert _dated(["14/3/26", "15/3/26"])[0] == "dmy"
    # From 3 to 8 April by the row: the other reading leaps by months.
    assert _dated([f"{n}/4/2026" for n in range(3, 9)])[0] == "dmy"
    assert _dated([f"4/{n}/2026" for n in range(3, 9)])[0] == "mdy"
    assert _dated(["2026-03-14"])[0] == "ymd"
    assert _dated(["26-03-14", "26-03-15", "26-03-16"])[0] == "ymd"


def test_evidence_goes_before_the_profile_and_the_profile_before_nothing() -> None:
    assert _dated(["3/4/26", "3/14/26"], profile=profile(date_order="dmy"))[0] == "mdy"
    assert _dated(["3/4/26"], profile=profile(date_order="dmy")) == ("dmy", "profile")
    assert _dated(["3/4/26"])[0] == ""


def test_a_heading_may_spell_the_order_out() -> None:
    workbook = book(["Date (dd/mm/yy)", "Glass eels"], ["3/4/26", 3.0], ["5/4/26", 2.0])
    assert understood(workbook).tables[0].date_order == "dmy"


def test_the_decimal_mark_is_decided_for_the_sheet() -> None:
    workbook = book(["Date", "Glass eels", "Water temp"], *[[day, "3", "5,2"] for day in days(4)])
    assert understood(workbook).tables[0].decimal == ","


def test_a_column_of_dates_under_no_heading_is_the_date() -> None:
    found = understood(
        book([None, "Glass eels", "Water temp"], *[[day, 3.0, 5.0] for day in days(5)])
    )
    assert found.tables[0].columns[0].field == "local_date"


def test_a_haul_number_is_not_a_number_of_hauls() -> None:
    found = understood(
        book(
            ["Date", "Haul", "Sticklebacks"],
            *[[day, float(n), 4.0] for day in days(4) for n in (1, 2, 3)],
            name="Seine",
        )
    )
    assert column(found.tables[0], "Haul").field is None
    assert "numbers the hauls" in column(found.tables[0], "Haul").why_not


@pytest.mark.parametrize(
    "rows",
    [
        [
            ["Date", "Net A glass eels", "Net B glass eels", "Water temp"],
            *[[day, 1.0, 2.0, 5.0] for day in days(5)],
        ],
        [
            [None, "Net A", None, "Net B", None, None],
            ["Date", "Glass", "Elver", "Glass", "Elver", "Water temp"],
            *[[day, 1.0, 0.0, 2.0, 0.0, 5.0] for day in days(5)],
        ],
    ],
)
@pytest.mark.parametrize("nets", [("A", "B"), ("A",)])
def test_two_nets_in_one_row_are_two_checks_with_the_same_water(
    rows: list[list[object]], nets: tuple[str, ...]
) -> None:
    at = site(nets=nets)
    workbook = book(*rows)
    found = understood(workbook, at)
    assert [(t.sheet, t.gear_unit) for t in found.tables] == [
        ("Log, net A", "A"),
        ("Log, net B", "B"),
    ]
    rows_read = staged(book(*rows), at)
    counts = dict.fromkeys(("A", "B"), 0.0)
    gear = dict(zip(rows_read.events["row_id"], rows_read.events["gear_unit"], strict=True))
    for row_id, count in zip(rows_read.catches["row_id"], rows_read.catches["count"], strict=True):
        counts[gear[row_id]] += count
    assert counts == {"A": 5.0, "B": 10.0}
    assert rows_read.events["water_temperature"] == [5.0] * 10
    # Cells keep their addresses: the record says where each net's count stands.
    assert [c.index for t in found.tables for c in t.columns if c.field == "count"] in (
        [1, 2],
        [1, 2, 3, 4],
    )


@pytest.mark.parametrize("gap", [[], [None]])
def test_two_tables_side_by_side_are_read_apart(gap: list[None]) -> None:
    workbook = book(
        ["Net A", None, None, *gap, "Net B"],
        ["Date", "Glass eels", "Water temp", *gap, "Date", "Glass eels", "Water temp"],
        *[
            [day, 1.0, 5.0, *gap, other, 2.0, 6.0]
            for day, other in zip(days(5), days(5, dt.date(2026, 3, 4)), strict=True)
        ],
    )
    found = understood(workbook, site(nets=("A", "B")))
    assert [t.gear_unit for t in found.tables] == ["A", "B"]
    assert [[c.field for c in t.columns] for t in found.tables] == [
        ["local_date", "count", "water_temperature"]
    ] * 2
    assert found.tables[1].columns[0].index == 3 + len(gap)


def test_tables_below_one_another_with_other_columns_get_a_part_each() -> None:
    workbook = book(
        ["Date", "Glass eels", "Water temp (C)"],
        *[[day, 3.0, 5.0] for day in days(3)],
        [],
        ["Date", "Water temp (C)", "Salinity", "pH"],
        *[[day, 5.0, 12.0, 7.2] for day in days(3)],
    )
    found = understood(workbook)
    assert [t.sheet for t in found.tables] == ["Log, rows 1 to 5", "Log, rows 6 to 9"]
    assert [s.name for s in workbook.sheets] == [t.sheet for t in found.tables]
    assert [t.data_rows for t in found.tables] == [[1, 2, 3], [6, 7, 8]]


def test_a_sheet_with_its_dates_across_is_turned() -> None:
    rows: list[list[object]] = [
        ["Alder Creek 2026"],
        ["Date", *days(5)],
        ["Glass eels", 1.0, 2.0, 3.0, 4.0, 5.0],
        ["Water temp (F)", 41.0, 41.0, 41.0, 41.0, "n/k"],
        ["Remarks", None, "rain"],
    ]
    found = understood(book(*rows))
    (table,) = found.tables
    assert table.sheet == f"Log, {TURNED}"
    assert table.notes
    assert fields(table) == {
        "Date": "local_date",
        "Glass eels": GLASS,
        "Water temp (F)": "water_temperature",
        "Remarks": "remarks",
    }
    read = staged(book(*rows))
    assert read.events["local_date"] == days(5)
    assert read.events["water_temperature"] == [5.0] * 4 + [None]
    # The address is the one in the sheet as the lead has it.
    assert read.oddities["cell"] == ["F4"]


def test_a_date_cut_into_three_columns_is_put_together() -> None:
    workbook = book(
        ["Year", "Month", "Day", "Glass eels"],
        *[[2026.0, 3.0, float(n), 4.0] for n in range(1, 7)],
        [2026.0, 2.0, 30.0, 4.0],
    )
    found = understood(workbook)
    assert [(c.field, c.part) for c in found.tables[0].columns[:3]] == [
        ("local_date", "year"),
        ("local_date", "month"),
        ("local_date", "day"),
    ]
    read = staged(workbook)
    assert read.events["local_date"] == [*days(6, dt.date(2026, 3, 1)), None]
    assert list(zip(read.oddities["cell"], read.oddities["kind"], strict=True)) == [
        ("C8", "not-understood")
    ]


def test_one_tab_a_month_may_write_only_the_day() -> None:
    tabs = [
        Sheet(name, [["Glass eels 2026"], ["Day", "Glass eels"], [1.0, 3.0], [2.0, 4.0]])
        for name in ("March", "Apr")
    ]
    read = staged(Workbook("log.xlsx", "xlsx", tabs))
    assert read.events["local_date"] == [
        *days(2, dt.date(2026, 3, 1)),
        *days(2, dt.date(2026, 4, 1)),
    ]


def _once(*dates: Cell, time: Cell = None) -> Staged:
    animals = ("Glass eel", "Elver", "Mummichog")
    rows = [
        [date, time if date is not None else None, animals[n % 3], float(n)]
        for n, date in enumerate(dates)
    ]
    return staged(book(["Date", "Time", "Species", "Number"], *rows))


def test_a_date_written_once_a_check_holds_for_the_animals_below_it() -> None:
    first, second = days(2)
    read = _once(first, None, None, second, None, None, time=dt.time(7, 40))
    assert read.events["local_date"] == [first, second]
    assert len(read.catches["count"]) == 6


def test_a_date_wanting_where_dates_are_repeated_stays_wanting() -> None:
    first, second = days(2)
    read = _once(first, first, None, second, second, None)
    assert None in read.events["local_date"]


def test_the_questions_of_a_form_are_headings_too() -> None:
    found = understood(
        book(
            [
                "Timestamp",
                "What date did you check the net?",
                "How many glass eels did you count?",
                "Water temperature in °F",
                "Any comments?",
            ],
            *[[dt.datetime(2026, 3, 20, 9), day, 3.0, 41.0, "ok"] for day in days(5)],
        )
    )
    assert [c.field for c in found.tables[0].columns] == [
        None,
        "check_date",
        "count",
        "water_temperature",
        "remarks",
    ]


def test_a_form_above_the_headings_is_not_the_table() -> None:
    found = understood(
        book(
            ["Site", "Alder Creek", "Recorder", "MT"],
            [],
            ["Date", "Glass eels", "Temp (C)"],
            *[[day, 3.0, 5.0] for day in days(5)],
        )
    )
    assert found.tables[0].header_row == 2


def test_of_a_count_and_an_estimate_the_count_is_taken() -> None:
    found = understood(
        book(["Date", "Glass eels", "Glass eels (est.)"], *[[day, 3.0, 5.0] for day in days(5)])
    )
    assert fields(found.tables[0]) == {
        "Date": "local_date",
        "Glass eels": GLASS,
        "Glass eels (est.)": None,
    }


@pytest.mark.parametrize(
    ("headings", "wanted"),
    [
        (("Elvers <65 mm", "Elvers >65 mm"), (True, True)),
        (("Glass eels", "Glass eels"), (True, True)),
        (("Glass eels", "Glass eels, trap 2"), (False, True)),
        (("Glass eels", "Glass eels (trap 2)"), (False, True)),
        (("Glass eels", "Glass eels seen"), (False, True)),
        (("Glass eels", "Glass eels (est.)"), (False, False)),
    ],
)
def test_a_second_column_of_the_same_count_is_missed_and_said(
    headings: tuple[str, str], wanted: tuple[bool, bool]
) -> None:
    workbook = book(
        ["Date", "Hours fished", *headings], *[[day, 24.0, 3.0, 5.0] for day in days(5)]
    )
    table = understood(workbook).tables[0]
    assert tuple(c.wanted for c in table.columns[-2:]) == wanted
    assert [c.field for c in table.columns[-2:]] == [None if all(wanted) else "count", None]
    kinds = staged(workbook).oddities["kind"]
    assert kinds == ["column-unread"] * sum(wanted)


@pytest.mark.parametrize(
    ("heading", "cells", "missed"),
    [
        ("pH", [400.0, 402.0, 403.0, 401.0], True),
        ("pH", [0.0, 1.0, 0.0, 2.0], True),
        ("Glass eels", ["many", "few", "lots", "many"], True),
        ("Cloud cover", ["sunny", "clear", "clear", "rain"], False),
        ("Running total", [3.0, 6.0, 9.0, 12.0], False),
        ("Moon", ["new", "new", "new", "new"], False),
    ],
)
def test_a_known_heading_over_other_cells_is_missed_when_it_held_figures_or_counts(
    heading: str, cells: list[Cell], missed: bool
) -> None:
    workbook = book(
        ["Date", "Hours fished", "Elvers", heading],
        *[[day, 24.0, 1.0, cell] for day, cell in zip(days(4), cells, strict=True)],
    )
    column_read = understood(workbook).tables[0].columns[3]
    assert column_read.field is None and column_read.wanted is missed
    odd = staged(workbook).oddities
    assert odd["kind"] == (["column-unread"] if missed else [])
    if missed:
        assert (odd["cell"], odd["sheet_row"], odd["raw"]) == (["D1"], [1], [heading])


def test_a_clash_is_settled_for_the_best_of_the_whole_sheet() -> None:
    # "Fish" may name what was caught or count it; "Species" can only name it.
    found = understood(
        book(
            ["Date", "Fish", "Species", "Number"],
            *[[day, None, "Mummichog", 1.0] for day in days(6)],
        )
    )
    assert column(found.tables[0], "Species").field == "taxon"
    assert column(found.tables[0], "Number").field == "count"
    assert column(found.tables[0], "Fish").field != "taxon"


def test_an_animals_own_column_has_no_place_where_the_rows_name_their_animals() -> None:
    found = understood(
        book(
            ["Date", "Species", "Number", "Sticklebacks"],
            *[[day, "Mummichog", 1.0, 9.0] for day in days(6)],
        )
    )
    (table,) = found.tables
    assert table.layout == "long"
    assert column(table, "Sticklebacks").field is None
    assert column(table, "Sticklebacks").why_not


def test_a_stage_column_beside_named_counts_leaves_the_table_wide() -> None:
    found = understood(
        book(
            ["Date", "Stage", "Glass eels", "Elvers"],
            *[[day, "glass", 4.0, 1.0] for day in days(6)],
        )
    )
    (table,) = found.tables
    assert table.layout == "wide"
    assert fields(table)["Glass eels"] == GLASS
    assert column(table, "Stage").field is None


@pytest.mark.parametrize(
    ("headings", "values", "field"),
    [
        (["Date", "Glass eels", "WT", "Salinity"], [5.0, 6.5, 7.0, 8.0, 10.0], "water_temperature"),
        (["Date", "Glass eels", "WT", "Air temp"], [5.0, 6.5, 7.0, 8.0, 10.0], "water_temperature"),
        (["Date", "Species", "Length (mm)", "WT"], [5.0, 6.5, 7.0, 8.0, 10.0], "weight"),
        (["Date", "Glass eels", "WT"], [5.0, 6.5, 7.0, 8.0, 10.0], None),
        (["Date", "Glass eels", "WT", "Remarks"], [5.0, 6.0, 7.0, 8.0, 10.0], None),
        (["Date", "Glass eels", "WT (g)"], [5.0, 6.5, 7.0, 8.0, 10.0], "weight"),
        (["Date", "pH", "Cloudiness", "Salinity"], [5.0, 6.5, 7.0, 8.0, 10.0], "turbidity"),
        (["Date", "Air temp", "Cloudiness", "Wind"], [50.0, 0.0, 100.0, 75.0, 5.0], "cloud_cover"),
        (["Date", "Glass eels", "Cloudiness"], [50.0, 0.0, 100.0, 75.0, 5.0], None),
        (["Date", "Turbidity", "Cloudiness", "pH"], [50.0, 0.0, 90.0, 75.0, 5.0], "cloud_cover"),
        (["Date", "Glass eels", "Staff", "pH"], [85.0, 92.5, 101.0, 77.0, 80.0], "water_level"),
        (["Date", "Glass eels", "Staff", "pH"], [2.0, 3.0, 2.0, 4.0, 2.0], None),
        (["Date", "Glass eels", "Staff", "pH"], ["MT", "MT, KL", "KL", "MT", "J"], "recorder"),
    ],
)
def test_a_heading_of_two_meanings_is_settled_by_its_company_or_left(
    headings: list[str], values: list[Cell], field: str | None
) -> None:
    filled: dict[str, Cell] = {"Species": "Glass eel", "Length (mm)": 61.0, "Remarks": "ok"}
    place = next(n for n, h in enumerate(headings) if h.split()[0] in ("WT", "Cloudiness", "Staff"))
    rows: list[list[Cell]] = []
    for day, value in zip(days(5), values, strict=True):
        row: list[Cell] = [day, *(filled.get(heading, 7.0) for heading in headings[1:])]
        row[place] = value
        rows.append(row)
    found = column(understood(book(headings, *rows)).tables[0], headings[place])
    assert found.field == field
    if field is None:
        assert "could mean" in found.why_not
