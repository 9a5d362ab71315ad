"""What a finding does to its row, and what the clean tables say."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import pytest

from shared.findings import Finding
from shared.flags import Effect, Flag
from shared.problems import RowsUnaccounted
from tests.warehouse.by_hand import (
    AS_OF,
    ELVER,
    GLASS,
    Check,
    Rule,
    days,
    load,
    send,
    staged_of,
)
from warehouse.clean import load_site, work_digests
from warehouse.lineage import lay_out
from warehouse.store import Warehouse

DAY = "2026-03-02"
HERE = f"local_date = '{DAY}'"
SHRIMP = ("palaemon", "unspecified")
TOTAL = ("anguilla-rostrata", "all")


def event(warehouse: Warehouse, columns: str, day: str = DAY) -> tuple[Any, ...]:
    found = warehouse.connection.execute(
        f"SELECT {columns} FROM clean_events WHERE local_date = ?", [day]).fetchall()
    assert len(found) == 1
    return tuple(found[0])


def counts(warehouse: Warehouse, columns: str = "life_stage, count", day: str = DAY) -> list[Any]:
    return warehouse.connection.execute(
        f"SELECT {columns} FROM clean_counts WHERE event_id LIKE ? ORDER BY taxon_id, life_stage",
        [f"%:{day}%"],
    ).fetchall()


# -- effects and flags --------------------------------------------------------------------

def test_rows_without_findings_pass(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    _, account = load(wh, "alder")
    assert (account.rows, account.clean, account.skipped, account.loaded) == (3, 3, 1, 3)
    assert event(wh, "qc_event, qc_effort, qc_water_temperature, qc_salinity") == (1, 1, 1, 9)
    assert counts(wh, "count, qc_count, decided") == [(0, 1, False), (11, 1, False)]


def test_a_hold_on_any_part_keeps_the_whole_event_out(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    rule = Rule(HERE, "count", Effect.HOLD, "count-negative", *GLASS)
    _, account = load(wh, "alder", rule)
    assert (account.clean, account.held, account.events, account.counts) == (2, 1, 2, 4)
    assert counts(wh) == []
    held = wh.connection.execute(
        "SELECT sheet_row, why FROM row_account WHERE disposition = 'held'")
    assert held.fetchall() == [(5, "count-negative")]
    assert wh.connection.execute("SELECT count(*) FROM findings").fetchone() == (1,)


def test_a_mask_withholds_the_value_and_says_so(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    _, account = load(wh, "alder", Rule(HERE, "water_temperature", Effect.MASK))
    assert (account.clean, account.masked) == (2, 1)
    assert event(wh, "water_temperature_c, qc_water_temperature, qc_event") == (None, 4, 1)
    assert event(wh, "water_temperature_c, qc_water_temperature", "2026-03-03") == (4.2, 1)


def test_a_query_lets_the_value_stand_as_suspect(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    _, account = load(wh, "alder", Rule(HERE, "water_temperature", Effect.QUERY))
    assert (account.clean, account.queried) == (2, 1)
    assert event(wh, "water_temperature_c, qc_water_temperature") == (4.1, 3)


def test_a_note_changes_nothing(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    _, account = load(wh, "alder",
                      Rule(HERE, "water_temperature", Effect.NOTE, flag=Flag.SUSPECT))
    assert account.clean == 3
    assert event(wh, "water_temperature_c, qc_water_temperature") == (4.1, 1)


def test_of_several_findings_the_strongest_flag_and_gravest_effect_stand(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    _, account = load(
        wh, "alder", Rule(HERE, "water_temperature", Effect.QUERY),
        Rule(HERE, "water_temperature", Effect.MASK, "out-of-range"),
        Rule(HERE, "ph", Effect.QUERY),
    )
    assert (account.masked, account.queried) == (1, 0)
    assert event(wh, "qc_water_temperature, qc_ph") == (4, 9)


@pytest.mark.parametrize(("field", "rule", "expected"), [
    ("local_date", "date-out-of-season", (3, 1)),
    ("", "duplicate-event", (3, 1)),
    ("count", "vanished-row", (3, 1)),
    ("set_time", "effort-mismatch", (1, 3)),
    ("remarks", "implausible", (1, 1)),
])
def test_findings_reach_the_flag_of_what_they_speak_of(
    wh: Warehouse, field: str, rule: str, expected: tuple[int, int]
) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    load(wh, "alder", Rule(HERE, field, Effect.QUERY, rule))
    assert event(wh, "qc_event, qc_effort") == expected


def test_a_finding_on_one_catch_leaves_the_others_alone(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    load(wh, "alder", Rule(HERE, "mortality", Effect.QUERY, "fish-accounting", *GLASS))
    assert counts(wh, "life_stage, qc_count") == [("elver", 1), ("glass eel", 3)]


def test_a_finding_on_the_counts_of_an_event_reaches_all_of_them(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    load(wh, "alder", Rule(HERE, "count", Effect.QUERY, "sum-of-parts"))
    assert counts(wh, "life_stage, qc_count") == [("elver", 3), ("glass eel", 3)]


def test_a_withheld_count_is_no_row_and_no_zero(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    load(wh, "alder", Rule(HERE, "count", Effect.MASK, "implausible", *GLASS))
    assert counts(wh) == [("elver", 0)]


def test_a_fraction_is_never_rounded_into_the_clean_table(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", [Check(DAY, {GLASS: 10.5, ELVER: 2.0})])
    load(wh, "alder")
    assert counts(wh) == [("elver", 2)]


# -- zeros, stages and sums ---------------------------------------------------------------

def test_zeros_are_written_zeros_only(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", [
        Check("2026-03-01", {GLASS: 0.0, ELVER: None}),
        Check("2026-03-02", {GLASS: None, ELVER: None, SHRIMP: 4.0}),
        Check("2026-03-03", {GLASS: 3.0}),
    ])
    load(wh, "alder")
    assert counts(wh, day="2026-03-01") == [("glass eel", 0)]
    assert counts(wh, "taxon_id, count", "2026-03-02") == [("palaemon", 4)]
    assert counts(wh, day="2026-03-03") == [("glass eel", 3)]


def test_a_zero_of_a_net_that_was_not_fishing_is_none(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", [
        Check("2026-03-01", {GLASS: 0.0, ELVER: 2.0}, {"net_status": "lifted"}),
        Check("2026-03-02", {GLASS: 0.0}, {"net_status": "fishing"}),
    ])
    load(wh, "alder")
    assert counts(wh, "life_stage, count, cpue", "2026-03-01") == [("elver", 2, None)]
    assert event(wh, "effort_value, effort_unit, effort_from, qc_effort", "2026-03-01") == (
        None, None, None, 2)
    assert counts(wh) == [("glass eel", 0)]


def test_a_total_over_stages_loads_only_where_no_stage_was_counted(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", [
        Check("2026-03-01", {TOTAL: 7.0, GLASS: 5.0, ELVER: 2.0}),
        Check("2026-03-02", {TOTAL: 7.0, GLASS: None, ELVER: None, SHRIMP: 1.0}),
    ])
    load(wh, "alder")
    assert counts(wh, day="2026-03-01") == [("elver", 2), ("glass eel", 5)]
    assert counts(wh, "taxon_id, life_stage, count") == [
        ("anguilla-rostrata", "unspecified", 7), ("palaemon", "unspecified", 1)]


def test_several_rows_of_one_taxon_and_stage_are_gathered(wh: Warehouse) -> None:
    checks = [Check(DAY, {GLASS: 3.0, ELVER: 1.0}, rows=2, catch_values={
        GLASS: {"length": 50.0, "mortality": 1.0, "pigment_stage": "2"},
        ELVER: {"length": 70.0, "mortality": 0.0, "pigment_stage": "3"}})]
    sha256 = send(wh, "alder", "alder/a.xlsx", checks)
    assert staged_of("alder", sha256, checks).rows["sheet_row"] == [4, 5, 6]
    wh.connection.execute("UPDATE staged_catches SET life_stage = 'glass eel'")
    _, account = load(wh, "alder")
    assert (account.rows, account.events, account.counts) == (2, 1, 1)
    assert counts(wh, "count, mortality, length_mm, pigment_stage, qc_length") == [
        (4, 1, 55.0, None, 1)]


# -- effort -------------------------------------------------------------------------------

@pytest.mark.parametrize(("check", "rules", "expected"), [
    (Check(DAY, {GLASS: 6.0}, hours=12.0), (), (12.0, "net-hours", "stated", 1, 12.0)),
    (Check(DAY, {GLASS: 6.0}, hours=None), (), (24.0, "net-hours", "times", 1, 6.0)),
    (Check(DAY, {GLASS: 6.0}, hours=None, set_before=None), (), (None, None, None, 9, None)),
    (Check(DAY, {GLASS: 6.0}, hours=99.0), (("hours_fished", Effect.MASK),),
     (24.0, "net-hours", "times", 3, 6.0)),
    (Check(DAY, {GLASS: 6.0}, hours=None), (("set_time", Effect.MASK),),
     (None, None, None, 4, None)),
    (Check(DAY, {GLASS: 6.0}, hours=12.0), (("set_time", Effect.MASK),),
     (12.0, "net-hours", "stated", 3, 12.0)),
    (Check(DAY, {GLASS: 6.0}, {"hauls": 3.0}, protocol="seine", hours=None), (),
     (3.0, "hauls", "stated", 1, 2.0)),
    (Check(DAY, {GLASS: 6.0}, protocol="seine", hours=None), (), (None, None, None, 9, None)),
])
def test_effort_is_stated_or_elapsed_and_never_guessed(
    wh: Warehouse, check: Check, rules: tuple[tuple[str, Effect], ...], expected: tuple[Any, ...]
) -> None:
    send(wh, "alder", "alder/a.xlsx", [check])
    load(wh, "alder", *(Rule(HERE, field, effect) for field, effect in rules))
    found = event(wh, "effort_value, effort_unit, effort_from, qc_effort")
    assert (*found, counts(wh, "cpue")[0][0]) == expected


def test_moments_are_utc_across_the_clock_change(wh: Warehouse) -> None:
    # EST5EDT goes to summer time on 8 March 2026 at 02:00: 07:30 the day before is 12:30 UTC,
    # 07:30 on the day is 11:30 UTC (IANA tzdata).
    send(wh, "alder", "alder/a.xlsx", [
        Check("2026-03-08", {GLASS: 1.0}, set_before=24.0),
        Check("2026-03-08", {GLASS: 1.0}, {"hauls": 1.0}, protocol="seine"),
    ])
    load(wh, "alder")
    assert wh.connection.execute(
        "SELECT event_start_utc, event_end_utc FROM clean_events ORDER BY protocol"
    ).fetchall() == [
        (dt.datetime(2026, 3, 7, 12, 30), dt.datetime(2026, 3, 8, 11, 30)),
        (dt.datetime(2026, 3, 8, 11, 30), dt.datetime(2026, 3, 8, 11, 30)),
    ]


def test_a_water_reading_is_an_event_without_effort_or_counts(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx",
         [Check(DAY, {}, {"ph": 7.5}, protocol="water", hours=None, set_before=None)])
    _, account = load(wh, "alder")
    assert (account.events, account.counts) == (1, 0)
    assert event(wh, "ph, qc_ph, effort_value, qc_effort") == (7.5, 1, None, 2)


def test_the_share_subsampled_comes_from_the_volumes(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", [Check(DAY, {GLASS: 400.0}, catch_values={
        GLASS: {"subsample_volume": 250.0, "total_volume": 1000.0}})])
    load(wh, "alder")
    assert counts(wh, "subsample_fraction") == [(0.25,)]


# -- one event, one row -------------------------------------------------------------------

def test_the_same_row_in_two_files_loads_once(wh: Warehouse) -> None:
    checks = days("2026-03-01", 2)
    send(wh, "alder", "alder/a.xlsx", checks, totals_row=False)
    send(wh, "alder", "alder/b.xlsx", checks, salt="b", totals_row=False)
    _, account = load(wh, "alder")
    assert (account.events, account.clean, account.skipped) == (2, 2, 2)
    why = wh.connection.execute("SELECT DISTINCT why FROM row_account WHERE disposition='skipped'")
    assert "the same row is in alder/b.xlsx, Counts, row 4" in {row[0] for row in why.fetchall()}


def test_rows_that_disagree_on_one_event_do_not_both_load(wh: Warehouse) -> None:
    checks = days("2026-03-01", 2)
    send(wh, "alder", "alder/a.xlsx", checks, totals_row=False)
    other = [replace(check, counts={GLASS: 99.0}) for check in checks]
    send(wh, "alder", "alder/b.xlsx", other, totals_row=False)
    _, account = load(wh, "alder")
    assert (account.events, account.clean, account.held) == (2, 2, 2)
    assert counts(wh) == [("glass eel", 99)]


def test_a_row_without_a_date_is_held_even_when_no_rule_says_so(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", [*days("2026-03-01", 2), Check("?", {GLASS: 5.0})])
    _, account = load(wh, "alder")
    assert (account.clean, account.held) == (2, 1)


# -- the account --------------------------------------------------------------------------

@pytest.mark.parametrize("damage", [
    "UPDATE staged_rows SET row_id = NULL WHERE sheet_row = 5",
    "DELETE FROM staged_events WHERE sheet_row = 5",
    "DELETE FROM staged_rows WHERE sheet_row = 5",
    "UPDATE staged_catches SET row_id = 1 WHERE sheet_row = 5",
    "INSERT INTO staged_rows SELECT * FROM staged_rows WHERE sheet_row = 5",
])
def test_rows_that_are_not_accounted_for_stop_the_load_of_the_site(
    wh: Warehouse, damage: str
) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    _, before = load(wh, "alder")
    wh.connection.execute(damage)
    with pytest.raises(RowsUnaccounted) as told:
        load(wh, "alder", Rule(HERE, "ph", Effect.HOLD))
    assert told.value.where == "alder, alder/a.xlsx"
    kept = wh.connection.execute("SELECT count(*) FROM clean_events").fetchone()
    assert kept == (before.events,)
    assert wh.connection.execute("SELECT count(*) FROM findings").fetchone() == (0,)


def test_the_account_is_kept_row_by_row(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 4))
    load(wh, "alder")
    send(wh, "alder", "alder/a.xlsx", days("2026-03-02", 4))
    load(wh, "alder", Rule(HERE, "", Effect.HOLD, "duplicate-event"))
    assert wh.connection.execute(
        "SELECT sheet_row, disposition, why, vanished FROM row_account ORDER BY vanished, sheet_row"
    ).fetchall() == [
        (4, "held", "duplicate-event", False), (5, "loaded", None, False),
        (6, "loaded", None, False), (7, "loaded", None, False),
        (8, "skipped", "totals row", False), (4, "loaded", None, True),
    ]


def test_loading_again_gives_the_same_and_says_so(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    rule = Rule(HERE, "water_temperature", Effect.MASK)
    _, first = load(wh, "alder", rule)
    _, second = load(wh, "alder", rule, as_of=AS_OF + dt.timedelta(days=7))
    assert first.changed and not second.changed
    assert second == replace(first, changed=False)
    assert load(wh, "alder")[1].changed
    assert work_digests(wh) == {"alder": "work"}


def test_loading_one_site_leaves_the_others(wh: Warehouse) -> None:
    for site in ("alder", "birch"):
        send(wh, site, f"{site}/a.xlsx", days("2026-03-01", 3))
        load(wh, site)
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 5))
    load(wh, "alder")
    found = wh.connection.execute(
        "SELECT site_id, count(*) FROM clean_events GROUP BY site_id ORDER BY site_id").fetchall()
    assert found == [("alder", 5), ("birch", 3)]


def test_the_rows_laid_out_must_be_the_site_s_own(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    lay_out(wh, "alder")
    with pytest.raises(RuntimeError, match="birch"):
        load_site(wh, "birch", [], AS_OF, "work")


def test_a_finding_about_a_whole_file_is_kept_and_holds_nothing(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    whole = Finding("alder", "alder/a.xlsx", "0" * 64, "", None, "", "", "wrong-site", Effect.QUERY,
                    Flag.SUSPECT, "", "", "", "It looks like another site's sheet.")
    with wh.transaction():
        lay_out(wh, "alder")
        account = load_site(wh, "alder", [whole], AS_OF, "work")
    assert (account.clean, account.findings) == (3, 1)
    assert wh.connection.execute("SELECT id, rule FROM findings").fetchall() == [
        (whole.id, "wrong-site")]
