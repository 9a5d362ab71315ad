"""The sites' evidence of a whole record at once: what is kept by season must come to the same."""

from __future__ import annotations

from collections.abc import Sequence

import duckdb

from checks.neighbours import (
    evidence_hashes,
    lay_out_days,
    lay_out_evidence,
    lay_out_order,
    lay_out_own_days,
)
from checks.twin_sites import lay_out_twins, twin_sites
from shared.evidence import CATCHES, CORES, TWINS, spelt
from shared.identity import short_digest


def lay_out_site_days(
    con: duckdb.DuckDBPyConnection, events: str, catches: str | None = None
) -> None:
    """Lay out what the sites have day by day; without ``catches``, of readings alone."""
    if catches is None:
        lay_out_days(con, events)
        for table in (CATCHES, CORES, TWINS):
            con.execute(f"CREATE OR REPLACE TEMP TABLE {table} ({spelt(table)})")
    else:
        lay_out_own_days(con, events, catches)
    lay_out_order(con)
    if catches is not None and twin_sites(con):
        lay_out_twins(con, events)


def neighbour_evidence(con: duckdb.DuckDBPyConnection, site_ids: Sequence[str]) -> dict[str, str]:
    """Lay out the evidence for these sites; a digest of each one's."""
    lay_out_evidence(con, site_ids)
    told: dict[str, list[object]] = {site: [] for site in site_ids}
    for home, *hashed in con.execute(evidence_hashes()).fetchall():
        told[home].append(hashed)
    return {site: short_digest(*hashed) for site, hashed in told.items()}
