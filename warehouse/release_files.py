"""The files of a release that hold its tables: CSV, Parquet and the content digest.

Everything streams: a release of a million events must fit beside other programs.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from shared.columnar import sql_text
from shared.settings import Network
from warehouse.published import Table
from warehouse.snapshot import LAID_OUT
from warehouse.tables import quoted

if TYPE_CHECKING:
    import pyarrow as pa

_CSV = "FORMAT csv, HEADER true, DELIMITER ',', TIMESTAMPFORMAT '%Y-%m-%dT%H:%M:%SZ'"
_ROW_GROUP = 1 << 17
_CHUNK = 1 << 24


def write_csv(connection: duckdb.DuckDBPyConnection, table: Table, path: Path) -> None:
    """UTF-8, comma, decimal point, moments in UTC; empty where there is no value."""
    columns = ", ".join(quoted(column.name) for column in table.columns)
    connection.execute(f"COPY (SELECT {columns} FROM {LAID_OUT}.{table.name}) "
                       f"TO {sql_text(path.as_posix())} ({_CSV})")


def stamp_version(path: Path, name: str, value: str, rows: int) -> bool:
    """Put a first column into a CSV file; False, and nothing done, where a value spans lines.

    The digest has already had the largest table written, without its version: where each row
    is one line, that text only lacks the column, which no value needs escaping in.
    """
    part = path.with_name(path.name + ".stamped")
    key, break_ = value.encode() + b",", b"\n" + value.encode() + b","
    lines = 0
    with path.open("rb") as source, part.open("wb") as sink:
        sink.write(name.encode() + b"," + source.readline())
        begins = True
        while chunk := source.read(_CHUNK):
            lines += chunk.count(b"\n")
            # The last line break waits for what follows it, if anything does.
            ends = chunk.endswith(b"\n")
            body = chunk[:-1] if ends else chunk
            sink.write((key if begins else b"") + body.replace(b"\n", break_))
            if ends:
                sink.write(b"\n")
            begins = ends
    if lines != rows:
        part.unlink()
        return False
    part.replace(path)
    return True


def content_digest(
    connection: duckdb.DuckDBPyConnection, network: Network, terms: Sequence[object],
    tables: tuple[Table, ...], building: Path, beside: Executor,
) -> tuple[str, dict[str, str]]:
    """SHA-256 of what is to be published, and of each CSV file.

    Leaves the tables, as ``tables`` has their columns, as CSV in ``building``. ``beside``
    hashes one file while the engine writes the next.
    """
    hashing: dict[str, Future[str]] = {}
    for table in tables:
        path = building / f"{table.name}.csv"
        write_csv(connection, table, path)
        hashing[path.name] = beside.submit(sha256_of, path)
    hashes = {name: future.result() for name, future in hashing.items()}
    whole = hashlib.sha256()
    for table in tables:
        whole.update(f"{table.name} {hashes[f'{table.name}.csv']}\n".encode())
    whole.update(said_beside(network, terms).encode("utf-8"))
    return whole.hexdigest(), hashes


def source_digest(
    connection: duckdb.DuckDBPyConnection, network: Network, terms: Sequence[object],
    tables: tuple[Table, ...],
) -> str:
    """Changes whenever :func:`content_digest` could come out otherwise, and writes nothing.

    Made of each table's shape and of the hashes of its rows, which have the order that their
    keys give them; of how they are written, and by which engine.
    """
    told = [
        (table.name, [(column.name, column.type) for column in table.columns], table.order,
         connection.execute(f"SELECT count(*), bit_xor(hash(r)), sum(hash(r)) "
                            f"FROM ({table.rows}) AS r").fetchone())
        for table in tables
    ]
    return hashlib.sha256(json.dumps(
        [duckdb.__version__, _CSV, said_beside(network, terms), told]).encode("utf-8")).hexdigest()


def said_beside(network: Network, terms: Sequence[object]) -> str:
    """What a release says beside its tables."""
    return json.dumps([network.id, network.name, network.licence, network.permit_note,
                       network.publishing.publisher, *terms], ensure_ascii=False)


def write_parquet(
    connection: duckdb.DuckDBPyConnection, table: Table, path: Path, network: Network,
    version: str, rows_of: str | None = None,
) -> int:
    """Write the rows of ``table`` with each column's meaning and unit in the file's metadata.

    ``connection`` is nobody else's while it runs. ``rows_of``: SQL of the rows, where these are
    not all that are laid out. The file names the release ``version``, unless that is empty.
    Returns how many rows there are.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    reader = connection.sql(rows_of or f"FROM {LAID_OUT}.{table.name}").to_arrow_reader(_ROW_GROUP)
    fields = []
    for column, had in zip(table.columns, reader.schema, strict=True):
        meaning = {"description": column.description}
        if column.unit:
            meaning["unit"] = column.unit
        if column.field:
            meaning["field"] = column.field
        # A moment without a zone is read as local time by some programs: say UTC.
        kind = pa.timestamp("us", tz="UTC") if column.type == "TIMESTAMP" else had.type
        fields.append(pa.field(column.name, kind, metadata=meaning))
    schema = pa.schema(fields, metadata={
        "table": table.name, "description": table.description,
        **({"release": version} if version else {}),
        "network": network.name, "licence": network.licence,
    })
    rows = 0
    with pq.ParquetWriter(path, schema, compression="zstd", version="2.6", use_dictionary=True,
                          write_statistics=True, store_schema=True) as writer:
        for batch in _row_groups(reader):
            rows += batch.num_rows
            writer.write_table(batch.cast(schema), row_group_size=_ROW_GROUP)
    return rows


def _row_groups(reader: pa.RecordBatchReader) -> Iterator[pa.Table]:
    """Whole row groups, whatever pieces the engine hands out: the bytes must not tell."""
    import pyarrow as pa

    waiting: list[pa.RecordBatch] = []
    rows = 0
    for batch in reader:
        waiting.append(batch)
        rows += batch.num_rows
        while rows >= _ROW_GROUP:
            whole = pa.Table.from_batches(waiting).combine_chunks()
            yield whole.slice(0, _ROW_GROUP)
            rest = whole.slice(_ROW_GROUP)
            waiting, rows = list(rest.to_batches()), rest.num_rows
    if rows:
        yield pa.Table.from_batches(waiting).combine_chunks()


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, in hex."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()
