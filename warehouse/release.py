"""Releases: the clean record, published whole, immutable and reproducible.

A release is built in ``releases/.building-*``, looked at by the gate, moved in by one rename,
and only then named in ``releases/latest``. A stop at any moment leaves the latest release in
place and a rerun builds the same bytes. The digest covers what the tables say, not when they
were published: where it equals the latest release's there is nothing new to publish.

The DuckDB snapshot is derived from the same rows and is not part of the digest, because
the engine writes a random id into every file.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import shutil
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb

from shared.problems import Problem
from shared.settings import Network
from shared.taxa import TAXA
from warehouse import changes as changelog
from warehouse import data_package, durable, release_papers
from warehouse.closing import FINAL, PROVISIONAL, closed_seasons
from warehouse.darwin_core import write_archive
from warehouse.eml import eml_document
from warehouse.folder import latest_path, releases_folder
from warehouse.published import (
    Table,
    published_tables,
    published_views,
    reference_rows,
    with_version,
)
from warehouse.release_files import (
    content_digest,
    sha256_of,
    stamp_version,
    write_csv,
    write_parquet,
)
from warehouse.snapshot import SNAPSHOT_NAME, latest_version, write_snapshot
from warehouse.store import Warehouse
from warehouse.tables import quoted, quoted_text

MANIFEST = "manifest.json"
_MEMORY = "2GB"
"""What the engine may hold while a release is built; the rest of its work goes to the disk."""


@dataclass(frozen=True, slots=True)
class Release:
    """One published release. ``new`` is False when the latest already says the same."""

    version: str
    path: Path
    new: bool
    digest: str


@dataclass(frozen=True, slots=True)
class Built:
    """A release that is whole on the disk and not published yet: what the gate looks at.

    ``connection`` still has the clean layer it was built from; ``previous`` is the folder of
    the release that stands, None for the first.
    """

    version: str
    folder: Path
    previous: Path | None
    connection: duckdb.DuckDBPyConnection
    tables: tuple[Table, ...]


def build_release(
    warehouse: Warehouse,
    network: Network,
    as_of: dt.date,
    network_dir: Path,
    guard: Callable[[duckdb.DuckDBPyConnection], None] | None = None,
    gate: Callable[[Built], None] | None = None,
) -> Release:
    """Publish the clean record as of ``as_of``, or find that the latest release says it already.

    The version is ``YYYY.WW.R``: ISO year and week of ``as_of``, and the revision within
    that week, from 0. ``guard`` looks at the clean tables before anything new is published,
    ``gate`` at the files that were built; what either raises leaves ``latest`` where it was.
    """
    folder = releases_folder(network_dir)
    folder.mkdir(parents=True, exist_ok=True)
    durable.sweep(folder, ".building-*")
    durable.sweep(folder)
    building = folder / f".building-{os.getpid()}"
    building.mkdir()
    tables = published_tables()
    with warehouse.lock, _frugal(warehouse.connection) as connection:
        _lay_out(connection, network, tables, _sheltered(connection))
        seasons = _seasons(connection, closed_seasons(network_dir))
        digest = content_digest(connection, network, sorted(seasons.items()), tables, building)
        published = _published(network_dir)
        previous = published[0] if published else None
        if previous is not None and read_manifest(folder / previous).get("digest") == digest:
            shutil.rmtree(building)
            lost = latest_version(network_dir) != previous
            if lost:
                durable.write_text(latest_path(network_dir), previous + "\n")
            return Release(previous, folder / previous, lost, digest)

        try:
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
            before = None if previous is None else folder / previous
            _write(connection, network, version, as_of, before, digest, tables, seasons, building)
            if gate is not None:
                gate(Built(version, building, before, connection, tables))
        except Problem:
            shutil.rmtree(building)
            raise
    for path in sorted(building.iterdir()):
        durable.flush_file(path)
    durable.move_in(building, target)
    durable.write_text(latest_path(network_dir), version + "\n")
    return Release(version, target, True, digest)


@contextlib.contextmanager
def _frugal(
    connection: duckdb.DuckDBPyConnection,
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Keep the engine within a share of a small machine: what is more goes to its disk."""
    before = connection.execute("SELECT current_setting('memory_limit')").fetchone()
    connection.execute(f"SET memory_limit = '{_MEMORY}'")
    try:
        yield connection
    finally:
        for (name,) in connection.execute(
                "SELECT table_name FROM duckdb_tables() WHERE temporary "
                "AND table_name LIKE 'release!_%' ESCAPE '!'").fetchall():
            connection.execute(f"DROP TABLE temp.{quoted(name)}")
        if before is not None:
            connection.execute(f"SET memory_limit = '{before[0]}'")


def _write(
    connection: duckdb.DuckDBPyConnection, network: Network, version: str, as_of: dt.date,
    previous: Path | None, digest: str, tables: tuple[Table, ...], seasons: dict[int, str],
    building: Path,
) -> None:
    """Every file of the release into ``building``, which has the tables as CSV already."""
    views = published_views(seasons)
    found = (changelog.Differences([]) if previous is None
             else changelog.compare(connection, tables, views, previous))
    counts = next(table for table in tables if table.name == "counts")
    rows = {
        table.name: write_parquet(
            connection, table, building / f"{table.name}.parquet", network, version)
        for table in tables
    }
    if not stamp_version(building / "counts.csv", counts.columns[0].name, version,
                         rows["counts"]):
        write_csv(connection, counts, building / "counts.csv")
    cited = release_papers.citation(network, version, as_of)
    write_archive(connection, network, eml_document(
        connection, network, version, as_of, cited, seasons), building)
    texts = {
        "CHANGES.md": changelog.as_text(
            version, None if previous is None else previous.name, found,
            _in_final_seasons(connection, found, seasons, previous)),
        "changes.csv": changelog.as_csv(found.changes),
        "README.md": release_papers.readme(
            network, version, as_of, tables, rows, views, seasons, connection),
        "CITATION.cff": release_papers.citation_cff(network, version, as_of),
        "LICENCE.txt": release_papers.licence_text(network),
        data_package.NAME: data_package.descriptor(
            network, version, as_of.isoformat() + "T00:00:00Z", cited, seasons, tables,
            building),
    }
    for name, text in texts.items():
        (building / name).write_bytes(text.encode("utf-8"))
    manifest = _manifest(network, version, as_of, previous, digest, rows, seasons, building)
    write_snapshot(connection, building / SNAPSHOT_NAME, tables, views)
    (building / MANIFEST).write_bytes(manifest.encode("utf-8"))


def _sheltered(connection: duckdb.DuckDBPyConnection) -> Collection[str]:
    """Sites at which a protected animal was caught: their position is generalized."""
    protected = [taxon.id for taxon in TAXA.values() if taxon.protected]
    return {row[0] for row in connection.execute(
        'SELECT DISTINCT site_id FROM clean_counts WHERE "count" > 0 '
        "AND taxon_id IN (SELECT unnest($taxa))", {"taxa": protected}).fetchall()}


def _seasons(
    connection: duckdb.DuckDBPyConnection, closed: dict[int, dt.date]
) -> dict[int, str]:
    """Season -> provisional or final, for the seasons in the release."""
    return {
        season: FINAL if season in closed else PROVISIONAL
        for season, in connection.execute(
            "SELECT DISTINCT season FROM release_events WHERE season IS NOT NULL ORDER BY 1"
        ).fetchall()
    }


def _in_final_seasons(
    connection: duckdb.DuckDBPyConnection, found: changelog.Differences,
    seasons: dict[int, str], previous: Path | None,
) -> dict[int, int]:
    """Season that had been final already -> how many differences are in it."""
    if previous is None:
        return {}
    was = read_manifest(previous).get("seasons", {})
    final = [season for season, status in seasons.items()
             if status == FINAL and was.get(str(season)) == FINAL]
    events = [change.event_id for change in found.changes if not change.derived]
    if not final or not events:
        return {}
    before = quoted_text((previous / "events.parquet").as_posix())
    return {int(season): int(number) for season, number in connection.execute(
        f"""
        WITH known AS (SELECT event_id, season FROM release_events
                       UNION SELECT event_id, season FROM read_parquet({before}))
        SELECT season, count(*) FROM (SELECT unnest($events) AS event_id)
        JOIN known USING (event_id)
        WHERE season IN (SELECT unnest($final)) GROUP BY season ORDER BY season
        """, {"events": events, "final": final}).fetchall()}


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
            (target / name).is_file() and sha256_of(target / name) == entry["sha256"]
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
    connection: duckdb.DuckDBPyConnection, network: Network, tables: tuple[Table, ...],
    sheltered: Collection[str],
) -> None:
    """Fill the temporary tables ``release_<name>``, rows in their published order."""
    reference = reference_rows(network, sheltered)
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


def _manifest(
    network: Network, version: str, as_of: dt.date, previous: Path | None, digest: str,
    rows: dict[str, int], seasons: dict[int, str], building: Path,
) -> str:
    """manifest.json: the same text whenever the same release is built."""
    manifest = {
        "network": network.id,
        "title": network.name,
        "version": version,
        "as_of": as_of.isoformat(),
        "previous": None if previous is None else previous.name,
        "licence": network.licence,
        "seasons": {str(season): status for season, status in seasons.items()},
        "digest": digest,
        "rows": rows,
        "files": {
            path.name: {"sha256": sha256_of(path), "bytes": path.stat().st_size}
            for path in sorted(building.iterdir())
        },
        "derived": {
            SNAPSHOT_NAME: "the same tables in a DuckDB database, with views; its bytes differ "
                           "between writings, so it has no hash here",
        },
    }
    return json.dumps(manifest, ensure_ascii=False, indent=2) + "\n"
