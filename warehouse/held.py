"""What is held against a site now: its findings, its account, its troubled files."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import fields

from shared.findings import Finding
from shared.flags import Effect, Flag
from shared.problems import Trouble
from warehouse.lineage import named
from warehouse.store import Warehouse
from warehouse.tables import quoted

_MAY_BE_NONE = frozenset({"row", "row_id", "catch_id"})


def site_findings(warehouse: Warehouse, site_id: str) -> list[Finding]:
    """Findings of the site's last load, worst first as they were judged."""
    return findings_of(warehouse, [site_id]).get(site_id, [])


def findings_of(warehouse: Warehouse, site_ids: Sequence[str]) -> dict[str, list[Finding]]:
    """As :func:`site_findings` of each of ``site_ids`` that has any."""
    if not site_ids:
        return {}
    names = [entry.name for entry in fields(Finding)]
    columns = ", ".join(quoted(name) for name in names)
    with warehouse.lock:
        rows = warehouse.connection.execute(
            f"SELECT {columns} FROM findings WHERE {named(site_ids)} ORDER BY rowid").fetchall()
    found: dict[str, list[Finding]] = {}
    for row in rows:
        # A column that an older warehouse gained is empty there until its site is loaded again.
        values = {name: value for name, value in zip(names, row, strict=True)
                  if value is not None or name in _MAY_BE_NONE}
        values["effect"] = Effect(values["effect"])
        values["flag"] = Flag(values["flag"])
        found.setdefault(values["site"], []).append(Finding(**values))
    return found


def site_account(warehouse: Warehouse, site_id: str) -> dict[str, int]:
    """Rows of the site's last load by what became of them; zeros before the first."""
    return site_accounts(warehouse, [site_id])[site_id]


def site_accounts(warehouse: Warehouse, site_ids: Sequence[str]) -> dict[str, dict[str, int]]:
    """As :func:`site_account` of each of ``site_ids``."""
    names = ("rows", "clean", "masked", "queried", "held", "skipped")
    with warehouse.lock:
        rows = {site: row for site, *row in warehouse.connection.execute(
            f"SELECT site, {', '.join(quoted(name) for name in names)} FROM site_state "
            f"WHERE {named(site_ids)}").fetchall()}
    return {site: dict(zip(names, rows.get(site, (0,) * len(names)), strict=True))
            for site in site_ids}


def file_troubles(
    warehouse: Warehouse, site_id: str, standing: Collection[str] | None = None
) -> list[Trouble]:
    """Why files that stand in the site's inbox could not be read, in order of receipt.

    ``standing``: paths (relative to the inbox) that are there now; a file taken away is no
    longer anybody's trouble. None: every path ever received.
    """
    found = troubles_of(warehouse, [site_id]).get(site_id, [])
    return [trouble for trouble, path in found if standing is None or path in standing]


def troubles_of(
    warehouse: Warehouse, site_ids: Sequence[str] | None = None
) -> dict[str, list[tuple[Trouble, str]]]:
    """Site (None: any) -> its files that could not be read, with the path of each."""
    of_sites = "TRUE" if site_ids is None else named(site_ids)
    with warehouse.lock:
        rows = warehouse.connection.execute(f"""
            WITH troubled AS (FROM file_troubles WHERE {of_sites}),
            standing AS (
                SELECT site, sha256, seq, path
                FROM (SELECT *, seq = max(seq) OVER (PARTITION BY site, path) AS stands
                      FROM receipts WHERE site IN (SELECT site FROM troubled))
                WHERE stands)
            SELECT t.site, f.path, t.code, t.what, t.remedy, replace(f.path, t.site || '/', '')
            FROM troubled AS t JOIN standing AS f USING (site, sha256)
            ORDER BY t.site, f.seq""").fetchall()
    out: dict[str, list[tuple[Trouble, str]]] = {}
    for site, path, *told in rows:
        out.setdefault(site, []).append((Trouble(*told), path))
    return out
