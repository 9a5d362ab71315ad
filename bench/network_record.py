"""A network of any size, made up as it stands when its sheets have been read.

Fyke nets checked daily for a hundred days a season, water and weather as a cold coast has
them, two counts a check, and one row in a hundred with one odd thing, as hands make them.
Rows go straight into a warehouse's tables of what was read, set-based and in the order in
which sheets would have come; chance comes from hashes of a row's number, so that the same
size gives the same rows anywhere. The season under way is ``DAYS_SENT`` days old, and
:func:`send_week` has some sites send their whole sheet again with seven more days.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import duckdb

from flows.intake.version import READER_VERSION
from flows.network_folder import load_network
from shared.staging import ROWS_A_FILE
from warehouse import staging
from warehouse.store import Warehouse
from warehouse.tables import dictionary_tables

SEASON_DAYS = 100
DAYS_SENT = 93
"""Days of the season under way that the sheets have at first."""
WEEK = 7
UNDER_WAY = 2026
AS_OF = dt.date(UNDER_WAY, 2, 1) + dt.timedelta(days=DAYS_SENT)
ODD_SHARE = 0.01
"""Share of rows that get one odd thing."""

_MOST_AT_ONCE = 500_000
"""Rows made in one go: memory is that of so many."""

_CELLS = ("local_date", "set_time", "check_time", "water_temperature", "air_temperature",
          "salinity", "dissolved_oxygen", "dissolved_oxygen_saturation", "ph", "precipitation",
          "wind_speed", "observers", "glass", "elver", "released", "mortality")
"""What the sheets have columns for, from the first."""


def site_id(number: int) -> str:
    """Id of the site with this number, from 1."""
    return f"s{number:05d}"


def lay_down(folder: Path, sites: int, seasons: int) -> int:
    """A network of ``sites`` x ``seasons`` in ``folder``, all read, nothing judged; its events."""
    folder.mkdir(parents=True)
    settings = [
        "[network]", 'id = "made-up"', 'name = "A made-up network"', 'season_start = "02-01"',
        'season_end = "06-15"', 'licence = "CC-BY-4.0"', 'coordinator = "nobody@example.org"',
        'permit_note = "Made up: nobody fishes here."']
    for number in range(1, sites + 1):
        settings += [
            f"[sites.{site_id(number)}]", f'name = "Site {number}"', 'zone = "EST5EDT"',
            f"latitude = {44 + number % 100 / 100}", f"longitude = {-67 - number % 97 / 100}",
            'protocols = ["fyke"]', 'nets = ["A"]']
    (folder / "network.toml").write_text("\n".join(settings) + "\n", encoding="utf-8")
    network = load_network(folder)
    # One key a site; of sites alike but for name and place it costs a digest each.
    keys = [(site, staging.reader_key(READER_VERSION, network, site)) for site in network.sites]
    with Warehouse.open(folder) as warehouse:
        con = warehouse.connection
        con.execute("SET preserve_insertion_order = true; SET enable_progress_bar = false; "
                    "SET memory_limit = '3GB'")
        con.execute("CREATE TABLE reader_keys (site VARCHAR, reader_key VARCHAR)")
        for first in range(0, len(keys), 1000):
            con.execute("INSERT INTO reader_keys VALUES " + ", ".join(
                f"('{site}', '{key}')" for site, key in keys[first:first + 1000]))
        a_site = (seasons - 1) * SEASON_DAYS + DAYS_SENT
        some = max(1, _MOST_AT_ONCE // a_site)
        for first in range(0, sites, some):
            _fill(con, f"""
                SELECT n // {a_site} + 1 AS site_number,
                       {UNDER_WAY - seasons + 1} + n % {a_site} // {SEASON_DAYS} AS season,
                       n % {a_site} % {SEASON_DAYS} AS day_number, '' AS sent, 0 AS week
                FROM range({first * a_site}, {min(first + some, sites) * a_site}) r(n)""")
        con.execute("CHECKPOINT")
    return sites * a_site


def send_week(folder: Path, week: int, first: int, sites: int) -> int:
    """Week ``week`` (from 1): ``sites`` sites, from number ``first``, send one; its new rows."""
    with Warehouse.open(folder) as warehouse:
        _fill(warehouse.connection, f"""
            SELECT site_number, {UNDER_WAY} AS season, day_number,
                   ' week {week}' AS sent, {week} AS week
            FROM range({first}, {first + sites}) s(site_number),
                 range({DAYS_SENT + WEEK * week}) d(day_number) ORDER BY ALL""")
    return sites * WEEK


def _chance(salt: int) -> str:
    """SQL: a number in [0, 1) that depends on the row and the salt alone."""
    return f"(hash(key * 64 + {salt}) % 1000003 / 1000003.0)"


def _drawn(rows: str) -> str:
    """SQL: everything that a row's columns are made of."""
    return f"""
        WITH numbered AS (
            SELECT *, (site_number * 100 + (season - 1900)) * 1000 + day_number AS key,
                   format('s{{:05d}}', site_number) AS site,
                   sha256(format('s{{:05d}} {{}}{{}}', site_number, season, sent)) AS sha
            FROM ({rows})),
        drawn AS (
            SELECT *, ('0x' || sha[:10])::BIGINT * {ROWS_A_FILE} AS base,
                   make_date(season, 2, 1) + day_number::INTEGER AS day,
                   CASE WHEN {_chance(10)} < {ODD_SHARE}
                        THEN (hash(key * 64 + 11) % 8)::INTEGER ELSE -1 END AS odd,
                   {_chance(1)} AS water, {_chance(2)} AS weather, {_chance(3)} AS effort,
                   {_chance(4)} AS salt, {_chance(5)} AS rain, {_chance(6)} AS filled,
                   round(2 + day_number * 0.13 + site_number % 12 * 0.1
                         + {_chance(1)} * 1.5, 1) AS temperature
            FROM numbered),
        timed AS (
            SELECT *, day + INTERVAL 7 HOUR + to_minutes((effort * 90)::INTEGER) AS checked_at,
                   day - INTERVAL 16 HOUR + to_minutes((water * 20)::INTEGER) AS set_before,
                   2 + site_number % 12 * 1.5 + salt * 3 AS s,
                   floor(exp(-1 * pow((day_number - 55) / 25.0, 2)) * 90 * {_chance(20)}) AS glass,
                   floor(exp(-1 * pow((day_number - 75) / 25.0, 2)) * 12 * {_chance(21)}) AS elver
            FROM drawn),
        made AS (
            SELECT *, CASE odd WHEN 0 THEN checked_at + INTERVAL 2 HOUR ELSE set_before END
                       AS set_at,
                   CASE odd WHEN 1 THEN round(temperature * 1.8 + 32, 1)
                            WHEN 2 THEN temperature * 10 ELSE temperature END AS read_water,
                   CASE odd WHEN 3 THEN -3.0 WHEN 4 THEN 45000.0 ELSE glass END AS read_glass
            FROM timed)"""


def _fill(con: duckdb.DuckDBPyConnection, rows: str) -> None:
    """The tables of what was received and read, for ``rows`` (site, season, day, sent)."""
    names = dictionary_tables()
    con.execute(f"CREATE OR REPLACE TEMP TABLE rows_made AS {_drawn(rows)} FROM made")
    _insert(con, "staged_events", names["staged_events"], {
        "site": "site", "file_sha256": "sha", "row_id": "base + day_number",
        "sheet": "'Counts'", "sheet_row": "day_number + 4", "protocol": "'fyke'",
        "event_id": "site || ':fyke:A:' || strftime(checked_at, '%Y-%m-%dT%H%M')",
        "season": "season", "set_at": "set_at", "checked_at": "checked_at",
        "set_at_utc": "set_at + INTERVAL 5 HOUR", "checked_at_utc": "checked_at + INTERVAL 5 HOUR",
        "soak_hours": "date_diff('minute', set_at, checked_at) / 60.0", "hours_stated": "FALSE",
        "count_columns": "TRUE", "content": "format('{:x}', hash(key * 64 + 12))",
        "gear_unit": "'A'", "local_date": "checked_at::DATE", "set_date": "set_at::DATE",
        "set_time": "set_at::TIME", "check_date": "checked_at::DATE",
        "check_time": "checked_at::TIME", "net_status": "'fishing'",
        "water_temperature": "read_water",
        "air_temperature": "round(temperature + weather * 8 - 4, 1)",
        "salinity": "CASE WHEN odd = 5 THEN 200 + s ELSE round(s, 1) END",
        "dissolved_oxygen": "CASE WHEN odd = 6 THEN 90.0 WHEN filled < 0.8 THEN round((88 + water"
            " * 8) / 100 * 468 / (31.6 + temperature) * (1 - 0.0057 * s), 1) END",
        "dissolved_oxygen_saturation":
            "CASE WHEN filled < 0.8 AND odd <> 6 THEN round(88 + water * 8) END",
        "ph": "CASE WHEN filled < 0.6 THEN round(6.8 + salt * 0.8, 1) END",
        "precipitation": "CASE WHEN day_number % 3 = 0 THEN round(4 + rain * 5, 1) ELSE 0 END",
        "wind_speed": "round(2 + weather * 8, 1)", "observers": "2 + floor(salt * 3)",
    })
    catches = names["staged_catches"]
    for place, stage in ((1, "glass eel"), (2, "elver")):
        count = "read_glass" if place == 1 else "elver"
        _insert(con, "staged_catches", catches, {
            "site": "site", "file_sha256": "sha", "catch_id": f"base + day_number * 2 + {place}",
            "row_id": "base + day_number", "sheet": "'Counts'", "sheet_row": "day_number + 4",
            "taxon": "'anguilla-rostrata'", "life_stage": f"'{stage}'", "count": count,
            "released": f"CASE WHEN odd = 7 THEN {count} + 7 ELSE {count} END",
            "mortality": "0.0",
        })
    _insert(con, "staged_rows", names["staged_rows"], {
        "site": "site", "file_sha256": "sha", "sheet": "'Counts'", "sheet_row": "day_number + 4",
        "row_id": "base + day_number"})
    con.execute("""
        INSERT INTO raw_rows
        SELECT sha, 'Counts', false, day_number + 4, [
                   day::VARCHAR, set_at::TIME::VARCHAR, checked_at::TIME::VARCHAR,
                   read_water::VARCHAR, '', s::DECIMAL(9, 1)::VARCHAR, '', '', '', '', '', '',
                   read_glass::INTEGER::VARCHAR, elver::INTEGER::VARCHAR, '', '0'],
               'dmmnnnnnnnnnnnnn' FROM rows_made""")
    con.execute("CREATE OR REPLACE TEMP TABLE files_made AS SELECT site, site_number, season, sha, "
                "week, count(*) AS events, max(day) AS last FROM rows_made GROUP BY ALL")
    con.execute("DROP TABLE rows_made")
    columns = ", ".join(f"({place}, '{field}')" for place, field in enumerate(_CELLS))
    _insert(con, "staged_places", names["staged_places"], {
        "site": "site", "file_sha256": "sha", "sheet": "'Counts'", "column_index": "place",
        "heading": "field",
        "field": "CASE WHEN field IN ('glass', 'elver') THEN 'count' ELSE field END",
        "taxon": "CASE WHEN field IN ('glass', 'elver') THEN 'anguilla-rostrata' END",
        "life_stage": "CASE field WHEN 'glass' THEN 'glass eel' WHEN 'elver' THEN 'elver' END",
        "confidence": "1.0",
    }, f"files_made, (VALUES {columns}) p(place, field) ORDER BY season, site, place")
    first = "(SELECT coalesce(max(seq), 0) FROM receipts)"
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE files_in_order AS
        SELECT *, {first} + row_number() OVER (ORDER BY season, week, site) AS seq
        FROM files_made;
        INSERT INTO receipts SELECT seq, site, site || '/' || season || '.xlsx', sha,
               least(last + 1, DATE '{AS_OF + dt.timedelta(days=400)}')
        FROM files_in_order ORDER BY seq;
        INSERT INTO files SELECT sha, 'xlsx', 20000, seq FROM files_in_order ORDER BY seq;
        INSERT INTO readings SELECT site, sha, reader_key, events, events
        FROM files_in_order JOIN reader_keys USING (site) ORDER BY seq;
        INSERT INTO tables_seen SELECT site, sha, 'Counts', 'fyke', 3, 'wide', '{{}}'
        FROM files_in_order ORDER BY seq;
        DROP TABLE files_made; DROP TABLE files_in_order""")


def _insert(
    con: duckdb.DuckDBPyConnection, table: str, columns: dict[str, str], given: dict[str, str],
    source: str = "rows_made",
) -> None:
    typed = ", ".join(f"({given.get(name, 'NULL')})::{kind} AS {name}"
                      for name, kind in columns.items())
    con.execute(f"INSERT INTO {table} BY NAME SELECT {typed} FROM {source}")
