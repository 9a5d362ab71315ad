"""What judging closed seasons left: their findings, and what they tell the season under way.

Kept by site with a digest of all that it follows from, and good while that digest is the same.
Nothing here is a source: whoever finds it gone, or out of date, judges the closed rows again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict

from shared import past
from shared.findings import Finding
from shared.flags import Effect, Flag
from warehouse.store import Warehouse
from warehouse.tables import kept_of_past


def digests(warehouse: Warehouse) -> dict[str, str]:
    """Site -> digest of what its closed seasons were judged from, where something is kept."""
    with warehouse.lock:
        return dict(warehouse.connection.execute(
            "SELECT site, digest FROM closed_seasons").fetchall())


def keep(warehouse: Warehouse, found: Mapping[str, tuple[str, Sequence[Finding]]]) -> None:
    """Keep digest and findings of each site, and its part of the tables of :mod:`shared.past`.

    These are temporary tables of the connection, as judging laid them out.
    """
    with warehouse.transaction() as connection:
        for table in past.TABLES:
            connection.execute(
                f"DELETE FROM {kept_of_past(table)} WHERE list_contains($sites, site)",
                {"sites": list(found)})
            connection.execute(
                f"INSERT INTO {kept_of_past(table)} BY NAME FROM {table} "
                "WHERE list_contains($sites, site)", {"sites": list(found)})
        connection.execute("DELETE FROM closed_seasons WHERE list_contains(?, site)",
                           [list(found)])
        connection.executemany(
            "INSERT INTO closed_seasons (site, digest, findings) VALUES (?, ?, ?)",
            [[site, digest, json.dumps([asdict(one) for one in findings], ensure_ascii=False)]
             for site, (digest, findings) in found.items()])


def lay_out_past(warehouse: Warehouse, site_ids: Sequence[str]) -> None:
    """Lay out the tables of :mod:`shared.past` with what is kept of ``site_ids``."""
    with warehouse.lock:
        for table in past.TABLES:
            warehouse.connection.execute(
                f"CREATE OR REPLACE TEMP TABLE {table} AS FROM {kept_of_past(table)} "
                "WHERE list_contains($sites, site)", {"sites": list(site_ids)})


def closed_findings(warehouse: Warehouse, site_ids: Sequence[str]) -> dict[str, list[Finding]]:
    """The findings kept of ``site_ids``, in the order they were judged."""
    with warehouse.lock:
        rows = warehouse.connection.execute(
            "SELECT site, findings FROM closed_seasons WHERE list_contains(?, site)",
            [list(site_ids)]).fetchall()
    return {site: [_finding(told) for told in json.loads(text)] for site, text in rows}


def _finding(told: dict[str, object]) -> Finding:
    values: dict[str, object] = told | {
        "effect": Effect(str(told["effect"])), "flag": Flag(int(str(told["flag"])))}
    return Finding(**values)  # type: ignore[arg-type]
