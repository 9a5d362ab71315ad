"""Columnar rows to Arrow: the form in which staged rows enter DuckDB.

pyarrow is imported when first needed, so that commands which never stage a row do
not pay for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from shared.staging import Columnar

if TYPE_CHECKING:
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
