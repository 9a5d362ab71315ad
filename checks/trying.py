"""Suggestions are tried: the rows with what is suggested laid in, to be judged once more."""

from __future__ import annotations

from collections.abc import Sequence

import duckdb

from checks.relations import Relations
from shared.columnar import to_sql
from shared.fields import FIELDS, NUMERIC_KINDS, Level
from shared.findings import Finding

TRIED = Relations(events="tried_events", catches="tried_catches", oddities="tried_oddities")


def lay_out_tried(
    con: duckdb.DuckDBPyConnection, names: Relations, found: Sequence[Finding]
) -> bool:
    """Lay out :data:`TRIED`: rows for which ``found`` suggests numbers, as they would then be.

    All of a row's suggestions are laid in together. False: there are none, and no tables.
    """
    offered: dict[tuple[int, int | None, str], float] = {}
    for finding in found:
        if (finding.suggested and finding.row_id is not None
                and FIELDS[finding.field].kind in NUMERIC_KINDS):
            offered[finding.row_id, finding.catch_id, finding.field] = float(finding.suggested)
    if not offered:
        return False
    con.execute("CREATE OR REPLACE TEMP TABLE tried_values AS " + to_sql(
        {"row_id": [key[0] for key in offered], "catch_id": [key[1] for key in offered],
         "field": [key[2] for key in offered], "value": list(offered.values())},
        {"row_id": "BIGINT", "catch_id": "BIGINT", "field": "VARCHAR", "value": "DOUBLE"}))

    def laid_in(alias: str, level: Level, table: str, key: str) -> str:
        changed = sorted({key[2] for key in offered if FIELDS[key[2]].level is level})
        if not changed:
            return f"SELECT {alias}.* FROM {table} {alias}"
        put = ", ".join(f"coalesce(v.{field}, {alias}.{field}) AS {field}" for field in changed)
        values = ", ".join(f"any_value(value) FILTER (field = '{field}') AS {field}"
                           for field in changed)
        return (f"SELECT {alias}.* REPLACE ({put}) FROM {table} {alias} LEFT JOIN "
                f"(SELECT {key}, {values} FROM tried_values GROUP BY ALL) v "
                f"ON v.{key} = {alias}.{key}")

    rows = "(SELECT row_id FROM tried_values)"
    for table, alias, query in (
        (TRIED.events, "e", laid_in("e", Level.EVENT, names.events, "row_id")),
        (TRIED.catches, "c", laid_in("c", Level.CATCH, names.catches, "catch_id")),
        (TRIED.oddities, "o", f"SELECT o.* FROM {names.oddities} o"),
    ):
        con.execute(f"CREATE OR REPLACE TEMP TABLE {table} AS "
                    f"{query} WHERE {alias}.row_id IN {rows}")
    return True
