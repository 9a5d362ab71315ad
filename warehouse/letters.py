"""The outbox: every letter that is to go, once, and what became of it.

A letter is *queued*; just before its text is handed to the mail server it is *sending*; when
the server has taken it, it is *sent*. A stop in between leaves it *sending*, and whoever finds
it so looks its message id up before doing anything. What a server will not take is *refused*,
what comes back later is *bounced*. From *sending* on, each state also stands in the record, so
that a database made again from it sends nothing twice.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, fields
from pathlib import Path

from shared.identity import short_digest
from warehouse import durable, record
from warehouse.store import Warehouse


@dataclass(frozen=True, slots=True)
class Letter:
    """One letter to one person. ``period`` is what it is sent once for (a week, a day).

    Moments are naive UTC.
    """

    id: str
    kind: str
    site: str
    """Empty: for the coordinator."""
    address: str
    period: str
    subject: str
    message_id: str
    state: str
    attempts: int
    queued: dt.datetime
    next_try: dt.datetime
    changed: dt.datetime
    answer: str


_COLUMNS = ", ".join(entry.name for entry in fields(Letter))


def letter_id(kind: str, site: str, address: str, period: str) -> str:
    """The same for the same letter, whenever it is made."""
    return short_digest("letter", kind, site, address, period)


def letter_path(network_dir: Path, id_: str) -> Path:
    """Where the letter's bytes are kept, ready to send."""
    return network_dir / "warehouse" / "letters" / f"{id_}.eml"


def queue(
    warehouse: Warehouse, kind: str, site: str, address: str, period: str, subject: str,
    message_id: str, content: bytes, now: dt.datetime,
) -> bool:
    """Put a letter in the outbox, or newer words in the place of one that has not gone yet.

    Returns False, and changes nothing, when it is on its way or has gone already.
    """
    id_ = letter_id(kind, site, address, period)
    with warehouse.transaction() as connection:
        found = connection.execute("SELECT state FROM letters WHERE id = ?", [id_]).fetchone()
        if found is not None and found[0] != "queued":
            return False
        # A database made again knows the letter from the record alone.
        went = None if found is not None else connection.execute(
            "SELECT state, since FROM letter_states WHERE letter = ? ORDER BY seq DESC LIMIT 1",
            [id_]).fetchone()
        if went is not None and went[0] not in ("queued", "sending"):
            return False
        # The bytes stand before the line that promises them.
        durable.write_bytes(letter_path(warehouse.network_dir, id_), content)
        if found is None:
            state, changed = went if went is not None else ("queued", now)
            connection.execute(
                f"INSERT INTO letters ({_COLUMNS}) VALUES "
                "($1, $2, $3, $4, $5, $6, $7, $9, 0, $8, $8, $10, '')",
                [id_, kind, site, address, period, subject, message_id, now, state, changed])
        else:
            connection.execute("UPDATE letters SET subject = ? WHERE id = ?", [subject, id_])
    return True


def letters(warehouse: Warehouse, state: str | None = None) -> list[Letter]:
    """Letters in order of queueing, all or those in ``state``."""
    with warehouse.lock:
        rows = warehouse.connection.execute(
            f"SELECT {_COLUMNS} FROM letters WHERE $1 IS NULL OR state = $1 ORDER BY rowid",
            [state]).fetchall()
    return [Letter(*row) for row in rows]


def settle(
    warehouse: Warehouse, id_: str, state: str, now: dt.datetime, answer: str,
    next_try: dt.datetime | None = None,
) -> None:
    """Note what became of a letter. Going to *sending* or being put off counts an attempt."""
    with warehouse.transaction() as connection:
        record.append(warehouse, "letter", [{"letter": id_, "state": state, "since": now}])
        connection.execute(
            "UPDATE letters SET state = ?, changed = ?, answer = ?, "
            "next_try = coalesce(?, next_try), attempts = attempts + ? WHERE id = ?",
            [state, now, answer, next_try, int(state == "sending" or next_try is not None), id_])


def note_bounce(warehouse: Warehouse, message_id: str, answer: str, now: dt.datetime) -> bool:
    """Mark the letter with ``message_id`` as come back. False when it is none of ours."""
    with warehouse.transaction() as connection:
        found = connection.execute(
            "UPDATE letters SET state = 'bounced', changed = ?, answer = ? "
            "WHERE message_id = ? AND state <> 'bounced' RETURNING id",
            [now, answer, message_id]).fetchall()
        record.append(warehouse, "letter", [
            {"letter": id_, "state": "bounced", "since": now} for (id_,) in found])
    return bool(found)
