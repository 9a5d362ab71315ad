"""One thing at a time: a turn that ends with its process, however that ends.

SQLite's file locks are the operating system's on every system, and those of a process that was
killed are gone at once.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from shared.problems import NetworkBusy
from warehouse.durable import make_folder
from warehouse.store import out_of_reach

RUN, SCHEDULE = "run", "schedule"


@contextlib.contextmanager
def turn(network_dir: Path, name: str, wait_seconds: float = 0.0) -> Iterator[None]:
    """Hold the turn ``name`` of the network, waiting for whoever has it.

    Raises :class:`NetworkBusy` when the wait is over, and
    :class:`~warehouse.store.WarehouseOutOfReach` where nothing can be written.
    """
    path = network_dir / "warehouse" / f"{name}.turn"
    make_folder(path.parent)
    with contextlib.ExitStack() as stack:
        try:
            lock = sqlite3.connect(path, timeout=wait_seconds, isolation_level=None)
            stack.callback(lock.close)
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.DatabaseError as error:
            if getattr(error, "sqlite_errorcode", None) != sqlite3.SQLITE_BUSY:
                raise out_of_reach(str(path)) from error
            raise NetworkBusy(
                "The schedules of this network are kept by another process already."
                if name == SCHEDULE else "Something else is being done for this network.",
                "Leave it to that one, or stop it first." if name == SCHEDULE
                else "Wait until it has ended and try again.", str(network_dir)) from error
        yield
