"""A season closes: what its rows tell later ones is laid out, once (see :mod:`checks.past`)."""

from __future__ import annotations

import duckdb

from checks import past
from checks.past import TYPICAL_FIELDS
from checks.relations import NEIGHBOUR_FIELDS, Relations
from checks.sequences import (
    CLIMATE_DAYS,
    USUALLY_APART,
    again_of,
    neighbouring,
    readings_apart,
    swings_of,
)
from shared.fields import FIELDS
from shared.staging import ROWS_A_FILE


def lay_out_past(con: duckdb.DuckDBPyConnection, names: Relations) -> None:
    """Fill the tables of :mod:`checks.past` from rows that were just judged in ``con``.

    ``names`` are the relations that :func:`checks.judging.detect` was given, the rows of closed
    seasons; what it laid out in passing is read again. Values and rows that are doubted leave
    nothing behind, as they would not if they were judged again.
    """
    past.lay_out_none(con)
    span = f"dayofyear(day) // {CLIMATE_DAYS}"
    fields = [name for name, *_ in con.execute("DESCRIBE rule_nets").fetchall()
              if name in FIELDS]
    steps = neighbouring("value", {"previous": -1, "next": 1})
    for field in fields:
        con.execute(f"""
            INSERT INTO {past.SPANS}
            SELECT '{field}', place, season, {span}, min({field}), max({field}), count(*)
            FROM rule_nets WHERE {field} IS NOT NULL AND season IS NOT NULL GROUP BY ALL;
            INSERT INTO {past.USUAL}
            SELECT '{field}', place, 1.4826 * median(abs(value - (previous + next) / 2)),
                   1.4826 * median(abs(value - previous)),
                   count(*) FILTER (value = previous), count(previous)
            FROM (SELECT place, value, {steps}
                  FROM (SELECT net, place, {field} AS value FROM rule_nets
                        WHERE {field} IS NOT NULL))
            GROUP BY ALL""")
    for field in NEIGHBOUR_FIELDS:
        if field in fields:
            con.execute(f"""
                INSERT INTO {past.APART} BY NAME
                WITH placed AS MATERIALIZED ({readings_apart(field, "rule_neighbours")}),
                {USUALLY_APART}
                SELECT '{field}' AS field, place, usual, spread
                FROM usual JOIN spreads USING (place)""")
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_in_order AS
        SELECT place, count, {neighbouring("count", {"previous": -1, "next": 1})} FROM rule_caught;
        INSERT INTO {past.CATCHES}
        SELECT place, season, {span}, sum(count), max(count), count(*)
        FROM rule_caught WHERE season IS NOT NULL GROUP BY ALL;
        INSERT INTO {past.REPEATS} BY NAME {swings_of("rule_in_order")};
        INSERT INTO {past.AGAIN} BY NAME
        FROM ({again_of("rule_in_order")}) WHERE count > 0;
        DROP TABLE rule_in_order;
        INSERT INTO {past.TYPICAL} BY NAME
        SELECT site, {", ".join(TYPICAL_FIELDS)} FROM rule_typical;
        INSERT INTO {past.FISHED}
        SELECT site, season, count(*) FROM {names.events}
        WHERE season IS NOT NULL AND protocol <> 'water' GROUP BY ALL;
        INSERT INTO {past.RECORDS}
        SELECT o.taxon, o.records, o.row_id, v.site, v.season, v.local_date FROM (
            SELECT taxon, records, unnest([first, last]) AS row_id FROM (
                SELECT taxon, row_id // {ROWS_A_FILE} AS file, count(*) AS records,
                       min(row_id) AS first, max(row_id) AS last
                FROM {names.catches} WHERE count > 0 GROUP BY ALL)) o
        JOIN {names.events} v USING (row_id) WHERE v.local_date IS NOT NULL;
        INSERT INTO {past.PRINTS}
        SELECT p.row_id, n.place, n.day, p.readings, p.tally, e.sheet_row, e.sheet, e.file_sha256
        FROM rule_prints p JOIN rule_nets n USING (row_id) JOIN {names.events} e USING (row_id)
        WHERE p.told >= 2 ORDER BY n.place, p.readings""")
