"""Numbered changes to the database's layout, each applied once, in order.

A migration is ``migrations/NNNN_name.sql``. It runs inside one transaction with the line
in ``migrations`` that records it.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass
from functools import cache
from importlib import resources

import duckdb

from shared.problems import Problem
from warehouse.tables import align


class WarehouseNewer(Problem, RuntimeError):
    """The database was laid out by a later Tallyweir."""

    code = "warehouse-newer"


@dataclass(frozen=True, slots=True)
class Migration:
    """One numbered change."""

    number: int
    name: str
    sql: str

    @property
    def sha256(self) -> str:
        """Hash of the text; a checkout's line endings do not matter."""
        return hashlib.sha256(self.sql.encode("utf-8")).hexdigest()


@cache
def known_migrations() -> tuple[Migration, ...]:
    """Every migration that ships with this code, in order."""
    found = []
    for entry in (resources.files("warehouse") / "migrations").iterdir():
        if entry.name.endswith(".sql"):
            number, name = entry.name.removesuffix(".sql").split("_", 1)
            text = entry.read_text(encoding="utf-8").replace("\r\n", "\n")
            found.append(Migration(int(number), name, text))
    return tuple(sorted(found, key=lambda migration: migration.number))


def migrate(
    connection: duckdb.DuckDBPyConnection,
    where: str,
    migrations: tuple[Migration, ...] | None = None,
) -> list[str]:
    """Bring the database up to this code's layout; what was done, in words.

    Raises :class:`WarehouseNewer` when the file holds a migration that this code does
    not have, or has with another text. Everything happens in one transaction: a stop
    half way leaves the file as it was.
    """
    known = known_migrations() if migrations is None else migrations
    connection.execute("BEGIN")
    try:
        connection.execute(
            "CREATE TABLE IF NOT EXISTS migrations "
            "(number INTEGER NOT NULL, name VARCHAR NOT NULL, sha256 VARCHAR NOT NULL, "
            "applied DATE NOT NULL)"
        )
        applied = {
            number: (name, sha256)
            for number, name, sha256 in connection.execute(
                "SELECT number, name, sha256 FROM migrations"
            ).fetchall()
        }
        ours = {migration.number: migration for migration in known}
        for number, (name, sha256) in sorted(applied.items()):
            if number not in ours or ours[number].sha256 != sha256:
                raise WarehouseNewer(
                    f"The warehouse was laid out by a later Tallyweir (step {number:04d} {name} "
                    "is not one this program has).",
                    "Install the version that last wrote to this folder, or a newer one.",
                    where,
                )
        done = []
        for migration in known:
            if migration.number not in applied:
                connection.execute(migration.sql)
                connection.execute(
                    "INSERT INTO migrations VALUES (?, ?, ?, ?)",
                    [
                        migration.number,
                        migration.name,
                        migration.sha256,
                        dt.datetime.now(dt.UTC).date(),
                    ],
                )
                done.append(f"{migration.number:04d} {migration.name}")
        done += align(connection)
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    return done
