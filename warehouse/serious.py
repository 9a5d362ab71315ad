"""What the coordinator should hear of at once: protected bycatch, and many dead."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from warehouse import record
from warehouse.store import Warehouse


@dataclass(frozen=True, slots=True)
class Serious:
    """One net check with a protected animal, or with more dead than the limit."""

    key: str
    """The same as long as it says the same."""
    kind: str
    """*protected* or *mortality*."""
    site: str
    gear_unit: str
    date: dt.date
    taxon: str
    count: int
    dead: int


def serious(
    warehouse: Warehouse, season: int, protected: Collection[str], mortality_percent: float,
    fewest_dead: int = 2,
) -> list[Serious]:
    """Everything serious in the clean rows of ``season``, by date.

    ``protected``: taxon ids. A single dead animal is no matter of percent, hence
    ``fewest_dead``; a protected one is told whether dead or not.
    """
    with warehouse.lock:
        rows = warehouse.connection.execute(
            """
            WITH caught AS (
                SELECT e.site_id, e.gear_unit, e.local_date, c.taxon_id, e.event_id,
                       coalesce(sum(c.count), 0)::BIGINT AS number,
                       coalesce(sum(c.mortality), 0)::BIGINT AS dead
                FROM clean_counts AS c JOIN clean_events AS e USING (site_id, event_id)
                WHERE e.season = $season GROUP BY ALL)
            SELECT CASE WHEN list_contains($protected, taxon_id) THEN 'protected'
                        ELSE 'mortality' END AS kind,
                   site_id, gear_unit, local_date, taxon_id, number, dead, event_id
            FROM caught
            WHERE (list_contains($protected, taxon_id) AND number > 0)
               OR (dead >= $fewest AND dead * 100.0 > $percent * greatest(number, dead))
            ORDER BY local_date, site_id, gear_unit, taxon_id
            """,
            {"season": season, "protected": sorted(protected), "percent": mortality_percent,
             "fewest": fewest_dead}).fetchall()
    return [Serious(f"{kind}:{event}:{taxon}:{number}:{dead}", kind, site, gear, date, taxon,
                    number, dead)
            for kind, site, gear, date, taxon, number, dead, event in rows]


def not_yet_told(
    warehouse: Warehouse, found: Iterable[Serious], period: str
) -> list[Serious]:
    """Those of ``found`` that the coordinator was not told of before ``period``."""
    with warehouse.lock:
        told = {row[0] for row in warehouse.connection.execute(
            "SELECT key FROM serious_told WHERE period <> ?", [period]).fetchall()}
    return [item for item in found if item.key not in told]


def note_told(warehouse: Warehouse, told: Iterable[Serious], period: str) -> None:
    """Note that the coordinator's letter of ``period`` tells of these."""
    with warehouse.transaction() as connection:
        record.catch_up(warehouse)
        known = {row[0] for row in connection.execute("SELECT key FROM serious_told").fetchall()}
        keys = dict.fromkeys(item.key for item in told if item.key not in known)
        record.append(warehouse, "told", [{"key": key, "period": period} for key in keys])
