"""A sheet judged with what closed seasons tell, beside the same sheet judged with their rows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import duckdb
import pytest

from bench.national_record import make_record
from checks.closing import lay_out_past
from checks.judging import bind, detect, judge_sites
from checks.relations import Relations
from shared.settings import lone_site

UNDER_WAY = 2025
NETWORK = lone_site("creek")
AS_OF = dt.date(2026, 6, 30)
NAMES = Relations(neighbours="neighbour_days")
BOUND = {item.number: item for item in bind(NETWORK)}

# What the season under way has that only other seasons can tell of.
TWISTS = """
    -- Ten rows of the season before, with this season's dates.
    UPDATE judged_events e SET water_temperature = o.water_temperature, salinity = o.salinity,
        air_temperature = o.air_temperature, specific_conductance = o.specific_conductance,
        conductivity = o.conductivity, dissolved_oxygen = o.dissolved_oxygen,
        dissolved_oxygen_saturation = o.dissolved_oxygen_saturation, ph = o.ph,
        turbidity = o.turbidity, secchi_depth = o.secchi_depth, water_level = o.water_level,
        wind_speed = o.wind_speed, wind_direction = o.wind_direction
    FROM judged_events o
    WHERE e.site = 'creek-01' AND o.site = e.site AND e.season = 2025 AND o.season = 2024
      AND e.sheet_row = o.sheet_row AND e.sheet_row BETWEEN 60 AND 70;
    UPDATE judged_catches c SET count = o.count FROM judged_catches o
    WHERE c.row_id IN (SELECT row_id FROM judged_events WHERE site = 'creek-01' AND season = 2025)
      AND o.row_id IN (SELECT row_id FROM judged_events WHERE site = 'creek-01' AND season = 2024)
      AND c.sheet_row = o.sheet_row AND c.taxon = o.taxon AND c.life_stage = o.life_stage
      AND c.sheet_row BETWEEN 60 AND 70;
    -- A warm week, in February.
    UPDATE judged_events SET water_temperature = 17 + sheet_row % 3
    WHERE site = 'creek-02' AND season = 2025 AND sheet_row BETWEEN 5 AND 12;
    -- A leap that every season has on the day, and one that none has.
    UPDATE judged_catches SET count = 500, released = 500
    WHERE sheet_row = 40 AND life_stage = 'unspecified' AND row_id IN (
        SELECT row_id FROM judged_events WHERE site = 'creek-03' AND protocol = 'fyke');
    UPDATE judged_catches SET count = 4000, released = 4000
    WHERE sheet_row = 90 AND life_stage = 'glass eel' AND row_id IN (
        SELECT row_id FROM judged_events WHERE site = 'creek-03' AND season = 2025);
    -- An animal that the site never had, and one that it had.
    UPDATE judged_catches SET taxon = 'petromyzon-marinus', count = 1
    WHERE sheet_row = 50 AND life_stage = 'unspecified' AND row_id IN (
        SELECT row_id FROM judged_events WHERE site = 'creek-04' AND season = 2025);
    UPDATE judged_catches SET taxon = 'petromyzon-marinus', count = 1
    WHERE sheet_row = 50 AND life_stage = 'unspecified' AND row_id IN (
        SELECT row_id FROM judged_events WHERE site = 'creek-05' AND season >= 2023);
    -- A column that repeats by habit in other seasons, and does so now.
    UPDATE judged_events SET ph = 7 WHERE site = 'creek-06' AND season < 2025;
    UPDATE judged_events SET ph = 7
    WHERE site = 'creek-06' AND season = 2025 AND sheet_row BETWEEN 30 AND 44;
    UPDATE judged_events SET water_level = 71.5
    WHERE site = 'creek-06' AND season = 2025 AND sheet_row BETWEEN 30 AND 44;
"""

Hits = set[tuple[object, ...]]


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Iterator[duckdb.DuckDBPyConnection]:
    folder: Path = tmp_path_factory.mktemp("record")
    make_record(folder, 12 * 13 * 130)
    with duckdb.connect() as con:
        for table in ("judged_events", "judged_catches", "judged_oddities", "neighbour_days"):
            con.execute(f"CREATE TABLE {table} AS FROM '{folder / (table + '.parquet')}'")
        con.execute("DELETE FROM judged_events WHERE season < 2021 OR site > 'creek-06'; "
                    "DELETE FROM judged_catches WHERE row_id NOT IN (SELECT row_id "
                    "FROM judged_events)")
        con.execute(TWISTS)
        yield con


def seasons(record: duckdb.DuckDBPyConnection, which: str) -> Relations:
    record.execute(f"""
        CREATE OR REPLACE TEMP TABLE some_events AS FROM judged_events WHERE {which};
        CREATE OR REPLACE TEMP TABLE some_catches AS FROM judged_catches
        SEMI JOIN some_events USING (row_id);
        CREATE OR REPLACE TEMP TABLE some_oddities AS FROM judged_oddities
        SEMI JOIN some_events USING (row_id)""")
    return Relations("some_events", "some_catches", "some_oddities", neighbours="neighbour_days")


def hits(record: duckdb.DuckDBPyConnection, names: Relations) -> Hits:
    detect(record, NETWORK, AS_OF, names)
    return set(record.execute(
        "SELECT DISTINCT probe, row_id, catch_id, taxon FROM rule_hits SEMI JOIN "
        f"(FROM judged_events WHERE season = {UNDER_WAY}) USING (row_id)").fetchall())


def rules(found: Hits) -> set[str]:
    return {BOUND[int(str(hit[0]))].rule.id for hit in found}


def test_sheet_under_way_is_judged_as_with_all_rows(record: duckdb.DuckDBPyConnection) -> None:
    whole = hits(record, seasons(record, "TRUE"))
    closed = seasons(record, f"season <> {UNDER_WAY}")
    detect(record, NETWORK, AS_OF, closed, closing=True)
    lay_out_past(record, closed)
    under_way = seasons(record, f"season = {UNDER_WAY}")
    with_past = hits(record, replace(under_way, past=True))
    alone = hits(record, under_way)
    assert with_past == whole
    # The record is one in which other seasons matter.
    assert rules(whole - alone) >= {"climatology", "rows-sent-before", "taxon-unexpected"}
    assert rules(alone - whole) >= {"unlike-history", "flat-line"}


def test_first_week_has_the_measure_of_the_seasons_before(
    record: duckdb.DuckDBPyConnection,
) -> None:
    """Three readings tell no spread of their own; those of the years before do."""
    closed = seasons(record, f"season <> {UNDER_WAY}")
    detect(record, NETWORK, AS_OF, closed, closing=True)
    lay_out_past(record, closed)
    first = "season = 2025 AND site = 'creek-04' AND local_date < DATE '2025-02-04'"
    under_way = seasons(record, first)
    record.execute("UPDATE some_events SET water_temperature = 13, air_temperature = 12 "
                   "WHERE row_id = (SELECT max(row_id) FROM some_events)")
    assert "unlike-neighbours" in rules(hits(record, replace(under_way, past=True)))
    assert "unlike-neighbours" not in rules(hits(record, under_way))


def test_a_judgement_leaves_nothing_laid_out(record: duckdb.DuckDBPyConnection) -> None:
    names = seasons(record, "season = 2025 AND site = 'creek-01'")
    assert judge_sites(record, NETWORK, AS_OF, names, [], lambda *_: "", {}).keys() == {"creek-01"}
    assert record.execute("SELECT table_name FROM duckdb_tables() WHERE table_name LIKE 'rule%' "
                          "OR table_name LIKE 'tried%'").fetchall() == []
