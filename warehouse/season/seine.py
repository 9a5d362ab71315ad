"""Seine hauls: catch per haul and per area, by taxon, stage and month; lengths."""

from __future__ import annotations

from dataclasses import dataclass

import duckdb

LENGTH_CLASS = 5
"""Width of a length class [mm]."""


@dataclass(frozen=True, slots=True)
class MonthCatch:
    """Catch of one taxon and stage in a month over all sites.

    Hauls and area are those of the events in which the taxon was looked for (it has a count,
    zeros too). ``per_area`` is animals per 100 m2, None where the area was not written.
    """

    taxon_id: str
    life_stage: str
    month: int
    events: int
    hauls: int
    animals: int
    per_haul: float
    per_area: float | None


@dataclass(frozen=True, slots=True)
class LengthClass:
    """Animals with a length of ``low`` up to, not including, ``low + LENGTH_CLASS`` mm."""

    taxon_id: str
    life_stage: str
    low: int
    animals: int


def seine_months(connection: duckdb.DuckDBPyConnection, season: int) -> list[MonthCatch]:
    """Ordered by taxon, stage and month. A taxon never caught in the season is left out."""
    rows = connection.execute(
        """
        SELECT c.taxon_id, c.life_stage, month(c.local_date), count(DISTINCT c.event_id),
               sum(e.hauls)::BIGINT, sum(c.count)::BIGINT, sum(c.count) / sum(e.hauls),
               100 * sum(c.count) FILTER (e.haul_area_m2 > 0) / sum(e.haul_area_m2)
        FROM counts AS c JOIN events AS e USING (event_id)
        WHERE c.season = $season AND c.protocol = 'seine' AND e.hauls > 0
              AND (c.taxon_id, c.life_stage) IN (
                  SELECT (taxon_id, life_stage) FROM counts
                  WHERE season = $season AND protocol = 'seine' AND count > 0)
        GROUP BY 1, 2, 3 ORDER BY 1, 2, 3
        """, {"season": season}).fetchall()
    return [
        MonthCatch(taxon, stage, month, events, int(hauls), int(animals), float(per_haul),
                   None if per_area is None else float(per_area))
        for taxon, stage, month, events, hauls, animals, per_haul, per_area in rows
    ]


def length_classes(connection: duckdb.DuckDBPyConnection, season: int) -> list[LengthClass]:
    """Length frequencies of the season's seine catches.

    A sheet that gives one length for several animals gives their mean: each counts with its
    number at that length, which narrows the spread.
    """
    rows = connection.execute(
        f"""
        SELECT taxon_id, life_stage, (floor(length_mm / {LENGTH_CLASS}) * {LENGTH_CLASS})::INTEGER,
               sum(greatest(count, 1))::BIGINT
        FROM counts
        WHERE season = $season AND protocol = 'seine' AND length_mm IS NOT NULL AND count > 0
        GROUP BY 1, 2, 3 ORDER BY 1, 2, 3
        """, {"season": season}).fetchall()
    return [LengthClass(*row) for row in rows]
