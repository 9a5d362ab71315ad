"""The warehouse of a network: one DuckDB file that one program writes at a time."""

from __future__ import annotations

import contextlib
import os
import threading
import weakref
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from types import TracebackType

import duckdb

from shared.problems import NetworkBusy, Problem
from warehouse import durable
from warehouse.folder import database_path, received_folder, releases_folder
from warehouse.migrate import WarehouseNewer, migrate
from warehouse.tables import quoted


class WarehouseDamaged(Problem, RuntimeError):
    """The database file is there and cannot be used."""

    code = "warehouse-damaged"


class WarehouseOutOfReach(Problem, PermissionError):
    """The folder or its disk does not let this program write."""

    code = "warehouse-out-of-reach"


class DatabaseLost(Problem, ConnectionError):
    """The connection to the database broke off."""

    code = "database-lost"


def told(error: BaseException | None, where: str) -> Problem | None:
    """What an error of the engine means to a person; None when it is not about the machine."""
    if not isinstance(error, duckdb.Error):
        return None
    text = str(error).lower()
    if any(sign in text for sign in _DAMAGE):
        return _damaged(where, error)
    if any(sign in text for sign in _NO_RIGHTS):
        return out_of_reach(where)
    if any(sign in text for sign in _GONE):
        return DatabaseLost(
            "The connection to the warehouse's database broke off.",
            "Run it again: what was finished is kept, what was not is done anew.", where)
    return None


_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    # A run must not depend on, or reach for, anything outside the folder.
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}

_ROW_GROUP = 122_880
"""Rows of a table that the engine hands to a thread at once."""

_open_here: weakref.WeakValueDictionary[str, Warehouse] = weakref.WeakValueDictionary()
_open_guard = threading.Lock()


class Warehouse:
    """An open warehouse. Use as a context manager, or call :meth:`close`.

    ``connection`` is the only connection; hold ``lock`` (re-entrant) while using it from
    more than one thread. :meth:`transaction` does that by itself.
    """

    def __init__(self, network_dir: Path, connection: duckdb.DuckDBPyConnection) -> None:
        self.network_dir = network_dir
        self.connection = connection
        self.lock = threading.RLock()
        self.record_turn: Callable[[], AbstractContextManager[object]] = contextlib.nullcontext
        """Held from reading the record's end to writing after it; where several databases
        share one record, whoever opens them puts a turn of them all here."""
        self._depth = 0
        self._closed = False
        self._key = ""

    @classmethod
    def open(cls, network_dir: Path, place: Path | None = None) -> Warehouse:
        """Open the warehouse of ``network_dir``, making or migrating it as needed.

        ``place``: the database file, where it is not the network's own (a rebuilt one, a
        worker's). What the engine of a stopped run had put aside on the disk is swept, and of the
        network's own what it left half written.

        Raises :class:`NetworkBusy` when a run holds it, :class:`WarehouseOutOfReach` when the
        folder may not be written to, :class:`WarehouseDamaged` when the file cannot be used,
        and :class:`warehouse.migrate.WarehouseNewer` when a later program wrote it.
        """
        path = database_path(network_dir) if place is None else place
        key = str(path.resolve())
        with _open_guard:
            # DuckDB would hand a second opener in this process the same database, and two
            # runs would then meet in each other's transactions.
            if key in _open_here:
                raise _busy(path)
            durable.make_folder(path.parent)
            if not path.exists():
                _lay_out(path)
            connection = _connect(path)
            # The engine clears what it had put aside only where it next puts something aside.
            durable.sweep(path.parent, f"{path.name}.tmp")
            try:
                migrate(connection, str(path))
            except Problem:
                connection.close()
                raise
            except duckdb.Error as error:
                connection.close()
                raise told(error, str(path)) or _damaged(str(path), error) from error
            opened = cls(network_dir, connection)
            opened.fit_threads()
            opened._key = key
            _open_here[key] = opened
        if place is None:
            _sweep(network_dir)
        return opened

    def close(self) -> None:
        """Close the database and give up the lock on it. Closing twice is harmless."""
        with _open_guard, self.lock:
            if not self._closed:
                self._closed = True
                self.connection.close()
                _open_here.pop(self._key, None)

    def __enter__(self) -> Warehouse:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            self.close()
        finally:
            problem = told(error, str(database_path(self.network_dir)))
            if problem is not None:
                raise problem from error

    def fit_threads(self) -> None:
        """Have the engine work with one thread while every table is work for one, else with all.

        It splits work by row groups: of a network's usual tables only one thread has any, and
        waking the others costs a fifth of a run.
        """
        with self.lock:
            (most,) = self.connection.execute(
                "SELECT coalesce(max(estimated_size), 0) FROM duckdb_tables()").fetchone() or (0,)
            self.connection.execute(
                "SET threads = 1" if most < _ROW_GROUP else "RESET threads")

    @contextlib.contextmanager
    def transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """All that happens inside is kept together, or (on any exception) none of it.

        Holds :attr:`lock`. Inside another transaction of the same thread it joins that
        one: the outermost decides.
        """
        with self.lock:
            if self._depth:
                self._depth += 1
                try:
                    yield self.connection
                finally:
                    self._depth -= 1
                return
            self.connection.execute("BEGIN")
            self._depth = 1
            try:
                yield self.connection
                self.connection.execute("COMMIT")
            except BaseException:
                # A failed commit has rolled back already; saying so again is an error.
                with contextlib.suppress(duckdb.Error):
                    self.connection.execute("ROLLBACK")
                raise
            finally:
                self._depth = 0


def read_through(connection: duckdb.DuckDBPyConnection) -> None:
    """Read every block of every table; the engine raises where one is not what was written."""
    for (table,) in connection.execute(
            "SELECT table_name FROM duckdb_tables() WHERE NOT temporary").fetchall():
        connection.execute(f"SELECT bit_xor(hash(COLUMNS(*))) FROM {quoted(table)}").fetchall()


def _connect(path: Path) -> duckdb.DuckDBPyConnection:
    try:
        return duckdb.connect(str(path), config=_CONFIG)
    except duckdb.Error as error:
        text = str(error).lower()
        if "lock on file" in text or "being used by another process" in text:
            raise _busy(path) from error
        if "newer version" in text or "storage version" in text:
            raise WarehouseNewer(
                "The warehouse was written by a later database engine.",
                "Install the version that last wrote to this folder, or a newer one.",
                str(path),
            ) from error
        if any(sign in text for sign in _NO_RIGHTS):
            raise out_of_reach(str(path)) from error
        raise _damaged(str(path), error) from error


_NO_RIGHTS = (
    "permission denied", "read-only file system", "access is denied", "no space left",
    "not permitted", "file too large", "disk quota", "input/output error", "not enough space",
)
_DAMAGE = ("corrupt", "checksum", "could not read enough bytes")
_GONE = ("connection already closed", "connection error", "has been invalidated")


def _lay_out(path: Path) -> None:
    """Make a new database beside its place and move it in whole.

    A file that a stopped start left half made would otherwise look damaged for ever.
    """
    part = path.with_name(f"{durable.PART}{path.name}")
    if part.exists():
        # Whoever makes one right now holds its lock; what nobody holds is a leftover.
        try:
            duckdb.connect(str(part), config=_CONFIG).close()
        except duckdb.Error as error:
            if "lock" in str(error).lower() or "another process" in str(error).lower():
                raise _busy(path) from error
        with contextlib.suppress(OSError):
            part.unlink()
    connection = _connect(part)
    try:
        # Holding the new one's lock: did somebody else put theirs in since we looked?
        stands = path.exists()
        if not stands:
            # A log whose database is gone would be played back over the new one.
            path.with_name(path.name + ".wal").unlink(missing_ok=True)
            migrate(connection, str(path))
            connection.execute("CHECKPOINT")
    except duckdb.Error as error:
        raise told(error, str(path)) or error from error
    finally:
        connection.close()
    if stands:
        durable.sweep(path.parent, f"{part.name}*")
        return
    with contextlib.suppress(OSError):
        part.with_name(part.name + ".wal").unlink()
    try:
        os.replace(part, path)
    except OSError as error:
        if not path.exists():
            raise _busy(path) from error


def _sweep(network_dir: Path) -> None:
    durable.sweep(network_dir / "warehouse")
    durable.sweep(received_folder(network_dir), f"*/{durable.PART}*")
    durable.sweep(releases_folder(network_dir))
    durable.sweep(releases_folder(network_dir), ".building-*")


def _busy(path: Path) -> NetworkBusy:
    return NetworkBusy(
        "Another run is writing to this network's warehouse.",
        "Wait until it has ended and try again; `tallyweir status` works meanwhile.",
        str(path),
    )


def out_of_reach(where: str) -> WarehouseOutOfReach:
    """The problem of a disk that does not take what is written."""
    return WarehouseOutOfReach(
        "The warehouse cannot be written to.",
        "Give this account the right to write in the network's folder, or see whether its disk "
        "is full, mounted read-only or failing; then run it again. What was finished is kept.",
        where,
    )


def _damaged(where: str, error: duckdb.Error) -> WarehouseDamaged:
    first = str(error).strip().splitlines()[0]
    return WarehouseDamaged(
        f"The warehouse's database cannot be used ({first}).",
        "Nothing that arrived or was decided is lost: it is kept beside it, in "
        "warehouse/received and warehouse/record.jsonl, and the releases stand unharmed. "
        "`tallyweir rebuild DIR --swap` makes the database again from them.",
        where,
    )
