"""Which staged rows speak for a site now.

A site sends its whole sheet again every week, under the same name or another. A later
file supersedes an earlier one of the site when it comes to the same path of the inbox,
or when the earlier file has at least :data:`FEWEST` events and the later one holds at
least half of them. Files that could not be read supersede nothing.

All events of files not superseded speak. An event that only superseded files have has
*vanished*: it is carried, marked so, from the latest file that had it, because a row
gone from a sheet is a question and never an answer. Two kinds are not carried:

- It *moved*: the file that came next in its place has it under another identity, because
  its date, time or net was corrected. A decision may say so, or
  :mod:`warehouse.matching` finds it by its evidence; where that is not clear, it vanished.
  Readings of the water that stood alone have moved too when the net's check of their day,
  whose row was mended, has them by now.
- It was *held* when it last stood in a sheet. It was asked about then, it was never in
  the clean table, and its leaving is the answer. This is noted in ``departures``.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from shared import staging
from shared.columnar import sql_text
from shared.fields import EVENT_FIELDS, Kind
from warehouse.matching import Row, match_rows
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
    """As :func:`lay_out_sites` for one site, and what was laid out."""
    with warehouse.transaction() as connection:
        lay_out_sites(warehouse, [site_id])
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


def lay_out_sites(warehouse: Warehouse, site_ids: Sequence[str]) -> None:
    """Lay out the rows that speak for ``site_ids`` as temporary tables, to judge and load.

    No two of these sites may have sent the same file: rows are known by their file.

    ``judged_events`` (EVENT_COLUMNS, ``vanished`` BOOLEAN, ``file`` the path in the
    inbox), ``judged_catches``, ``judged_oddities``, ``judged_places`` (their contract's
    columns) and ``judged_rows`` (ROW_COLUMNS, ``vanished``, ``file``): in sheet order,
    replaced by the next call. ``judged_files`` and ``judged_departed`` are for the load,
    ``judged_moved`` (event_id, becomes, row_id, evidence) tells which rows moved, and
    ``judged_alike`` (event_id, place, sheet, sheet_row, local_date) which rows of the newest
    sheet look like one that vanished, ``place`` 1 the most.
    :func:`warehouse.decisions.lay_over` then lays the site's decisions over them, and fills
    ``judged_decided``, ``judged_withdrawn`` and ``judged_held``, which are laid out empty.
    Costs time in proportion to what the site has sent.
    """
    with warehouse.transaction() as connection:
        who_stands, what_speaks = _statements(named(site_ids))
        for statement in who_stands:
            connection.execute(statement)
        _find_moved(warehouse)
        for statement in what_speaks:
            connection.execute(statement)


def named(site_ids: Sequence[str], column: str = "site") -> str:
    """SQL: ``column`` is one of ``site_ids``. Spelt out, so that the engine skips other rows."""
    if len(site_ids) == 1:
        return f"{column} = {sql_text(site_ids[0])}"
    return f"{column} IN ({', '.join(map(sql_text, site_ids))})"


STANDING_EVENTS = "standing_events"
"""Name of the table that :func:`lay_out_standing` lays out."""


def lay_out_standing(
    warehouse: Warehouse, site_ids: Sequence[str], season: int | None = None
) -> None:
    """Lay out ``standing_events``: staged events of the sites' files that stand in the inbox now.

    Of ``season``, where one is given. A sheet sent again is there once, as it was sent last.
    """
    of_season = "" if season is None else f"AND e.season = {season}"
    with warehouse.lock:
        warehouse.connection.execute(f"""
            CREATE OR REPLACE TEMP TABLE {STANDING_EVENTS} AS
            SELECT e.* FROM staged_events AS e
            WHERE e.{named(site_ids)} {of_season} AND (e.site, e.file_sha256) IN (
                SELECT (site, max_by(sha256, seq)) FROM receipts
                WHERE {named(site_ids)} GROUP BY site, path)""")


_BESIDE_THE_POINT = frozenset({
    "site", "gear_unit", "local_date", "set_date", "set_time", "check_date", "check_time",
    "hours_fished", "net_status", "hauls",
})
"""Event fields that say when and how a net was fished, or nearly always say the same."""


def _find_moved(warehouse: Warehouse) -> None:
    """Fill ``judged_moved`` with the gone events that stand elsewhere by now.

    And ``judged_alike`` with those that may, and where.
    """
    connection = warehouse.connection
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE judged_moved "
        "(event_id VARCHAR, becomes VARCHAR, row_id BIGINT, evidence VARCHAR)")
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE judged_alike (event_id VARCHAR, place INTEGER, "
        "sheet VARCHAR, sheet_row INTEGER, local_date DATE)")
    gone: dict[tuple[str, str], list[str]] = defaultdict(list)
    for event_id, site_id, sha256 in connection.execute(
        "SELECT event_id, site, sha256 FROM site_gone ORDER BY event_id"
    ).fetchall():
        gone[site_id, sha256].append(event_id)
    if not gone:
        return
    moved = connection.execute(
        """
        SELECT g.event_id, any_value(d.becomes), min(e.row_id), 'so it was decided'
        FROM site_gone AS g
        JOIN decisions AS d ON d.event_id = g.event_id AND d.site = g.site
             AND d.action = 'correct' AND d.becomes <> ''
        JOIN site_events AS e ON e.event_id = d.becomes
        JOIN judged_files AS f ON f.sha256 = e.file_sha256 AND f.current
        GROUP BY g.event_id ORDER BY g.event_id
        """).fetchall()
    decided = {row[0] for row in moved}
    taken = {row[2] for row in moved}
    lent = [row for row in connection.execute(_LENT).fetchall()
            if row[0] not in decided]
    moved += lent
    decided |= {row[0] for row in lent}
    alike: list[tuple[object, ...]] = []
    for (site_id, sha256), events in gone.items():
        successor = _successor(warehouse, site_id, sha256)
        left = [event for event in events if event not in decided]
        if successor is None or not left:
            continue
        rows = _rows_of(warehouse, sha256, successor, left)
        by_row = {row.key: (row_id, event) for row, row_id, event in rows[1]}
        matched = match_rows(
            [row for row, _, _ in rows[0]],
            [row for row, row_id, _ in rows[1] if row_id not in taken])
        for match in matched.moved:
            row_id, event = by_row[match.arrived]
            moved.append((match.gone, event, row_id, match.evidence))
        places: Counter[str] = Counter()
        for was, now in matched.alike:
            places[was] += 1
            alike.append((was, places[was], *by_row[now]))
    if moved:
        connection.executemany("INSERT INTO judged_moved VALUES (?, ?, ?, ?)", moved)
    if alike:
        connection.execute("CREATE OR REPLACE TEMP TABLE matched_alike "
                           "(event_id VARCHAR, place INTEGER, row_id BIGINT, arrived VARCHAR)")
        connection.executemany("INSERT INTO matched_alike VALUES (?, ?, ?, ?)", alike)
        # It is told where it stands now, in a sheet that came later perhaps.
        connection.execute("""
            INSERT INTO judged_alike
            SELECT a.event_id, a.place, arg_min(e.sheet, e.row_id),
                   arg_min(e.sheet_row, e.row_id), arg_min(e.local_date, e.row_id)
            FROM matched_alike AS a
            JOIN site_events AS e ON e.event_id = a.arrived OR e.row_id = a.row_id
            JOIN judged_files AS f ON f.sha256 = e.file_sha256 AND f.current
            GROUP BY a.event_id, a.place ORDER BY ALL""")


_LENT = """
    WITH alone AS (
        SELECT DISTINCT g.event_id, g.site, e.sheet, e.local_date
        FROM site_gone AS g
        JOIN site_events AS e ON e.event_id = g.event_id AND e.file_sha256 = g.sha256
        WHERE e.protocol = 'water'),
    checks AS (
        SELECT e.* FROM site_events AS e
        JOIN judged_files AS f ON f.sha256 = e.file_sha256 AND f.current
        WHERE e.water_row IS NOT NULL AND e.event_id IS NOT NULL)
    SELECT a.event_id, min_by(c.event_id, c.row_id), min(c.row_id),
           'the check of its day has these readings now'
    FROM alone AS a
    JOIN checks AS c ON c.site = a.site AND c.water_sheet = a.sheet
         AND c.local_date = a.local_date
    GROUP BY a.event_id, a.site, a.sheet, a.local_date
    -- Of two readings of a day one may be lent and the other gone.
    HAVING count(DISTINCT c.water_row) >= (
        SELECT count(*) FROM alone AS b
        WHERE b.site = a.site AND b.sheet = a.sheet AND b.local_date = a.local_date)
    ORDER BY a.event_id
    """
"""Readings of the water that stood alone, and the check that has them now."""


def _successor(warehouse: Warehouse, site_id: str, sha256: str) -> str | None:
    """The file that came in the place of ``sha256``: at its path next, or overtaking it."""
    found = warehouse.connection.execute(
        """
        WITH me AS (SELECT max(seq) AS seq FROM receipts WHERE site = $site AND sha256 = $sha),
        at_path AS (
            SELECT r.sha256, r.seq FROM receipts AS r, me
            WHERE r.site = $site AND r.seq > me.seq
              AND r.sha256 IN (SELECT sha256 FROM judged_files)
              AND r.path IN (SELECT path FROM receipts, me AS m
                             WHERE site = $site AND sha256 = $sha AND receipts.seq = m.seq)),
        mine AS (SELECT DISTINCT event_id FROM site_events
                 WHERE file_sha256 = $sha AND event_id IS NOT NULL),
        alike AS (
            SELECT f.sha256, f.seq
            FROM judged_files AS f JOIN site_events AS e ON e.file_sha256 = f.sha256, me
            WHERE f.seq > me.seq AND f.sha256 <> $sha AND e.event_id IN (FROM mine)
            GROUP BY f.sha256, f.seq
            HAVING count(DISTINCT e.event_id) * 2 >= (SELECT count(*) FROM mine))
        SELECT sha256 FROM (
            SELECT 0 AS rank, * FROM at_path UNION ALL SELECT 1, * FROM alike
        ) ORDER BY rank, seq LIMIT 1
        """, {"site": site_id, "sha": sha256}).fetchone()
    return None if found is None else str(found[0])


_Placed = tuple[Row, int, str | None]


def _rows_of(
    warehouse: Warehouse, before: str, after: str, gone: list[str]
) -> tuple[list[_Placed], list[_Placed]]:
    """The rows of ``before`` that are ``gone``, and those of ``after`` that it did not have."""
    connection = warehouse.connection
    fields = [entry for entry in EVENT_FIELDS
              if entry.id not in _BESIDE_THE_POINT and not entry.private
              and entry.kind not in (Kind.DATE, Kind.TIME)]
    values = column_list([entry.id for entry in fields])
    connection.execute("CREATE OR REPLACE TEMP TABLE matched_gone (event_id VARCHAR)")
    connection.executemany("INSERT INTO matched_gone VALUES (?)", [[event] for event in gone])
    connection.execute(
        """
        CREATE OR REPLACE TEMP TABLE matched_rows AS
        WITH placed AS (
            SELECT *, lag(event_id) OVER in_sheet AS above, lead(event_id) OVER in_sheet AS below
            FROM site_events WHERE file_sha256 IN ($before, $after)
            WINDOW in_sheet AS (PARTITION BY file_sha256, sheet ORDER BY row_id))
        SELECT * FROM placed
        WHERE CASE WHEN file_sha256 = $before THEN event_id IN (FROM matched_gone)
              ELSE event_id IS NULL OR event_id NOT IN (
                  SELECT event_id FROM site_events
                  WHERE file_sha256 = $before AND event_id IS NOT NULL) END
        ORDER BY row_id
        """, {"before": before, "after": after})
    counts: dict[int, dict[tuple[str, str], float]] = defaultdict(dict)
    for row_id, taxon, stage, count in connection.execute(
        "SELECT row_id, coalesce(taxon, ''), coalesce(life_stage, ''), sum(count) "
        "FROM staged_catches WHERE file_sha256 IN (?, ?) AND count IS NOT NULL "
        "AND row_id IN (SELECT row_id FROM matched_rows) GROUP BY ALL", [before, after]
    ).fetchall():
        counts[row_id][taxon, stage] = count
    sides: tuple[dict[str, _Placed], dict[str, _Placed]] = ({}, {})
    for file, row_id, event, protocol, gear, date, time, sheet, number, above, below, *had in (
        connection.execute(
            "SELECT file_sha256, row_id, event_id, protocol, gear_unit, local_date, check_time, "
            f"sheet, sheet_row, above, below, {values} FROM matched_rows ORDER BY row_id"
        ).fetchall()
    ):
        key = str(event) if event is not None else f"row {row_id}"
        known: dict[str, Any] = {
            entry.id: value for entry, value in zip(fields, had, strict=True) if value is not None}
        row = Row(key, protocol, gear or "", date, time, sheet, number, above, below,
                  counts[row_id], known)
        # Of two rows under one identity the first stands for it; a rule asks about the other.
        sides[file == after].setdefault(key, (row, row_id, event))
    return list(sides[0].values()), list(sides[1].values())


def _statements(of_sites: str) -> tuple[list[str], list[str]]:
    """SQL up to which events are gone, and SQL that needs to know which of them moved."""
    events = column_list(staging.EVENT_COLUMNS)
    catches = column_list(staging.CATCH_COLUMNS, "c.")
    oddities = column_list(staging.ODDITY_COLUMNS, "o.")
    places = column_list(staging.PLACE_COLUMNS, "p.")
    rows = column_list(staging.ROW_COLUMNS, "r.")
    return ([
        f"""
        CREATE OR REPLACE TEMP TABLE site_events AS
        SELECT {events} FROM staged_events WHERE {of_sites}
        """,
        f"""
        CREATE OR REPLACE TEMP TABLE judged_files AS
        WITH mine AS (
            SELECT site, seq, path, sha256 FROM receipts
            WHERE {of_sites}
              AND (site, sha256) IN (SELECT (site, sha256) FROM readings WHERE {of_sites})
        ),
        standing AS (SELECT max(seq) AS seq FROM mine GROUP BY site, path),
        file AS (
            SELECT any_value(site) AS site, sha256, max(seq) AS seq,
                   max_by(path, (seq IN (FROM standing), seq)) AS path,
                   bool_or(seq IN (FROM standing)) AS stands
            FROM mine GROUP BY sha256
        ),
        -- By their number in row ids, which is shorter to compare than a digest.
        numbered AS (
            SELECT f.*, n.file FROM file AS f
            JOIN (SELECT file_sha256 AS sha256, min(row_id) // {staging.ROWS_A_FILE} AS file
                  FROM site_events GROUP BY 1) AS n USING (sha256)),
        known AS MATERIALIZED (
            SELECT DISTINCT row_id // {staging.ROWS_A_FILE} AS file, event_id FROM site_events
            WHERE event_id IS NOT NULL),
        size AS (SELECT file, count(*) AS events FROM known GROUP BY file),
        again AS MATERIALIZED (
            SELECT file, event_id FROM (
                SELECT *, count(*) OVER (PARTITION BY event_id) AS files FROM known)
            WHERE files > 1),
        overtaken AS (
            SELECT DISTINCT earlier.sha256
            FROM again AS a JOIN again AS b USING (event_id)
            JOIN numbered AS earlier ON earlier.file = a.file AND earlier.stands
            JOIN numbered AS later ON later.file = b.file AND later.seq > earlier.seq
            JOIN size ON size.file = a.file AND size.events >= {FEWEST}
            GROUP BY earlier.sha256, later.sha256, size.events
            HAVING count(*) * 2 >= size.events
        )
        SELECT site, sha256, path, seq,
               stands AND sha256 NOT IN (FROM overtaken) AS current
        FROM file
        """,
        # One row per event_id that no current file has, with the latest file that has it.
        """
        CREATE OR REPLACE TEMP TABLE site_gone AS
        SELECT e.event_id, any_value(e.site) AS site, max_by(e.file_sha256, f.seq) AS sha256,
               max(f.seq) AS seq
        FROM site_events AS e JOIN judged_files AS f ON f.sha256 = e.file_sha256
        WHERE e.event_id IS NOT NULL
        GROUP BY e.event_id
        HAVING NOT bool_or(f.current)
        """,
    ], [
        f"""
        CREATE OR REPLACE TEMP TABLE judged_departed AS
        WITH unloaded AS (
            SELECT event_id FROM row_account
            WHERE {of_sites} AND event_id IS NOT NULL AND disposition <> 'skipped'
            GROUP BY event_id
            HAVING bool_and(disposition = 'held' AND NOT vanished)
        )
        SELECT g.event_id, g.site, g.sha256,
               (g.event_id, g.sha256) IN (
                   SELECT (event_id, file_sha256) FROM departures WHERE {of_sites}
               ) AS noted
        FROM site_gone AS g
        WHERE g.event_id NOT IN (SELECT event_id FROM judged_moved)
          AND (noted OR g.event_id IN (FROM unloaded))
        """,
        f"""
        CREATE OR REPLACE TEMP TABLE judged_events AS
        WITH carried AS (
            SELECT event_id, sha256 FROM site_gone
            WHERE event_id NOT IN (SELECT event_id FROM judged_moved)
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
        WHERE c.{of_sites} ORDER BY c.catch_id
        """,
        f"""
        CREATE OR REPLACE TEMP TABLE judged_oddities AS
        SELECT {oddities} FROM staged_oddities AS o
        WHERE o.{of_sites}
          AND (o.row_id IN (SELECT row_id FROM judged_events)
               OR (o.row_id IS NULL
                   AND o.file_sha256 IN (SELECT sha256 FROM judged_files WHERE current)))
        ORDER BY o.file_sha256, o.sheet, o.sheet_row, o.cell
        """,
        f"""
        CREATE OR REPLACE TEMP TABLE judged_places AS
        SELECT {places} FROM staged_places AS p
        WHERE p.{of_sites} AND p.file_sha256 IN (SELECT file_sha256 FROM judged_events)
        ORDER BY p.file_sha256, p.sheet, p.column_index
        """,
        # Rows of superseded files count only where they are part of a carried event.
        f"""
        CREATE OR REPLACE TEMP TABLE judged_rows AS
        SELECT {rows}, NOT f.current AS vanished, f.path AS file
        FROM staged_rows AS r JOIN judged_files AS f ON f.sha256 = r.file_sha256
        WHERE r.{of_sites}
          AND (f.current OR r.row_id IN (SELECT row_id FROM judged_events WHERE vanished))
        ORDER BY f.seq, r.sheet, r.sheet_row
        """,
        "CREATE OR REPLACE TEMP TABLE judged_decided (row_id BIGINT, catch_id BIGINT)",
        "CREATE OR REPLACE TEMP TABLE judged_withdrawn (row_id BIGINT, why VARCHAR)",
        "CREATE OR REPLACE TEMP TABLE judged_held (row_id BIGINT, why VARCHAR)",
    ])
