"""What the sites tell of each other, brought up to the sheets that stand in the inbox now."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from checks.neighbours import (
    VERSION,
    evidence_hashes,
    lay_out_evidence,
    lay_out_order,
    lay_out_own_days,
)
from checks.twin_sites import lay_out_twins, twin_sites
from shared.identity import short_digest
from shared.settings import Network
from warehouse import earlier, lineage, neighbourhood
from warehouse.store import Warehouse

_MOST_TOGETHER = 500_000
"""Events that are looked at in one go: memory is that of so many."""


def gather(warehouse: Warehouse, network: Network) -> None:
    """Have the evidence of the days laid out, gathered anew where other sheets stand than did.

    Each part and each season is kept by itself: the engine gives nothing back that is laid out
    anew in one transaction, thirty seasons would all be held. What a stop cuts short is noted as
    begun, and is gathered anew the next time.
    """
    with warehouse.lock:
        neighbourhood.note_seasons(warehouse)
        version = short_digest(VERSION, network.season_start, network.season_end)
        changed = neighbourhood.stale(warehouse, version)
        neighbourhood.begin(warehouse, changed)
        neighbourhood.clear(warehouse)
        connection = warehouse.connection
        sites = sorted({site for of_season in changed.values() for site in of_season})
        for some in _in_parts(warehouse, sites):
            lineage.lay_out_standing(warehouse, some)
            earlier.lay_out_standing_catches(warehouse, some)
            lay_out_own_days(connection, lineage.STANDING_EVENTS, earlier.STANDING_CATCHES)
            neighbourhood.keep_own(warehouse, some, network.season_sql("local_date"))
        for season in changed:
            neighbourhood.lay_out_season(warehouse, season)
            lay_out_order(connection)
            twins = twin_sites(connection)
            if twins:
                lineage.lay_out_standing(warehouse, twins, season)
                lay_out_twins(connection, lineage.STANDING_EVENTS)
            lay_out_evidence(connection)
            neighbourhood.keep_shared(warehouse, season, evidence_hashes())
        neighbourhood.lay_out(warehouse)


def _in_parts(warehouse: Warehouse, sites: Sequence[str]) -> Iterator[list[str]]:
    """``sites``, so many at a time that their events are few enough."""
    events = dict(warehouse.connection.execute(
        "SELECT site, sum(events)::BIGINT FROM readings GROUP BY site").fetchall())
    some: list[str] = []
    held = 0
    for site in sites:
        held += events.get(site, 0)
        if some and held > _MOST_TOGETHER:
            yield some
            some, held = [], events.get(site, 0)
        some.append(site)
    if some:
        yield some
