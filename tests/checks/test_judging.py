"""Judging as a whole: consequences, causes, places, order, and findings as values."""

from __future__ import annotations

import datetime as dt
import gc
import pickle
from dataclasses import replace
from typing import Any

import duckdb
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.causes import LEAST_ROWS
from checks.judging import Bound, Place, _no_cycles_sought, bind, detect, judge
from checks.relations import Relations
from checks.rule import Over
from shared.fields import FIELDS
from shared.findings import Finding
from shared.flags import GRAVITY
from shared.taxa import ALL_STAGES
from tests.checks.made_up_sheets import (
    AS_OF,
    EEL,
    FIRST_DAY,
    STICKLEBACK,
    MadeUpSheet,
    connected,
    judged,
    network_with,
    of_sheet,
)


def _one(sheet: MadeUpSheet, **network: Any) -> list[Finding]:
    return judged([sheet], network_with(**network))


# -- consequences: one fault, one finding -----------------------------------------------------


def _degrees(sheet: MadeUpSheet) -> None:
    sheet.row(water_temperature=48.0)


def _oxygen(sheet: MadeUpSheet) -> None:
    sheet.row(dissolved_oxygen=92.0)


def _swapped_times(sheet: MadeUpSheet) -> None:
    sheet.row(set_date=FIRST_DAY, set_time=dt.time(17, 30))


def _month_slip(sheet: MadeUpSheet) -> None:
    # Set a month early: the hours no longer match and reach before the previous check.
    sheet.row(0)
    sheet.row(1, set_date=dt.date(2026, 2, 10))


def _negative(sheet: MadeUpSheet) -> None:
    sheet.row(catches=[{"count": -12.0, "subsample_count": 310.0, "subsample_volume": 50.0,
                        "total_volume": 850.0, "released": 12.0}])


def _expanded(sheet: MadeUpSheet) -> None:
    sheet.row(catches=[{"count": 2570.0, "subsample_count": 310.0, "subsample_volume": 50.0,
                        "total_volume": 850.0, "released": 5270.0}])


def _unread_hours(sheet: MadeUpSheet) -> None:
    sheet.row(hours_fished=None, set_date=None, set_time=None,
              oddities=[{"field": "hours_fished", "raw": "a day", "kind": "not-understood"}])


def _unread_count(sheet: MadeUpSheet) -> None:
    sheet.row(catches=[{"count": None}, {"life_stage": "elver", "count": 3.0}],
              oddities=[{"field": "count", "raw": "lots", "kind": "not-understood", "catch": 0}])


def _future(sheet: MadeUpSheet) -> None:
    for day in range(3):
        sheet.row(day)
    date = dt.date(2062, 3, 13)
    sheet.row(local_date=date, check_date=date, set_date=None, set_time=None)


def _swapped_times_only(sheet: MadeUpSheet) -> None:
    # No hours column: the effort is missing because the times are wrong.
    sheet.row(set_date=FIRST_DAY, set_time=dt.time(17, 30), hours_fished=None)


def _overlapping_and_mismatched(sheet: MadeUpSheet) -> None:
    sheet.row(0)
    sheet.row(1, set_date=FIRST_DAY - dt.timedelta(days=1), set_time=dt.time(20, 0))


def _undated(sheet: MadeUpSheet) -> None:
    sheet.row(local_date=None, check_date=None, hours_fished=None)


def _unread_date(sheet: MadeUpSheet) -> None:
    sheet.row(local_date=None, check_date=None, hours_fished=None, oddities=[
        {"field": "local_date", "raw": "32/03/2026", "kind": "not-understood"}])


def _long_soak_in_future(sheet: MadeUpSheet) -> None:
    for day in range(3):
        sheet.row(day)
    date = dt.date(2062, 3, 13)
    sheet.row(local_date=date, check_date=date, hours_fished=None)


def _unread_and_released(sheet: MadeUpSheet) -> None:
    sheet.row(catches=[{"count": None, "released": 12.0}, {"life_stage": "elver", "count": 1.0}],
              oddities=[{"field": "count", "raw": "lots", "kind": "not-understood", "catch": 0}])


def _same_number(sheet: MadeUpSheet) -> None:
    # Without the salinity it would be mS/cm in a column of uS/cm, and implausible.
    sheet.row(salinity=16.3, specific_conductance=16.3)


def _lifted_and_unreleased(sheet: MadeUpSheet) -> None:
    sheet.row(net_status="lifted", catches=[{"count": 41.0, "released": 0.0}])


@pytest.mark.parametrize(("lay", "rule"), [
    (_degrees, "temperature-unit"), (_oxygen, "oxygen-unit"), (_swapped_times, "set-after-check"),
    (_month_slip, "soak-too-long"), (_negative, "count-negative"),
    (_expanded, "subsample-expansion"), (_unread_hours, "not-understood"),
    (_unread_count, "not-understood"), (_future, "date-in-future"),
    (_swapped_times_only, "set-after-check"), (_overlapping_and_mismatched, "soak-overlap"),
    (_undated, "missing-required"), (_unread_date, "date-unreadable"),
    (_long_soak_in_future, "date-in-future"), (_unread_and_released, "not-understood"),
    (_same_number, "salinity-disagrees"),
    (_lifted_and_unreleased, "count-while-not-fishing"),
])
def test_what_follows_from_a_fault_is_not_reported_beside_it(lay: object, rule: str) -> None:
    sheet = MadeUpSheet()
    assert callable(lay)
    lay(sheet)
    assert [finding.rule for finding in _one(sheet)] == [rule]


def test_two_faults_in_one_row_are_both_reported() -> None:
    sheet = MadeUpSheet()
    sheet.row(ph=72.0, net_status="lifted")
    assert {f.rule for f in _one(sheet)} == {"out-of-range", "count-while-not-fishing"}


def test_a_slip_is_not_reported_on_the_row_after_it() -> None:
    sheet = MadeUpSheet()
    sheet.row(0, check_time=dt.time(23, 0), set_date=FIRST_DAY, set_time=dt.time(23, 30))
    # Taken at its word, the first row's check would lie within the second row's soak.
    sheet.row(1, set_date=FIRST_DAY, set_time=dt.time(7, 0))
    assert [(f.rule, f.row) for f in _one(sheet)] == [("set-after-check", 4)]


def test_both_of_two_differing_rows_wait_and_the_first_of_two_copies_loads() -> None:
    copies, differing = MadeUpSheet(), MadeUpSheet()
    for content in ("one", "one"):
        copies.row(content=content)
    for content in ("one", "another"):
        differing.row(content=content)
    found = judged([copies, differing])
    assert [f.row for f in of_sheet(found, copies)] == [5]
    assert [f.row for f in of_sheet(found, differing)] == [4, 5]


def test_a_copy_of_a_row_with_a_long_soak_is_a_copy() -> None:
    # The soak is asked about and loads: with its copy the catch would count twice.
    sheet = MadeUpSheet()
    for _ in range(2):
        sheet.row(content="one", set_date=FIRST_DAY - dt.timedelta(days=3), hours_fished=None)
    assert [(f.rule, f.row) for f in _one(sheet)] == [
        ("duplicate-event", 5), ("soak-too-long", 4), ("soak-too-long", 5)]


def test_a_row_of_the_wrong_year_is_not_the_twin_of_the_row_of_that_year() -> None:
    last, this = MadeUpSheet(), MadeUpSheet()
    this.site = last.site
    for day in range(5):
        for sheet, year in ((last, 2025), (this, 2025 if day == 2 else 2026)):
            date = dt.date(year, 3, 10) + dt.timedelta(days=day)
            sheet.row(local_date=date, check_date=date, set_date=date - dt.timedelta(days=1))
    found = judged([last, this])
    assert [(f.rule, f.file_sha256, f.row) for f in found] == [
        ("date-out-of-season", this.sha, 6)]


def test_a_twin_is_named_with_its_file_where_that_is_another() -> None:
    one, other = MadeUpSheet(), MadeUpSheet()
    other.site = one.site
    one.row(content="one")
    other.row(content="another", sheet="Second tab")
    con, names = connected([one, other])
    with con:
        found = judge(
            con, network_with(), "creek", AS_OF, names, [*one.places, *other.places],
            lambda *_: "", {one.sha: "one.xlsx", other.sha: "other.xlsx"})
    told = {f.file_sha256: f.message for f in found}
    assert "(see row 4 of sheet Second tab in other.xlsx)" in told[one.sha]
    assert "(see row 4 of sheet Counts in one.xlsx)" in told[other.sha]


def test_one_event_is_one_question_however_many_kinds_of_animal_it_has() -> None:
    kinds = [{"count": 40.0}, {"life_stage": "elver", "count": 1.0},
             {"taxon": STICKLEBACK, "life_stage": "unspecified", "count": 3.0}]
    lifted, effortless, none = MadeUpSheet(), MadeUpSheet(), MadeUpSheet()
    lifted.row(net_status="lifted", catches=kinds)
    effortless.row(hours_fished=None, set_date=None, set_time=None, catches=kinds)
    none.row(hours_fished=0.0, set_date=None, set_time=None, catches=kinds)
    found = judged([lifted, effortless, none])
    assert [f.rule for f in of_sheet(found, lifted)] == ["count-while-not-fishing"]
    assert "44 animals" in of_sheet(found, lifted)[0].message
    assert [f.rule for f in of_sheet(found, effortless)] == ["effort-missing"]
    assert [f.rule for f in of_sheet(found, none)] == ["effort-missing"]


@pytest.mark.parametrize(("start", "end", "odd"), [
    ((2, 1), (6, 30), [dt.date(2026, 1, 31), dt.date(2026, 7, 1)]),
    ((11, 15), (4, 30), [dt.date(2026, 5, 1), dt.date(2025, 11, 14)]),
])
def test_the_network_decides_its_season_even_across_new_year(
    start: tuple[int, int], end: tuple[int, int], odd: list[dt.date]
) -> None:
    network = network_with(season_start=start, season_end=end)
    fine = [network.season_span(2026)[0], network.season_span(2026)[1]]
    sheet = MadeUpSheet()
    for date in (*fine, *odd):
        sheet.row(local_date=date, check_date=date, set_date=None, set_time=None,
                  season=network.season_of(date))
    found = [f for f in judged([sheet], network, as_of=dt.date(2026, 12, 31))
             if f.rule == "date-out-of-season"]
    assert {f.local_date for f in found} == {str(date) for date in odd}
    assert all("outside the network's season" in f.message for f in found)


def test_seine_hauls_are_expected_all_year() -> None:
    sheet = MadeUpSheet(protocol="seine")
    sheet.row(local_date=dt.date(2025, 12, 20), catches=[
        {"taxon": STICKLEBACK, "life_stage": "unspecified"}])
    assert _one(sheet, season_start=(2, 1), season_end=(6, 30)) == []


@pytest.mark.parametrize(("told", "judge_it"), [
    ({"sites": 3, "air_temperature_least": -9.0, "air_temperature_most": 7.0,
      "precipitation_least": 2.0, "precipitation_most": 70.0}, True),
    ({"sites": 2, "air_temperature_least": -2.5, "air_temperature_most": 0.5,
      "precipitation_least": 16.0, "precipitation_most": 32.0}, True),
    ({"sites": 2, "air_temperature_least": -3.0, "air_temperature_most": 0.5,
      "precipitation_least": 15.0, "precipitation_most": 33.0}, False),
    ({"sites": 1}, False),
])
def test_three_neighbours_or_two_that_agree_judge_a_reading(
    told: dict[str, float], judge_it: bool
) -> None:
    sheet = MadeUpSheet()
    sheet.row(air_temperature=30.0, precipitation=0.9)
    found = judged([sheet], neighbours={
        FIRST_DAY: {"air_temperature": -1.0, "precipitation": 24.0} | told})
    assert {f.rule for f in found} == (
        {"temperature-unit", "precipitation-unit"} if judge_it else set())


def test_thermometers_far_apart_do_not_agree_however_warm_the_day() -> None:
    # Rain may differ in proportion; 12 and 24 degC are two weathers.
    sheet = MadeUpSheet(units={"air_temperature": "degF"}, raw={"air_temperature": "18"})
    sheet.row(air_temperature=-7.8)
    apart = {"sites": 2, "air_temperature": 18.0, "air_temperature_least": 12.0,
             "air_temperature_most": 24.0}
    assert judged([sheet], neighbours={FIRST_DAY: apart}) == []


def test_neighbours_of_one_field_do_not_vouch_for_another() -> None:
    sheet = MadeUpSheet()
    sheet.row(air_temperature=30.0)
    told = {"sites": 5, "precipitation": 24.0, "water_temperature": -1.0}
    assert judged([sheet], neighbours={FIRST_DAY: told}) == []


def test_a_column_that_is_blank_by_habit_is_not_asked_about() -> None:
    # Elvers are written only when there are some: their blanks are the leads' way, not slips.
    sheet = MadeUpSheet()
    for day in range(10):
        sheet.row(day, catches=[{"count": 5.0}, {"life_stage": "elver", "count": None}])
    assert _one(sheet) == []


def test_a_net_that_was_not_fishing_needs_no_count() -> None:
    sheet = MadeUpSheet()
    for day in range(9):
        sheet.row(day)
    sheet.row(9, net_status="lifted", catches=[{"count": None}])
    assert _one(sheet) == []
    sheet.row(10, catches=[{"count": None}])
    assert [f.rule for f in _one(sheet)] == ["zero-or-blank"]


def test_a_lost_decimal_point_is_told_from_another_unit_by_the_days_around() -> None:
    cold, warm = MadeUpSheet(), MadeUpSheet()
    for day in range(6):
        cold.row(day, water_temperature=5.2)
        warm.row(day, water_temperature=11.8)
    for sheet in (cold, warm):
        sheet.row(6, water_temperature=54.0)
    found = judged([cold, warm])
    assert [f.suggestion for f in of_sheet(found, cold)] == ["5.4 degC"]
    assert [f.suggestion for f in of_sheet(found, warm)] == ["12.2 degC"]


def test_a_lost_decimal_point_is_told_as_one() -> None:
    sheet = MadeUpSheet()
    for day in range(6):
        sheet.row(day, water_temperature=5.2)
    sheet.row(6, water_temperature=54.0)
    (finding,) = _one(sheet)
    assert "decimal point" in finding.message
    assert "degF" not in finding.message


def test_air_in_the_other_unit_is_never_taken_for_a_lost_point() -> None:
    # The days around say 5 degC, and 54 degF is 12.2: air may well be that from one day on.
    sheet = MadeUpSheet()
    for day in range(6):
        sheet.row(day, air_temperature=5.0)
    sheet.row(6, air_temperature=54.0)
    assert [f.suggestion for f in _one(sheet)] == ["12.2 degC"]


@pytest.mark.parametrize(("usual", "suggested"), [
    (9.9, "9.9 mg/l"), (9.2, "9.2 mg/l"), (9.55, ""), (None, ""),
])
def test_oxygen_is_suggested_only_where_the_days_around_decide(
    usual: float | None, suggested: str
) -> None:
    sheet = MadeUpSheet()
    for day in range(6):
        sheet.row(day, dissolved_oxygen=usual, salinity=8.0, water_temperature=10.0,
                  catches=[{"count": 10.0 + day}])
    sheet.row(6, dissolved_oxygen=92.0, salinity=8.0, water_temperature=10.0)
    assert [(f.rule, f.suggestion) for f in _one(sheet)] == [("oxygen-unit", suggested)]


def test_no_oxygen_is_suggested_that_would_be_asked_about() -> None:
    sheet = MadeUpSheet()
    for day in range(6):
        sheet.row(day, dissolved_oxygen=16.0, salinity=0.0, water_temperature=0.0,
                  catches=[{"count": 10.0 + day}])
    sheet.row(6, dissolved_oxygen=200.0, salinity=0.0, water_temperature=0.0)
    assert [(f.rule, f.suggestion) for f in _one(sheet)] == [("oxygen-unit", "")]


# -- causes -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rows", "causes"), [
    (LEAST_ROWS, 1), (LEAST_ROWS - 1, LEAST_ROWS - 1), (LEAST_ROWS + 4, 1)])
def test_alike_findings_in_one_column_are_one_question(rows: int, causes: int) -> None:
    sheet = MadeUpSheet()
    for day in range(rows):
        sheet.row(day, water_temperature=48.0)
    found = _one(sheet)
    assert len(found) == rows
    assert len({f.cause for f in found}) == causes


def test_other_columns_sheets_and_rules_are_other_questions() -> None:
    one, other = MadeUpSheet(), MadeUpSheet()
    for day in range(LEAST_ROWS):
        one.row(day, water_temperature=48.0, air_temperature=99.0, ph=72.0,
                catches=[{"count": 10.0 + day}])
        other.row(day, water_temperature=48.0)
    found = judged([one, other])
    assert len(found) == 4 * LEAST_ROWS
    assert len({f.cause for f in found}) == 4


def test_two_tabs_of_one_file_are_two_questions() -> None:
    sheet = MadeUpSheet()
    for day in range(LEAST_ROWS):
        sheet.row(day, ph=72.0)
        sheet.row(day + 20, ph=72.0, sheet="Second net")
    assert len({f.cause for f in _one(sheet)}) == 2


def test_rows_that_stand_twice_are_asked_about_one_by_one() -> None:
    sheet = MadeUpSheet()
    for day in range(LEAST_ROWS):
        sheet.row(day, content="one")
        sheet.row(day, content="one")
    found = _one(sheet)
    assert [f.rule for f in found] == ["duplicate-event"] * LEAST_ROWS
    assert len({f.cause for f in found}) == LEAST_ROWS


# -- places ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("without", "checked", "points_at"), [
    ((), dt.time(7), "hours_fished"), (("hours_fished",), dt.time(7), "set_time"),
    (("hours_fished", "set_time"), None, "check_time"),
    # A time that stands there is not what is wanting.
    (("hours_fished", "set_time"), dt.time(7), "local_date"),
    (("hours_fished", "set_time", "check_time"), None, "local_date"),
])
def test_a_field_with_no_column_points_at_what_stands_for_it(
    without: tuple[str, ...], checked: dt.time | None, points_at: str
) -> None:
    sheet = MadeUpSheet(without=without)
    row = sheet.row(hours_fished=None, set_date=None, set_time=None, check_time=checked)
    (finding,) = _one(sheet)
    assert (finding.field, finding.cell) == ("hours_fished", sheet.cell(row, points_at))


def test_a_count_points_at_the_column_of_its_taxon_and_stage() -> None:
    sheet = MadeUpSheet()
    row = sheet.row(catches=[
        {"count": 3.0}, {"life_stage": "elver", "count": -4.0},
        {"taxon": STICKLEBACK, "life_stage": "unspecified", "count": 2.5}])
    found = {(f.taxon, f.life_stage): f.cell for f in _one(sheet)}
    assert found == {
        (EEL, "elver"): sheet.cell(row, "count", "elver"),
        (STICKLEBACK, "unspecified"): sheet.cell(row, "count", "unspecified"),
    }


def test_a_value_from_a_water_tab_points_at_that_tab() -> None:
    sheet = MadeUpSheet(without=("ph",))
    sheet.row(ph=72.0, water_sheet="Water", water_row=17)
    sheet.places.append(Place(sheet.sha, "Water", 2, "ph", None, None, "1"))
    con, names = connected([sheet])
    with con:
        (finding,) = judge(
            con, network_with(), "creek", AS_OF, names, sheet.places,
            lambda _, tab, row, column: f"{tab} {row} {column}", {})
    assert (finding.sheet, finding.row, finding.cell) == ("Water", 17, "C17")
    assert finding.value == "Water 17 2"


# -- order, determinism, findings as values ------------------------------------------------------


def _mixed() -> list[MadeUpSheet]:
    sheets = [MadeUpSheet() for _ in range(3)]
    for number, sheet in enumerate(sheets):
        for day in range(12):
            odd: dict[int, dict[str, Any]] = {
                0: {"ph": 72.0}, 3: {"water_temperature": 48.0}, 5: {"net_status": "lifted"},
                8: {"salinity": 39.0}}
            sheet.row(day, **odd.get((day + number) % 10, {}))
        sheet.row(11, content="another")
    return sheets


def test_judging_twice_gives_the_same_findings_in_the_same_order() -> None:
    sheets = _mixed()
    first = judged(sheets)
    assert len(first) > 12
    assert judged(sheets) == first
    assert {f.id: f for f in judged(sheets[::-1])} == {f.id: f for f in first}


def test_the_gravest_comes_first() -> None:
    order = [GRAVITY.index(f.effect) for f in judged(_mixed())]
    assert order == sorted(order)


def test_a_finding_survives_pickling() -> None:
    for finding in judged(_mixed()):
        back = pickle.loads(pickle.dumps(finding))
        assert back == finding
        assert back.id == finding.id


def test_ids_of_findings_are_their_own_and_outlive_a_moved_row() -> None:
    sheet = MadeUpSheet()
    for day in range(4):
        sheet.row(day, ph=72.0 + day, turbidity=-1.0)
    found = _one(sheet)
    assert len({f.id for f in found}) == len(found) == 8
    moved = [f.__class__(**{name: getattr(f, name) for name in f.__slots__} | {
        "row": 99, "cell": "A99", "row_id": 1}) for f in found]
    assert [f.id for f in moved] == [f.id for f in found]


def test_findings_print_as_the_contract_says() -> None:
    sheet = MadeUpSheet(units={"water_temperature": "degF"}, raw={"water_temperature": "5.2"})
    row = sheet.row(water_temperature=-14.889)
    (finding,) = _one(sheet)
    assert finding.as_contract() == {
        "sheet": "Counts", "row": row, "cell": sheet.cell(row, "water_temperature"),
        "field": "water_temperature", "rule": "temperature-unit", "effect": "mask", "flag": 3,
        "value": "5.2", "suggestion": "41.4 degF", "message": finding.message,
    }


# -- how hits are found ----------------------------------------------------------------------------


def _hits(con: duckdb.DuckDBPyConnection, names: Relations, bound: list[Bound]) -> list[str]:
    detect(con, network_with(), AS_OF, names, bound)
    return sorted(map(str, con.execute("SELECT * FROM rule_hits").fetchall()))


def test_asking_together_loses_no_hit_and_adds_none() -> None:
    con, names = connected(_mixed())
    with con:
        bound = [b for b in bind(network_with()) if b.probe.over is not Over.SERIES]
        together = _hits(con, names, bound)
        alone = [hit for item in bound for hit in _hits(con, names, [item])]
    assert len(together) >= 15
    assert sorted(alone) == together


GUARDED = [b for b in bind(network_with()) if b.probe.guard]
READINGS = ("water_temperature", "air_temperature", "precipitation", "salinity", "conductivity",
            "specific_conductance", "dissolved_oxygen", "hours_fished", "soak_hours")


def _edges(field: str) -> list[float]:
    """Numbers about what the rules compare a field with, in either unit."""
    marks = {0.0, 1.0, 6.0, 20.0, 25.0, 54.0, 168.0, 200.0, 12_000.0}
    if field in FIELDS:
        for span in (FIELDS[field].possible, FIELDS[field].plausible):
            marks |= {float(m) for m in (span and span.low, span and span.high) if m is not None}
    marks |= {m * by for m in marks for by in (25.4, 1 / 25.4, 1000.0, 0.001, 100.0, 0.01)}
    marks |= {m * 1.8 + 32 for m in marks} | {(m - 32) / 1.8 for m in marks}
    return sorted(m + off for m in marks for off in (-5.0, -0.01, 0.0, 0.01, 5.0))


@settings(max_examples=12)
@given(st.data())
def test_a_guard_lets_through_whatever_its_condition_hits(data: st.DataObject) -> None:
    drawn = {name: data.draw(st.lists(st.none() | st.sampled_from(_edges(name))
                                      | st.floats(-60, 160), min_size=20, max_size=20))
             for name in READINGS}
    # What is odd beside another value needs that value: the salinity, the site's usual.
    usual = data.draw(st.sampled_from([25.0, 100.0, 12_000.0]))
    drawn["specific_conductance"] = [
        usual * by for by in data.draw(st.lists(
            st.sampled_from([1.0, 1.0, 1.0, 1.1, 101.0, 126.0, 500.0, 0.009, 0.0099, 0.001]),
            min_size=20, max_size=20))]
    drawn["conductivity"] = [
        off if salt is None else salt + off for salt, off in zip(
            drawn["salinity"],
            data.draw(st.lists(st.sampled_from([-0.05, 0.0, 0.05, 900.0]),
                               min_size=20, max_size=20)), strict=True)]
    counts = data.draw(st.lists(
        st.none() | st.sampled_from([-1.0, 0.0, 0.5, 1.0, 2e4, 20_001.0, 2_000_001.0]),
        min_size=20, max_size=20))
    medians = st.fixed_dictionaries({
        "water_temperature": st.floats(-2, 30), "air_temperature": st.floats(-30, 40),
        "precipitation": st.sampled_from([0.0, 1.0, 6.0, 24.0, 90.0])})
    days = {FIRST_DAY + dt.timedelta(days=day): data.draw(medians) for day in range(6)}
    sheets = [MadeUpSheet(), MadeUpSheet()]
    for day in range(20):
        values = {name: column[day] for name, column in drawn.items()}
        sheets[day % 2].row(day // 3, catches=[{"count": counts[day]}], **values)
    con, names = connected(sheets, days)
    bare = [replace(b, probe=replace(b.probe, guard=None)) for b in GUARDED]
    with con:
        # One by one: asked together, a guard that is too narrow hides behind the others'.
        alone = [hit for item in GUARDED for hit in _hits(con, names, [item])]
        assert sorted(alone) == _hits(con, names, bare) == _hits(con, names, GUARDED)


AMOUNTS = st.none() | st.sampled_from([0.0, 1.0, 2.0, 5.0, 7.0])
CATCH = st.fixed_dictionaries({
    "taxon": st.sampled_from([EEL, STICKLEBACK]),
    "life_stage": st.sampled_from(["glass eel", "elver", ALL_STAGES]),
    "count": AMOUNTS, "released": AMOUNTS, "mortality": AMOUNTS, "kept": AMOUNTS})


@settings(max_examples=12)
@given(st.lists(st.tuples(st.lists(CATCH, max_size=4),
                          st.sampled_from([None, 0.0, 24.0]), st.booleans()),
                min_size=12, max_size=12))
def test_rows_that_are_not_summed_could_not_have_been_hit(
    rows: list[tuple[list[dict[str, Any]], float | None, bool]]
) -> None:
    sheet = MadeUpSheet()
    for day, (catches, hours, lifted) in enumerate(rows):
        sheet.row(day, catches=catches, hours_fished=hours, set_date=None, set_time=None,
                  net_status="lifted" if lifted else "fishing")
    tallying = [b for b in bind(network_with()) if b.probe.over is Over.TALLIES]
    assert all(b.probe.rows is not None for b in tallying)
    every = [replace(b, probe=replace(b.probe, rows=None)) for b in tallying]
    con, names = connected([sheet])
    with con:
        assert _hits(con, names, tallying) == _hits(con, names, every)


def test_a_salinity_that_cannot_be_does_not_condemn_the_conductivity() -> None:
    # 5,000 stands in both columns: it is the conductivity's own number.
    sheet = MadeUpSheet()
    sheet.row(salinity=5000.0, conductivity=5000.0)
    assert [(f.rule, f.field) for f in _one(sheet)] == [("salinity-disagrees", "salinity")]


def test_the_collector_goes_on_when_the_last_of_several_judgements_has_ended() -> None:
    assert gc.isenabled()
    first, second = _no_cycles_sought(), _no_cycles_sought()
    first.__enter__()
    second.__enter__()
    first.__exit__(None, None, None)
    assert not gc.isenabled()
    second.__exit__(None, None, None)
    assert gc.isenabled()
