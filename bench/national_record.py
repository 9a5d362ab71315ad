"""A national network's record, made up: a million staged events to time the rules on.

Twelve sites of fyke nets checked daily through some seasons, water and weather as a cold
coast has them, and a share of rows with one odd thing each, as hands make them. The same
number of events gives the same bytes anywhere: chance comes from hashes of the row's number.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import duckdb

from shared.evidence import NEIGHBOUR_FIELDS
from shared.staging import CATCH_COLUMNS, EVENT_COLUMNS, ODDITY_COLUMNS, ROWS_A_FILE, row_id_base

SITES = tuple(f"creek-{number:02d}" for number in range(1, 13))
SEASON_DAYS = 130
"""1 February to the start of June."""
FIRST_SEASON = 2013
SEASONS = 13
ODD_SHARE = 0.025
"""Share of rows that get one odd thing."""

_ORDER = {"judged_events": "row_id", "judged_catches": "catch_id",
          "judged_oddities": "row_id, cell", "neighbour_days": "local_date"}
TABLES = tuple(_ORDER)

_MEMORY = "3GB"
"""What DuckDB may hold while the record is made."""

_ODD_READINGS: dict[str, str] = {
    "water_temperature": "CASE WHEN pick2 < 0.5 THEN water_temperature * 1.8 + 32 "
    "ELSE water_temperature * 10 END",
    "air_temperature": "air_temperature * 1.8 + 62",
    "salinity": "salinity * 10 + 30",
    "specific_conductance": "CASE WHEN pick2 < 0.5 THEN specific_conductance / 1000 "
    "ELSE 80000 + specific_conductance END",
    "dissolved_oxygen": "CASE WHEN pick2 < 0.5 THEN 90.0 ELSE -1.0 END",
    "dissolved_oxygen_saturation": "CASE WHEN pick2 < 0.5 THEN 930.0 ELSE 12.0 END",
    "ph": "CASE WHEN pick2 < 0.5 THEN ph * 10 ELSE 4.1 END",
    "turbidity": "CASE WHEN pick2 < 0.5 THEN -1.0 ELSE 4500.0 END",
    "secchi_depth": "4200.0",
    "water_level": "2600.0",
    "precipitation": "CASE WHEN pick2 < 0.5 THEN 635.0 ELSE 260.0 END",
    "wind_speed": "CASE WHEN pick2 < 0.5 THEN 84.0 ELSE 31.0 END",
    "cloud_cover": "CASE WHEN pick2 < 0.5 THEN 180.0 ELSE -5.0 END",
    "hours_fished": "CASE WHEN pick2 < 0.5 THEN 900.0 ELSE hours_fished + 10 END",
    "observers": "900.0",
    "volunteer_hours": "2500.0",
}
"""Event field -> what the odd value is made of (``pick2`` is uniform)."""

_OTHER_ODDITIES = (
    "set-after-check", "wrong-year", "in-future", "lifted", "no-effort", "twice", "count",
    "unaccounted", "unread",
)


def _chance(salt: int, of: str = "n") -> str:
    """SQL: a number in [0, 1) that depends on ``of`` and the salt alone."""
    return f"(hash({of} * 64 + {salt}) % 1000003 / 1000003.0)"


def _typed(columns: dict[str, str], given: dict[str, str]) -> str:
    """A select list of ``columns`` in order: what is ``given``, the rest NULL."""
    return ", ".join(
        f"({given.get(name, 'NULL')})::{kind} AS {name}" for name, kind in columns.items()
    )


def make_record(folder: Path, events: int) -> None:
    """Write ``TABLES`` as Parquet files into ``folder``: ``events`` events and their catches.

    Made in a database on disk, so that ten million need no more memory than one.
    """
    made = folder / "made.duckdb"
    with duckdb.connect(made) as con:
        con.execute(f"SET threads = 2; SET memory_limit = '{_MEMORY}'; "
                    "SET preserve_insertion_order = false; SET enable_progress_bar = false")
        _make_events(con, events)
        _make_catches(con)
        evidence = ", ".join(
            f"median({name}) AS {name}, "
            f"count(DISTINCT site) FILTER ({name} IS NOT NULL) AS {name}_sites, "
            f"min({name}) AS {name}_least, max({name}) AS {name}_most"
            for name in NEIGHBOUR_FIELDS
        )
        con.execute(
            f"CREATE TABLE neighbour_days AS SELECT local_date, {evidence} "
            "FROM judged_events WHERE local_date IS NOT NULL GROUP BY local_date")
        for table in TABLES:
            con.execute(
                f"COPY (SELECT * FROM {table} ORDER BY {_ORDER[table]}) "
                f"TO '{folder / (table + '.parquet')}' (FORMAT parquet)"
            )
    made.unlink()


def _files() -> str:
    """SQL values: site number, season number, hash of that season's file, its first row id."""
    rows = []
    for site_number, site in enumerate(SITES):
        for season in range(SEASONS):
            sha = hashlib.sha256(f"{site} {FIRST_SEASON + season}".encode()).hexdigest()
            rows.append(f"({site_number}, {season}, '{sha}', {row_id_base(sha)}::BIGINT)")
    return ", ".join(rows)


def _make_events(con: duckdb.DuckDBPyConnection, events: int) -> None:
    kinds = len(_ODD_READINGS) + len(_OTHER_ODDITIES)
    odd = {name: place for place, name in enumerate((*_ODD_READINGS, *_OTHER_ODDITIES))}
    cells = len(SITES) * SEASONS * SEASON_DAYS
    con.execute(f"""
        CREATE TABLE drawn AS
        WITH files(site_number, season_number, sha, base) AS (VALUES {_files()}),
        numbered AS (
            SELECT n, n % {len(SITES)} AS site_number,
                   n // {len(SITES)} % {SEASONS} AS season_number,
                   n // {len(SITES) * SEASONS} % {SEASON_DAYS} AS day_number,
                   n // {cells} AS net_number
            FROM range({events}) r(n)),
        timed AS (
            SELECT n, net_number, day_number, site_number, sha, base,
                   row_number() OVER (PARTITION BY sha ORDER BY day_number, net_number) AS place,
                   make_date({FIRST_SEASON} + season_number, 2, 1) + day_number::INTEGER AS day,
                   {FIRST_SEASON} + season_number AS season,
                   {_chance(1)} AS water, {_chance(2)} AS weather, {_chance(3)} AS effort,
                   {_chance(4)} AS salt, {_chance(5)} AS rain, {_chance(6)} AS filled,
                   {_chance(8)} AS pick2, {_chance(9)} AS people,
                   CASE WHEN {_chance(10)} < {ODD_SHARE}
                        THEN (hash(n * 64 + 11) % {kinds})::INTEGER ELSE -1 END AS odd
            FROM numbered JOIN files USING (site_number, season_number))
        SELECT *, base + place AS row_id,
               day + INTERVAL 7 HOUR + to_minutes((effort * 90)::INTEGER) AS checked,
               round(1 + day_number * 0.13 + site_number * 0.1 + water * 3, 1) AS temperature
        FROM timed""")
    given = {
        "site": "format('creek-{:02d}', site_number + 1)",
        "file_sha256": "sha", "row_id": "row_id", "sheet": "'Counts'", "sheet_row": "place + 4",
        "protocol": "'fyke'",
        "event_id": "format('creek-{:02d}:fyke:{}:{}', site_number + 1, net_number + 1, "
        "strftime(checked, '%Y-%m-%dT%H%M'))",
        "season": "year(checked)", "set_at": "set_at", "checked_at": "checked",
        "set_at_utc": "set_at + INTERVAL 5 HOUR", "checked_at_utc": "checked + INTERVAL 5 HOUR",
        "soak_hours": "date_diff('minute', set_at, checked) / 60.0",
        "hours_stated": "TRUE", "count_columns": "TRUE",
        "content": "format('{:x}', hash(n * 64 + 12))",
        "gear_unit": "(net_number + 1)", "recorder": "'AB'", "local_date": "checked::DATE",
        "set_date": "set_at::DATE", "set_time": "set_at::TIME", "check_date": "checked::DATE",
        "check_time": "checked::TIME",
        "hours_fished": f"CASE WHEN odd = {odd['no-effort']} THEN NULL ELSE hours_fished END",
        "net_status": f"CASE WHEN odd = {odd['lifted']} THEN 'lifted' ELSE 'fishing' END",
        "tide_stage": "['low', 'flood', 'high', 'ebb'][1 + (n % 4)]",
        "wind_direction": "['N', 'NE', 'SW', 'W', 'calm'][1 + (n % 5)]",
    }
    readings = {
        "hours_fished": "round(date_diff('minute', set_at, checked) / 60.0, 1)",
        "water_temperature": "CASE WHEN filled < 0.95 THEN temperature END",
        "air_temperature": "round(temperature + weather * 12 - 6, 1)",
        "salinity": "CASE WHEN filled < 0.85 THEN round(2 + site_number * 1.5 + salt * 6, 1) END",
        # Water that agrees with itself: S = 0.4665 K^1.0878 (K in mS/cm at 25 degC), and oxygen
        # of 468 / (31.6 + t) mg/l at saturation in fresh water.
        "specific_conductance": "CASE WHEN filled < 0.6 THEN "
            "round(1000 * pow((2 + site_number * 1.5 + salt * 6) / 0.4665, 1 / 1.0878)) END",
        "dissolved_oxygen": "CASE WHEN filled < 0.7 THEN round((85 + water * 20) / 100 * 468 "
            "/ (31.6 + temperature) * (1 - 0.0057 * (2 + site_number * 1.5 + salt * 6)), 1) END",
        "dissolved_oxygen_saturation": "CASE WHEN filled < 0.5 THEN round(85 + water * 20) END",
        "ph": "CASE WHEN filled < 0.7 THEN round(6.6 + salt * 1.4, 1) END",
        "turbidity": "CASE WHEN filled < 0.4 THEN round(2 + rain * 25, 1) END",
        "secchi_depth": "CASE WHEN filled < 0.4 THEN round(40 + salt * 120) END",
        "water_level": "CASE WHEN filled < 0.5 THEN round(60 + weather * 120) END",
        "precipitation": "CASE WHEN day_number % 3 = 0 THEN round(6 + rain * 5, 1) ELSE 0 END",
        "wind_speed": "round(weather * 14, 1)",
        "cloud_cover": "round(rain * 8) * 12.5",
        "observers": "1 + floor(people * 5)",
        "volunteer_hours": "round((1 + floor(people * 5)) * 1.5, 1)",
    }
    own = ", ".join(
        f"CASE WHEN odd = {odd[name]} THEN {_ODD_READINGS[name]} ELSE {name} END AS {name}"
        for name in readings
    )
    con.execute(f"""
        CREATE TABLE judged_events AS
        WITH moved AS (
            SELECT * EXCLUDE (checked),
                   CASE odd WHEN {odd['wrong-year']} THEN checked - INTERVAL 1 YEAR
                            WHEN {odd['in-future']} THEN checked + INTERVAL 30 YEAR
                            ELSE checked END AS checked
            FROM drawn),
        fished AS (
            SELECT *, CASE WHEN odd = {odd['no-effort']} THEN NULL
                           WHEN odd = {odd['set-after-check']} THEN checked + INTERVAL 2 HOUR
                           ELSE date_trunc('day', checked) - INTERVAL 15 HOUR
                                + to_minutes((water * 20)::INTEGER) END AS set_at
            FROM moved),
        measured AS (
            SELECT *, {", ".join(f"{sql} AS {name}" for name, sql in readings.items())}
            FROM fished),
        judged AS (SELECT * EXCLUDE ({", ".join(readings)}), {own} FROM measured),
        twice AS (
            SELECT {_typed(EVENT_COLUMNS, {name: name for name in readings} | given)},
                   FALSE AS vanished, odd FROM judged)
        SELECT * EXCLUDE (odd) FROM twice
        UNION ALL BY NAME
        SELECT * EXCLUDE (odd) REPLACE (row_id + {ROWS_A_FILE // 2} AS row_id)
        FROM twice WHERE odd = {odd['twice']}""")
    con.execute(f"""
        CREATE TABLE judged_oddities AS
        SELECT {_typed(ODDITY_COLUMNS, {
            "file_sha256": "sha", "row_id": "row_id", "sheet": "'Counts'",
            "sheet_row": "place + 4", "cell": "format('K{}', place + 4)",
            "field": "CASE WHEN pick2 < 0.3 THEN 'water_level' WHEN pick2 < 0.6 "
                     "THEN 'secchi_depth' ELSE 'tide_stage' END",
            "raw": "'about knee deep'",
            "kind": "CASE WHEN pick2 < 0.6 THEN 'not-understood' ELSE 'not-in-list' END",
        })}
        FROM drawn WHERE odd = {odd['unread']}""")


def _make_catches(con: duckdb.DuckDBPyConnection) -> None:
    odd = {name: len(_ODD_READINGS) + place for place, name in enumerate(_OTHER_ODDITIES)}
    run = "exp(-1 * pow((day_number - 70) / 25.0, 2))"
    stage_of = "['glass eel', 'elver', 'unspecified'][place_in_row]"
    con.execute(f"""
        CREATE TABLE judged_catches AS
        WITH laid AS (
            SELECT d.*, k.place_in_row,
                   CASE place_in_row
                        WHEN 1 THEN CASE WHEN {_chance(24)} > 0.003
                                         THEN floor({run} * 90 * {_chance(20)}) END
                        WHEN 2 THEN floor({run} * 12 * {_chance(21)})
                        ELSE CASE WHEN {_chance(22)} < 0.4 THEN floor(9 * {_chance(23)}) END
                   END AS counted
            FROM drawn d, range(1, 4) k(place_in_row)),
        written AS (
            SELECT *, CASE WHEN odd = {odd["count"]} AND place_in_row = 1
                           THEN CASE WHEN pick2 < 0.3 THEN -3.0 WHEN pick2 < 0.6 THEN 12.5
                                     ELSE 45000.0 END
                           ELSE counted END AS count
            FROM laid)
        SELECT {_typed(CATCH_COLUMNS, {
            "file_sha256": "sha", "catch_id": "base + (place - 1) * 3 + place_in_row",
            "row_id": "row_id", "sheet": "'Counts'", "sheet_row": "place + 4",
            "taxon": "CASE WHEN place_in_row < 3 THEN 'anguilla-rostrata' "
                     "ELSE 'gasterosteus-aculeatus' END",
            "life_stage": stage_of, "count": "count",
            "released": f"CASE WHEN odd = {odd['unaccounted']} THEN count + 7 "
                        f"WHEN odd <> {odd['count']} THEN count END",
            "mortality": f"CASE WHEN odd <> {odd['count']} THEN 0 END",
        })}
        FROM written""")
