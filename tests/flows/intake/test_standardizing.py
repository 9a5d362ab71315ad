"""Staged rows: values in canonical units, local time beside UTC, nothing lost or invented."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.sheets import Cell, Sheet, Workbook
from shared.staging import CATCH_COLUMNS, EVENT_COLUMNS, Columnar, Staged, row_id_base
from tests.flows.intake.paper import SHA, book, days, profile, site, staged

EEL = "anguilla-rostrata"
DAY = dt.date(2026, 3, 14)


def rows_of(table: Columnar) -> list[dict[str, Any]]:
    """A columnar table as records."""
    names = list(table)
    return [dict(zip(names, row, strict=True)) for row in zip(*table.values(), strict=True)]


def one(heading: str, cell: Cell, **given: Any) -> tuple[Any, list[dict[str, Any]]]:
    """What one cell under a heading becomes, and the oddities about it."""
    usual: dict[str, Cell] = {"Water temp": 5.0, "Hours fished": 24.0}
    first = usual.get(heading, 1.0)
    result = staged(
        book(
            ["Date", heading, "Elvers"],
            [DAY, first, 1.0],
            [DAY + dt.timedelta(days=1), first, 1.0],
            [DAY + dt.timedelta(days=2), first, 1.0],
            [DAY + dt.timedelta(days=3), cell, 1.0],
        ),
        site(**given),
    )
    (field,) = [
        name
        for index, name in zip(result.places["column_index"], result.places["field"], strict=True)
        if index == 1
    ]
    odd = [o for o in rows_of(result.oddities) if o["field"] == field]
    if field in EVENT_COLUMNS:
        return result.events[field][3], odd
    catch = next(c for c in rows_of(result.catches) if c["sheet_row"] == 5)
    return catch[field], odd


@pytest.mark.parametrize(
    ("heading", "cell", "value", "kind", "detail"),
    [
        ("Glass eels", 12.0, 12.0, None, None),
        ("Glass eels", "1,204", 1204.0, None, None),
        ("Glass eels", "~200", 200.0, "qualifier", "~"),
        ("Glass eels", ">500", 500.0, "qualifier", ">"),
        ("Glass eels", "<1", 1.0, "qualifier", "<"),
        ("Glass eels", "12 (6 dead)", 12.0, "qualifier", "(6 dead)"),
        ("Glass eels", "none", 0.0, "qualifier", "none"),
        ("Glass eels", 3.4, 3.4, None, None),
        ("Glass eels", -3.0, -3.0, None, None),
        ("Glass eels", "heaps", None, "not-understood", None),
        ("Glass eels", "10-12", None, "not-understood", None),
        ("Glass eels", "3+4", None, "not-understood", None),
        ("Glass eels", dt.date(2026, 3, 4), None, "not-understood", None),
        ("Glass eels", "#DIV/0!", None, "not-understood", None),
        ("Glass eels", "=B2+C2", None, "not-understood", None),
        ("Glass eels", True, None, "not-understood", None),
        ("Glass eels", "n/a", None, "no-value", "n/a"),
        ("Glass eels", "no data", None, "no-value", "no data"),
        ("Glass eels", "-", None, "no-value", "-"),
        ("Glass eels", "ND", None, "no-value", "nd"),
        ("Glass eels", "12 eels", 12.0, None, None),
        ("Glass eels", "~12 eels", 12.0, "qualifier", "~"),
        ("Glass eels", "12 elvers", None, "not-understood", None),
        ("Glass eels", "net out", None, "no-value", "the net was not fishing"),
        ("Glass eels", None, None, None, None),
        ("Water temp (F)", 41.0, 5.0, None, None),
        ("Water temp", "41F", 5.0, "unit-in-cell", "degF"),
        ("Water temp", "5,2 C", 5.2, None, None),
        ("Water temp", "broken meter", None, "no-value", "broken meter"),
        ("Water temp (C)", "5.4\u00b0", 5.4, None, None),
        ("Water temp (F)", "41 deg", 5.0, None, None),
        ("Salinity", "5.4\u00b0", None, "not-understood", None),
        ("Water temp", "cold", None, "not-understood", None),
        ("Rain (in)", "trace", 0.0, "qualifier", "trace"),
        ("Rain (in)", 0.4, 10.16, None, None),
        ("Conductivity (mS/cm)", 12.2, 12200.0, None, None),
        ("Wind Bft", 3.0, 4.343983425, None, None),
        ("Level (ft)", 1.5, 45.72, None, None),
        ("Secchi (m)", 0.35, 35.0, None, None),
        ("Cloud (oktas)", 4.0, 50.0, None, None),
        ("Hours fished", dt.timedelta(hours=24, minutes=15), 24.25, None, None),
        ("Hours fished", dt.time(22, 30), 22.5, None, None),
        ("Hours fished", dt.datetime(1900, 1, 1, 0, 15), 24.25, None, None),
        ("Hours fished", "23h30", 23.5, None, None),
        ("Hours fished", "24:15", 24.25, None, None),
        ("Hours fished", "1440 min", 24.0, "unit-in-cell", "min"),
        ("Soak (min)", 1440.0, 24.0, None, None),
    ],
)
def test_numbers(
    heading: str, cell: Cell, value: float | None, kind: str | None, detail: str | None
) -> None:
    got, odd = one(heading, cell)
    assert got == (pytest.approx(value, abs=1e-8) if value is not None else None)
    assert [o["kind"] for o in odd] == ([kind] if kind else [])
    if detail is not None:
        assert odd[0]["detail"] == detail
    if odd:
        assert (odd[0]["cell"], odd[0]["sheet_row"]) == ("B5", 5)


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("3:15", dt.time(3, 15)),
        ("1515", dt.time(15, 15)),
        ("3.15 pm", dt.time(15, 15)),
        ("7:15 AM", dt.time(7, 15)),
        ("15h30", dt.time(15, 30)),
        (0.3125, dt.time(7, 30)),
        (dt.timedelta(hours=7, minutes=30), dt.time(7, 30)),
        (dt.time(7, 30), dt.time(7, 30)),
        (dt.datetime(2026, 3, 14, 7, 30), dt.time(7, 30)),
        (730.0, dt.time(7, 30)),
        ("12:10 am", dt.time(0, 10)),
        ("noon", dt.time(12)),
        ("12 pm", dt.time(12)),
    ],
)
def test_times_of_day(cell: Cell, value: dt.time) -> None:
    result = staged(
        book(
            ["Date", "Check time", "Glass eels"],
            *[[day, dt.time(7, 0), 1.0] for day in days(4)],
            [DAY, cell, 1.0],
        )
    )
    assert result.events["check_time"][4] == value
    assert result.oddities["kind"] == []


@pytest.mark.parametrize("cell", ["25:00", "early", "7:75", 12.75, "sevenish"])
def test_times_that_are_none(cell: Cell) -> None:
    result = staged(
        book(
            ["Date", "Check time", "Glass eels"],
            *[[day, dt.time(7, 0), 1.0] for day in days(4)],
            [DAY, cell, 1.0],
        )
    )
    assert result.events["check_time"][4] is None
    assert result.oddities["kind"] == ["not-understood"]


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (
            [
                "14-Mar-26",
                "14 March 2026",
                "March 14, 2026",
                "14Mar2026",
                "Sat 14 Mar 2026",
                "2026-03-14",
                "2026/3/14",
                "14th March 2026",
                "20260314",
                20260314.0,
                46095.0,
                "46095",
                dt.date(2026, 3, 14),
                dt.datetime(2026, 3, 14, 7, 30),
                "14/03/2026",
                "3/14/26",
            ],
            DAY,
        ),
        (["14/3/26", "03/04/2026"], dt.date(2026, 4, 3)),
        (["3/14/26", "03/04/2026"], dt.date(2026, 3, 4)),
        (["14.03.2026", "03.04.2026"], dt.date(2026, 4, 3)),
        ([dt.date(2026, 3, 13), "Mar 14"], DAY),
        ([dt.date(2026, 3, 13), "14 mar"], DAY),
        (["14/3/2026", "15/3/2026", "16/3"], dt.date(2026, 3, 16)),
    ],
)
def test_dates(cells: list[Cell], expected: dt.date) -> None:
    workbook = book(["Alder Creek 2026"], ["Date", "Glass eels"], *[[cell, 1.0] for cell in cells])
    result = staged(workbook)
    assert result.events["local_date"][-1] == expected
    assert "not-understood" not in result.oddities["kind"]
    if expected == DAY and len(cells) > 10:
        assert result.events["local_date"] == [DAY] * len(cells)


def test_day_numbers_of_a_1904_workbook() -> None:
    workbook = book(["Date", "Glass eels"], [44633.0, 1.0], [44634.0, 1.0])
    workbook.dialect = "dates counted from 1904"
    assert staged(workbook).events["local_date"] == [DAY, DAY + dt.timedelta(days=1)]


def test_day_numbers_among_dates_of_later_years_count_from_1904() -> None:
    workbook = book(["Date", "Glass eels"], [dt.date(2026, 3, 13), 1.0], [44633.0, 1.0])
    assert staged(workbook).events["local_date"][1] == DAY


def test_a_date_that_can_be_read_two_ways_is_not_read() -> None:
    result = staged(book(["Date", "Glass eels"], ["3/4/26", 1.0], ["4/4/26", 2.0]))
    assert result.events["local_date"] == [None, dt.date(2026, 4, 4)]
    assert result.events["event_id"][0] is None
    (odd,) = rows_of(result.oddities)
    assert (odd["kind"], odd["field"], odd["cell"], odd["raw"]) == (
        "not-understood",
        "local_date",
        "A2",
        "3/4/26",
    )


def test_no_day_of_the_calendar_is_said_so_and_the_row_stays() -> None:
    result = staged(book(["Date", "Glass eels"], ["3/14/26", 1.0], ["2/30/26", 2.0], [None, 3.0]))
    assert result.events["local_date"] == [DAY, None, None]
    assert result.catches["count"] == [1.0, 2.0, 3.0]
    assert result.oddities["kind"] == ["not-understood"]


def test_choices_taxa_and_words_outside_the_list() -> None:
    result = staged(
        book(
            ["Date", "Species", "Stage", "Number", "Tide"],
            [DAY, "American eel", "glass", 3.0, "Flooding"],
            [DAY, "Mummichogs", None, 2.0, "flood tide"],
            [DAY, "Snark", None, 2.0, "sideways"],
        )
    )
    assert result.catches["taxon"] == [EEL, "fundulus-heteroclitus", None]
    assert result.catches["life_stage"] == ["glass eel", "unspecified", "unspecified"]
    assert result.events["tide_stage"] == ["flood"]
    assert {(o["field"], o["kind"], o["raw"]) for o in rows_of(result.oddities)} == {
        ("taxon", "not-in-list", "Snark"),
        ("tide_stage", "not-in-list", "sideways"),
    }
    assert (
        next(o for o in rows_of(result.oddities) if o["field"] == "taxon")["catch_id"]
        == (result.catches["catch_id"][2])
    )


# -- effort and time --------------------------------------------------------------------------


def test_a_set_time_without_a_date_is_the_last_such_time_before_the_check() -> None:
    result = staged(
        book(
            ["Date", "Set time", "Check time", "Glass eels"],
            [DAY, dt.time(8, 0), dt.time(7, 30), 1.0],
            [DAY, dt.time(6, 0), dt.time(7, 30), 1.0],
        )
    )
    assert result.events["set_at"] == [dt.datetime(2026, 3, 13, 8), dt.datetime(2026, 3, 14, 6)]
    assert result.events["soak_hours"] == [23.5, 1.5]
    assert result.events["set_date"] == [None, None]


def test_soak_hours_are_elapsed_hours_through_a_clock_change() -> None:
    # In this zone the clock goes from 02:00 to 03:00 on 8 March 2026 (IANA tz database).
    result = staged(
        book(
            ["Set date", "Set time", "Check date", "Check time", "Glass eels"],
            *[
                [day - dt.timedelta(days=1), dt.time(8, 0), day, dt.time(8, 0), 1.0]
                for day in (dt.date(2026, 3, 7), dt.date(2026, 3, 8), dt.date(2026, 3, 9))
            ],
        )
    )
    assert result.events["soak_hours"] == [24.0, 23.0, 24.0]
    assert result.events["checked_at_utc"] == [
        dt.datetime(2026, 3, 7, 13),
        dt.datetime(2026, 3, 8, 12),
        dt.datetime(2026, 3, 9, 12),
    ]
    assert result.events["local_date"] == [
        dt.date(2026, 3, 7),
        dt.date(2026, 3, 8),
        dt.date(2026, 3, 9),
    ]


def test_an_unreadable_check_date_is_the_events_own_date() -> None:
    result = staged(
        book(
            ["Set date", "Check date", "Glass eels"],
            [dt.date(2026, 3, 13), DAY, 1.0],
            [DAY, "Arpil-ish", 1.0],
        )
    )
    assert result.events["local_date"] == [DAY, None]
    assert result.oddities["field"] == ["local_date"]


def test_date_and_time_in_one_column() -> None:
    result = staged(
        book(
            ["Date/time", "Glass eels"],
            [dt.datetime(2026, 3, 14, 7, 30), 1.0],
            [dt.datetime(2026, 3, 15, 7, 45), 1.0],
        )
    )
    assert result.events["check_time"] == [dt.time(7, 30), dt.time(7, 45)]
    assert result.events["event_id"][0] == "alder-creek:fyke:A:2026-03-14T0730"


@pytest.mark.parametrize("words", ["net out", "lifted", "not fished", "Net lifted - flood"])
def test_words_in_a_count_cell_say_that_the_net_was_not_fishing(words: str) -> None:
    result = staged(
        book(
            ["Date", "Glass eels", "Elvers"],
            [DAY, 3.0, 0.0],
            [DAY + dt.timedelta(days=1), words, None],
        )
    )
    assert result.events["net_status"] == ["fishing", "lifted"]
    assert result.catches["count"][2:] == [None, None]
    assert result.oddities["kind"] == ["no-value"]


@pytest.mark.parametrize(
    ("cell", "set_at", "kind"),
    [
        ("5 pm", dt.datetime(2026, 3, 12, 17), []),
        ("06:00", dt.datetime(2026, 3, 13, 6), []),
        ("06:00 prev day", dt.datetime(2026, 3, 12, 6), ["qualifier"]),
        ("yesterday 16:30", dt.datetime(2026, 3, 12, 16, 30), ["qualifier"]),
        ("set 4pm, day before", dt.datetime(2026, 3, 12, 16), ["qualifier"]),
        ("16:00 (prev)", dt.datetime(2026, 3, 12, 16), ["qualifier"]),
        (dt.datetime(2026, 3, 10, 17), dt.datetime(2026, 3, 10, 17), []),
        ("2026-03-10 17:00", dt.datetime(2026, 3, 10, 17), []),
        ("17:00 2026-03-10", dt.datetime(2026, 3, 10, 17), []),
        ("4 pm 10 Mar", dt.datetime(2026, 3, 10, 16), []),
        ("dusk", None, ["not-understood"]),
        ("n/a", None, ["no-value"]),
    ],
)
def test_a_set_time_may_name_its_day(
    cell: Cell, set_at: dt.datetime | None, kind: list[str]
) -> None:
    checked = dt.date(2026, 3, 13)
    result = staged(
        book(
            ["Date", "Set time", "Check time", "Glass eels"],
            *[[day, dt.time(17), dt.time(7), 1.0] for day in days(4)],
            [checked, cell, dt.time(7), 1.0],
        )
    )
    assert result.events["set_at"][4] == set_at
    assert result.oddities["kind"] == kind
    assert result.events["set_at"][0] == dt.datetime(2026, 3, 2, 17)


def test_a_date_beside_a_check_time_marks_it_and_moves_nothing() -> None:
    result = staged(
        book(
            ["Date", "Check time", "Glass eels"],
            *[[day, "7:00", 1.0] for day in days(4)],
            [DAY, "2026-03-01 7:00", 1.0],
        )
    )
    assert result.events["checked_at"][4] == dt.datetime.combine(DAY, dt.time(7))
    assert result.oddities["kind"] == ["qualifier"]


def test_a_date_without_a_year_takes_that_of_the_text_dates_beside_it() -> None:
    result = staged(
        book(
            ["Date", "Hours fished", "Glass eels"],
            ["14/3/2026", 24.0, 1.0],
            ["15/3/2026", 24.0, 1.0],
            ["16/3", 24.0, 1.0],
        )
    )
    assert result.events["local_date"][2] == dt.date(2026, 3, 16)


def test_status_from_its_column_from_remarks_or_not_known() -> None:
    result = staged(
        book(
            ["Date", "Glass eels", "Remarks"],
            [DAY, None, "net lifted for the weekend"],
            [DAY, None, "windy"],
            [DAY, 0.0, "net out of line, straightened"],
        )
    )
    assert result.events["net_status"] == ["lifted", None, "fishing"]


def test_a_blank_is_not_a_zero() -> None:
    result = staged(
        book(["Date", "Glass eels", "Remarks"], [DAY, None, "dark"], [DAY, 0.0, "light"])
    )
    assert result.catches["count"] == [None, 0.0]


# -- nets, events, catches ---------------------------------------------------------------------


def test_nets_are_named_as_the_site_names_them() -> None:
    here = site(nets=("A", "B"))
    result = staged(
        book(
            ["Date", "Net", "Glass eels"],
            [DAY, "Net B", 1.0],
            [DAY, "a", 1.0],
            [DAY, None, 1.0],
            [DAY, "Q", 1.0],
        ),
        here,
    )
    assert result.events["gear_unit"] == ["B", "A", "A", "Q"]
    (odd,) = rows_of(result.oddities)
    assert (odd["kind"], odd["field"], odd["sheet_row"]) == ("qualifier", "gear_unit", 4)


def test_long_rows_of_one_check_are_one_event() -> None:
    result = staged(
        book(
            ["Date", "Time", "Species", "Stage", "Count", "Dead", "Water temp (F)", "Remarks"],
            [DAY, dt.time(7, 30), "American eel", "glass", 12.0, 1.0, 41.0, None],
            [DAY, dt.time(7, 30), "American eel", "elver", 3.0, 0.0, 41.0, "weed"],
            [DAY, dt.time(7, 30), "Mummichog", None, 2.0, 0.0, 41.0, None],
            [dt.date(2026, 3, 15), dt.time(7, 40), "American eel", "glass", 9.0, 0.0, 42.8, None],
        )
    )
    assert result.events["sheet_row"] == [2, 5]
    assert result.events["remarks"] == ["weed", None]
    assert result.events["water_temperature"] == [5.0, 6.0]
    first, second = result.events["row_id"]
    assert result.catches["row_id"] == [first, first, first, second]
    assert result.catches["mortality"] == [1.0, 0.0, 0.0, 0.0]
    assert result.rows["row_id"] == [first, first, first, second]


def test_a_repeated_long_row_begins_a_second_event_of_the_same_id() -> None:
    row: list[Cell] = [DAY, "American eel", "glass", 12.0]
    other: list[Cell] = [DAY, "American eel", "elver", 3.0]
    result = staged(book(["Date", "Species", "Stage", "Count"], row, other, list(row), list(other)))
    assert len(result.events["event_id"]) == 2
    assert len(set(result.events["event_id"])) == 1
    assert len(result.catches["count"]) == 4
    assert result.catches["row_id"][0] == result.catches["row_id"][1]
    assert result.catches["row_id"][2] == result.catches["row_id"][3]


def test_a_repeated_wide_row_stays_two_events_with_the_same_content() -> None:
    row: list[Cell] = [DAY, dt.time(7, 30), 12.0, 5.0]
    result = staged(
        book(
            ["Date", "Time", "Glass eels", "Water temp"],
            row,
            list(row),
            [dt.date(2026, 3, 15), dt.time(7, 30), 12.0, 5.0],
            [dt.date(2026, 3, 16), dt.time(7, 30), 13.0, 5.0],
        )
    )
    assert result.events["event_id"][0] == result.events["event_id"][1]
    content = result.events["content"]
    assert content[0] == content[1] == content[2] != content[3]


def test_a_date_merged_over_the_rows_of_two_nets() -> None:
    result = staged(
        book(
            ["Date", "Net", "Glass eels"], [DAY, "A", 1.0], [None, "B", 2.0], merged=[(1, 0, 2, 0)]
        ),
        site(nets=("A", "B")),
    )
    assert result.events["local_date"] == [DAY, DAY]
    assert result.events["gear_unit"] == ["A", "B"]


def test_unnamed_catch_columns_belong_to_the_first_target() -> None:
    result = staged(
        book(
            ["Date", "Glass eels", "Elvers", "Released", "Dead", "Dead elvers", "Subsample count"],
            [DAY, 40.0, 3.0, 38.0, 2.0, 1.0, 20.0],
        )
    )
    glass, elver = rows_of(result.catches)
    assert (glass["released"], glass["mortality"], glass["subsample_count"]) == (38.0, 2.0, 20.0)
    assert (elver["count"], elver["mortality"], elver["released"]) == (3.0, 1.0, None)


def test_a_stated_total_over_stages_is_kept_apart() -> None:
    result = staged(
        book(
            ["Date", "Glass eels", "Elvers", "Total"],
            *[[day, 4.0 + n, 3.0, 7.0 + n] for n, day in enumerate(days(4))],
        )
    )
    assert result.catches["life_stage"][:3] == ["glass eel", "elver", "all"]


# -- water tabs -----------------------------------------------------------------------------------


def _two_tabs(water: list[list[Cell]], headings: list[Cell] | None = None) -> Staged:
    return staged(
        Workbook(
            "x",
            "xlsx",
            [
                Sheet(
                    "Fyke",
                    [
                        ["Date", "Check time", "Glass eels", "Air temp"],
                        [DAY, dt.time(7, 30), 1.0, 2.0],
                        [dt.date(2026, 3, 15), dt.time(7, 30), 2.0, None],
                    ],
                ),
                Sheet(
                    "Water",
                    [headings or ["Date", "Water temp (F)", "Salinity", "Air temp"], *water],
                ),
            ],
        )
    )


def test_a_water_tab_fills_only_what_the_event_has_none_of() -> None:
    result = _two_tabs(
        [
            [DAY, 41.0, 12.0, 9.0],
            [dt.date(2026, 3, 15), 42.8, "lots", 9.0],
            [dt.date(2026, 3, 20), 50.0, 13.0, 9.0],
        ]
    )
    events = rows_of(result.events)
    assert [e["protocol"] for e in events] == ["fyke", "fyke", "water"]
    assert [e["water_temperature"] for e in events] == [5.0, 6.0, 10.0]
    assert [e["air_temperature"] for e in events] == [2.0, 9.0, 9.0]
    assert [(e["water_sheet"], e["water_row"]) for e in events] == [
        ("Water", 2),
        ("Water", 3),
        (None, None),
    ]
    assert [r["row_id"] for r in rows_of(result.rows)] == [
        events[0]["row_id"],
        events[1]["row_id"],
        events[0]["row_id"],
        events[1]["row_id"],
        events[2]["row_id"],
    ]
    (odd,) = rows_of(result.oddities)
    assert (odd["sheet"], odd["cell"], odd["row_id"]) == ("Water", "C3", events[1]["row_id"])


def test_of_several_readings_a_day_the_nearest_in_time_is_lent() -> None:
    result = _two_tabs(
        [[DAY, dt.time(13, 0), 9.0], [DAY, dt.time(7, 0), 5.0]], ["Date", "Time", "Water temp (C)"]
    )
    events = rows_of(result.events)
    assert (events[0]["water_temperature"], events[0]["water_row"]) == (5.0, 3)
    assert events[0]["check_time"] == dt.time(7, 30)
    assert events[2]["protocol"] == "water" and events[2]["water_temperature"] == 9.0


# -- the staged tables as a whole ---------------------------------------------------------------


_CELLS = st.one_of(
    st.none(),
    st.text(max_size=12),
    st.floats(allow_nan=False, allow_infinity=False, width=32),
    st.dates(dt.date(1900, 1, 2), dt.date(2100, 1, 1)),
    st.booleans(),
    st.datetimes(dt.datetime(1900, 1, 2), dt.datetime(2100, 1, 1)),
    st.times(),
    st.timedeltas(dt.timedelta(0), dt.timedelta(days=40)),
    st.sampled_from(
        [
            "~200",
            "41F",
            "3/4/26",
            "Mar 14",
            "net out",
            "n/a",
            "12 (6 dead)",
            "1,204",
            "7:15 AM",
            "flood",
            "Total",
            "American eel",
            "glass",
        ]
    ),
)


@settings(max_examples=60)
@given(st.lists(st.lists(_CELLS, min_size=6, max_size=6), max_size=8), st.booleans())
def test_any_cells_are_staged_or_skipped_and_never_lost(rows: list[list[Cell]], long: bool) -> None:
    headings: list[Cell] = (
        ["Date", "Check time", "Species", "Count", "Water temp (F)", "Remarks"]
        if long
        else ["Date", "Check time", "Glass eels", "Elvers", "Water temp (F)", "Remarks"]
    )
    sound: list[list[Cell]] = [
        [day, dt.time(7, 30), "American eel" if long else 3.0, 1.0, 41.0, "ok"] for day in days(9)
    ]
    workbook = book(headings, *sound, *rows)
    result = staged(workbook)
    for table, columns in ((result.events, EVENT_COLUMNS), (result.catches, CATCH_COLUMNS)):
        assert set(table) == set(columns)
        assert len({len(values) for values in table.values()}) == 1
    filled = [
        number
        for number, row in enumerate(workbook.sheets[0].rows[1:], start=2)
        if any(cell is not None for cell in row)
    ]
    assert result.rows["sheet_row"] == filled
    ids = set(result.events["row_id"])
    for row_id, skipped in zip(result.rows["row_id"], result.rows["skipped"], strict=True):
        assert (row_id is None) != (skipped is None)
        assert row_id is None or row_id in ids
    assert set(result.catches["row_id"]) <= ids
    assert set(result.oddities["row_id"]) <= ids


def test_ids_are_unique_and_rest_on_the_files_hash() -> None:
    result = staged(book(["Date", "Glass eels", "Elvers"], *[[day, 1.0, 2.0] for day in days(3)]))
    base = row_id_base(SHA)
    assert result.events["row_id"] == [base, base + 1, base + 2]
    assert result.catches["catch_id"] == list(range(base, base + 6))


def test_places_lead_back_to_the_cells() -> None:
    result = staged(
        book(
            ["Date", "Glass eels", "Barometer", "Water temp (F)"],
            *[[day, 1.0, 1013.0, 41.0] for day in days(3)],
        )
    )
    assert [
        (p["column_index"], p["field"], p["taxon"], p["unit"]) for p in rows_of(result.places)
    ] == [
        (0, "local_date", None, None),
        (1, "count", EEL, "1"),
        (3, "water_temperature", None, "degF"),
    ]


def test_the_profile_gives_units_and_date_order() -> None:
    here = site(profile=profile(units={"water_temperature": "degF"}, date_order="dmy"))
    result = staged(book(["Date", "Glass eels", "Water temp"], ["3/4/26", 1.0, 41.0]), here)
    assert result.events["local_date"] == [dt.date(2026, 4, 3)]
    assert result.events["water_temperature"] == [5.0]
