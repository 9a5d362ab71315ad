"""What belongs to one slip of the hand is one question, also where several rules tell of it."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from checks.causes import with_causes
from shared.findings import Finding
from shared.flags import Effect, Flag
from shared.settings import Site
from tests.checks.made_up_sheets import FIRST_DAY, MadeUpSheet, judged, network_with, of_sheet


def _finding(rule: str, row: int, field: str = "local_date", **given: Any) -> Finding:
    plain: dict[str, Any] = {
        "site": "creek", "file": "creek.xlsx", "file_sha256": "now", "sheet": "2026",
        "row": row, "cell": f"A{row}", "field": field, "rule": rule, "effect": Effect.QUERY,
        "flag": Flag.SUSPECT, "value": str(row), "suggestion": "", "suggested": "",
        "message": "", "row_id": row}
    return Finding(**plain | given)


def _causes(*findings: Finding) -> list[str]:
    by_id = {f.id: f.cause for f in with_causes(list(findings))}
    return [by_id[f.id] for f in findings]


def test_what_is_odd_about_dates_typed_anew_is_one_question() -> None:
    redated = [_finding("rows-redated", row, cause="sheet") for row in (4, 5)]
    *anew, future, gone, day, other_day, other_sheet = _causes(
        *redated, _finding("date-in-future", 9, effect=Effect.HOLD),
        _finding("vanished-row", 12, file_sha256="before"),
        _finding("unlike-history", 5, "count"), _finding("unlike-history", 20, "count"),
        _finding("date-in-future", 9, sheet="water"))
    assert {*anew, future, gone, day} == {anew[0]}
    assert len({anew[0], other_day, other_sheet}) == 3


def test_a_date_in_the_future_is_a_question_of_its_own_where_no_others_changed() -> None:
    first, second = _causes(*(_finding("date-in-future", row) for row in (9, 10)))
    assert first != second


def test_the_cell_left_blank_by_a_column_that_slipped_is_part_of_that_question() -> None:
    of_eels = {"taxon": "anguilla-rostrata", "life_stage": "glass eel"}
    slipped = [_finding("rows-shifted", row, "count", cause="run", **of_eels)
               for row in (5, 6, 7)]
    *rows, beside, far, elver = _causes(
        *slipped, _finding("zero-or-blank", 4, "count", **of_eels),
        _finding("zero-or-blank", 30, "count", **of_eels),
        _finding("zero-or-blank", 4, "count", **of_eels | {"life_stage": "elver"}))
    assert {*rows, beside} == {rows[0]}
    assert rows[0] not in (far, elver)


@pytest.mark.parametrize(("gone", "questions"), [(2, 2), (6, 1)])
def test_rows_that_vanished_together_and_are_like_none_are_one_question(
    gone: int, questions: int
) -> None:
    sheet = MadeUpSheet()
    for day in range(20):
        sheet.row(day, water_temperature=4.0 + day * 0.13, vanished=day < gone)
    found = [f for f in judged([sheet]) if f.rule == "vanished-row"]
    assert (len(found), len({f.cause for f in found})) == (gone, questions)


# -- a watch that was not changed with the clocks ----------------------------------------------

_EARLY = {"check_time": dt.time(6, 0)}
_SET_EARLY = {"set_time": dt.time(7, 30), "hours_fished": 22.5}


def _watched(
    given: dict[str, Any], rows: int, first: dt.date = dt.date(2026, 4, 1)
) -> list[Finding]:
    # The clocks of the zone went forward on 29 March 2026.
    sheet, start = MadeUpSheet(), (first - FIRST_DAY).days
    for day in range(rows):
        sheet.row(start + day, **given)
    network = network_with(sites={sheet.site: Site(sheet.site, "Creek", "Europe/Berlin")})
    return [f for f in of_sheet(judged([sheet], network), sheet) if f.rule == "effort-mismatch"]


@pytest.mark.parametrize(("given", "field", "time"), [
    (_EARLY, "check_time", "07:00"), (_SET_EARLY, "set_time", "08:30")])
def test_after_the_clocks_changed_the_time_of_the_watch_is_offered_an_hour_on(
    given: dict[str, Any], field: str, time: str
) -> None:
    found = _watched(given, 4)
    assert [(f.field, f.suggestion) for f in found] == [(field, time)] * 4
    assert len({f.cause for f in found}) == 1


@pytest.mark.parametrize(("rows", "first", "field"), [
    (1, dt.date(2026, 4, 1), "check_time"), (4, dt.date(2026, 6, 1), "hours_fished")])
def test_nothing_is_offered_for_a_lone_row_or_long_after_the_change(
    rows: int, first: dt.date, field: str
) -> None:
    found = _watched(_EARLY, rows, first)
    assert [(f.field, f.suggestion) for f in found] == [(field, "")] * rows


# -- what a series leaves out -------------------------------------------------------------------


def test_hours_of_a_net_that_was_out_do_not_break_a_run_of_copied_hours() -> None:
    sheet = MadeUpSheet(without=("set_time", "check_time"))
    timeless: dict[str, Any] = {"set_date": None, "set_time": None, "check_time": None}
    for day in range(40):
        hours = 23.8 if day >= 33 else 22.0 + day * 7 % 31 / 10
        lifted = day == 36
        sheet.row(day, hours_fished=0.0 if lifted else hours, **timeless,
                  net_status="lifted" if lifted else "fishing",
                  catches=[] if lifted else [{"count": 20.0 + day * 7 % 23}])
    found = [f for f in judged([sheet]) if (f.rule, f.field) == ("copied-down", "hours_fished")]
    assert len(found) == 5


def test_a_temperature_that_stands_alone_is_told_beside_what_it_puts_at_odds() -> None:
    sheet = MadeUpSheet()
    for day in range(11):
        sheet.row(day, water_temperature=10.0 if day == 5 else 4.0 + day % 2 * 0.1,
                  salinity=8.0, conductivity=8_000.0 + 20 * (day % 2),
                  catches=[{"count": 20.0 + day * 7 % 23}])
    odd = {(f.rule, f.field) for f in judged([sheet]) if f.row == 9}
    assert ("spike", "water_temperature") in odd
    assert {rule for rule, _ in odd} == {"spike", "salinity-disagrees"}
