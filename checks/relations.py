"""The relations that probes run over, built in the caller's DuckDB connection.

The caller names three relations of staged rows (see :mod:`shared.staging`); the
events also carry ``vanished BOOLEAN``. What is derived here lives in temporary
tables of the connection, replaced at each judgement.
"""

from __future__ import annotations

from dataclasses import dataclass

import duckdb

from checks.rule import Over
from shared.protocol import protocols
from shared.taxa import ALL_STAGES

NEIGHBOUR_FIELDS = ("water_temperature", "air_temperature", "precipitation")
"""What other sites of the same day are asked for."""

TYPICAL_FIELDS = ("conductivity", "specific_conductance")
"""What a site's own median is asked for."""

LOCAL_MEDIAN_FIELDS = ("water_temperature", "air_temperature")
"""Fields whose median of some days about is offered to the rules' words."""


@dataclass(frozen=True, slots=True)
class Relations:
    """Names of the relations judged, in the connection's catalogue.

    ``neighbours`` has columns ``local_date, sites`` and one per :data:`NEIGHBOUR_FIELDS`;
    None: nothing is known of other sites.
    """

    events: str = "judged_events"
    catches: str = "judged_catches"
    oddities: str = "judged_oddities"
    neighbours: str | None = None


def source_of(over: Over, names: Relations) -> str:
    """SQL ``FROM`` clause of a relation, with the aliases that probes use."""
    event = f"{names.events} e"
    return {
        Over.EVENTS: event,
        Over.CATCHES: f"{names.catches} c",
        Over.TALLIES: f"{event} JOIN rule_tallies t USING (row_id)",
        Over.SERIES: f"{event} JOIN rule_series s USING (row_id)",
        Over.BLANKS: f"{names.catches} c JOIN {event} USING (row_id) "
        "JOIN rule_blanks b USING (catch_id)",
        Over.NEIGHBOURS: f"{event} LEFT JOIN rule_neighbours n USING (local_date) "
        "LEFT JOIN rule_typical y USING (site)",
        Over.ODDITIES: f"{names.oddities} o JOIN {event} USING (row_id)",
    }[over]


KEYS: dict[Over, str] = {
    Over.EVENTS: "e.row_id AS row_id, NULL::BIGINT AS catch_id, NULL::VARCHAR AS taxon",
    Over.CATCHES: "c.row_id AS row_id, c.catch_id AS catch_id, NULL::VARCHAR AS taxon",
    Over.TALLIES: "e.row_id AS row_id, NULL::BIGINT AS catch_id, t.taxon AS taxon",
    Over.SERIES: "e.row_id AS row_id, NULL::BIGINT AS catch_id, NULL::VARCHAR AS taxon",
    Over.BLANKS: "e.row_id AS row_id, c.catch_id AS catch_id, NULL::VARCHAR AS taxon",
    Over.NEIGHBOURS: "e.row_id AS row_id, NULL::BIGINT AS catch_id, NULL::VARCHAR AS taxon",
    Over.ODDITIES: "o.row_id AS row_id, o.catch_id AS catch_id, NULL::VARCHAR AS taxon",
}
"""What a hit over each relation points at."""


def build_row_relations(con: duckdb.DuckDBPyConnection, names: Relations) -> None:
    """Build what the row rules need: tallies a taxon, blank targets, neighbours, the usual."""
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_tallies AS
        SELECT row_id, taxon,
               count(count) FILTER (life_stage <> '{ALL_STAGES}') AS parts,
               count(count) AS counted,
               max(count) FILTER (life_stage = '{ALL_STAGES}') AS stated_total,
               coalesce(sum(count) FILTER (life_stage <> '{ALL_STAGES}'),
                        max(count) FILTER (life_stage = '{ALL_STAGES}')) AS counted_sum,
               sum(released) AS released, sum(mortality) AS mortality, sum(kept) AS kept
        FROM {names.catches} GROUP BY row_id, taxon""")
    targets = ", ".join(
        f"('{protocol.id}', '{target.taxon}', '{target.life_stage}', {place})"
        for protocol in protocols().values()
        for place, target in enumerate(protocol.targets)
    )
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_blanks AS
        WITH targets(protocol, taxon, life_stage, place) AS (VALUES {targets}),
        blank AS (
            SELECT c.catch_id, c.row_id, c.file_sha256, c.sheet, c.taxon, c.life_stage, g.place
            FROM {names.catches} c JOIN {names.events} e USING (row_id)
            JOIN targets g ON g.protocol = e.protocol AND g.taxon = c.taxon
                 AND g.life_stage = c.life_stage
            WHERE c.count IS NULL AND e.net_status IS DISTINCT FROM 'lifted'
              AND NOT EXISTS (SELECT 1 FROM {names.oddities} o
                              WHERE o.catch_id = c.catch_id AND o.field = 'count')),
        filled AS (
            SELECT c.file_sha256, c.sheet, c.taxon, c.life_stage,
                   count(c.count) / count(*) AS share_filled
            FROM {names.catches} c JOIN {names.events} e USING (row_id)
            WHERE e.net_status IS DISTINCT FROM 'lifted'
              AND EXISTS (SELECT 1 FROM blank k WHERE k.file_sha256 = c.file_sha256
                          AND k.sheet = c.sheet AND k.taxon = c.taxon)
            GROUP BY ALL)
        SELECT k.catch_id, k.place = 0 AS first_target, f.share_filled,
               coalesce(t.counted, 0) = 0 AS none_counted
        FROM blank k JOIN filled f USING (file_sha256, sheet, taxon, life_stage)
        LEFT JOIN rule_tallies t ON t.row_id = k.row_id AND t.taxon = k.taxon""")
    if names.neighbours is None:
        columns = ", ".join(f"NULL::DOUBLE AS {name}" for name in NEIGHBOUR_FIELDS)
        source = f"SELECT NULL::DATE AS local_date, 0 AS sites, {columns} WHERE FALSE"
    else:
        source = f"SELECT * FROM {names.neighbours}"
    con.execute(f"CREATE OR REPLACE TEMP TABLE rule_neighbours AS {source}")
    medians = ", ".join(f"median({name}) AS {name}" for name in TYPICAL_FIELDS)
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE rule_typical AS "
        f"SELECT site, {medians} FROM {names.events} GROUP BY site"
    )


def build_series(con: duckdb.DuckDBPyConnection, names: Relations, misdated: str) -> None:
    """Build each event's neighbours at its net and in its sheet.

    ``misdated`` is a relation of ``row_id`` whose dates or times are already held: such a
    row is nobody's predecessor, else one slip would be reported on the next row too.
    """
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_series AS
        WITH twinned AS (
            SELECT event_id FROM {names.events}
            WHERE event_id IS NOT NULL AND protocol <> 'water'
            GROUP BY event_id HAVING count(*) > 1),
        twins AS (
            SELECT row_id,
                   count(*) OVER (PARTITION BY event_id) AS same_event,
                   count(*) OVER (PARTITION BY event_id, content) AS same_content,
                   row_number() OVER (PARTITION BY event_id, content ORDER BY row_id)
                       AS copy_number,
                   coalesce(lag(sheet_row) OVER in_order, lead(sheet_row) OVER in_order)
                       AS twin_row,
                   coalesce(lag(sheet) OVER in_order, lead(sheet) OVER in_order) AS twin_sheet
            FROM {names.events} SEMI JOIN twinned USING (event_id)
            WINDOW in_order AS (PARTITION BY event_id ORDER BY row_id)),
        at_net AS (
            SELECT row_id,
                   lag(checked_at) OVER net AS previous_checked_at,
                   lag(local_date) OVER net AS previous_date,
                   lag(sheet_row) OVER net AS previous_row,
                   lag(sheet) OVER net AS previous_sheet
            FROM {names.events} ANTI JOIN {misdated} USING (row_id)
            WHERE local_date IS NOT NULL AND protocol <> 'water'
            WINDOW net AS (PARTITION BY site, protocol, gear_unit
                           ORDER BY coalesce(checked_at, local_date::TIMESTAMP), row_id)),
        sheets AS (
            SELECT file_sha256, sheet, protocol, mode(season) AS sheet_season,
                   count(season) AS sheet_rows, min(season) <> max(season) AS mixed
            FROM {names.events} GROUP BY ALL),
        years AS (
            SELECT e.row_id, h.sheet_season, h.sheet_rows,
                   lag(e.season) OVER in_sheet AS previous_season,
                   lead(e.season) OVER in_sheet AS next_season
            FROM {names.events} e JOIN sheets h USING (file_sha256, sheet, protocol)
            WHERE h.mixed AND e.season IS NOT NULL
            WINDOW in_sheet AS (PARTITION BY e.file_sha256, e.sheet, e.protocol
                                ORDER BY e.row_id))
        SELECT row_id, a.* EXCLUDE (row_id), t.* EXCLUDE (row_id), y.* EXCLUDE (row_id)
        FROM at_net a FULL JOIN twins t USING (row_id) FULL JOIN years y USING (row_id)""")


def build_local_medians(con: duckdb.DuckDBPyConnection, names: Relations) -> None:
    """Medians over ten-day spans at each site, of plausible values only.

    A lookup of three neighbouring spans stands for "the days around" at the cost of an
    equality join, however long the history.
    """
    from shared.fields import FIELDS

    columns = []
    for name in LOCAL_MEDIAN_FIELDS:
        span = FIELDS[name].plausible
        assert span is not None
        columns.append(
            f"median({name}) FILTER ({name} BETWEEN {span.low!r} AND {span.high!r}) AS {name}"
        )
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_local AS
        SELECT site, date_diff('day', DATE '2000-01-01', local_date) // 10 AS span,
               {", ".join(columns)}
        FROM {names.events} WHERE local_date IS NOT NULL GROUP BY ALL""")


def local_median_sql(field_id: str) -> str:
    """SQL expression over alias ``e``: the field's median at the site in the days around."""
    return (
        f"(SELECT median(l.{field_id}) FROM rule_local l WHERE l.site = e.site "
        "AND l.span BETWEEN date_diff('day', DATE '2000-01-01', e.local_date) // 10 - 1 "
        "AND date_diff('day', DATE '2000-01-01', e.local_date) // 10 + 1)"
    )
