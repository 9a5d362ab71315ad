"""Receiving: bytes are kept before anything is made of them, and never again altered.

The bytes go to ``warehouse/received/<first two of hash>/<hash>``; the record notes which
of them stood at which path of the inbox, in the order in which the changes were seen.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from shared.problems import Problem
from warehouse import durable, record
from warehouse.folder import received_path
from warehouse.store import Warehouse

_NAMED = 10
"""Damaged files named in one message."""


class ReceivedDamaged(Problem, RuntimeError):
    """Bytes kept as received are gone or no longer what they were."""

    code = "received-damaged"


@dataclass(frozen=True, slots=True)
class Receipt:
    """What came of receiving: ``new`` is False when the path held these bytes already."""

    sha256: str
    seq: int
    new: bool


@dataclass(frozen=True, slots=True)
class ReceivedFile:
    """One file (by content) of a site, and where it stands in the inbox now."""

    sha256: str
    path: str
    """Where it stands, or stood last; relative to the inbox."""
    seq: int
    """Its latest receipt: orders the site's files."""
    received: dt.date
    stands: bool
    """Whether some path of the inbox holds it now."""


def receive(
    warehouse: Warehouse, site_id: str, path_in_inbox: str, content: bytes, as_of: dt.date
) -> Receipt:
    """Keep ``content`` and note that it stands at ``path_in_inbox`` of ``site_id``.

    ``path_in_inbox`` is relative to the inbox, with forward slashes. Receiving what the
    path held already changes nothing. The bytes are on the disk before the record names
    them, so a stop in between costs nothing: the next run receives them again.
    """
    sha256 = hashlib.sha256(content).hexdigest()
    place = received_path(warehouse.network_dir, sha256)
    if not _holds(place, sha256):
        durable.write_bytes(place, content)
    with warehouse.transaction() as connection:
        last = connection.execute(
            "SELECT seq, sha256 FROM receipts WHERE site = ? AND path = ? "
            "ORDER BY seq DESC LIMIT 1",
            [site_id, path_in_inbox],
        ).fetchone()
        if last is not None and last[1] == sha256:
            return Receipt(sha256, int(last[0]), new=False)
        (line,) = record.append(warehouse, "receipt", [{
            "site": site_id, "path": path_in_inbox, "sha256": sha256, "received": as_of}])
        seq = int(line["seq"])
        connection.execute(
            "INSERT INTO files SELECT $sha, NULL, $size, $seq "
            "WHERE NOT EXISTS (FROM files WHERE sha256 = $sha)",
            {"sha": sha256, "size": len(content), "seq": seq},
        )
    return Receipt(sha256, seq, new=True)


def file_bytes(network_dir: Path, sha256: str) -> bytes:
    """The bytes received under ``sha256``, verified.

    Raises :class:`ReceivedDamaged` when they are gone or differ from their hash.
    """
    place = received_path(network_dir, sha256)
    try:
        content = place.read_bytes()
    except OSError as error:
        raise ReceivedDamaged(
            "A file kept as received cannot be read.",
            "Put warehouse/received back from a backup, or have the site send the sheet again.",
            str(place),
        ) from error
    if hashlib.sha256(content).hexdigest() != sha256:
        raise ReceivedDamaged(
            "A file kept as received has been altered since: its content no longer matches "
            "its name.",
            "Put it back from a backup, or delete it and have the site send the sheet again.",
            str(place),
        )
    return content


def verify_received(network_dir: Path) -> None:
    """Hold every file that the record names against its hash.

    Raises :class:`ReceivedDamaged` that names each one lost or altered, as it was sent.
    """
    sent = {str(line["sha256"]): line for line in record.read(network_dir)["receipt"]}
    bad = [line for sha256, line in sent.items()
           if not _holds(received_path(network_dir, sha256), sha256)]
    if not bad:
        return
    named = [f'{line["path"]} of {line["received"]} ({str(line["sha256"])[:12]}...)'
             for line in bad[:_NAMED]]
    more = f" and {len(bad) - _NAMED} more" if len(bad) > _NAMED else ""
    raise ReceivedDamaged(
        f"{len(bad)} of {len(sent)} files kept as received {'is' if len(bad) == 1 else 'are'} "
        f"gone or altered: {', '.join(named)}{more}.",
        "Put them back from a backup (they stand in it under the same names), or put the same "
        "sheet into the site's inbox again and run.",
        str(received_path(network_dir, str(bad[0]["sha256"]))))


def received_files(warehouse: Warehouse, site_id: str) -> list[ReceivedFile]:
    """Every file that ``site_id`` has sent, by content, in order of its latest receipt."""
    with warehouse.lock:
        rows = warehouse.connection.execute(
            """
            WITH mine AS (FROM receipts WHERE site = $site),
            at_path AS (SELECT path, max(seq) AS seq FROM mine GROUP BY path)
            SELECT sha256,
                   max_by(path, (mine.seq IN (SELECT seq FROM at_path), mine.seq)) AS path,
                   max(mine.seq) AS seq,
                   max(received) AS received,
                   bool_or(mine.seq IN (SELECT seq FROM at_path)) AS stands
            FROM mine GROUP BY sha256 ORDER BY seq
            """,
            {"site": site_id},
        ).fetchall()
    return [ReceivedFile(*row) for row in rows]


@dataclass(frozen=True, slots=True)
class Copy:
    """One site's copy of bytes that other sites have sent too."""

    sha256: str
    site: str
    name: str
    """What the file was called last."""
    goes_on: bool
    """Whether the site had sent a file of that name before, with other bytes."""


def copies(warehouse: Warehouse) -> list[list[Copy]]:
    """Each content that more than one site has sent, as what each of them sent."""
    with warehouse.lock:
        rows = warehouse.connection.execute(
            """
            WITH shared AS (SELECT sha256 FROM receipts GROUP BY sha256
                            HAVING count(DISTINCT site) > 1),
            sent AS (SELECT site, sha256, seq, parse_filename(path, false, 'forward_slash') AS name
                     FROM receipts
                     WHERE site IN (SELECT site FROM receipts SEMI JOIN shared USING (sha256))),
            theirs AS (SELECT *, first(sha256) OVER (PARTITION BY site, name ORDER BY seq)
                              <> sha256 AS goes_on FROM sent)
            SELECT sha256, site, max_by(name, seq), bool_or(goes_on)
            FROM theirs SEMI JOIN shared USING (sha256)
            GROUP BY sha256, site ORDER BY sha256, site
            """).fetchall()
    found = [Copy(*row) for row in rows]
    return [list(of_one) for _, of_one in groupby(found, key=lambda copy: copy.sha256)]


def _holds(place: Path, sha256: str) -> bool:
    """Whether ``place`` holds the bytes it is named after (a damaged copy is replaced)."""
    try:
        return hashlib.sha256(place.read_bytes()).hexdigest() == sha256
    except OSError:
        return False
