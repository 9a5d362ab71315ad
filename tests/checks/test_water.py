"""What readings of water say of each other: who is to blame, what is asked, what is not."""

from __future__ import annotations

import math
from typing import Any

import duckdb
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.catalogue import CATALOGUE
from checks.catalogue.water import stands_apart
from checks.judging import bind
from checks.rule import Case, Over, slip_of_the_pen
from shared.findings import Finding
from tests.checks.made_up_sheets import MadeUpSheet, connected, judged, network_with
from tests.checks.scenarios_of_water_and_fish import WATER

WATERY = [rule for rule in CATALOGUE.values()
          if any(b.probe.over is Over.WATER for b in bind(network_with(), [rule]))]
MINE = {rule.id for rule in WATERY}


def _found(sheet: MadeUpSheet, row: int) -> list[Finding]:
    return [f for f in judged([sheet]) if f.row == row and f.rule in MINE]


def _week(sheet: MadeUpSheet, **water: Any) -> None:
    for day in range(8):
        sheet.row(day, **(WATER | {"water_temperature": 8.0 + day / 50} | water))


# -- whom the evidence blames -----------------------------------------------------------------


def test_what_stands_apart_makes_up_the_disagreement_alone() -> None:
    assert stands_apart(-0.6, {"a": -0.55, "b": -0.05}) == "a"
    assert stands_apart(0.6, {"a": 0.3, "b": 0.3}) is None
    # It departs, but the other way: putting it back would not mend anything.
    assert stands_apart(0.6, {"a": -0.6, "b": 0.1}) is None
    # With the others unknown nothing is told apart.
    assert stands_apart(0.6, {"a": 0.6, "b": None}) is None
    assert stands_apart(0.6, {"a": 0.6, "b": 0.05, "c": None}) == "a"


@pytest.mark.parametrize(("name", "value"), [
    ("dissolved_oxygen", 14.5), ("dissolved_oxygen", 6.1), ("dissolved_oxygen_saturation", 59.0),
    ("water_temperature", 18.0), ("salinity", 19.0), ("specific_conductance", 51_400.0),
    ("conductivity", 19_000.0),
])
def test_one_wrong_reading_is_one_finding_at_that_reading(name: str, value: float) -> None:
    sheet = MadeUpSheet()
    _week(sheet)
    row = sheet.row(8, **(WATER | {name: value}))
    assert [f.field for f in _found(sheet, row)] == [name]


@pytest.mark.parametrize(("name", "value"), [
    ("dissolved_oxygen", 11.3), ("dissolved_oxygen_saturation", 101.0), ("salinity", 10.2),
    ("specific_conductance", 16_400.0), ("conductivity", 9_700.0), ("water_temperature", 10.2),
])
def test_instruments_of_ordinary_care_are_left_in_peace(name: str, value: float) -> None:
    # Up to 7 % of a reading, or two degrees, from what the others ask for.
    sheet = MadeUpSheet()
    row = sheet.row(**(WATER | {name: value}))
    assert _found(sheet, row) == []


def test_where_nothing_decides_both_are_asked_about_as_one_question() -> None:
    sheet = MadeUpSheet()
    row = sheet.row(salinity=19.0, specific_conductance=15_447.0)
    found = _found(sheet, row)
    assert [f.field for f in found] == ["salinity", "specific_conductance"]
    assert len({f.cause for f in found}) == 1
    assert len({f.id for f in found}) == 2


def test_a_meter_set_to_fresh_water_is_one_cause_however_many_rows() -> None:
    sheet = MadeUpSheet()
    for day in range(6):
        sheet.row(day, water_temperature=8.0 + day / 10, salinity=30.0, dissolved_oxygen=11.3,
                  dissolved_oxygen_saturation=95.0)
    found = [f for f in judged([sheet]) if f.rule == "oxygen-disagrees"]
    assert len(found) == 6
    assert len({f.cause for f in found}) == 1
    assert all("salinity setting" in f.message for f in found)


def test_columns_that_changed_about_are_suggested_back() -> None:
    sheet = MadeUpSheet()
    row = sheet.row(**(WATER | {"specific_conductance": 10_441.0, "conductivity": 15_447.0}))
    found = _found(sheet, row)
    assert [(f.field, f.suggested) for f in found] == [
        ("conductivity", "10441"), ("specific_conductance", "15447")]
    assert len({f.cause for f in found}) == 1


def test_the_salinity_in_a_column_of_millisiemens_is_known_by_what_is_usual() -> None:
    # 9 in both columns as written; in mS/cm it would be water of salinity 5.
    sheet = MadeUpSheet({"specific_conductance": "mS/cm"})
    _week(sheet, conductivity=None)
    row = sheet.row(8, **(WATER | {"conductivity": None, "specific_conductance": 9000.0}))
    (finding,) = _found(sheet, row)
    assert (finding.field, finding.cell) == (
        "specific_conductance", sheet.cell(row, "specific_conductance"))


@pytest.mark.parametrize("water", [
    # Percentages and mg/l in each other's column.
    {"dissolved_oxygen": 95.0, "dissolved_oxygen_saturation": 10.6},
    # mS/cm in the column of uS/cm.
    {"specific_conductance": 15.447}, {"specific_conductance": 25.0, "salinity": 15.2,
                                       "conductivity": None},
    # The salinity over again.
    {"specific_conductance": 9.0},
])
def test_a_unit_that_explains_it_is_not_a_disagreement_too(water: dict[str, Any]) -> None:
    sheet = MadeUpSheet()
    _week(sheet)
    row = sheet.row(8, **(WATER | water))
    rules = {f.rule for f in judged([sheet]) if f.row == row}
    assert rules & {"oxygen-unit", "conductivity-unit", "salinity-disagrees"}
    assert not rules & {"oxygen-disagrees", "conductance-disagrees", "implausible"}


def test_a_temperature_that_something_else_shows_to_be_wrong_is_not_asked_about_thrice() -> None:
    # No days around it to tell that the temperature is what strays; the remarks do.
    sheet = MadeUpSheet()
    row = sheet.row(**(WATER | {"water_temperature": 20.0, "conductivity": None}),
                    remarks="ice along the bank")
    found = [f for f in judged([sheet]) if f.row == row]
    assert [(f.rule, f.field) for f in found] == [("ice-in-warm-water", "water_temperature")]


def test_hypoxic_water_is_not_taken_for_milligrams() -> None:
    sheet = MadeUpSheet()
    _week(sheet)
    row = sheet.row(8, **(WATER | {"dissolved_oxygen": 1.3, "dissolved_oxygen_saturation": 12.0}))
    assert "oxygen-unit" not in {f.rule for f in judged([sheet]) if f.row == row}


# -- slips of the pen -------------------------------------------------------------------------


@pytest.mark.parametrize(("raw", "low", "high", "meant"), [
    ("59", 90.0, 100.0, "95"), ("1.06", 10.0, 11.0, "10.6"), ("106", 10.0, 11.0, "10.6"),
    ("16.0", 10.0, 11.0, "10.6"), ("94", 80.0, 90.0, None), ("44", 40.0, 50.0, None),
    # Two slips would do: neither is offered.
    ("12", 1.0, 25.0, None),
])
def test_a_slip_is_offered_where_one_alone_fits(
    raw: str, low: float, high: float, meant: str | None
) -> None:
    case = Case("dissolved_oxygen", float(raw), raw, "mg/l", {})
    found = slip_of_the_pen(case, low, high)
    assert (found.canonical if found else None) == meant


# -- the sieve before the laws ----------------------------------------------------------------


def _some(low: float, high: float) -> st.SearchStrategy[float | None]:
    return st.one_of(st.none(), st.floats(low, high))


WATERS = st.lists(st.fixed_dictionaries({
    "water_temperature": _some(-1.9, 35), "salinity": _some(0, 42),
    "specific_conductance": _some(20, 70_000), "conductivity": _some(20, 70_000),
    "dissolved_oxygen": _some(0.1, 24), "dissolved_oxygen_saturation": _some(1, 240)}),
    min_size=1, max_size=12)


@settings(max_examples=40)
@given(WATERS)
def test_the_cheap_sieve_lets_through_whatever_the_laws_find(rows: list[dict[str, Any]]) -> None:
    sheet = MadeUpSheet()
    for number, water in enumerate(rows):
        sheet.row(number, catches=[], **water)
    con, names = connected([sheet])
    with con:
        bound = [b for b in bind(network_with(), WATERY) if b.probe.over is Over.WATER]
        from checks.chemistry import build_water

        build_water(con, names.events, [f"SELECT row_id FROM {names.events}"])
        for condition, sieve in {(b.probe.when, b.probe.rows) for b in bound}:
            assert sieve is not None
            if "usual" in sieve:
                continue  # the days around are part of this law, and no condition of a row
            missed = _missed(con, names.events, condition, sieve)
            assert missed == [], condition


def _missed(
    con: duckdb.DuckDBPyConnection, events: str, condition: str, sieve: str
) -> list[tuple[Any, ...]]:
    return con.execute(
        f"SELECT e.* FROM {events} e JOIN rule_water w USING (row_id) WHERE ({condition}) "
        f"AND e.row_id NOT IN ({sieve.format(events=events)})").fetchall()


def test_logarithms_of_nothing_are_no_trouble() -> None:
    sheet = MadeUpSheet()
    row = sheet.row(water_temperature=5.0, salinity=0.0, specific_conductance=40_000.0,
                    conductivity=20.0, dissolved_oxygen=0.0, dissolved_oxygen_saturation=0.0)
    found = _found(sheet, row)
    assert {f.rule for f in found} == {"salinity-disagrees"}
    assert all(math.isfinite(float(f.suggested)) for f in found if f.suggested)


@pytest.mark.parametrize(("salinity", "offered"), [(31.1, "13.1"), (21.2, "")])
def test_a_meters_reading_among_salinities_is_not_mended_as_a_slip(
    salinity: float, offered: str
) -> None:
    """Of 21.2 mS/cm at 25 degC the digits say 12.2, which is not what the water had."""
    sheet = MadeUpSheet()
    for day in range(9):
        sheet.row(day, water_temperature=8.0, salinity=12.9, conductivity=14_316.0 + day)
    row = sheet.row(9, water_temperature=8.0, salinity=salinity, conductivity=14_316.0)
    (found,) = [f for f in _found(sheet, row) if f.field == "salinity"]
    assert (found.rule, found.suggestion) == ("salinity-disagrees", offered)
