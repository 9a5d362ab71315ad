"""The ledger: which runs there were, and what went back to which site."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping

from warehouse import record
from warehouse.store import Warehouse


def record_run(
    warehouse: Warehouse,
    run_id: str,
    as_of: dt.date,
    stages: Mapping[str, float],
    outcome: str,
    release: str | None = None,
) -> None:
    """Add a run to the ledger. ``stages``: stage -> seconds."""
    with warehouse.transaction() as connection:
        connection.execute(
            "INSERT INTO runs SELECT coalesce(max(seq), 0) + 1, ?, ?, ?, ?, ? FROM runs",
            [run_id, as_of, json.dumps(dict(stages)), outcome, release],
        )


def record_return(
    warehouse: Warehouse, site_id: str, digest: str, as_of: dt.date, path: str
) -> None:
    """Note that the return with ``digest`` went (or is to go) to ``site_id``, kept at ``path``."""
    record.append(warehouse, "return", [
        {"site": site_id, "digest": digest, "as_of": as_of, "path": path}])


def last_return(warehouse: Warehouse, site_id: str) -> tuple[str, dt.date, str] | None:
    """Digest, as_of and path of the site's latest return, None when there was none."""
    with warehouse.lock:
        found = warehouse.connection.execute(
            "SELECT digest, as_of, path FROM returns WHERE site = ? ORDER BY seq DESC NULLS LAST, "
            "rowid DESC LIMIT 1",
            [site_id],
        ).fetchone()
    return None if found is None else (str(found[0]), found[1], str(found[2]))
