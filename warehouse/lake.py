"""The lake: one catalogue in PostgreSQL and Parquet on shared storage, that many may write to.

Nobody judges or releases in the lake. A site's slice is checked out into an ordinary
:class:`~warehouse.store.Warehouse` on one's own disk, worked on there with the same code as
ever, and checked in again, all of it or nothing. So the local database is a copy that may be
thrown away at any time, and a run on the lake is the same run.

A slice has a version. Who checks one in says which version they started from; if another has
been put there since, it is refused and nothing is changed. Turns (locks that end with their
process, or its connection) keep what must not be done by two at once apart.
"""

from __future__ import annotations

from collections.abc import Collection

from warehouse.lake_layout import BOOKS, Layout, keep_in_catalogue, laid
from warehouse.lake_parts import (
    changed,
    fill,
    give,
    hand_on_record,
    held,
    insert,
    note_held,
    note_parts,
    take,
)
from warehouse.lake_session import (
    LEAD,
    RECORD,
    WRITE,
    LakeMoved,
    LakeNotInstalled,
    LakeOutOfReach,
    LakeSession,
    Store,
    moved_on,
)
from warehouse.slices import GROUPS, OF_THE_NETWORK
from warehouse.store import Warehouse

__all__ = ["LEAD", "RECORD", "WRITE", "Lake", "LakeMoved", "LakeNotInstalled", "LakeOutOfReach",
           "Store"]

KEPT_DAYS = 7
"""For so long the lake can tell what it held at any moment."""


class Lake(LakeSession):
    """A network's lake. Use as a context manager, or call :meth:`close`.

    Not for two threads at once, but for turns.
    """

    def join(self, warehouse: Warehouse) -> None:
        """Make ``warehouse`` a copy of this lake, which gets its tables and columns.

        To be called before anything is checked out or in. What is in ``warehouse`` stays, until
        a check-out replaces what differs. Raises :class:`~warehouse.migrate.WarehouseNewer`
        when a later program laid the lake out, :class:`LakeMoved` when it is another network's.
        """
        layout = Layout.of(warehouse, self.network_id, self._shown(self._conninfo))
        with self._transaction() as lake:
            stands = layout.stands(lake)
        if not stands:
            with self.turn(WRITE), self._transaction() as lake:
                layout.lay_out(lake)
            with self._transaction() as lake:
                keep_in_catalogue(lake)
        with self._transaction() as lake:
            made = lake.execute("SELECT made FROM lake.network").fetchall()
        with warehouse.transaction() as local:
            for name, columns in BOOKS.items():
                local.execute(f"CREATE TABLE IF NOT EXISTS {name} ({laid(columns)})")
            if local.execute("FROM lake_of").fetchall() != made:
                for name in BOOKS:
                    local.execute(f"DELETE FROM {name}")
                insert(local, "lake_of", made)

    # -- out and in ------------------------------------------------------------------------

    def check_out(
        self, warehouse: Warehouse, slices: Collection[str] | None = None,
        groups: Collection[str] | None = None,
    ) -> int:
        """Bring ``warehouse`` to the lake's state of ``slices`` (None: all); parts that moved.

        ``groups``: only these groups of tables (None: all). Where the lake has moved on, what
        is here and differs is replaced; where it has not, what was done here stays, to be
        checked in. The record's lines that only the lake has come along.
        """
        with self._transaction() as lake, warehouse.transaction() as local:
            hand_on_record(lake, "lake.", local, "")
            versions = dict(lake.execute("SELECT slice, version FROM lake.slices").fetchall())
            if slices is not None:
                versions = {name: versions[name] for name in slices if name in versions}
            bases_here = held(local)
            moved = 0
            for group in GROUPS:
                if groups is not None and group.name not in groups:
                    continue
                stale = sorted(name for name, version in versions.items()
                               if bases_here.get((name, group.name)) != version)
                if stale:
                    moved += take(lake, local, group, stale)
                    note_held(local, group, stale, versions)
        return moved

    def check_in(self, warehouse: Warehouse, slices: Collection[str]) -> list[str]:
        """Put ``slices`` into the lake as they are in ``warehouse``, in one transaction.

        Returns those that had changed. Raises :class:`LakeMoved` when one has been checked in
        by somebody else since it was checked out here; nothing is changed then.
        """
        names = sorted(set(slices))
        with warehouse.transaction() as local:
            changes = {group.name: changed(local, group, names) for group in GROUPS}
            touched = sorted({name for change in changes.values() for name, *_ in change})
            with self.turn(WRITE), self._transaction() as lake:
                now = dict(lake.execute("SELECT slice, version FROM lake.slices").fetchall())
                bases_here = held(local)
                for name in touched:
                    bases = {bases_here.get((name, group.name), 0) for group in GROUPS}
                    if bases != {now.get(name, 0)}:
                        raise moved_on(f"the site {name}" if name else "what is the network's own")
                hand_on_record(local, "", lake, "lake.")
                for group in GROUPS:
                    give(lake, local, group, changes[group.name])
                if touched:
                    fill(lake, "changed", [(name, now.get(name, 0) + 1) for name in touched],
                         {"slice": "VARCHAR", "version": "BIGINT"})
                    lake.execute(
                        "DELETE FROM lake.slices WHERE slice IN (SELECT slice FROM changed)")
                    lake.execute("INSERT INTO lake.slices FROM changed")
            for group in GROUPS:
                note_parts(local, group, changes[group.name])
                note_held(local, group, touched,
                          {name: now.get(name, 0) + 1 for name in touched})
        return touched

    def tidy(self) -> None:
        """Forget states of the lake older than :data:`KEPT_DAYS`, and join the small files."""
        with self.turn(WRITE), self._told():
            engine = self._open()
            try:
                for call in (
                    f"ducklake_expire_snapshots('lake', older_than => now() - INTERVAL "
                    f"'{KEPT_DAYS} days')",
                    "ducklake_rewrite_data_files('lake')",
                    "ducklake_merge_adjacent_files('lake')",
                    # Not at once: another may still be reading what it began to read before.
                    "ducklake_cleanup_old_files('lake', older_than => now() - INTERVAL '1 day')",
                ):
                    engine.execute(f"CALL {call}")
            except BaseException:
                self._drop_engine()
                raise

    def slices_of(self, warehouse: Warehouse) -> list[str]:
        """Every slice that ``warehouse`` has anything of, and the network's own."""
        found = {OF_THE_NETWORK}
        with warehouse.lock:
            for group in GROUPS:
                for table, cut in group.telling().items():
                    found |= {str(row[0]) for row in warehouse.connection.execute(
                        f"SELECT DISTINCT {cut.site} FROM {table} AS t {cut.also}").fetchall()}
        return sorted(found)
