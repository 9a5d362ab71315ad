"""The warehouse of a network: one DuckDB file that one program writes at a time."""

from __future__ import annotations

import contextlib
import os
import threading
import weakref
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType

import duckdb

from shared.problems import NetworkBusy, Problem
from warehouse import durable
from warehouse.folder import database_path, received_folder, releases_folder
from warehouse.migrate import WarehouseNewer, migrate


class WarehouseDamaged(Problem, RuntimeError):
    """The database file is there and cannot be used."""

    code = "warehouse-damaged"


class WarehouseOutOfReach(Problem, PermissionError):
    """The folder or its disk does not let this program write."""

    code = "warehouse-out-of-reach"


_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    # A run must not depend on, or reach for, anything outside the folder.
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}

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
        self._depth = 0
        self._closed = False
        self._key = ""

    @classmethod
    def open(cls, network_dir: Path, place: Path | None = None) -> Warehouse:
        """Open the warehouse of ``network_dir``, making or migrating it as needed.

        ``place``: the database file, where it is not the network's own (a rebuilt one).
        Sweeps what a stopped run left half written. Raises :class:`NetworkBusy` when a
        run holds it, :class:`WarehouseOutOfReach` when the folder may not be written to,
        :class:`WarehouseDamaged` when the file cannot be used, and
        :class:`warehouse.migrate.WarehouseNewer` when a later program wrote it.
        """
        path = database_path(network_dir) if place is None else place
        key = str(path.resolve())
        with _open_guard:
            # DuckDB would hand a second opener in this process the same database, and two
            # runs would then meet in each other's transactions.
            if key in _open_here:
                raise _busy(path)
            path.parent.mkdir(parents=True, exist_ok=True)
            if not path.exists():
                _lay_out(path)
            connection = _connect(path)
            try:
                migrate(connection, str(path))
            except Problem:
                connection.close()
                raise
            except duckdb.Error as error:
                connection.close()
                raise _damaged(path, error) from error
            opened = cls(network_dir, connection)
            opened._key = key
            _open_here[key] = opened
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
        self.close()

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
            raise WarehouseOutOfReach(
                "The warehouse cannot be written to from here.",
                "Give this account the right to write in the network's folder, or see whether "
                "its disk is full or mounted read-only; nothing was changed.",
                str(path),
            ) from error
        raise _damaged(path, error) from error


_NO_RIGHTS = (
    "permission denied", "read-only file system", "access is denied", "no space left",
    "not permitted",
)


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
        migrate(connection, str(path))
        connection.execute("CHECKPOINT")
    finally:
        connection.close()
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


def _damaged(path: Path, error: duckdb.Error) -> WarehouseDamaged:
    first = str(error).strip().splitlines()[0]
    return WarehouseDamaged(
        f"The warehouse's database cannot be used ({first}).",
        "Every sheet ever received is kept beside it in warehouse/received and the releases "
        f"stand unharmed. Put back {path.name} from a backup, or move it aside and run again: "
        "the sheets in the inbox are then read anew.",
        str(path),
    )
