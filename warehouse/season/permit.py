"""What the permit asks: every animal handled in a season, and what became of it."""

from __future__ import annotations

from dataclasses import dataclass

import duckdb


@dataclass(frozen=True, slots=True)
class PermitLine:
    """Catch of one taxon and stage at one site by one kind of gear.

    ``released``, ``mortality`` and ``kept`` sum what was written; ``unsaid`` are the animals
    whose fate was not: nothing is taken for released because nobody wrote otherwise.
    ``effort`` is that of the site's events with this gear, in ``effort_unit``.
    """

    site_id: str
    protocol: str
    taxon_id: str
    scientific_name: str
    life_stage: str
    target: bool
    events: int
    effort: float | None
    effort_unit: str | None
    catch: int
    released: int
    mortality: int
    kept: int
    unsaid: int


def permit_lines(
    connection: duckdb.DuckDBPyConnection, season: int, targets: list[tuple[str, str, str]],
) -> list[PermitLine]:
    """By site, gear, and taxon with the targets (protocol, taxon, stage) first."""
    rows = connection.execute(
        """
        WITH effort AS (
            SELECT site_id, protocol, count(*) FILTER (effort_value IS NOT NULL) AS events,
                   sum(effort_value) AS effort, any_value(effort_unit) AS effort_unit
            FROM events WHERE season = $season GROUP BY ALL
        )
        SELECT o.site_id, e.protocol, o.taxon_id, any_value(o.scientific_name), o.life_stage,
               any_value(f.events), any_value(f.effort), any_value(f.effort_unit),
               sum(o.count)::BIGINT, coalesce(sum(o.released), 0)::BIGINT,
               coalesce(sum(o.mortality), 0)::BIGINT, coalesce(sum(o.kept), 0)::BIGINT,
               sum(greatest(o.count - coalesce(o.released, 0) - coalesce(o.mortality, 0)
                            - coalesce(o.kept, 0), 0))::BIGINT
        FROM occurrences AS o JOIN events AS e USING (event_id)
        JOIN effort AS f ON f.site_id = e.site_id AND f.protocol = e.protocol
        WHERE e.season = $season AND o.count IS NOT NULL
        GROUP BY o.site_id, e.protocol, o.taxon_id, o.life_stage
        ORDER BY ALL
        """, {"season": season}).fetchall()
    lines = [
        PermitLine(site, protocol, taxon, name, stage, (protocol, taxon, stage) in targets,
                   int(events), None if effort is None else float(effort), unit, *map(int, rest))
        for site, protocol, taxon, name, stage, events, effort, unit, *rest in rows
    ]
    return sorted(lines, key=lambda line: (line.site_id, line.protocol, not line.target,
                                           line.scientific_name, line.life_stage))
