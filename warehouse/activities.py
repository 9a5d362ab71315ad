"""The ledger of what was done by itself, and the short account of it that readers may have.

The table is the record. ``warehouse/operations.json`` says the same of the latest of each
activity, so that ``status`` and ``health`` need not open a database that a run may hold.
"""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from warehouse import durable

if TYPE_CHECKING:
    from warehouse.store import Warehouse


@dataclass(frozen=True, slots=True)
class Done:
    """One thing done. Moments are naive UTC in ISO form; ``ended`` is empty while it goes on."""

    id: str
    activity: str
    due: str
    started: str
    ended: str
    outcome: str
    told: str
    """A sentence for a person."""


def operations_path(network_dir: Path) -> Path:
    """The readers' account."""
    return network_dir / "warehouse" / "operations.json"


def begin(
    warehouse: Warehouse, id_: str, activity: str, due: dt.datetime, now: dt.datetime
) -> None:
    """Note that ``activity`` begins. What had begun and never ended was cut off: it says so."""
    with warehouse.transaction() as connection:
        connection.execute(
            "UPDATE activities SET outcome = 'cut off', "
            "told = 'It was cut off (the machine or the program stopped).' "
            "WHERE outcome = 'going on'")
        connection.execute(
            "INSERT INTO activities VALUES (?, ?, ?, ?, NULL, 'going on', '')",
            [id_, activity, due, now])


def end(warehouse: Warehouse, id_: str, outcome: str, told: str, now: dt.datetime) -> None:
    """Note how it ended."""
    with warehouse.transaction() as connection:
        connection.execute(
            "UPDATE activities SET outcome = ?, told = ?, ended = ? WHERE id = ?",
            [outcome, told, now, id_])


def ledger(warehouse: Warehouse, most: int = 200) -> list[Done]:
    """The latest of what was done, newest first."""
    with warehouse.lock:
        rows = warehouse.connection.execute(
            "SELECT id, activity, due, started, ended, outcome, told FROM activities "
            "ORDER BY rowid DESC LIMIT ?", [most]).fetchall()
    return [Done(id_, activity, due.isoformat(), started.isoformat(),
                 ended.isoformat() if ended else "", outcome, told)
            for id_, activity, due, started, ended, outcome, told in rows]


def done_for(network_dir: Path, activity: str, due: dt.datetime) -> bool:
    """Whether ``activity`` has been done for the time it was due at (naive UTC)."""
    last = read_operations(network_dir).get(activity, {}).get("done")
    return last is not None and last.due == due.isoformat()


def read_operations(network_dir: Path) -> dict[str, dict[str, Done]]:
    """Activity -> ``last`` (how it last ended) and ``done`` (when it last went well)."""
    try:
        found = json.loads(operations_path(network_dir).read_text(encoding="utf-8"))
        return {activity: {name: Done(**value) for name, value in entry.items()}
                for activity, entry in found.items()}
    except (OSError, ValueError, TypeError, AttributeError):
        return {}


def tell(network_dir: Path, what: Done) -> None:
    """Put ``what`` into the readers' account."""
    known = read_operations(network_dir)
    entry = known.setdefault(what.activity, {})
    entry["last"] = what
    if what.outcome == "done":
        entry["done"] = what
    durable.write_text(operations_path(network_dir), json.dumps(
        {activity: {name: asdict(value) for name, value in values.items()}
         for activity, values in known.items()}, ensure_ascii=False, indent=1) + "\n")
