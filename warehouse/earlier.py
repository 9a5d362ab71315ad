"""What a site's sheets said before: the rows of the files that its standing ones replaced."""

from __future__ import annotations

from collections.abc import Sequence

from shared import staging
from warehouse.lineage import STANDING_EVENTS, named
from warehouse.store import Warehouse
from warehouse.tables import column_list

STANDING_CATCHES = "standing_catches"
"""Name of the table of the catches of standing events."""


def lay_out_standing_catches(warehouse: Warehouse, site_ids: Sequence[str]) -> None:
    """Lay out ``standing_catches``, beside what ``lineage.lay_out_standing`` laid out."""
    with warehouse.lock:
        warehouse.connection.execute(f"""
            CREATE OR REPLACE TEMP TABLE {STANDING_CATCHES} AS
            SELECT c.* FROM staged_catches AS c
            SEMI JOIN {STANDING_EVENTS} AS e USING (row_id) WHERE c.{named(site_ids)}""")


def lay_out_earlier(warehouse: Warehouse, site_ids: Sequence[str]) -> None:
    """Lay out ``judged_earlier`` and ``judged_earlier_catches`` after ``lineage.lay_out_sites``.

    Each standing file's events as the file that it replaced last had them, with ``sent``, the
    day that file came. A file that replaced none has none.
    """
    of_sites = named(site_ids)
    events = column_list(staging.EVENT_COLUMNS, "e.")
    catches = column_list(staging.CATCH_COLUMNS, "c.")
    with warehouse.lock:
        connection = warehouse.connection
        connection.execute(f"""
            CREATE OR REPLACE TEMP TABLE judged_earlier AS
            WITH known AS (
                SELECT DISTINCT f.seq, f.current, e.event_id
                FROM judged_files AS f JOIN site_events AS e ON e.file_sha256 = f.sha256
                WHERE e.event_id IS NOT NULL),
            replaced AS (
                SELECT DISTINCT max(was.seq) AS seq
                FROM known AS now JOIN known AS was USING (event_id)
                WHERE now.current AND NOT was.current AND was.seq < now.seq
                GROUP BY now.seq)
            SELECT {events}, r.received::DATE AS sent
            FROM replaced JOIN judged_files AS f USING (seq)
            JOIN receipts AS r ON r.{of_sites} AND r.seq = f.seq
            JOIN site_events AS e ON e.file_sha256 = f.sha256
            """)
        connection.execute(f"""
            CREATE OR REPLACE TEMP TABLE judged_earlier_catches AS
            SELECT {catches} FROM staged_catches AS c
            SEMI JOIN judged_earlier AS e USING (row_id) WHERE c.{of_sites}
            """)
