"""Releases: the clean record, published whole, immutable and reproducible.

A release is built in ``releases/.building-*``, moved in by one rename, and only then
named in ``releases/latest``. A stop at any moment leaves the latest release in place and
a rerun builds the same bytes. The digest covers what the tables say, not when they were
published: where it equals the latest release's there is nothing new to publish.

The DuckDB snapshot is derived from the same rows and is not part of the digest, because
the engine writes a random id into every file.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb

from shared.problems import Problem
from shared.settings import Network
from warehouse import changes as changelog
from warehouse import durable
from warehouse.folder import latest_path, releases_folder
from warehouse.published import (
    FLAG_MEANING,
    Table,
    published_tables,
    published_views,
    reference_rows,
    with_version,
)
from warehouse.snapshot import SNAPSHOT_NAME, latest_version, write_snapshot
from warehouse.store import Warehouse
from warehouse.tables import quoted_text

if TYPE_CHECKING:
    import pyarrow as pa

MANIFEST = "manifest.json"
_ROW_GROUP = 1 << 17


@dataclass(frozen=True, slots=True)
class Release:
    """One published release. ``new`` is False when the latest already says the same."""

    version: str
    path: Path
    new: bool
    digest: str


def build_release(
    warehouse: Warehouse,
    network: Network,
    as_of: dt.date,
    network_dir: Path,
    guard: Callable[[duckdb.DuckDBPyConnection], None] | None = None,
) -> Release:
    """Publish the clean record as of ``as_of``, or find that the latest release says it already.

    The version is ``YYYY.WW.R``: ISO year and week of ``as_of``, and the revision within
    that week, from 0. ``guard`` looks at the clean tables before anything new is published;
    what it raises leaves ``latest`` where it was.
    """
    folder = releases_folder(network_dir)
    folder.mkdir(parents=True, exist_ok=True)
    durable.sweep(folder, ".building-*")
    durable.sweep(folder)
    building = folder / f".building-{os.getpid()}"
    building.mkdir()
    tables = published_tables()
    with warehouse.lock:
        connection = warehouse.connection
        _lay_out(connection, network, tables)
        digest = _content_digest(connection, network, tables, building)
        published = _published(network_dir)
        previous = published[0] if published else None
        if previous is not None and read_manifest(folder / previous).get("digest") == digest:
            shutil.rmtree(building)
            lost = latest_version(network_dir) != previous
            if lost:
                durable.write_text(latest_path(network_dir), previous + "\n")
            return Release(previous, folder / previous, lost, digest)

        if guard is not None:
            guard(connection)
        version = _next_version(as_of, published, folder, previous)
        target = folder / version
        if target.exists():
            if _is_the_same(target, version, as_of, previous, digest):
                shutil.rmtree(building)
                durable.write_text(latest_path(network_dir), version + "\n")
                return Release(version, target, True, digest)
            _remove(target)
        tables = tuple(with_version(table, version) for table in tables)
        found = (
            changelog.compare(connection, tables, folder / previous)
            if previous is not None else []
        )
        rows = _rows(connection, tables)
        counts = next(table for table in tables if table.name == "counts")
        if not _prefix(building / "counts.csv", counts.columns[0].name, version):
            _write_csv(connection, counts, building / "counts.csv")
    for table in tables:
        _write_parquet(building / f"{table.name}.parquet", table, rows[table.name], network,
                       version)
    (building / "CHANGES.md").write_bytes(
        changelog.as_text(version, previous, found).encode("utf-8"))
    (building / "changes.csv").write_bytes(changelog.as_csv(found).encode("utf-8"))
    (building / "README.md").write_bytes(
        _readme(network, version, as_of, tables, rows).encode("utf-8"))
    manifest = _manifest(network, version, as_of, previous, digest, tables, rows, building)
    write_snapshot(building / SNAPSHOT_NAME, tables, rows, published_views())
    (building / MANIFEST).write_bytes(manifest.encode("utf-8"))
    for path in sorted(building.iterdir()):
        durable.flush_file(path)
    durable.move_in(building, target)
    durable.write_text(latest_path(network_dir), version + "\n")
    return Release(version, target, True, digest)


def read_manifest(release: Path) -> dict[str, Any]:
    """The manifest of the release in folder ``release``; empty when it cannot be read."""
    try:
        found = json.loads((release / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _published(network_dir: Path) -> list[str]:
    """Versions that were published, the latest first: the pointer, then each one's forerunner.

    A folder that nothing leads to was moved in by a run that stopped before publishing it.
    Without a pointer that leads anywhere, the newest whole release is taken as the latest:
    a lost pointer must never cost a release.
    """
    versions: list[str] = []
    version = latest_version(network_dir)
    if version is None or not read_manifest(releases_folder(network_dir) / version):
        version = _newest(releases_folder(network_dir))
    while version and version not in versions:
        path = releases_folder(network_dir) / version
        manifest = read_manifest(path)
        if not manifest:
            break
        versions.append(version)
        version = manifest.get("previous")
    return versions


def _newest(folder: Path) -> str | None:
    whole = [
        path.name for path in folder.iterdir()
        if not path.name.startswith(".") and read_manifest(path).get("version") == path.name
    ]
    return max(whole, key=lambda name: [int(part) for part in name.split(".")], default=None)


def _next_version(
    as_of: dt.date, published: list[str], folder: Path, previous: str | None
) -> str:
    """The first revision of the week that is free, or taken only by an unpublished leftover.

    A leftover says that it follows the latest release (or says nothing); a folder that follows
    another was published once, even if the chain to it is broken, and is never touched.
    """
    year, week, _ = as_of.isocalendar()
    revision = 0
    while True:
        version = f"{year}.{week:02d}.{revision}"
        manifest = read_manifest(folder / version)
        if version not in published and (not manifest or manifest.get("previous") == previous):
            return version
        revision += 1


def _is_the_same(
    target: Path, version: str, as_of: dt.date, previous: str | None, digest: str
) -> bool:
    """Whether an unpublished folder is whole and what would be built now."""
    manifest = read_manifest(target)
    return (
        (manifest.get("version"), manifest.get("as_of"), manifest.get("previous"),
         manifest.get("digest")) == (version, as_of.isoformat(), previous, digest)
        and (target / SNAPSHOT_NAME).is_file()
        and all(
            (target / name).is_file() and _sha256(target / name) == entry["sha256"]
            for name, entry in manifest.get("files", {}).items()
        )
    )


def _remove(target: Path) -> None:
    try:
        shutil.rmtree(target)
    except OSError as error:
        raise Problem(
            "A release that was never published is in the way and cannot be removed.",
            "Close the programs that have its files open, delete the folder and run again.",
            str(target),
        ) from error


def _lay_out(
    connection: duckdb.DuckDBPyConnection, network: Network, tables: tuple[Table, ...]
) -> None:
    """Fill the temporary tables ``release_<name>``, rows in their published order."""
    reference = reference_rows(network)
    for name, rows in reference.items():
        connection.register(name, rows)
    try:
        for table in tables:
            connection.execute(
                f"CREATE OR REPLACE TEMP TABLE release_{table.name} AS {table.select}"
            )
    finally:
        for name in reference:
            connection.unregister(name)


def _from(table: Table) -> str:
    """SQL that reads the laid-out rows of ``table``, with the version where it has one."""
    first = table.columns[0]
    extra = f"{first.sql} AS {first.name}, " if first.name == "release_version" else ""
    return f"SELECT {extra}* FROM release_{table.name}"


def _write_csv(connection: duckdb.DuckDBPyConnection, table: Table, path: Path) -> None:
    connection.execute(
        f"COPY ({_from(table)}) TO {quoted_text(path.as_posix())} "
        "(FORMAT csv, HEADER true, DELIMITER ',', TIMESTAMPFORMAT '%Y-%m-%dT%H:%M:%SZ')"
    )


def _prefix(path: Path, name: str, value: str) -> bool:
    """Put a first column into a CSV file; False, and nothing done, where a line may be quoted.

    The digest has already had the largest table written, without its version: a line break
    inside quotes aside, that text only lacks the column, which no value needs escaping in.
    """
    content = path.read_bytes()
    if b'"' in content:
        return False
    lines = content.removesuffix(b"\n").split(b"\n")
    first, rest = name.encode() + b"," + lines[0], b"\n" + value.encode() + b","
    path.write_bytes(rest.join([first, *lines[1:]]) + b"\n")
    return True


def _content_digest(
    connection: duckdb.DuckDBPyConnection, network: Network, tables: tuple[Table, ...],
    building: Path,
) -> str:
    """SHA-256 of what is to be published; leaves the tables as CSV in ``building``."""
    whole = hashlib.sha256()
    for table in tables:
        path = building / f"{table.name}.csv"
        _write_csv(connection, table, path)
        whole.update(f"{table.name} {_sha256(path)}\n".encode())
    terms = [network.id, network.name, network.licence, network.permit_note]
    whole.update(json.dumps(terms, ensure_ascii=False).encode("utf-8"))
    return whole.hexdigest()


def _rows(
    connection: duckdb.DuckDBPyConnection, tables: tuple[Table, ...]
) -> dict[str, pa.Table]:
    return {
        table.name: connection.sql(_from(table)).to_arrow_table().combine_chunks()
        for table in tables
    }


def _write_parquet(
    path: Path, table: Table, rows: pa.Table, network: Network, version: str
) -> None:
    """Write ``rows`` with each column's meaning and unit in the file's own metadata."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    fields = []
    for column, had in zip(table.columns, rows.schema, strict=True):
        meaning = {"description": column.description}
        if column.unit:
            meaning["unit"] = column.unit
        if column.field:
            meaning["field"] = column.field
        # A moment without a zone is read as local time by some programs: say UTC.
        kind = pa.timestamp("us", tz="UTC") if column.type == "TIMESTAMP" else had.type
        fields.append(pa.field(column.name, kind, metadata=meaning))
    schema = pa.schema(fields, metadata={
        "table": table.name, "description": table.description, "release": version,
        "network": network.name, "licence": network.licence,
    })
    pq.write_table(
        rows.cast(schema), path, compression="zstd", version="2.6", row_group_size=_ROW_GROUP,
        use_dictionary=True, write_statistics=True, store_schema=True,
    )


def _manifest(
    network: Network, version: str, as_of: dt.date, previous: str | None, digest: str,
    tables: tuple[Table, ...], rows: dict[str, pa.Table], building: Path,
) -> str:
    """manifest.json: the same text whenever the same release is built."""
    manifest = {
        "network": network.id,
        "title": network.name,
        "version": version,
        "as_of": as_of.isoformat(),
        "previous": previous,
        "licence": network.licence,
        "digest": digest,
        "rows": {table.name: rows[table.name].num_rows for table in tables},
        "files": {
            path.name: {"sha256": _sha256(path), "bytes": path.stat().st_size}
            for path in sorted(building.iterdir())
        },
        "derived": {
            SNAPSHOT_NAME: "the same tables in a DuckDB database, with views; its bytes differ "
                           "between writings, so it has no hash here",
        },
    }
    return json.dumps(manifest, ensure_ascii=False, indent=2) + "\n"


def _readme(
    network: Network, version: str, as_of: dt.date, tables: tuple[Table, ...],
    rows: dict[str, pa.Table],
) -> str:
    listed = "\n".join(
        f"| {table.name} | {rows[table.name].num_rows} | {table.description} |"
        for table in tables
    )
    views = "\n".join(f"- `{view.name}`: {view.description}" for view in published_views())
    permit = f"\n## Permits\n\n{network.permit_note}\n" if network.permit_note else ""
    licence = network.licence or "not stated; ask the network before you pass the data on"
    return f"""# {network.name}, release {version}

What the network's sites had sent by {as_of.isoformat()}, as far as it passed the network's rules.
A release is never altered: a correction comes with the next one, and CHANGES.md there says so.

Licence: {licence}

## Tables

Each table is here as Parquet and as CSV (UTF-8, comma, decimal point, moments in UTC), and all of
them in `{SNAPSHOT_NAME}`. `dictionary` explains every column: meaning, unit, limits.

| table | rows | what it holds |
| --- | ---: | --- |
{listed}

Views in `{SNAPSHOT_NAME}`:

{views}

## Before you use it

- Every value has a flag beside it (`qc_...`): {FLAG_MEANING}.
  A value that failed, or that seems to be in another unit than its column's, is withheld: a flag
  4 or 3 then stands beside an empty cell. Any other suspect value (3) stands as it was sent.
- A zero was written down as zero by a crew whose net was fishing. What was not looked for, or left
  blank, has no row.
- A count is comparable only through its effort: use `cpue`, and mind events without effort.
- Rows that a person must look at first are not here; `findings` says which and why.
{permit}
## Checking it

`manifest.json` gives the SHA-256 of every file but the DuckDB snapshot, which holds the same rows.
"""


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
