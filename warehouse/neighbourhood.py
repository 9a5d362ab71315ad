"""What the sites tell of each other, kept from run to run by season.

A season's evidence follows from the sheets that stand and have rows of it. As long as these are
the same it is not gathered again, so that a week looks at the season that something came for,
and of that at the sites that sent. Nothing here is a source: what is missing is gathered anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import duckdb

from shared import evidence
from shared.columnar import sql_text
from warehouse.lineage import named
from warehouse.store import Warehouse
from warehouse.tables import kept_evidence

_OWN = (evidence.DAYS, evidence.CATCHES, evidence.CORES)
_SHARED = (evidence.TWINS, evidence.ORDERS)
_BEGUN = 0
"""Instead of the digest of a site's sheets: its evidence is being replaced, and of none."""


def note_seasons(warehouse: Warehouse) -> None:
    """Note of every file that was read since the last time which seasons it has rows of."""
    with warehouse.transaction() as connection:
        sites = [site for (site,) in connection.execute(
            "SELECT DISTINCT site FROM readings "
            "ANTI JOIN file_seasons USING (site, sha256, reader_key)").fetchall()]
        if not sites:
            return
        connection.execute(f"""
            CREATE OR REPLACE TEMP TABLE files_new AS
            SELECT DISTINCT site, sha256, reader_key FROM readings
            ANTI JOIN file_seasons USING (site, sha256, reader_key);
            DELETE FROM file_seasons
            WHERE (site, sha256) IN (SELECT (site, sha256) FROM files_new);
            INSERT INTO file_seasons
            SELECT n.site, n.sha256, n.reader_key, season
            FROM files_new AS n LEFT JOIN (
                SELECT DISTINCT site, file_sha256 AS sha256, season FROM staged_events
                WHERE {named(sites)} AND season IS NOT NULL
            ) AS e USING (site, sha256);
            DROP TABLE files_new""")


def stale(warehouse: Warehouse, version: str) -> dict[int, list[str]]:
    """Season -> the sites whose sheets of it are others than those that its evidence is of.

    ``version``: of the code that gathers it. Leaves what stands now as ``sheets_standing``
    (site, season, sheets), for :func:`keep`.
    """
    with warehouse.lock:
        warehouse.connection.execute(f"""
            CREATE OR REPLACE TEMP TABLE sheets_standing AS
            SELECT s.site, f.season, hash({sql_text(version)},
                   list((s.sha256, r.reader_key) ORDER BY s.sha256)) AS sheets
            FROM (SELECT DISTINCT site, sha256 FROM (
                      SELECT site, max_by(sha256, seq) AS sha256 FROM receipts
                      GROUP BY site, path)) AS s
            JOIN (SELECT DISTINCT site, sha256, reader_key FROM readings) AS r
                USING (site, sha256)
            JOIN file_seasons AS f USING (site, sha256)
            WHERE f.season IS NOT NULL GROUP BY s.site, f.season""")
        rows = warehouse.connection.execute("""
            SELECT coalesce(n.season, k.season), coalesce(n.site, k.site)
            FROM sheets_standing AS n FULL JOIN evidence_sheets AS k
              ON k.site = n.site AND k.season = n.season
            WHERE n.sheets IS DISTINCT FROM k.sheets ORDER BY ALL""").fetchall()
    out: dict[int, list[str]] = {}
    for season, site in rows:
        out.setdefault(int(season), []).append(str(site))
    return out


def begin(warehouse: Warehouse, changed: Mapping[int, Sequence[str]]) -> None:
    """Note that the evidence of ``changed`` (as of :func:`stale`) is about to be replaced.

    Until :func:`keep_shared` has kept a season of these, it counts as stale whatever stands.
    """
    with warehouse.transaction() as connection:
        for season, sites in changed.items():
            connection.execute("DELETE FROM evidence_sheets WHERE season = ? "
                               "AND site IN (SELECT unnest(?))", [season, sites])
            connection.execute(f"INSERT INTO evidence_sheets SELECT unnest(?), ?, {_BEGUN}",
                               [sites, season])


def keep_own(warehouse: Warehouse, sites: Sequence[str], season: str) -> None:
    """Keep what :func:`checks.neighbours.lay_out_own_days` laid out of ``sites``.

    Of the seasons that were begun for them (:func:`begin`); what was kept of these goes.
    ``season``: SQL that gives the season of ``local_date``.
    """
    begun = f"(SELECT season, site FROM evidence_sheets WHERE sheets = {_BEGUN})"
    with warehouse.transaction() as connection:
        for table in _OWN:
            kept = kept_evidence(table)
            if connection.execute(
                    f"SELECT 1 FROM {kept} WHERE {named(sites)} LIMIT 1").fetchone():
                connection.execute(
                    f"DELETE FROM {kept} WHERE {named(sites)} "
                    f"AND (season, site) IN (SELECT (season, site) FROM {begun})")
            connection.execute(
                f"INSERT INTO {kept} BY NAME SELECT * FROM (SELECT {season} AS season, * "
                f"FROM temp.{table}) SEMI JOIN {begun} USING (season, site)")


def lay_out_season(warehouse: Warehouse, season: int) -> None:
    """Lay out what each site has by itself in ``season``, as it is kept."""
    with warehouse.lock:
        for table in _OWN:
            _clear(warehouse.connection, table)
            warehouse.connection.execute(
                f"CREATE TEMP TABLE {table} AS SELECT {', '.join(evidence.TABLES[table])} "
                f"FROM {kept_evidence(table)} WHERE season = {season}")


def keep_shared(warehouse: Warehouse, season: int, hashes: str) -> None:
    """Keep what the sites have together in ``season``, which is laid out, and its digests.

    ``hashes``: SQL that gives ``home`` and hashes of its evidence of the season.
    """
    with warehouse.transaction() as connection:
        for table in _SHARED:
            kept = kept_evidence(table)
            connection.execute(f"DELETE FROM {kept} WHERE season = {season}")
            connection.execute(
                f"INSERT INTO {kept} BY NAME SELECT {season} AS season, * FROM temp.{table}")
        connection.execute(f"""
            DELETE FROM evidence_digests WHERE season = {season};
            INSERT INTO evidence_digests
            SELECT home, {season}, hash(list((kind, rows, hashed) ORDER BY kind))
            FROM ({hashes}) GROUP BY home;
            DELETE FROM evidence_sheets WHERE season = {season};
            INSERT INTO evidence_sheets FROM sheets_standing WHERE season = {season}""")


def lay_out(warehouse: Warehouse) -> None:
    """Lay out all that is kept, under the names of :mod:`shared.evidence`."""
    with warehouse.lock:
        clear(warehouse)
        for table, columns in evidence.TABLES.items():
            warehouse.connection.execute(
                f"CREATE TEMP VIEW {table} AS SELECT {', '.join(columns)} "
                f"FROM {kept_evidence(table)}")


def clear(warehouse: Warehouse) -> None:
    """Free the names of :mod:`shared.evidence` for what is to be laid out."""
    with warehouse.lock:
        for table in evidence.TABLES:
            _clear(warehouse.connection, table)


def digests(warehouse: Warehouse) -> dict[str, str]:
    """Site -> what changes whenever what the other sites tell of it does."""
    with warehouse.lock:
        return {site: str(told) for site, told in warehouse.connection.execute(
            "SELECT site, hash(list((season, digest) ORDER BY season)) FROM evidence_digests "
            "GROUP BY site").fetchall()}


def _clear(connection: duckdb.DuckDBPyConnection, name: str) -> None:
    for kind in ("table", "view"):
        if connection.execute(f"SELECT 1 FROM duckdb_{kind}s() WHERE temporary "
                              f"AND {kind}_name = ?", [name]).fetchone():
            connection.execute(f"DROP {kind} temp.{name}")
