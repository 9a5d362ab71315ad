"""Rows laid out for one site wait aside while those of others are, to be judged with them.

What :func:`warehouse.lineage.lay_out` and its like lay out has the same names for every site.
Several sites judged in one pass are laid out one after another, put aside, copied into one
relation each, and come back to their names when the site is loaded. Renaming costs nothing.
"""

from __future__ import annotations

from collections.abc import Iterable

from warehouse.store import Warehouse
from warehouse.tables import quoted

TOGETHER = ("events", "catches", "oddities", "places", "files", "earlier", "earlier_catches",
            "alike")
"""What judging reads: ``together_<name>`` has it of several sites."""

_LAID_OUT = ("site_events", "site_gone", *(f"judged_{name}" for name in (
    *TOGETHER, "moved", "departed", "rows", "decided", "withdrawn", "held")))


def put_aside(warehouse: Warehouse, site_id: str) -> None:
    """Put what is laid out for ``site_id`` aside; the names are free for the next site."""
    _rename(warehouse, ((name, _of(name, site_id)) for name in _LAID_OUT))


def bring_back(warehouse: Warehouse, site_id: str) -> None:
    """Lay out again what was put aside for ``site_id``."""
    with warehouse.lock:
        for name in _LAID_OUT:
            warehouse.connection.execute(f"DROP TABLE IF EXISTS temp.{name}")
    _rename(warehouse, ((_of(name, site_id), name) for name in _LAID_OUT))


def lay_together(warehouse: Warehouse, site_ids: Iterable[str]) -> None:
    """Lay out ``together_<name>`` for each of :data:`TOGETHER`, from what was put aside."""
    sites = list(site_ids)
    with warehouse.lock:
        for name in TOGETHER:
            rows = " UNION ALL ".join(
                f"FROM {quoted(_of(f'judged_{name}', site))}" for site in sites)
            warehouse.connection.execute(
                f"CREATE OR REPLACE TEMP TABLE together_{name} AS {rows}")


def sweep_together(warehouse: Warehouse) -> None:
    """Drop what :func:`lay_together` laid out."""
    with warehouse.lock:
        for name in TOGETHER:
            warehouse.connection.execute(f"DROP TABLE IF EXISTS temp.together_{name}")


def _of(name: str, site_id: str) -> str:
    return f"{name} of {site_id}"


def _rename(warehouse: Warehouse, names: Iterable[tuple[str, str]]) -> None:
    with warehouse.lock:
        for before, after in names:
            warehouse.connection.execute(
                f"ALTER TABLE temp.{quoted(before)} RENAME TO {quoted(after)}")
