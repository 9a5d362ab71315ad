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

import contextlib
import hashlib
import threading
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb

from shared.columnar import sql_text
from shared.problems import NetworkBusy, Problem
from warehouse.migrate import WarehouseNewer
from warehouse.slices import GROUPS, OF_THE_NETWORK, RECORDED, Cut, Group
from warehouse.store import Warehouse
from warehouse.tables import column_list, quoted

if TYPE_CHECKING:
    import psycopg

WRITE, RECORD, LEAD = "write", "record", "lead"
"""Turns: checking in, appending to the record, leading a run."""

KEPT_DAYS = 7
"""For so long the lake can tell what it held at any moment."""

_PATIENCE_SECONDS = 600
_EXTENSIONS = ("postgres_scanner", "ducklake")
_MANY = 200
"""Slices up to which a question names each, so that files of others are not opened."""


class LakeOutOfReach(Problem, ConnectionError):
    """The catalogue or its files cannot be reached, or the connection broke off."""

    code = "lake-out-of-reach"


class LakeMoved(Problem, RuntimeError):
    """A slice was checked in by somebody else since it was checked out."""

    code = "lake-moved"


class LakeNotInstalled(Problem, ImportError):
    """The libraries of the lake are an extra of their own, and are not there."""

    code = "lake-not-installed"


class Lake:
    """A connection to a network's lake. Use as a context manager, or call :meth:`close`.

    ``conninfo``: how PostgreSQL is reached, in the words of libpq and without a password.
    ``data``: where the Parquet files are. Not for two threads at once, but for turns.
    """

    def __init__(self, network_id: str, conninfo: str, data: str, password: str = "") -> None:
        self.network_id = network_id
        self._conninfo, self._data, self._password = conninfo, data, password
        self._engine: duckdb.DuckDBPyConnection | None = None
        self._session: psycopg.Connection[Any] | None = None
        self._held: list[str] = []
        self._guard = threading.RLock()

    def __enter__(self) -> Lake:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Give up the connections and every turn. Closing twice is harmless."""
        self._drop_engine()
        with self._guard:
            session, self._session = self._session, None
            self._held.clear()
        if session is not None:
            with contextlib.suppress(Exception):
                session.close()

    # -- turns -----------------------------------------------------------------------------

    @contextlib.contextmanager
    def turn(self, name: str, wait_seconds: float = _PATIENCE_SECONDS) -> Iterator[None]:
        """Hold the turn ``name``; it ends with the connection, however that ends.

        To take one shows that those held already are still held: all hang on one connection.
        Raises :class:`NetworkBusy` when the wait is over, :class:`LakeOutOfReach` when the
        connection is not there (any more).
        """
        psycopg = _library("psycopg")
        with self._guard, self._told():
            session = self._connected()
            key = self._key(name)
            try:
                if wait_seconds:
                    session.execute(f"SET lock_timeout = '{int(wait_seconds * 1000)}ms'")
                    session.execute("SELECT pg_advisory_lock(%s)", [key])
                    got = True
                else:
                    found = session.execute("SELECT pg_try_advisory_lock(%s)", [key]).fetchone()
                    got = bool(found and found[0])
            except psycopg.errors.LockNotAvailable:
                got = False
            if not got:
                raise NetworkBusy(
                    "Another machine is doing that for this network."
                    if name == LEAD else "Others were busy with the lake for too long.",
                    "Wait until it has ended and try again; `tallyweir status` works meanwhile.",
                    self._shown(self._conninfo))
            self._held.append(name)
        try:
            yield
        finally:
            with self._guard:
                if name in self._held and self._session is not None:
                    self._held.remove(name)
                    # With a connection that is gone, so is the lock.
                    with contextlib.suppress(psycopg.Error):
                        self._session.execute("SELECT pg_advisory_unlock(%s)", [key])

    def _key(self, name: str) -> int:
        text = f"tallyweir {self.network_id} {name}".encode()
        return int.from_bytes(hashlib.blake2b(text, digest_size=8).digest(), "big", signed=True)

    def _connected(self) -> psycopg.Connection[Any]:
        if self._session is not None and self._session.closed and not self._held:
            self._session = None
        if self._session is None:
            psycopg = _library("psycopg")
            self._session = psycopg.connect(
                self._whole_conninfo(), autocommit=True, connect_timeout=10,
                application_name="tallyweir",
                # Where the other side is gone without a word, both sides find out in a minute.
                keepalives=1, keepalives_idle=20, keepalives_interval=10, keepalives_count=4,
                options="-c tcp_keepalives_idle=20 -c tcp_keepalives_interval=10 "
                        "-c tcp_keepalives_count=4")
        return self._session

    def _whole_conninfo(self) -> str:
        make = _library("psycopg.conninfo").make_conninfo
        return str(make(self._conninfo, **({"password": self._password} if self._password else {})))

    # -- the engine ------------------------------------------------------------------------

    def _open(self) -> duckdb.DuckDBPyConnection:
        """A database in memory, apart from the local one, with the lake attached to it."""
        if self._engine is None:
            engine = duckdb.connect(config={
                "autoinstall_known_extensions": False, "autoload_known_extensions": False})
            try:
                for name in _EXTENSIONS:
                    engine.execute(f"LOAD {sql_text(str(extension_file(name)))}")
                target = "ducklake:postgres:" + self._whole_conninfo()
                engine.execute(
                    f"ATTACH {sql_text(target)} AS lake "
                    f"(DATA_PATH {sql_text(self._data)}, OVERRIDE_DATA_PATH true, "
                    # Tables that live in the catalogue may not have a column row_id.
                    "DATA_INLINING_ROW_LIMIT 0)")
            except BaseException:
                engine.close()
                raise
            self._engine = engine
        return self._engine

    def _drop_engine(self) -> None:
        engine, self._engine = self._engine, None
        if engine is not None:
            with contextlib.suppress(duckdb.Error):
                engine.close()

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """What is inside sees one state of the lake and leaves it whole, or as it was."""
        with self._told():
            engine = self._open()
            engine.execute("BEGIN")
            try:
                yield engine
                engine.execute("COMMIT")
            except BaseException:
                # What state it is in cannot be told; the next use begins with a new one.
                self._drop_engine()
                raise

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        """Errors of engine and catalogue as problems that name no password."""
        try:
            yield
        except Problem:
            raise
        except duckdb.Error as error:
            text = self._shown(str(error).strip().splitlines()[0])
            if "transaction conflict" in text.lower():
                raise _moved("another transaction came in between") from None
            raise self._out_of_reach(text) from None
        except Exception as error:
            psycopg = _library("psycopg")
            if not isinstance(error, psycopg.Error):
                raise
            raise self._out_of_reach(self._shown(str(error).strip() or "gone")) from None

    def _out_of_reach(self, why: str) -> LakeOutOfReach:
        return LakeOutOfReach(
            f"The lake's catalogue or files cannot be used ({why}).",
            "See that PostgreSQL runs and can be reached from here, and that the folder of the "
            "Parquet files can be written to; then run it again. What arrived is kept in "
            "warehouse/received, and what was checked in is in the lake.",
            self._shown(self._conninfo))

    def _shown(self, text: str) -> str:
        return text.replace(self._password, "[hidden]") if self._password else text

    # -- layout ----------------------------------------------------------------------------

    def join(self, warehouse: Warehouse) -> None:
        """Make ``warehouse`` a copy of this lake, which gets its tables and columns.

        To be called before anything is checked out or in. What is in ``warehouse`` stays, until
        a check-out replaces what differs. Raises :class:`~warehouse.migrate.WarehouseNewer`
        when a later program laid the lake out, :class:`LakeMoved` when it is another network's.
        """
        ours = warehouse.connection.execute(
            "SELECT number, name, sha256 FROM migrations ORDER BY number").fetchall()
        wanted = _wanted(warehouse)
        if not self._laid_out(ours, wanted):
            self._lay_out(ours, wanted)
        with self._transaction() as lake:
            made = lake.execute("SELECT made FROM lake.network").fetchall()
        with warehouse.transaction() as local:
            for name, columns in _BOOKS.items():
                laid = ", ".join(f"{column} {kind}" for column, kind in columns.items())
                local.execute(f"CREATE TABLE IF NOT EXISTS {name} ({laid})")
            if local.execute("FROM lake_of").fetchall() != made:
                for name in _BOOKS:
                    local.execute(f"DELETE FROM {name}")
                _insert(local, "lake_of", made)

    def _lay_out(self, ours: Sequence[Any], wanted: _Wanted) -> None:
        with self.turn(WRITE), self._transaction() as lake:
            for name, columns in _OWN.items():
                laid = ", ".join(f"{column} {kind}" for column, kind in columns.items())
                lake.execute(f"CREATE TABLE IF NOT EXISTS lake.{name} ({laid})")
            self._refuse_strangers(lake, ours)
            have = _columns_of(lake)
            for group in GROUPS:
                if any(_retyped(have, table, wanted[table][0]) for table in group.tables):
                    # As a database whose column has another type: laid out anew, filled again.
                    for table in group.tables:
                        if have.pop(table, None):
                            lake.execute(f"DROP TABLE lake.{quoted(table)}")
                    lake.execute("DELETE FROM lake.parts WHERE name = ?", [group.name])
                    lake.execute("UPDATE lake.slices SET version = version + 1")
            for name, (columns, prefix) in wanted.items():
                if name not in have:
                    laid = ", ".join(f"{quoted(column)} {kind}"
                                     for column, kind in {**prefix, **columns}.items())
                    lake.execute(f"CREATE TABLE lake.{quoted(name)} ({laid})")
                    continue
                for column, kind in columns.items():
                    if column not in have[name]:
                        lake.execute(
                            f"ALTER TABLE lake.{quoted(name)} ADD COLUMN {quoted(column)} {kind}")
            known = {row[0] for row in lake.execute("SELECT number FROM lake.layout").fetchall()}
            for number, name, sha256 in ours:
                if number not in known:
                    lake.execute("INSERT INTO lake.layout VALUES (?, ?, ?)",
                                 [number, name, sha256])
            if not lake.execute("SELECT 1 FROM lake.network").fetchall():
                lake.execute("INSERT INTO lake.network VALUES (?, uuid()::VARCHAR)",
                             [self.network_id])
        with self._transaction() as lake:
            for name in ("slices", "parts"):
                # A few rows at a time: they stay in the catalogue, and make no files.
                lake.execute(
                    "CALL lake.set_option('data_inlining_row_limit', 1000, table_name => ?)",
                    [name])

    def _laid_out(self, ours: Sequence[Any], wanted: _Wanted) -> bool:
        with self._transaction() as lake:
            have = _columns_of(lake)
            if not set(_OWN) <= set(have):
                return False
            self._refuse_strangers(lake, ours)
            known = set(lake.execute("SELECT number, name, sha256 FROM lake.layout").fetchall())
            return set(ours) <= known and all(
                columns.items() <= have.get(name, {}).items()
                for name, (columns, _) in wanted.items())

    def _refuse_strangers(self, lake: duckdb.DuckDBPyConnection, ours: Sequence[Any]) -> None:
        where = self._shown(self._conninfo)
        for (id_,) in lake.execute("SELECT id FROM lake.network").fetchall():
            if id_ != self.network_id:
                raise LakeMoved(
                    f'This lake is the network "{id_}"\'s.',
                    "Give every network a database of its own: change lake in [warehouse].", where)
        known = {number: sha256 for number, _, sha256 in ours}
        for number, name, sha256 in sorted(
                lake.execute("SELECT number, name, sha256 FROM lake.layout").fetchall()):
            if known.get(number) != sha256:
                raise WarehouseNewer(
                    f"The lake was laid out by a later Tallyweir (step {number:04d} {name} "
                    "is not one this program has).",
                    "Install the same version on every machine of the network.", where)

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
            _hand_on_record(lake, "lake.", local, "")
            versions = dict(lake.execute("SELECT slice, version FROM lake.slices").fetchall())
            if slices is not None:
                versions = {name: versions[name] for name in slices if name in versions}
            held = _held(local)
            moved = 0
            for group in GROUPS:
                if groups is not None and group.name not in groups:
                    continue
                stale = sorted(name for name, version in versions.items()
                               if held.get((name, group.name)) != version)
                if stale:
                    moved += _take(lake, local, group, stale)
                    _note_held(local, group, stale, versions)
        return moved

    def check_in(self, warehouse: Warehouse, slices: Collection[str]) -> list[str]:
        """Put ``slices`` into the lake as they are in ``warehouse``, in one transaction.

        Returns those that had changed. Raises :class:`LakeMoved` when one has been checked in
        by somebody else since it was checked out here; nothing is changed then.
        """
        names = sorted(set(slices))
        with warehouse.transaction() as local:
            changes = {group.name: _changed(local, group, names) for group in GROUPS}
            touched = sorted({name for change in changes.values()
                              for name, *_ in change})
            with self.turn(WRITE), self._transaction() as lake:
                now = dict(lake.execute("SELECT slice, version FROM lake.slices").fetchall())
                held = _held(local)
                for name in touched:
                    bases = {held.get((name, group.name), 0) for group in GROUPS}
                    if bases != {now.get(name, 0)}:
                        raise _moved(f"the site {name}" if name else "what is the network's own")
                _hand_on_record(local, "", lake, "lake.")
                for group in GROUPS:
                    _give(lake, local, group, changes[group.name])
                if touched:
                    _fill(lake, "changed", [(name, now.get(name, 0) + 1) for name in touched],
                          {"slice": "VARCHAR", "version": "BIGINT"})
                    lake.execute(
                        "DELETE FROM lake.slices WHERE slice IN (SELECT slice FROM changed)")
                    lake.execute("INSERT INTO lake.slices FROM changed")
            for group in GROUPS:
                _note_parts(local, group, changes[group.name])
                _note_held(local, group, touched,
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


def extension_file(name: str) -> Path:
    """Where the engine's extension ``name`` lies. Raises :class:`LakeNotInstalled`."""
    package = _library(f"duckdb_extension_{name}")
    folder = Path(str(package.__file__)).parent / "extensions" / f"v{duckdb.__version__}"
    place = folder / f"{name}.duckdb_extension"
    if not place.is_file():
        raise LakeNotInstalled(
            f"The engine's extension {name} is not there for its version {duckdb.__version__}.",
            "Install the engine and its extensions together: `uv sync --extra lake`.", str(folder))
    return place


def _library(name: str) -> Any:
    import importlib

    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise LakeNotInstalled(
            f"network.toml names a lake, and {name} is not installed.",
            "Install the extra: `uv sync --extra lake`, or pip install 'tallyweir[lake]'.",
        ) from error


_OWN: dict[str, dict[str, str]] = {
    "network": {"id": "VARCHAR", "made": "VARCHAR"},
    "layout": {"number": "INTEGER", "name": "VARCHAR", "sha256": "VARCHAR"},
    "slices": {"slice": "VARCHAR", "version": "BIGINT"},
    "parts": {"slice": "VARCHAR", "name": "VARCHAR", "part": "VARCHAR", "digest": "VARCHAR"},
}
"""Tables of the lake's own books. ``parts.name`` is the group's."""

_BOOKS = {
    "lake_of": {"made": "VARCHAR"},
    "lake_held": {"slice": "VARCHAR", "name": "VARCHAR", "version": "BIGINT"},
    "lake_parts": _OWN["parts"],
}
"""The local database's books: of which lake it is a copy, and as of which version of each slice's
group, with the digests that the parts had then. What differs from them was done here since."""

_PREFIX = {"lake_slice": "VARCHAR", "lake_part": "VARCHAR", "lake_place": "BIGINT"}
"""What a row carries in the lake beside its own: its slice, its part, its place in the order."""


def _moved(what: str) -> LakeMoved:
    return LakeMoved(
        f"The lake has moved on meanwhile ({what}).",
        "Run it again: it begins with what is there now. Nothing was changed.")


def books() -> frozenset[str]:
    """Names of the tables that a copy of the lake has beside a warehouse's."""
    return frozenset(_BOOKS)


_Wanted = dict[str, tuple[dict[str, str], dict[str, str]]]
"""Table -> its columns here, and those that the lake puts before them."""


def _wanted(warehouse: Warehouse) -> _Wanted:
    local = warehouse.connection
    shared = {table: dict(_PREFIX) for group in GROUPS for table in group.tables}
    shared |= {table: {} for table in RECORDED}
    return {table: (_columns(local, table), prefix) for table, prefix in shared.items()}


def _columns(connection: duckdb.DuckDBPyConnection, table: str) -> dict[str, str]:
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


def _held(local: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], int]:
    return {(name, group): version for name, group, version in
            local.execute("FROM lake_held").fetchall()}


def _note_held(
    local: duckdb.DuckDBPyConnection, group: Group, names: Sequence[str], versions: dict[str, int]
) -> None:
    local.execute("DELETE FROM lake_held WHERE name = ? AND list_contains(?, slice)",
                  [group.name, list(names)])
    _insert(local, "lake_held", [(name, group.name, versions[name]) for name in names])


def _insert(
    connection: duckdb.DuckDBPyConnection, table: str, rows: Sequence[tuple[Any, ...]]
) -> None:
    """Insert many short rows at once: a statement a row costs the engine more than all."""
    if rows:
        import pyarrow as pa

        columns = list(zip(*rows, strict=True))
        connection.register("lake_arriving", pa.table(
            {f"c{number}": list(column) for number, column in enumerate(columns)}))
        try:
            connection.execute(f"INSERT INTO {table} FROM lake_arriving")
        finally:
            connection.unregister("lake_arriving")


def _fill(
    connection: duckdb.DuckDBPyConnection, name: str, rows: Sequence[tuple[Any, ...]],
    columns: dict[str, str],
) -> None:
    laid = ", ".join(f"{column} {kind}" for column, kind in columns.items())
    connection.execute(f"CREATE OR REPLACE TEMP TABLE {name} ({laid})")
    _insert(connection, name, rows)


# -- parts ---------------------------------------------------------------------------------

def _digests(group: Group) -> str:
    """SQL: a digest of every part of the slices in ``$only``."""
    rows = []
    for table, cut in group.telling().items():
        if cut.ordered:
            # A row has another digest in another place.
            place = f", row_number() OVER (PARTITION BY {cut.site}, {cut.part} ORDER BY t.rowid)"
        else:
            place = ""
        rows.append(
            f"SELECT {cut.site} AS slice, coalesce({cut.part}, '') AS part, "
            f"hash({sql_text(table)}, t{place}) AS h FROM {table} AS t {cut.also} "
            f"WHERE list_contains($only::VARCHAR[], {cut.site})")
    return (f"SELECT slice, {sql_text(group.name)} AS name, part, "
            "count(*) || '-' || sum(h::HUGEINT) AS digest "
            f"FROM ({' UNION ALL '.join(rows)}) GROUP BY ALL")


_Change = tuple[str, str, str | None, bool]
"""Slice, part, its digest now (None where it is gone), and whether there was one before."""


def _changed(
    local: duckdb.DuckDBPyConnection, group: Group, names: Sequence[str]
) -> list[_Change]:
    """Parts of ``names`` that are not as they were checked out."""
    wanted = set(names)
    was = {key: digest for key, digest in _parts(local, "lake_parts", group, names).items()
           if key[0] in wanted}
    return _differing(was, _now(local, group, names))


def _now(
    local: duckdb.DuckDBPyConnection, group: Group, names: Sequence[str]
) -> dict[tuple[str, str], str]:
    """Slice and part -> digest, of what is here now."""
    return {(slice_, part): digest for slice_, _, part, digest in local.execute(
        _digests(group), {"only": list(names)}).fetchall()}


def _parts(
    connection: duckdb.DuckDBPyConnection, table: str, group: Group, names: Sequence[str]
) -> dict[tuple[str, str], str]:
    return {(slice_, part): digest for slice_, part, digest in connection.execute(
        f"SELECT slice, part, digest FROM {table} WHERE name = ? {_only('slice', names)}",
        [group.name]).fetchall()}


def _differing(
    was: dict[tuple[str, str], str], now: dict[tuple[str, str], str]
) -> list[_Change]:
    changed: list[_Change] = [(*key, digest, key in was) for key, digest in now.items()
                              if was.get(key) != digest]
    changed += [(*key, None, True) for key in was if key not in now]
    return sorted(changed, key=lambda change: change[:2])


def _only(column: str, names: Sequence[str]) -> str:
    """SQL: that ``column`` is one of ``names``, where these are few enough to be told."""
    if len(names) > _MANY:
        return ""
    return f"AND {column} IN ({', '.join(map(sql_text, names))})" if names else "AND false"


def _note_parts(
    connection: duckdb.DuckDBPyConnection, group: Group, changes: Sequence[_Change],
    table: str = "lake_parts",
) -> None:
    if not changes:
        return
    before = [(name, part) for name, part, _, had in changes if had]
    if before:
        names = sorted({name for name, _ in before})
        _fill(connection, "lake_changed", before, {"slice": "VARCHAR", "part": "VARCHAR"})
        connection.execute(
            f"DELETE FROM {table} WHERE name = ? {_only('slice', names)} "
            "AND (slice, part) IN (SELECT (slice, part) FROM lake_changed)", [group.name])
    _insert(connection, table, [(name, group.name, part, digest)
                                for name, part, digest, _ in changes if digest is not None])


def _take(
    lake: duckdb.DuckDBPyConnection, local: duckdb.DuckDBPyConnection, group: Group,
    names: Sequence[str],
) -> int:
    """Bring the group's parts of ``names`` that differ from the lake to here; how many."""
    wanted = set(names)
    theirs = {key: digest for key, digest in _parts(lake, "lake.parts", group, names).items()
              if key[0] in wanted}
    # What is here by now, and not only what was checked out: it all gives way.
    ours = _now(local, group, names)
    changes = _differing(ours, theirs)
    local.execute("DELETE FROM lake_parts WHERE name = ? AND list_contains(?, slice)",
                  [group.name, list(names)])
    _insert(local, "lake_parts", [(name, group.name, part, digest)
                                  for (name, part), digest in theirs.items()])
    if not changes:
        return 0
    pairs = {"slice": "VARCHAR", "part": "VARCHAR"}
    _fill(lake, "changed",
          [(name, part) for name, part, digest, _ in changes if digest is not None], pairs)
    _fill(local, "lake_moved",
          [(name, part, digest is None) for name, part, digest, _ in changes],
          pairs | {"gone": "BOOLEAN"})
    touched = sorted({name for name, *_ in changes})
    for table, cut in group.tables.items():
        columns = column_list(_columns(local, table))
        _drop_parts(local, table, cut)
        # Bytes that two sites sent are one set of rows.
        once = "" if cut.drops else (
            "QUALIFY dense_rank() OVER (PARTITION BY lake_part ORDER BY lake_slice) = 1")
        arriving = lake.execute(
            f"SELECT {columns} FROM lake.{quoted(table)} "
            "WHERE (lake_slice, lake_part) IN (SELECT (slice, part) FROM changed) "
            f"{_only('lake_slice', touched)} {once} "
            "ORDER BY lake_slice, lake_part, lake_place").to_arrow_reader()
        local.register("lake_arriving", arriving)
        try:
            local.execute(f"INSERT INTO {table} ({columns}) SELECT {columns} FROM lake_arriving")
        finally:
            local.unregister("lake_arriving")
    return len(changes)


def _drop_parts(local: duckdb.DuckDBPyConnection, table: str, cut: Cut) -> None:
    if cut.drops:
        local.execute(
            f"DELETE FROM {table} AS t WHERE ({cut.site}, coalesce({cut.part}, '')) "
            "IN (SELECT (slice, part) FROM lake_moved)")
    else:
        local.execute(
            f"DELETE FROM {table} AS t WHERE {cut.part} "
            "IN (SELECT part FROM lake_moved WHERE NOT gone)")


def _give(
    lake: duckdb.DuckDBPyConnection, local: duckdb.DuckDBPyConnection, group: Group,
    changes: Sequence[_Change],
) -> None:
    """Put the changed parts of the group into the lake, inside its transaction."""
    if not changes:
        return
    pairs = {"slice": "VARCHAR", "part": "VARCHAR"}
    before = [(name, part) for name, part, _, had in changes if had]
    _fill(lake, "changed", before, pairs)
    _fill(local, "lake_moved",
          [(name, part) for name, part, digest, _ in changes if digest is not None], pairs)
    names = sorted({name for name, _ in before})
    for table, cut in group.tables.items():
        if before:
            lake.execute(
                f"DELETE FROM lake.{quoted(table)} "
                "WHERE (lake_slice, lake_part) IN (SELECT (slice, part) FROM changed) "
                f"{_only('lake_slice', names)}")
        columns = _columns(local, table)
        leaving = local.execute(
            f"SELECT {cut.site} AS lake_slice, coalesce({cut.part}, '') AS lake_part, "
            f"t.rowid AS lake_place, {column_list(columns, 't.')} FROM {table} AS t {cut.also} "
            f"WHERE ({cut.site}, coalesce({cut.part}, '')) "
            "IN (SELECT (slice, part) FROM lake_moved) ORDER BY 1, 2, 3").to_arrow_table()
        if leaving.num_rows:
            every = column_list([*_PREFIX, *columns])
            lake.register("leaving", leaving)
            try:
                lake.execute(f"INSERT INTO lake.{quoted(table)} ({every}) "
                             f"SELECT {every} FROM leaving")
            finally:
                lake.unregister("leaving")
    _note_parts(lake, group, changes, "lake.parts")


def _hand_on_record(
    source: duckdb.DuckDBPyConnection, of: str, target: duckdb.DuckDBPyConnection, to: str
) -> None:
    """Give ``target`` the record's lines beyond the last that it has."""
    for table, number in RECORDED.items():
        found = target.execute(
            f"SELECT max({number}), count(*) FROM {to}{table}").fetchone()
        last, rows = found if found is not None else (None, 0)
        # Lines from before they had numbers come along once, at the very first.
        beyond = (f"{number} > {int(last)}" if last is not None
                  else "true" if not rows else f"{number} IS NOT NULL")
        columns = column_list(_columns_here(source, of, table))
        leaving = source.execute(f"SELECT {columns} FROM {of}{table} WHERE {beyond} "
                                 f"ORDER BY {number} NULLS FIRST").to_arrow_table()
        if leaving.num_rows:
            target.register("lake_leaving", leaving)
            try:
                target.execute(f"INSERT INTO {to}{table} ({columns}) "
                               f"SELECT {columns} FROM lake_leaving")
            finally:
                target.unregister("lake_leaving")


def _columns_here(connection: duckdb.DuckDBPyConnection, of: str, table: str) -> list[str]:
    if not of:
        return list(_columns(connection, table))
    return [row[0] for row in connection.execute(
        "SELECT column_name FROM duckdb_columns() WHERE database_name = 'lake' "
        "AND table_name = ? ORDER BY column_index", [table]).fetchall()]
