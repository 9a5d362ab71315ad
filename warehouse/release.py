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
from collections.abc import Callable, Collection, Iterator, Mapping
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb

from shared.columnar import sql_text
from shared.problems import Problem
from shared.settings import Network
from shared.taxa import TAXA
from warehouse import changes as changelog
from warehouse import clean, data_package, durable, release_papers, release_parts
from warehouse.closing import FINAL, PROVISIONAL, closed_seasons
from warehouse.darwin_core import write_archive
from warehouse.eml import eml_document
from warehouse.folder import last_release_path, latest_path, releases_folder
from warehouse.published import (
    Table,
    View,
    published_tables,
    published_views,
    reference_rows,
    with_version,
)
from warehouse.release_files import (
    content_digest,
    sha256_of,
    source_digest,
    stamp_version,
    write_csv,
    write_parquet,
)
from warehouse.snapshot import (
    LAID_OUT,
    SNAPSHOT_NAME,
    describe_snapshot,
    latest_version,
    laying_out,
)
from warehouse.store import Warehouse
from warehouse.tables import quoted

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
    before: str | None = None
    """SQL after FROM: the events of ``previous``, as far as they are to be compared."""
    sources: Mapping[str, str] | None = None
    """Of a release in parts: table -> SQL after FROM, its rows that are new."""
    part: str = ""
    """Which of its parts these are."""


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
    with (warehouse.lock, _frugal(warehouse.connection) as connection,
          _referring(connection, network), ThreadPoolExecutor(1) as beside):
        warehouse.fit_threads()
        published = _published(network_dir)
        previous = published[0] if published else None
        before = None if previous is None else folder / previous
        closed = closed_seasons(network_dir)
        if _is_large(connection, network):
            return _in_parts(warehouse, network, as_of, network_dir, published, building, guard,
                             gate)
        source = source_digest(connection, network, sorted(closed), published_tables())
        if before is not None and _made_of(network_dir, before) == source:
            return _named(network_dir, _it_stands(network_dir, before))
        version = _next_version(as_of, published, folder, previous)
        target = folder / version
        tables = tuple(with_version(table, version) for table in published_tables())
        building.mkdir()
        try:
            with laying_out(connection, building / SNAPSHOT_NAME):
                _lay_out(connection, tables)
                seasons = _seasons(connection, closed)
                # Without the version: what the tables say, whenever they are published.
                digest, hashes = content_digest(connection, network, sorted(seasons.items()),
                                                published_tables(), building, beside)
                if before is not None and read_manifest(before).get("digest") == digest:
                    stands: Release | None = _it_stands(network_dir, before)
                else:
                    if guard is not None:
                        guard(connection)
                    same = target.exists() and _is_the_same(
                        target, version, as_of, previous, digest)
                    stands = Release(version, target, True, digest) if same else None
                if stands is None:
                    if target.exists():
                        _remove(target)
                    views = published_views(seasons)
                    _write(connection, network, version, as_of, before, digest, tables, views,
                           seasons, building, hashes, beside)
            if stands is not None:
                shutil.rmtree(building)
                _note_made_of(network_dir, stands, source)
                return _named(network_dir, stands)
            describe_snapshot(building / SNAPSHOT_NAME, tables, views)
            if gate is not None:
                gate(Built(version, building, before, connection, tables,
                           None if before is None else _before(before)("events")))
        except Problem:
            shutil.rmtree(building)
            raise
    for path in sorted(building.iterdir()):
        durable.flush_file(path)
    durable.move_in(building, target)
    made = _named(network_dir, Release(version, target, True, digest))
    _note_made_of(network_dir, made, source)
    return made


def _is_large(connection: duckdb.DuckDBPyConnection, network: Network) -> bool:
    (events,) = connection.execute("SELECT count(*) FROM clean_events").fetchone() or (0,)
    return int(events) >= network.publishing.parts_from


def _before(previous: Path) -> changelog.Before:
    return release_parts.before_of(previous, read_manifest(previous))


def _in_parts(
    warehouse: Warehouse, network: Network, as_of: dt.date, network_dir: Path,
    published: list[str], building: Path,
    guard: Callable[[duckdb.DuckDBPyConnection], None] | None,
    gate: Callable[[Built], None] | None,
) -> Release:
    """As :func:`build_release`, of a network whose tables are too large for a file each."""
    folder, connection = releases_folder(network_dir), warehouse.connection
    clean.seasons_noted(warehouse)
    previous = published[0] if published else None
    before = None if previous is None else folder / previous
    was = {} if before is None else read_manifest(before)
    tables, closed = published_tables(), closed_seasons(network_dir)
    plan = release_parts.lay_plan(connection, network, tables, network.season_of(as_of), was)
    seasons = {season: FINAL if season in closed else PROVISIONAL for season in
               sorted({part.season for part, digest in plan.digests.items() if digest})}
    digest = release_parts.digest_of(
        connection, network, sorted(seasons.items()), tables, plan)
    if before is not None and was.get("digest") == digest:
        return _named(network_dir, _it_stands(network_dir, before))
    version = _next_version(as_of, published, folder, previous)
    target = folder / version
    if target.exists():
        if _is_the_same(target, version, as_of, previous, digest):
            return _named(network_dir, Release(version, target, True, digest))
        _remove(target)
    views = published_views(seasons)
    stamped = tuple(with_version(table, version) for table in tables)
    small = tuple(table for table in tables if table.name not in release_parts.CUT)

    def built(one: release_parts.Pass, place: Path) -> Built:
        def source(table: str) -> str:
            version_of = f"{sql_text(version)} AS release_version, " if table == "counts" else ""
            files = one.files(table, place)
            rows = release_parts.read_files(place, files) if files else f"{LAID_OUT}.{table}"
            return f"(SELECT {version_of}* FROM {rows})"

        sources = {table: source(table) for table in release_parts.CUT} | {
            table.name: release_parts.read_files(place, [f"{table.name}.parquet"])
            for table in small}
        if one.parts:
            sources["findings"] = f"(FROM {sources['findings']} WHERE false)"
        return Built(version, place, before, connection, stamped, one.was("events"), sources,
                     one.name if one.parts else "")

    def look(one: release_parts.Pass, place: Path) -> None:
        if guard is not None:
            guard(connection)
        if gate is not None:
            gate(built(one, place))

    building.mkdir()
    try:
        changelog.begin(connection)
        with laying_out(connection, building / SNAPSHOT_NAME):
            _lay_out(connection, small)
            rows = {table.name: write_parquet(
                connection, table, building / f"{table.name}.parquet", network, version)
                for table in small}
            moved = (changelog.Moved() if before is None
                     else changelog.findings_moved(connection, _before(before)))
        laid, differ = release_parts.make_parts(
            connection, network, tables, views, plan, building, before, was, look)
        rows |= {table: sum(int(entry["rows"]) for name, entry in laid.items()
                            if name.startswith(f"{table}/")) for table in release_parts.CUT}
        describe_snapshot(building / SNAPSHOT_NAME, stamped, views, {
            table.name: release_parts.view_of(table, version, laid)
            for table in stamped if table.name in release_parts.CUT})
        listed = {table.name: [name for name in laid if name.startswith(f"{table.name}/")]
                  or [f"{table.name}.parquet"] for table in tables}
        final = {season: number for season, number in differ.items()
                 if number and seasons.get(season) == FINAL
                 and was.get("seasons", {}).get(str(season)) == FINAL}
        _write_papers(connection, building, network, version, as_of, changelog.as_text(
            connection, version, previous, moved, final), tables, rows, views, seasons, {}, listed)
        parts = {part.name: told for part, told in plan.digests.items() if told}
        (building / MANIFEST).write_bytes(_manifest(
            network, version, as_of, before, digest, rows, seasons, building, {}, laid, parts,
        ).encode("utf-8"))
    except Problem:
        shutil.rmtree(building)
        raise
    for path in sorted(building.rglob("*")):
        # What was taken over is on the disk already.
        if path.is_file() and path.stat().st_nlink == 1:
            durable.flush_file(path)
    durable.move_in(building, target)
    return _named(network_dir, Release(version, target, True, digest))


def _it_stands(network_dir: Path, before: Path) -> Release:
    """The latest release, ``before``: what is to be published is in it already."""
    lost = latest_version(network_dir) != before.name
    return Release(before.name, before, lost, str(read_manifest(before)["digest"]))


def _named(network_dir: Path, release: Release) -> Release:
    """``release``, once ``latest`` names it."""
    if release.new:
        durable.write_text(latest_path(network_dir), release.version + "\n")
    return release


def _made_of(network_dir: Path, release: Path) -> str | None:
    """The source digest that ``release`` was made from, None where that is not known."""
    try:
        told = json.loads(last_release_path(network_dir).read_text(encoding="utf-8"))
        known = (told["version"], told["digest"])
        source = str(told["source"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return source if known == (release.name, read_manifest(release).get("digest")) else None


def _note_made_of(network_dir: Path, release: Release, source: str) -> None:
    durable.write_text(last_release_path(network_dir), json.dumps(
        {"version": release.version, "digest": release.digest, "source": source}) + "\n")


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
        for kind in ("view", "table"):
            for (name,) in connection.execute(
                    f"SELECT {kind}_name FROM duckdb_{kind}s() WHERE temporary "
                    f"AND {kind}_name LIKE 'release!_%' ESCAPE '!'").fetchall():
                connection.execute(f"DROP {kind} temp.{quoted(name)}")
        if before is not None:
            connection.execute(f"SET memory_limit = '{before[0]}'")


def _write(
    connection: duckdb.DuckDBPyConnection, network: Network, version: str, as_of: dt.date,
    previous: Path | None, digest: str, tables: tuple[Table, ...], views: tuple[View, ...],
    seasons: dict[int, str], building: Path, hashes: dict[str, str], beside: Executor,
) -> None:
    """Every file of the release into ``building``, which has the tables as CSV already.

    The engine uses all of the machine; ``beside`` does what it does not, while it works.
    ``hashes``: CSV file -> SHA-256, without the version that counts are stamped with here.
    """
    writing = {table.name: beside.submit(_parquet, connection.cursor(), table, building, network,
                                         version) for table in tables}
    stamping = beside.submit(_stamp, connection.cursor(), tables, version, building)
    moved = changelog.compare(connection, tables, views,
                              None if previous is None else _before(previous))
    write_archive(connection, network, eml_document(
        connection, network, version, as_of, release_papers.citation(network, version, as_of),
        seasons), building, beside)
    rows = {name: future.result() for name, future in writing.items()}
    hashes["counts.csv"] = stamping.result()
    _write_papers(connection, building, network, version, as_of, changelog.as_text(
        connection, version, None if previous is None else previous.name, moved,
        _in_final_seasons(connection, seasons, previous)),
        tables, rows, views, seasons, hashes)
    manifest = _manifest(network, version, as_of, previous, digest, rows, seasons, building,
                         hashes)
    (building / MANIFEST).write_bytes(manifest.encode("utf-8"))


def _write_papers(
    connection: duckdb.DuckDBPyConnection, building: Path, network: Network, version: str,
    as_of: dt.date, changes: str, tables: tuple[Table, ...], rows: Mapping[str, int],
    views: tuple[View, ...], seasons: dict[int, str], hashes: Mapping[str, str],
    parts: Mapping[str, list[str]] | None = None,
) -> None:
    """What a release says of itself: changes, README, citation, licence and data package.

    ``parts``: table -> its files, in a release in parts; ``hashes``: CSV file -> SHA-256.
    """
    changelog.write_csv(connection, building / "changes.csv")
    for name, text in {
        "CHANGES.md": changes,
        "README.md": release_papers.readme(
            network, version, as_of, tables, rows, views, seasons,
            connection if parts is None else None),
        "CITATION.cff": release_papers.citation_cff(network, version, as_of),
        "LICENCE.txt": release_papers.licence_text(network),
        data_package.NAME: data_package.descriptor(
            network, version, as_of.isoformat() + "T00:00:00Z",
            release_papers.citation(network, version, as_of), seasons, tables, building, hashes,
            parts),
    }.items():
        (building / name).write_bytes(text.encode("utf-8"))


def _parquet(
    connection: duckdb.DuckDBPyConnection, table: Table, building: Path, network: Network,
    version: str,
) -> int:
    with connection:
        return write_parquet(
            connection, table, building / f"{table.name}.parquet", network, version)


def _stamp(
    connection: duckdb.DuckDBPyConnection, tables: tuple[Table, ...], version: str,
    building: Path,
) -> str:
    """Put the version into counts.csv; the SHA-256 of it."""
    counts = next(table for table in tables if table.name == "counts")
    path = building / "counts.csv"
    with connection:
        (rows,) = connection.execute(
            f"SELECT count(*) FROM {LAID_OUT}.{counts.name}").fetchone() or (0,)
        if not stamp_version(path, counts.columns[0].name, version, rows):
            write_csv(connection, counts, path)
    return sha256_of(path)


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
    connection: duckdb.DuckDBPyConnection, seasons: dict[int, str], previous: Path | None
) -> dict[int, int]:
    """Season that had been final already -> how many differences are in it."""
    if previous is None:
        return {}
    was = read_manifest(previous).get("seasons", {})
    final = [season for season, status in seasons.items()
             if status == FINAL and was.get(str(season)) == FINAL]
    return changelog.in_final_seasons(connection, final, _before(previous)) if final else {}


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


@contextlib.contextmanager
def _referring(connection: duckdb.DuckDBPyConnection, network: Network) -> Iterator[None]:
    """Let ``connection`` read what the published tables take from settings and dictionary."""
    reference = reference_rows(network, _sheltered(connection))
    for name, rows in reference.items():
        connection.register(name, rows)
    try:
        yield
    finally:
        for name in reference:
            connection.unregister(name)


def _lay_out(connection: duckdb.DuckDBPyConnection, tables: tuple[Table, ...]) -> None:
    """Fill the snapshot's tables, to be read as ``release_<name>``; rows in published order."""
    for table in tables:
        connection.execute(f"CREATE TABLE {LAID_OUT}.{table.name} AS {table.select}")
        connection.execute(f"CREATE OR REPLACE TEMP VIEW release_{table.name} AS "
                           f"FROM {LAID_OUT}.{table.name}")


def _manifest(
    network: Network, version: str, as_of: dt.date, previous: Path | None, digest: str,
    rows: dict[str, int], seasons: dict[int, str], building: Path, hashes: dict[str, str],
    laid: Mapping[str, Mapping[str, Any]] | None = None, parts: Mapping[str, str] | None = None,
) -> str:
    """manifest.json: the same text whenever the same release is built.

    ``laid``: of a release in parts, its files with what the manifest before told of those that
    were taken over; ``parts``: part -> digest of what it follows from.
    """
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
            path.name: {"sha256": hashes.get(path.name) or sha256_of(path),
                        "bytes": path.stat().st_size}
            for path in sorted(building.iterdir())
            if path.is_file() and not path.name.startswith(SNAPSHOT_NAME)
        } | {
            name: dict(told) if "sha256" in told else {
                "sha256": sha256_of(building / name),
                "bytes": (building / name).stat().st_size, **told}
            for name, told in (laid or {}).items()
        },
        **({} if parts is None else {"parts": dict(parts)}),
        "derived": {
            SNAPSHOT_NAME: "the same tables in a DuckDB database, with views; its bytes differ "
                           "between writings, so it has no hash here",
        },
    }
    return json.dumps(manifest, ensure_ascii=False, indent=2) + "\n"
