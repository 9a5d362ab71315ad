"""Columnar rows to Arrow, or to SQL: the forms in which staged rows enter DuckDB.

pyarrow is imported when first needed, so that commands which never stage a row do
not pay for it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from shared.staging import Columnar

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa


def to_arrow(rows: Columnar, columns: dict[str, str]) -> pa.Table:
    """Arrow table of ``rows`` with the types that the DuckDB types in ``columns`` name."""
    import pyarrow as pa

    types = {
        "VARCHAR": pa.string(),
        "BIGINT": pa.int64(),
        "INTEGER": pa.int32(),
        "DOUBLE": pa.float64(),
        "BOOLEAN": pa.bool_(),
        "DATE": pa.date32(),
        "TIME": pa.time64("us"),
        "TIMESTAMP": pa.timestamp("us"),
    }
    return pa.table({name: pa.array(rows[name], types[kind]) for name, kind in columns.items()})


@contextmanager
def arriving(
    connection: duckdb.DuckDBPyConnection, rows: pa.Table | pa.RecordBatchReader
) -> Iterator[str]:
    """The name under which ``connection`` can read ``rows`` meanwhile, as it reads a table."""
    connection.register("arriving", rows)
    try:
        yield "arriving"
    finally:
        connection.unregister("arriving")


def to_sql(rows: Columnar, columns: dict[str, str]) -> str:
    """SQL query of ``rows``, written out: for one sheet, where pyarrow would cost more to import.

    Nothing goes as a parameter: at its first one DuckDB imports numpy and pyarrow too.
    """
    told = json.dumps({name: rows[name] for name in columns}, default=str)
    shape = json.dumps({name: [kind] for name, kind in columns.items()})
    unnested = ", ".join(f"unnest(r.{name}) AS {name}" for name in columns)
    return f"SELECT {unnested} FROM (SELECT from_json({sql_text(told)}, {sql_text(shape)}) AS r)"


def sql_text(text: str) -> str:
    """``text`` as a string of SQL."""
    return "'" + text.replace("'", "''") + "'"
