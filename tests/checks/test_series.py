"""Rows one after another as a whole: causes, consequences, look-alikes, evidence, suggestions."""

from __future__ import annotations

import datetime as dt
from typing import Any

import duckdb
import pytest

from shared.findings import Finding
from tests.checks.evidence import lay_out_site_days, neighbour_evidence
from tests.checks.made_up_sheets import EEL, FIRST_DAY, MadeUpSheet, connected, judged, of_sheet


def _about(sheet: MadeUpSheet, *rules: str) -> list[Finding]:
    return [f for f in of_sheet(judged([sheet]), sheet) if f.rule in rules]


def _varied(sheet: MadeUpSheet, days: range, **given: float) -> None:
    for day in days:
        readings: dict[str, Any] = {"water_temperature": 4.0 + day % 15 * 0.3 + day * 0.01,
                                    "salinity": 9.0 + day % 11 * 0.2 + day * 0.01,
                                    "air_temperature": day % 9 + 0.1}
        sheet.row(day, catches=[{"count": 20.0 + day * 7 % 23}], **(readings | given))


# -- causes: one slip of the hand is one question ---------------------------------------------


def test_a_run_of_copied_cells_is_one_cause_and_another_run_another() -> None:
    sheet = MadeUpSheet()
    _varied(sheet, range(30))
    _varied(sheet, range(30, 36), water_temperature=5.27)
    _varied(sheet, range(36, 50))
    _varied(sheet, range(50, 56), water_temperature=6.31)
    found = _about(sheet, "copied-down")
    assert len(found) == 10
    assert len({f.cause for f in found}) == 2


def test_rows_copied_whole_are_not_told_again_column_by_column() -> None:
    sheet = MadeUpSheet()
    _varied(sheet, range(30))
    for day in range(30, 36):
        sheet.row(day, water_temperature=5.27, salinity=11.3, air_temperature=3.9,
                  catches=[{"count": 31.0}])
    found = of_sheet(judged([sheet]), sheet)
    assert {f.rule for f in found} == {"row-pasted"}
    assert len(found) == 5
    assert len({f.cause for f in found}) == 1


def test_a_drifting_probe_is_one_cause() -> None:
    sheet = MadeUpSheet()
    beside = {FIRST_DAY + dt.timedelta(days=day): {"water_temperature": 6.0} for day in range(90)}
    for day in range(90):
        sheet.row(day, water_temperature=6.1 + day % 2 * 0.2 + max(0, day - 60) * 0.2,
                  catches=[{"count": 20.0 + day * 7 % 23}])
    found = [f for f in judged([sheet], neighbours=beside) if f.rule == "probe-drifting"]
    assert len(found) > 5
    assert len({f.cause for f in found}) == 1


# -- look-alikes: what is strange and true ----------------------------------------------------


def test_water_at_the_freezing_point_for_weeks_is_no_copied_cell() -> None:
    sheet = MadeUpSheet()
    _varied(sheet, range(30))
    _varied(sheet, range(30, 45), water_temperature=0.1)
    assert _about(sheet, "copied-down", "spike") == []


def test_a_column_that_repeats_by_habit_is_given_longer() -> None:
    sheet = MadeUpSheet()
    for day in range(60):
        sheet.row(day, hours_fished=24.0, salinity=10.0 + day // 6,
                  catches=[{"count": 20.0 + day * 7 % 23}])
    assert _about(sheet, "copied-down", "flat-line") == []


def test_a_warm_outfall_is_no_fault_of_its_thermometer() -> None:
    sheet = MadeUpSheet()
    beside = {FIRST_DAY + dt.timedelta(days=day): {"water_temperature": 6.0} for day in range(60)}
    for day in range(60):
        sheet.row(day, water_temperature=13.0 + day % 3 * 0.3,
                  catches=[{"count": 20.0 + day * 7 % 23}])
    assert [f for f in judged([sheet], neighbours=beside)
            if f.rule in ("unlike-neighbours", "probe-drifting")] == []


def test_a_pulse_of_the_whole_network_is_no_slip_of_one_site() -> None:
    sheet = MadeUpSheet()
    for day in range(11):
        sheet.row(day, catches=[{"count": 400.0 if day == 5 else 30.0 - day % 2}])
    pulse_day = FIRST_DAY + dt.timedelta(days=5)

    def rules(pulses: dict[dt.date, float]) -> list[str]:
        return [f.rule for f in judged([sheet], pulses=pulses) if f.field == "count"]

    assert rules({}) == ["unlike-history"]
    assert rules({pulse_day: 8.0}) == []


def test_a_season_without_an_eel_is_no_copied_column() -> None:
    sheet = MadeUpSheet()
    for day in range(60):
        sheet.row(day, catches=[{"count": 0.0}], water_temperature=4 + day % 7 * 0.3)
    assert judged([sheet]) == []


def test_a_run_that_swells_and_ebbs_is_no_running_total() -> None:
    sheet = MadeUpSheet()
    for day, count in enumerate((2, 3, 5, 9, 17, 34, 70, 66, 40, 22, 12, 5)):
        sheet.row(day, catches=[{"count": float(count)}])
    assert _about(sheet, "running-total") == []


@pytest.mark.parametrize(("beside", "asked"), [((11, 16, 9, 14), 5), ((70, 45, 90, 60), 0)])
def test_a_rise_is_a_sum_where_its_steps_are_like_the_nights_beside_it_not_its_nights(
    beside: tuple[int, ...], asked: int
) -> None:
    sheet = MadeUpSheet()
    for day, count in enumerate((*beside, 10, 24, 33, 48, 60, 71, *beside)):
        sheet.row(day, catches=[{"count": float(count)}])
    assert len(_about(sheet, "running-total")) == asked


@pytest.mark.parametrize(("pulses", "asked"), [
    ((), 5),
    ((1.0, 2.0, 4.0, 4.0, 8.0, 8.0), 0),
    ((2.0, 1.0, 0.5, 1.0, 2.0, 0.5), 5),
])
def test_a_rise_that_the_other_sites_have_too_is_no_sum(
    pulses: tuple[float, ...], asked: int
) -> None:
    sheet, beside = MadeUpSheet(), (11, 16, 9, 14)
    for day, count in enumerate((*beside, 10, 24, 33, 48, 60, 71, *beside)):
        sheet.row(day, catches=[{"count": float(count)}])
    told = {FIRST_DAY + dt.timedelta(days=4 + at): pulse for at, pulse in enumerate(pulses)}
    assert len([f for f in judged([sheet], pulses=told) if f.rule == "running-total"]) == asked


def test_the_same_small_catch_night_after_night_is_no_copied_cell() -> None:
    sheet = MadeUpSheet()
    for day in range(40):
        sheet.row(day, catches=[{"count": 2.0 if day > 25 else 5.0 + day * 7 % 30}])
    assert _about(sheet, "copied-down") == []


@pytest.mark.parametrize(("apart", "asked"), [(1, 5), (2, 0)])
def test_only_checks_one_after_another_are_copied_down(apart: int, asked: int) -> None:
    # The sheet leaves out what was not caught: nights between had none of it.
    sheet = MadeUpSheet()
    for day in range(60):
        caught = 5.0 + day * 7 % 30 if day < 40 else 12.0
        sheet.row(day, catches=[{"count": caught}] if day < 40 or
                  (day % apart == 0 and day < 40 + 6 * apart) else [])
    assert len(_about(sheet, "copied-down")) == asked


def test_a_value_that_is_doubted_already_is_not_told_again_nor_on_the_rows_beside_it() -> None:
    sheet = MadeUpSheet()
    for day in range(11):
        sheet.row(day, water_temperature=48.0 if day == 5 else 5.0 + day % 2 * 0.1)
    assert [(f.rule, f.row) for f in judged([sheet])] == [("temperature-unit", 9)]


# -- suggestions ------------------------------------------------------------------------------


@pytest.mark.parametrize(("released", "offered"), [(None, "40"), (40.0, "40"), (28.0, "")])
def test_what_is_suggested_passes_the_rules_or_is_not_suggested(
    released: float | None, offered: str
) -> None:
    # A digit too many: without it the row must account for every fish.
    sheet = MadeUpSheet()
    for day in range(11):
        sheet.row(day, catches=[{"count": 400.0 if day == 5 else 30.0,
                                 "released": released if day == 5 else None}])
    found = [f for f in judged([sheet]) if f.field in ("count", "released")]
    by_rule = {f.rule: f.suggestion for f in found}
    if released is None:
        assert by_rule["unlike-history"] == offered
    else:
        assert by_rule.get("unlike-history", "") == ("" if "fish-accounting" in by_rule
                                                     else offered)


def test_a_unit_is_not_offered_where_it_is_as_impossible() -> None:
    sheet = MadeUpSheet()
    for day in range(9):
        sheet.row(day, specific_conductance=12_000.0 + day,
                  catches=[{"count": 20.0 + day * 7 % 23}])
    sheet.row(9, specific_conductance=85.0)
    assert [(f.rule, f.suggestion) for f in judged([sheet])] == [("conductivity-unit", "")]


# -- evidence ---------------------------------------------------------------------------------


def _network(once: float = 300.0) -> tuple[duckdb.DuckDBPyConnection, list[MadeUpSheet]]:
    sheets = [MadeUpSheet() for _ in range(5)]
    for number, sheet in enumerate(sheets):
        for day in range(11):
            sheet.row(day, water_temperature=5.0 + number / 10, ph=7.0 + number / 10,
                      salinity=9.0 + day / 10,
                      catches=[{"taxon": EEL, "count": (once if day == 5 else 20.0) + number}])
    con, _ = connected(sheets)
    return con, sheets


@pytest.mark.parametrize(("caught", "times"), [(300.0, 16.0), (0.0, 0.125), (21.0, None)])
def test_a_day_on_which_the_sites_catch_other_than_usual_is_a_pulse_or_a_lull(
    caught: float, times: float | None
) -> None:
    con, sheets = _network(caught)
    with con:
        lay_out_site_days(con, "judged_events", "judged_catches")
        neighbour_evidence(con, [sheets[0].site])
        told = dict(con.execute("SELECT local_date, pulse FROM neighbour_pulse").fetchall())
    assert told.pop(FIRST_DAY + dt.timedelta(days=5), None) == times
    # The days about it are measured against it.
    assert all(pulse < 1 for pulse in told.values())


def test_evidence_of_catches_and_twins_changes_only_when_it_could_change_a_judgement() -> None:
    con, sheets = _network()

    def digest() -> str:
        lay_out_site_days(con, "judged_events", "judged_catches")
        return neighbour_evidence(con, [sheets[0].site])[sheets[0].site]

    with con:
        before = digest()
        other = sheets[1].events["row_id"][3]
        con.execute("UPDATE judged_catches SET count = 25 WHERE row_id = ?", [other])
        assert digest() == before
        # One row alike may be chance; two are asked about.
        rows = [sheet.events["row_id"][day] for sheet in sheets[:2] for day in (3, 4)]
        for alike in (rows[::2], rows):
            for row in alike:
                con.execute("UPDATE judged_events SET ph = 7.0, salinity = 9.3, "
                            "water_temperature = 5.0 WHERE row_id = ?", [row])
                con.execute("UPDATE judged_catches SET count = 20 WHERE row_id = ?", [row])
            twins = digest() and con.execute("SELECT site FROM neighbour_twins").fetchall()
            assert twins == ([] if alike != rows else [(sheets[1].site,)] * 2)
        assert digest() != before


def test_a_slip_beside_a_sum_does_not_hide_it() -> None:
    sheet = MadeUpSheet()
    for day, count in enumerate((11, 16, 9, 14, 10, 24, 33, 48, 60, 71, 12, 9, 1500, 14)):
        sheet.row(day, catches=[{"count": float(count)}])
    assert len(_about(sheet, "running-total")) == 5
