"""Protected animals in the catch, told of on the day their row first came."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from warehouse.store import Warehouse


@dataclass(frozen=True, slots=True)
class ProtectedCatch:
    """What of one protected taxon a site's newly come rows have."""

    site: str
    taxon: str
    count: int
    dead: int
    first: dt.date
    last: dt.date


def newly_caught(
    warehouse: Warehouse, rule: str, season: int, as_of: dt.date
) -> list[ProtectedCatch]:
    """Catches that findings of ``rule`` speak of, of ``season``, first received on ``as_of``.

    Every file ever read is asked, so that a sheet sent again raises nothing twice and a run
    repeated on its day says the same again.
    """
    with warehouse.lock:
        rows = warehouse.connection.execute(
            """
            WITH raised AS (
                SELECT f.site, f.event_id, f.taxon, c.count, coalesce(c.mortality, 0) AS dead,
                       f.local_date::DATE AS day
                FROM findings f JOIN staged_catches c ON c.catch_id = f.catch_id
                JOIN staged_events e ON e.row_id = c.row_id AND e.site = f.site
                WHERE f.rule = $rule AND f.local_date <> '' AND e.season = $season),
            known AS (
                SELECT e.site, e.event_id, c.taxon, min(r.received) AS since
                FROM raised JOIN staged_events e
                     ON e.site = raised.site AND e.event_id = raised.event_id
                JOIN staged_catches c ON c.row_id = e.row_id AND c.taxon = raised.taxon
                JOIN receipts r ON r.site = e.site AND r.sha256 = e.file_sha256
                WHERE c.count > 0 GROUP BY ALL)
            SELECT site, taxon, sum(count), sum(dead), min(day), max(day)
            FROM raised JOIN known USING (site, event_id, taxon)
            WHERE since = $as_of GROUP BY ALL ORDER BY site, taxon
            """,
            {"rule": rule, "season": season, "as_of": as_of},
        ).fetchall()
    return [ProtectedCatch(site, taxon, int(count), int(dead), first, last)
            for site, taxon, count, dead, first, last in rows]
