"""What a site's sheets said before: the rows of the files that its standing ones replaced."""

from __future__ import annotations

from shared import staging
from warehouse.lineage import STANDING_EVENTS
from warehouse.store import Warehouse
from warehouse.tables import column_list

STANDING_CATCHES = "standing_catches"
"""Name of the view of the catches of standing events."""


def lay_out_standing_catches(warehouse: Warehouse) -> None:
    """Lay out ``standing_catches``, beside what ``lineage.lay_out_standing`` laid out."""
    with warehouse.lock:
        warehouse.connection.execute(f"""
            CREATE OR REPLACE TEMP VIEW {STANDING_CATCHES} AS
            SELECT c.* FROM staged_catches AS c
            SEMI JOIN {STANDING_EVENTS} AS e USING (row_id)""")


def lay_out_earlier(warehouse: Warehouse, site_id: str) -> None:
    """Lay out ``judged_earlier`` and ``judged_earlier_catches`` after ``lineage.lay_out``.

    Each standing file's events as the file that it replaced last had them, with ``sent``, the
    day that file came. A file that replaced none has none.
    """
    events = column_list(staging.EVENT_COLUMNS, "e.")
    catches = column_list(staging.CATCH_COLUMNS, "c.")
    with warehouse.lock:
        connection = warehouse.connection
        connection.execute(f"""
            CREATE OR REPLACE TEMP TABLE judged_earlier AS
            WITH known AS (
                SELECT DISTINCT f.seq, f.current, e.event_id
                FROM judged_files AS f JOIN staged_events AS e
                ON e.site = $site AND e.file_sha256 = f.sha256 WHERE e.event_id IS NOT NULL),
            replaced AS (
                SELECT DISTINCT max(was.seq) AS seq
                FROM known AS now JOIN known AS was USING (event_id)
                WHERE now.current AND NOT was.current AND was.seq < now.seq
                GROUP BY now.seq)
            SELECT {events}, r.received::DATE AS sent
            FROM replaced JOIN judged_files AS f USING (seq)
            JOIN receipts AS r ON r.site = $site AND r.seq = f.seq
            JOIN staged_events AS e ON e.site = $site AND e.file_sha256 = f.sha256
            """, {"site": site_id})
        connection.execute(f"""
            CREATE OR REPLACE TEMP TABLE judged_earlier_catches AS
            SELECT {catches} FROM staged_catches AS c
            SEMI JOIN judged_earlier AS e USING (row_id) WHERE c.site = $site
            """, {"site": site_id})
