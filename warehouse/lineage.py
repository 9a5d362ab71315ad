"""Which staged rows speak for a site now.

A site sends its whole sheet again every week, under the same name or another. A later
file supersedes an earlier one of the site when it comes to the same path of the inbox,
or when the earlier file has at least :data:`FEWEST` events and the later one holds at
least half of them. Files that could not be read supersede nothing.

All events of files not superseded speak. An event that only superseded files have has
*vanished*: it is carried, marked so, from the latest file that had it, because a row
gone from a sheet is a question and never an answer. Two kinds are not carried:

- It *moved*: a later file has an event with the same content under an identity that the
  file it vanished from does not know: its date or time was corrected. Content says this
  only when no other row of that file has the same; a season has many bare zero rows.
- It was *held* when it last stood in a sheet. It was asked about then, it was never in
  the clean table, and its leaving is the answer. This is noted in ``departures``.
"""

from __future__ import annotations

from dataclasses import dataclass

from shared import staging
from warehouse.store import Warehouse
from warehouse.tables import column_list

FEWEST = 3
"""Events that a file must have before content alone can supersede it."""


@dataclass(frozen=True, slots=True)
class SiteFile:
    """One readable file of a site."""

    sha256: str
    path: str
    seq: int
    current: bool


@dataclass(frozen=True, slots=True)
class Lineage:
    """What :func:`lay_out` laid out."""

    site: str
    files: tuple[SiteFile, ...]
    events: int
    vanished: int
    departed: int


def lay_out(warehouse: Warehouse, site_id: str) -> Lineage:
    """Lay out the rows that speak for ``site_id`` as temporary tables, to judge and load.

    ``judged_events`` (EVENT_COLUMNS, ``vanished`` BOOLEAN, ``file`` the path in the
    inbox), ``judged_catches``, ``judged_oddities``, ``judged_places`` (their contract's
    columns) and ``judged_rows`` (ROW_COLUMNS, ``vanished``, ``file``): in sheet order,
    replaced by the next call. ``judged_files`` and ``judged_departed`` are for the load.
    Costs time in proportion to what the site has sent.
    """
    with warehouse.transaction() as connection:
        for statement in _statements():
            connection.execute(statement, {"site": site_id} if "$site" in statement else None)
        files = connection.execute(
            "SELECT sha256, path, seq, current FROM judged_files ORDER BY seq"
        ).fetchall()
        found = connection.execute(
            "SELECT (SELECT count(*) FROM judged_events), "
            "(SELECT count(*) FROM judged_events WHERE vanished), "
            "(SELECT count(*) FROM judged_departed)"
        ).fetchone()
    assert found is not None
    return Lineage(site_id, tuple(SiteFile(*row) for row in files), *map(int, found))


STANDING_EVENTS = "standing_events"
"""Name of the view that :func:`lay_out_standing` lays out."""


def lay_out_standing(warehouse: Warehouse) -> None:
    """Lay out ``standing_events``: staged events of the files that stand in the inbox now.

    A sheet sent again is there once, as it was sent last.
    """
    with warehouse.lock:
        warehouse.connection.execute(f"""
            CREATE OR REPLACE TEMP VIEW {STANDING_EVENTS} AS
            SELECT e.* FROM staged_events AS e
            WHERE (e.site, e.file_sha256) IN (
                SELECT (site, max_by(sha256, seq)) FROM receipts GROUP BY site, path)""")


def _statements() -> list[str]:
    events = column_list(staging.EVENT_COLUMNS)
    catches = column_list(staging.CATCH_COLUMNS, "c.")
    oddities = column_list(staging.ODDITY_COLUMNS, "o.")
    places = column_list(staging.PLACE_COLUMNS, "p.")
    rows = column_list(staging.ROW_COLUMNS, "r.")
    return [
        f"""
        CREATE OR REPLACE TEMP TABLE site_events AS
        SELECT {events} FROM staged_events WHERE site = $site
        """,
        f"""
        CREATE OR REPLACE TEMP TABLE judged_files AS
        WITH mine AS (
            SELECT seq, path, sha256 FROM receipts
            WHERE site = $site
              AND sha256 IN (SELECT sha256 FROM readings WHERE site = $site)
        ),
        standing AS (SELECT max(seq) AS seq FROM mine GROUP BY path),
        file AS (
            SELECT sha256, max(seq) AS seq,
                   max_by(path, (seq IN (FROM standing), seq)) AS path,
                   bool_or(seq IN (FROM standing)) AS stands
            FROM mine GROUP BY sha256
        ),
        known AS (
            SELECT DISTINCT file_sha256 AS sha256, event_id FROM site_events
            WHERE event_id IS NOT NULL
        ),
        size AS (SELECT sha256, count(*) AS events FROM known GROUP BY sha256),
        overtaken AS (
            SELECT DISTINCT earlier.sha256
            FROM file AS earlier
            JOIN size ON size.sha256 = earlier.sha256 AND size.events >= {FEWEST}
            JOIN known AS a ON a.sha256 = earlier.sha256
            JOIN known AS b ON b.event_id = a.event_id
            JOIN file AS later ON later.sha256 = b.sha256 AND later.seq > earlier.seq
            WHERE earlier.stands
            GROUP BY earlier.sha256, later.sha256, size.events
            HAVING count(*) * 2 >= size.events
        )
        SELECT $site AS site, sha256, path, seq,
               stands AND sha256 NOT IN (FROM overtaken) AS current
        FROM file
        """,
        # One row per event_id that no current file has, with the latest file that has it.
        """
        CREATE OR REPLACE TEMP TABLE site_gone AS
        SELECT e.event_id, max_by(e.file_sha256, f.seq) AS sha256, max(f.seq) AS seq
        FROM site_events AS e JOIN judged_files AS f ON f.sha256 = e.file_sha256
        WHERE e.event_id IS NOT NULL
        GROUP BY e.event_id
        HAVING NOT bool_or(f.current)
        """,
        # Of several vanished rows with one content, as many moved as new identities have it.
        """
        CREATE OR REPLACE TEMP TABLE site_moved AS
        WITH telling AS (
            SELECT file_sha256 AS sha256, protocol, content, any_value(event_id) AS event_id
            FROM site_events WHERE content IS NOT NULL
            GROUP BY ALL HAVING count(*) = 1
        ),
        gone AS (
            SELECT g.event_id, g.sha256, g.seq, t.protocol, t.content,
                   row_number() OVER (PARTITION BY t.protocol, t.content
                                      ORDER BY g.seq, g.event_id) AS place
            FROM site_gone AS g JOIN telling AS t USING (sha256, event_id)
        ),
        arrived AS (
            SELECT g.event_id, count(DISTINCT coalesce(e.event_id, e.row_id::VARCHAR)) AS n
            FROM gone AS g
            JOIN site_events AS e ON e.protocol = g.protocol AND e.content = g.content
            JOIN judged_files AS f ON f.sha256 = e.file_sha256 AND f.seq > g.seq
            WHERE NOT EXISTS (
                FROM site_events AS k
                WHERE k.file_sha256 = g.sha256 AND k.event_id = e.event_id
            )
            GROUP BY g.event_id
        )
        SELECT g.event_id FROM gone AS g JOIN arrived AS a USING (event_id) WHERE g.place <= a.n
        """,
        """
        CREATE OR REPLACE TEMP TABLE judged_departed AS
        WITH unloaded AS (
            SELECT event_id FROM row_account
            WHERE site = $site AND event_id IS NOT NULL AND disposition <> 'skipped'
            GROUP BY event_id
            HAVING bool_and(disposition = 'held' AND NOT vanished)
        )
        SELECT g.event_id, g.sha256,
               (g.event_id, g.sha256) IN (
                   SELECT (event_id, file_sha256) FROM departures WHERE site = $site
               ) AS noted
        FROM site_gone AS g
        WHERE g.event_id NOT IN (FROM site_moved)
          AND (noted OR g.event_id IN (FROM unloaded))
        """,
        f"""
        CREATE OR REPLACE TEMP TABLE judged_events AS
        WITH carried AS (
            SELECT event_id, sha256 FROM site_gone
            WHERE event_id NOT IN (FROM site_moved)
              AND event_id NOT IN (SELECT event_id FROM judged_departed)
        )
        SELECT {column_list(staging.EVENT_COLUMNS, "e.")},
               NOT f.current AS vanished, f.path AS file
        FROM site_events AS e JOIN judged_files AS f ON f.sha256 = e.file_sha256
        WHERE f.current OR (e.event_id, e.file_sha256) IN (SELECT (event_id, sha256) FROM carried)
        ORDER BY f.seq, e.row_id
        """,
        f"""
        CREATE OR REPLACE TEMP TABLE judged_catches AS
        SELECT {catches} FROM staged_catches AS c JOIN judged_events AS e USING (row_id)
        WHERE c.site = $site ORDER BY c.catch_id
        """,
        f"""
        CREATE OR REPLACE TEMP TABLE judged_oddities AS
        SELECT {oddities} FROM staged_oddities AS o
        WHERE o.site = $site
          AND (o.row_id IN (SELECT row_id FROM judged_events)
               OR (o.row_id IS NULL
                   AND o.file_sha256 IN (SELECT sha256 FROM judged_files WHERE current)))
        ORDER BY o.file_sha256, o.sheet, o.sheet_row, o.cell
        """,
        f"""
        CREATE OR REPLACE TEMP TABLE judged_places AS
        SELECT {places} FROM staged_places AS p
        WHERE p.site = $site AND p.file_sha256 IN (SELECT file_sha256 FROM judged_events)
        ORDER BY p.file_sha256, p.sheet, p.column_index
        """,
        # Rows of superseded files count only where they are part of a carried event.
        f"""
        CREATE OR REPLACE TEMP TABLE judged_rows AS
        SELECT {rows}, NOT f.current AS vanished, f.path AS file
        FROM staged_rows AS r JOIN judged_files AS f ON f.sha256 = r.file_sha256
        WHERE r.site = $site
          AND (f.current OR r.row_id IN (SELECT row_id FROM judged_events WHERE vanished))
        ORDER BY f.seq, r.sheet, r.sheet_row
        """,
    ]
