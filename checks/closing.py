"""A season closes: what its rows tell later ones is laid out, once (see :mod:`shared.past`)."""

from __future__ import annotations

import duckdb

from checks.relations import Relations, sweep
from checks.sequences import (
    CLIMATE_DAYS,
    USUALLY_APART,
    again_of,
    neighbouring,
    readings_apart,
    swings_of,
)
from shared import past
from shared.evidence import NEIGHBOUR_FIELDS
from shared.fields import FIELDS
from shared.past import TYPICAL_FIELDS
from shared.staging import ROWS_A_FILE


def lay_out_none(con: duckdb.DuckDBPyConnection) -> None:
    """Lay out the tables of :mod:`shared.past` empty: every row there is, is judged."""
    con.execute(";".join(
        f"CREATE OR REPLACE TEMP TABLE {name} "
        f"({', '.join(' '.join(column) for column in columns.items())})"
        for name, columns in past.TABLES.items()))


def lay_out_past(con: duckdb.DuckDBPyConnection, names: Relations) -> None:
    """Fill the tables of :mod:`shared.past` from rows that were just judged in ``con``.

    ``names`` are the relations that :func:`checks.judging.detect` was given with ``closing``, the
    rows of closed seasons; what it laid out in passing is read again, and dropped. Values and
    rows that are doubted leave nothing behind, as they would not if they were judged again.
    """
    lay_out_none(con)
    span = f"dayofyear(day) // {CLIMATE_DAYS}"
    fields = [name for name, *_ in con.execute("DESCRIBE rule_nets").fetchall()
              if name in FIELDS]
    steps = neighbouring("value", {"previous": -1, "next": 1})
    # Of several sites each has its own; of one it need not be said whose they are.
    site = "home AS site" if names.by_home else "NULL AS site"
    home = ", home" if names.by_home else ""

    def sited(rows: str) -> str:
        return f"(SELECT DISTINCT place, {site} FROM {rows})"

    for field in fields:
        con.execute(f"""
            INSERT INTO {past.SPANS} BY NAME
            SELECT {site}, '{field}' AS field, place, season, {span} AS span,
                   min({field}) AS low, max({field}) AS high, count(*) AS n
            FROM rule_nets WHERE {field} IS NOT NULL AND season IS NOT NULL GROUP BY ALL;
            INSERT INTO {past.USUAL} BY NAME
            SELECT {site}, '{field}' AS field, place,
                   1.4826 * median(abs(value - (previous + next) / 2)) AS stray,
                   1.4826 * median(abs(value - previous)) AS step,
                   count(*) FILTER (value = previous) AS same, count(previous) AS pairs
            FROM (SELECT place, value{home}, {steps}
                  FROM (SELECT net, place, {field} AS value{home} FROM rule_nets
                        WHERE {field} IS NOT NULL))
            GROUP BY ALL""")
    for field in NEIGHBOUR_FIELDS:
        if field in fields:
            con.execute(f"""
                INSERT INTO {past.APART} BY NAME
                WITH placed AS MATERIALIZED (
                    {readings_apart(field, "rule_neighbours", names.by_home)}),
                {USUALLY_APART}
                SELECT site, '{field}' AS field, place, usual, spread
                FROM usual JOIN spreads USING (place)
                JOIN {sited("rule_nets")} USING (place)""")
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_in_order AS
        SELECT place, count, {neighbouring("count", {"previous": -1, "next": 1})} FROM rule_caught;
        INSERT INTO {past.CATCHES} BY NAME
        SELECT {site}, place, season, {span} AS span, sum(count) AS total, max(count) AS most,
               count(*) AS n
        FROM rule_caught WHERE season IS NOT NULL GROUP BY ALL;
        INSERT INTO {past.REPEATS} BY NAME
        FROM ({swings_of("rule_in_order")}) JOIN {sited("rule_caught")} USING (place);
        INSERT INTO {past.AGAIN} BY NAME
        FROM ({again_of("rule_in_order")}) JOIN {sited("rule_caught")} USING (place)
        WHERE count > 0;
        DROP TABLE rule_in_order;
        INSERT INTO {past.TYPICAL} BY NAME
        SELECT site, {", ".join(TYPICAL_FIELDS)} FROM rule_typical;
        INSERT INTO {past.FISHED} BY NAME
        SELECT site, season, count(*) AS checks FROM {names.events}
        WHERE season IS NOT NULL AND protocol <> 'water' GROUP BY ALL;
        INSERT INTO {past.RECORDS} BY NAME
        SELECT o.taxon, o.records, o.row_id, v.site, v.season, v.local_date FROM (
            SELECT taxon, records, unnest([first, last]) AS row_id FROM (
                SELECT taxon, row_id // {ROWS_A_FILE} AS file, count(*) AS records,
                       min(row_id) AS first, max(row_id) AS last
                FROM {names.catches} WHERE count > 0 GROUP BY ALL)) o
        JOIN {names.events} v USING (row_id) WHERE v.local_date IS NOT NULL;
        INSERT INTO {past.PRINTS} BY NAME
        SELECT e.site, p.row_id, n.place, n.day, p.readings, p.tally, e.sheet_row, e.sheet,
               e.file_sha256
        FROM rule_prints p JOIN rule_nets n USING (row_id) JOIN {names.events} e USING (row_id)
        WHERE p.told >= 2 ORDER BY n.place, p.readings""")
    sweep(con)
