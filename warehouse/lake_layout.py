"""How a lake is laid out: a warehouse's tables with a slice before each row, and its own books."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import duckdb

from warehouse.lake_session import LakeMoved
from warehouse.migrate import WarehouseNewer
from warehouse.slices import GROUPS, RECORDED
from warehouse.store import Warehouse
from warehouse.tables import quoted

OWN: dict[str, dict[str, str]] = {
    "network": {"id": "VARCHAR", "made": "VARCHAR"},
    "layout": {"number": "INTEGER", "name": "VARCHAR", "sha256": "VARCHAR"},
    "slices": {"slice": "VARCHAR", "version": "BIGINT"},
    "parts": {"slice": "VARCHAR", "name": "VARCHAR", "part": "VARCHAR", "digest": "VARCHAR"},
}
"""Tables of the lake's own books. ``parts.name`` is the group's."""

BOOKS = {
    "lake_of": {"made": "VARCHAR"},
    "lake_held": {"slice": "VARCHAR", "name": "VARCHAR", "version": "BIGINT"},
    "lake_parts": OWN["parts"],
}
"""The local database's books: of which lake it is a copy, and as of which version of each slice's
group, with the digests that the parts had then. What differs from them was done here since."""

PREFIX = {"lake_slice": "VARCHAR", "lake_part": "VARCHAR", "lake_place": "BIGINT"}
"""What a row carries in the lake beside its own: its slice, its part, its place in the order."""


@dataclass(frozen=True, slots=True)
class Layout:
    """What a lake must look like for one local database. ``where``: which lake it is, in words.

    ``tables``: table -> its columns here, and those that the lake puts before them.
    """

    network_id: str
    where: str
    migrations: tuple[tuple[Any, ...], ...]
    tables: dict[str, tuple[dict[str, str], dict[str, str]]]

    @classmethod
    def of(cls, warehouse: Warehouse, network_id: str, where: str) -> Layout:
        """The layout that ``warehouse`` asks for."""
        with warehouse.lock:
            local = warehouse.connection
            migrations = local.execute(
                "SELECT number, name, sha256 FROM migrations ORDER BY number").fetchall()
            prefixes = {table: dict(PREFIX) for group in GROUPS for table in group.tables}
            prefixes |= {table: {} for table in RECORDED}
            return cls(network_id, where, tuple(migrations), {
                table: (columns_here(local, table), prefix)
                for table, prefix in prefixes.items()})

    def stands(self, lake: duckdb.DuckDBPyConnection) -> bool:
        """Whether the lake has it all. Raises as :meth:`lay_out`."""
        have = _columns_of(lake)
        if not set(OWN) <= set(have):
            return False
        self._refuse_strangers(lake)
        known = set(lake.execute("SELECT number, name, sha256 FROM lake.layout").fetchall())
        return set(self.migrations) <= known and all(
            columns.items() <= have.get(name, {}).items()
            for name, (columns, _) in self.tables.items())

    def lay_out(self, lake: duckdb.DuckDBPyConnection) -> None:
        """Give the lake what it lacks, inside its transaction.

        Raises :class:`WarehouseNewer` when a later program laid it out, and
        :class:`~warehouse.lake_session.LakeMoved` when it is another network's.
        """
        for name, columns in OWN.items():
            lake.execute(f"CREATE TABLE IF NOT EXISTS lake.{name} ({laid(columns)})")
        self._refuse_strangers(lake)
        have = _columns_of(lake)
        for group in GROUPS:
            if any(_retyped(have, table, self.tables[table][0]) for table in group.tables):
                # As a database whose column has another type: laid out anew, filled again.
                for table in group.tables:
                    if have.pop(table, None):
                        lake.execute(f"DROP TABLE lake.{quoted(table)}")
                lake.execute("DELETE FROM lake.parts WHERE name = ?", [group.name])
                lake.execute("UPDATE lake.slices SET version = version + 1")
        for name, (columns, prefix) in self.tables.items():
            if name not in have:
                lake.execute(f"CREATE TABLE lake.{quoted(name)} ({laid({**prefix, **columns})})")
                continue
            for column, kind in columns.items():
                if column not in have[name]:
                    lake.execute(
                        f"ALTER TABLE lake.{quoted(name)} ADD COLUMN {quoted(column)} {kind}")
        known = {row[0] for row in lake.execute("SELECT number FROM lake.layout").fetchall()}
        for migration in self.migrations:
            if migration[0] not in known:
                lake.execute("INSERT INTO lake.layout VALUES (?, ?, ?)", list(migration))
        if not lake.execute("SELECT 1 FROM lake.network").fetchall():
            lake.execute("INSERT INTO lake.network VALUES (?, uuid()::VARCHAR)",
                         [self.network_id])

    def _refuse_strangers(self, lake: duckdb.DuckDBPyConnection) -> None:
        for (id_,) in lake.execute("SELECT id FROM lake.network").fetchall():
            if id_ != self.network_id:
                raise LakeMoved(
                    f'This lake is the network "{id_}"\'s.',
                    "Give every network a database of its own: change lake in [warehouse].",
                    self.where)
        ours = {number: sha256 for number, _, sha256 in self.migrations}
        for number, name, sha256 in sorted(
                lake.execute("SELECT number, name, sha256 FROM lake.layout").fetchall()):
            if ours.get(number) != sha256:
                raise WarehouseNewer(
                    f"The lake was laid out by a later Tallyweir (step {number:04d} {name} "
                    "is not one this program has).",
                    "Install the same version on every machine of the network.", self.where)


def keep_in_catalogue(lake: duckdb.DuckDBPyConnection) -> None:
    """Have the books that change by a few rows stay in the catalogue, and make no files."""
    for name in ("slices", "parts"):
        lake.execute(
            "CALL lake.set_option('data_inlining_row_limit', 1000, table_name => ?)", [name])


def laid(columns: dict[str, str]) -> str:
    """SQL: ``columns`` as a table's definition has them."""
    return ", ".join(f"{quoted(name)} {kind}" for name, kind in columns.items())


def columns_here(connection: duckdb.DuckDBPyConnection, table: str) -> dict[str, str]:
    """Columns of a table of the local database, with their types, in order."""
    return dict(connection.execute(
        "SELECT column_name, data_type FROM duckdb_columns() WHERE table_name = ? "
        "AND database_name = current_database() AND schema_name = 'main' ORDER BY column_index",
        [table]).fetchall())


def _retyped(have: dict[str, dict[str, str]], table: str, columns: dict[str, str]) -> bool:
    there = have.get(table, {})
    return any(there.get(column, kind) != kind for column, kind in columns.items())


def _columns_of(lake: duckdb.DuckDBPyConnection) -> dict[str, dict[str, str]]:
    have: dict[str, dict[str, str]] = {}
    for table, column, kind in lake.execute(
            "SELECT table_name, column_name, data_type FROM duckdb_columns() "
            "WHERE database_name = 'lake' AND schema_name = 'main'").fetchall():
        have.setdefault(table, {})[column] = kind
    return have
