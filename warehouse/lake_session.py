"""How a lake is reached: one session with its catalogue for turns, one engine for its tables.

Nothing here knows what is in the lake.
"""

from __future__ import annotations

import contextlib
import hashlib
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import duckdb

from shared.columnar import sql_text
from shared.problems import NetworkBusy, Problem

if TYPE_CHECKING:
    import psycopg

WRITE, RECORD, LEAD = "write", "record", "lead"
"""Turns: checking in, appending to the record, leading a run."""

_PATIENCE_SECONDS = 600
_EXTENSIONS = ("postgres_scanner", "ducklake")


class LakeOutOfReach(Problem, ConnectionError):
    """The catalogue or its files cannot be reached, or the connection broke off."""

    code = "lake-out-of-reach"


class LakeMoved(Problem, RuntimeError):
    """A slice was checked in by somebody else since it was checked out."""

    code = "lake-moved"


class LakeNotInstalled(Problem, ImportError):
    """The libraries of the lake are an extra of their own, and are not there."""

    code = "lake-not-installed"


@dataclass(frozen=True, slots=True)
class Store:
    """How a store that speaks S3 is reached. ``host``: empty for Amazon's own."""

    key_id: str
    secret: str
    region: str = ""
    host: str = ""
    tls: bool = True

    def as_sql(self, scope: str) -> str:
        """SQL that tells the engine, for files under ``scope``."""
        said = {"KEY_ID": self.key_id, "SECRET": self.secret, "SCOPE": scope,
                "REGION": self.region, "ENDPOINT": self.host,
                "URL_STYLE": "path" if self.host else ""}
        told = "".join(f", {name} {sql_text(value)}" for name, value in said.items() if value)
        return f"CREATE SECRET lake_store (TYPE s3{told}, USE_SSL {str(self.tls).lower()})"


class LakeSession:
    """A connection to a network's lake. Use as a context manager, or call :meth:`close`.

    ``conninfo``: how PostgreSQL is reached, in the words of libpq and without a password.
    ``data``: where the Parquet files are; in ``store``, unless they are on a disk. Not for two
    threads at once, but for turns.
    """

    def __init__(
        self, network_id: str, conninfo: str, data: str, password: str = "",
        store: Store | None = None,
    ) -> None:
        self.network_id = network_id
        self._store = store
        self._conninfo, self._data, self._password = conninfo, data, password
        self._engine: duckdb.DuckDBPyConnection | None = None
        self._session: psycopg.Connection[Any] | None = None
        self._held: list[str] = []
        self._guard = threading.RLock()

    def __enter__(self) -> Self:
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

    def reach(self) -> None:
        """See that the catalogue lets us in; nothing is waited for that a run may hold.

        Raises :class:`LakeOutOfReach` where it does not.
        """
        with self._guard, self._told():
            self._connected().execute("SELECT 1")

    # -- turns -----------------------------------------------------------------------------

    @contextlib.contextmanager
    def turn(self, name: str, wait_seconds: float = _PATIENCE_SECONDS) -> Iterator[None]:
        """Hold the turn ``name``; it ends with the connection, however that ends.

        To take one shows that those held already are still held: all hang on one connection.
        Raises :class:`NetworkBusy` when the wait is over, :class:`LakeOutOfReach` when the
        connection is not there (any more).
        """
        psycopg = library("psycopg")
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
            psycopg = library("psycopg")
            self._session = psycopg.connect(
                self._whole_conninfo(), autocommit=True, connect_timeout=10,
                application_name="tallyweir",
                # Where the other side is gone without a word, both sides find out in a minute.
                keepalives=1, keepalives_idle=20, keepalives_interval=10, keepalives_count=4,
                options="-c tcp_keepalives_idle=20 -c tcp_keepalives_interval=10 "
                        "-c tcp_keepalives_count=4")
        return self._session

    def _whole_conninfo(self) -> str:
        make = library("psycopg.conninfo").make_conninfo
        return str(make(self._conninfo, **({"password": self._password} if self._password else {})))

    # -- the engine ------------------------------------------------------------------------

    def _open(self) -> duckdb.DuckDBPyConnection:
        """A database in memory, apart from the local one, with the lake attached to it."""
        if self._engine is None:
            engine = duckdb.connect(config={
                "autoinstall_known_extensions": False, "autoload_known_extensions": False})
            try:
                for name in (*_EXTENSIONS, *(("httpfs",) if self._store is not None else ())):
                    engine.execute(f"LOAD {sql_text(str(extension_file(name)))}")
                if self._store is not None:
                    engine.execute(self._store.as_sql(self._data))
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
                raise moved_on("another transaction came in between") from None
            raise self._out_of_reach(text) from None
        except Exception as error:
            psycopg = library("psycopg")
            if not isinstance(error, psycopg.Error):
                raise
            raise self._out_of_reach(" ".join(self._shown(str(error)).split()) or "gone") from None

    def _out_of_reach(self, why: str) -> LakeOutOfReach:
        return LakeOutOfReach(
            f"The lake's catalogue or files cannot be used ({why}).",
            "See that PostgreSQL runs and lets this account in and make tables, and that the "
            "folder of the Parquet files and this machine's disk can be written to and have room; "
            "then run it again. What arrived is kept in warehouse/received, and what was checked "
            "in is in the lake.",
            self._shown(self._conninfo))

    def _shown(self, text: str) -> str:
        for secret in (self._password, self._store.secret if self._store else ""):
            text = text.replace(secret, "[hidden]") if secret else text
        return text


def moved_on(what: str) -> LakeMoved:
    """The problem of whoever came second."""
    return LakeMoved(
        f"The lake has moved on meanwhile ({what}).",
        "Run it again: it begins with what is there now. Nothing was changed.")


def extension_file(name: str) -> Path:
    """Where the engine's extension ``name`` lies. Raises :class:`LakeNotInstalled`."""
    package = library(f"duckdb_extension_{name}")
    folder = Path(str(package.__file__)).parent / "extensions" / f"v{duckdb.__version__}"
    place = folder / f"{name}.duckdb_extension"
    if not place.is_file():
        raise LakeNotInstalled(
            f"The engine's extension {name} is not there for its version {duckdb.__version__}.",
            "Install the engine and its extensions together: `uv sync --extra lake`.", str(folder))
    return place


def library(name: str) -> Any:
    """The library of that name, of the extra. Raises :class:`LakeNotInstalled`."""
    import importlib

    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise LakeNotInstalled(
            f"network.toml names a lake, and {name} is not installed.",
            "Install the extra: `uv sync --extra lake`, or pip install 'tallyweir[lake]'.",
        ) from error
