"""Where sheets came from: the state of each source, what came of it, what stood in the way."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from shared.problems import Trouble
from warehouse.store import Warehouse


@dataclass(frozen=True, slots=True)
class Arrival:
    """How one file came, or why nothing was taken (``note``). ``came`` is naive UTC."""

    site: str
    path: str
    sha256: str
    channel: str
    source: str
    ref: str
    came: dt.datetime
    note: str = ""


@dataclass(frozen=True, slots=True)
class SourceState:
    """What a source held when last asked: hash of its bytes, its own marks, when (UTC)."""

    sha256: str
    mark: Mapping[str, Any]
    checked: dt.datetime


def record_arrival(warehouse: Warehouse, arrival: Arrival) -> None:
    """Add to the record of what came."""
    with warehouse.transaction() as connection:
        connection.execute(
            "INSERT INTO arrivals VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [arrival.site, arrival.path, arrival.sha256, arrival.channel, arrival.source,
             arrival.ref, arrival.came, arrival.note])


def arrivals(warehouse: Warehouse) -> list[Arrival]:
    """Everything that came by itself, in order."""
    with warehouse.lock:
        rows = warehouse.connection.execute(
            "SELECT site, path, sha256, channel, source, ref, came, note FROM arrivals "
            "ORDER BY rowid").fetchall()
    return [Arrival(*row) for row in rows]


def mail_known(warehouse: Warehouse, message_id: str) -> bool:
    """Whether a mail with this message id has been dealt with."""
    with warehouse.lock:
        return warehouse.connection.execute(
            "SELECT 1 FROM arrivals WHERE channel = 'mail' AND ref = ? LIMIT 1",
            [message_id]).fetchone() is not None


def source_state(warehouse: Warehouse, site: str, source: str) -> SourceState | None:
    """What ``source`` held when it was last asked for ``site``, None before the first time."""
    with warehouse.lock:
        row = warehouse.connection.execute(
            "SELECT sha256, mark, checked FROM sources WHERE site = ? AND source = ?",
            [site, source]).fetchone()
    return None if row is None else SourceState(row[0], json.loads(row[1]), row[2])


def remember_source(warehouse: Warehouse, site: str, source: str, state: SourceState) -> None:
    """Put ``state`` in the place of what was known of the source."""
    with warehouse.transaction() as connection:
        connection.execute("DELETE FROM sources WHERE site = ? AND source = ?", [site, source])
        connection.execute("INSERT INTO sources VALUES (?, ?, ?, ?, ?)",
                           [site, source, state.sha256, json.dumps(dict(state.mark)),
                            state.checked])


def replace_troubles(warehouse: Warehouse, found: Iterable[tuple[str, Trouble]]) -> None:
    """Note what stood in the way in this round: (site or empty, trouble)."""
    with warehouse.transaction() as connection:
        connection.execute("DELETE FROM source_troubles")
        for site, trouble in found:
            connection.execute(
                "INSERT INTO source_troubles VALUES (?, ?, ?, ?, ?)",
                [site, trouble.code, trouble.what, trouble.remedy, trouble.where])


def source_troubles(warehouse: Warehouse, site: str) -> list[Trouble]:
    """What stood in the way of a site's sheets in the last round; empty: the network's."""
    with warehouse.lock:
        rows = warehouse.connection.execute(
            "SELECT code, what, remedy, where_ FROM source_troubles WHERE site = ? "
            "ORDER BY rowid", [site]).fetchall()
    return [Trouble(*row) for row in rows]
