"""The record: what came, was asked, decided, told and sent, kept outside the database.

``warehouse/record.jsonl`` is appended to and never altered. With the bytes in
``warehouse/received`` it is all that the database cannot make again by itself: a database
that is lost, or doubted, is rebuilt from the two (``tallyweir rebuild``).

A line is on the disk before the database has it. A run stopped between the two leaves the
line, and :func:`catch_up` (or the next :func:`append`) gives it to the database. A record
that has lost its end (put back from a backup, or gone) gets it again from the database.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import threading
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from shared.problems import Problem
from warehouse.durable import make_folder, naming
from warehouse.folder import received_path, record_path
from warehouse.store import Warehouse
from warehouse.tables import column_list

TABLES: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "receipt": ("receipts", ("seq", "site", "path", "sha256", "received")),
    "decision": ("decisions", (
        "seq", "id", "site", "event_id", "taxon", "life_stage", "field", "action", "old", "new",
        "becomes", "copy", "reason", "who", "channel", "decided", "rule", "rule_version")),
    "answer": ("answers", ("seq", "site", "key", "source", "sha256", "ask", "says", "note", "who",
                           "outcome", "why", "answered")),
    "asked": ("asked", ("seq", "site", "finding", "ask", "event_id", "field", "taxon",
                        "life_stage", "rule", "old", "first_asked")),
    "departure": ("departures", ("seq", "site", "event_id", "file_sha256", "why", "noted")),
    "letter": ("letter_states", ("seq", "letter", "state", "since")),
    "told": ("serious_told", ("seq", "key", "period")),
    "return": ("returns", ("seq", "site", "digest", "as_of", "path")),
}
"""Kind of line -> the database's table and the columns that a line fills. ``seq`` counts from 1
within a kind."""


class RecordDamaged(Problem, RuntimeError):
    """A line in the middle of the record cannot be read."""

    code = "record-damaged"


def append(
    warehouse: Warehouse, kind: str, rows: Sequence[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """Append ``rows`` (without ``seq``) to the record, then to the database; the rows with it.

    Dates may be dates. Joins the caller's transaction: if that is undone, the lines stay,
    and the database gets them with the next append or :func:`catch_up`.
    """
    return append_together(warehouse, {kind: rows})[kind]


def append_together(
    warehouse: Warehouse, rows: Mapping[str, Sequence[Mapping[str, Any]]]
) -> dict[str, list[dict[str, Any]]]:
    """As :func:`append`, for rows of several kinds: no stop comes between their lines."""
    numbered: dict[str, list[dict[str, Any]]] = {}
    with warehouse.transaction() as connection, warehouse.record_turn():
        for kind, new in rows.items():
            lines = _catch_up(warehouse, (kind,))[kind] if new else []
            # They are in the order of their numbers; each of many appends must not read all.
            first = (int(lines[-1]["seq"]) if lines else 0) + 1
            numbered[kind] = [{**row, "seq": first + place} for place, row in enumerate(new)]
        _write(record_path(warehouse.network_dir),
               "".join(_as_text(kind, new) for kind, new in numbered.items()))
        for kind, new in numbered.items():
            _insert(connection, *TABLES[kind], new)
    return numbered


def catch_up(warehouse: Warehouse) -> int:
    """Give the database the lines that it lacks; how many these were.

    Raises :class:`RecordDamaged` when a line that is not the last cannot be read.
    """
    with warehouse.transaction(), warehouse.record_turn():
        before = _numbers(warehouse)
        _catch_up(warehouse, tuple(TABLES))
        after = _numbers(warehouse)
    return sum(after.values()) - sum(before.values())


def _numbers(warehouse: Warehouse) -> dict[str, int]:
    out = {}
    for kind, (table, _) in TABLES.items():
        found = warehouse.connection.execute(f"SELECT count(*) FROM {table}").fetchone()
        out[kind] = int(found[0]) if found else 0
    return out


def _catch_up(
    warehouse: Warehouse, kinds: tuple[str, ...]
) -> dict[str, list[dict[str, Any]]]:
    lines = read(warehouse.network_dir)
    connection = warehouse.connection
    for kind in kinds:
        table, columns = TABLES[kind]
        last = connection.execute(f"SELECT coalesce(max(seq), 0) FROM {table}").fetchone()
        known = int(last[0]) if last else 0
        written = int(lines[kind][-1]["seq"]) if lines[kind] else 0
        if written < known:
            _write_again(warehouse, kind, written)
            lines = read(warehouse.network_dir)
        if written <= known:
            continue
        missing = [line for line in lines[kind] if int(line["seq"]) > known]
        _insert(connection, table, columns, missing)
        if kind == "receipt":
            _note_files(warehouse, missing)
        elif kind == "letter":
            # The record was ahead of the database when that stopped.
            connection.executemany(
                "UPDATE letters SET state = $state, changed = $since WHERE id = $letter",
                [{name: line[name] for name in ("letter", "state", "since")} for line in missing])
    return lines


def _write_again(warehouse: Warehouse, kind: str, after: int) -> None:
    """Give the record the lines that the database has beyond number ``after``."""
    table, columns = TABLES[kind]
    rows = warehouse.connection.execute(
        f"SELECT {column_list(list(columns))} FROM {table} WHERE seq > ? ORDER BY seq",
        [after]).fetchall()
    _write(record_path(warehouse.network_dir),
           _as_text(kind, [dict(zip(columns, row, strict=True)) for row in rows]))


def _note_files(warehouse: Warehouse, receipts: Iterable[Mapping[str, Any]]) -> None:
    for line in receipts:
        place = received_path(warehouse.network_dir, str(line["sha256"]))
        size = place.stat().st_size if place.is_file() else 0
        warehouse.connection.execute(
            "INSERT INTO files SELECT $sha, NULL, $size, $seq "
            "WHERE NOT EXISTS (FROM files WHERE sha256 = $sha)",
            {"sha": line["sha256"], "size": size, "seq": line["seq"]})


def _insert(
    connection: Any, table: str, columns: tuple[str, ...], rows: Sequence[Mapping[str, Any]]
) -> None:
    if rows:
        connection.executemany(
            f"INSERT INTO {table} ({column_list(list(columns))}) "
            f"VALUES ({', '.join('?' for _ in columns)})",
            [[row.get(name) for name in columns] for row in rows])


_END = 200
_read: dict[Path, tuple[int, bytes, dict[str, list[dict[str, Any]]]]] = {}
"""What was read of each record, up to which byte, and the last bytes: a run appends many times."""
_reading = threading.Lock()
"""The desk reads from several threads at once."""


def read(network_dir: Path) -> dict[str, list[dict[str, Any]]]:
    """Every line of the record, by kind, in order. A last line cut short is passed over.

    The lists are the caller's own; the lines are shared and not to be changed.

    Raises :class:`RecordDamaged` when a line that is not the last cannot be read.
    """
    path = record_path(network_dir).resolve()
    with _reading:
        try:
            handle = path.open("rb")
        except OSError:
            _read.pop(path, None)
            return {kind: [] for kind in TABLES}
        with handle:
            # Asked of the open file: on a shared folder only opening it makes sure that what
            # another machine wrote is seen.
            size = os.fstat(handle.fileno()).st_size
            at, end, lines = _read.get(path, (0, b"", {kind: [] for kind in TABLES}))
            if size < at:
                at, end, lines = 0, b"", {kind: [] for kind in TABLES}
            if size > at:
                handle.seek(at - len(end))
                if handle.read(len(end)) != end:
                    # Another file stands there now: put back, or written again.
                    at, lines = 0, {kind: [] for kind in TABLES}
                    handle.seek(0)
                whole, _, _ = handle.read().rpartition(b"\n")
                # Kept only when every line of it could be read.
                fresh = _parsed(whole, path, at)
                lines = {kind: [*known, *fresh[kind]] for kind, known in lines.items()}
                if whole:
                    at, end = at + len(whole) + 1, whole[-_END:] + b"\n"
                _read[path] = (at, end, lines)
        return {kind: list(known) for kind, known in lines.items()}


def _parsed(content: bytes, path: Path, at: int) -> dict[str, list[dict[str, Any]]]:
    lines: dict[str, list[dict[str, Any]]] = {kind: [] for kind in TABLES}
    for number, line in enumerate(content.split(b"\n"), start=1):
        if not line.strip():
            continue
        try:
            entry = json.loads(line.decode("utf-8"))
            lines[entry.pop("kind")].append(entry)
        except (ValueError, KeyError) as error:
            raise RecordDamaged(
                f"A line of the record cannot be read (line {number} from byte {at}).",
                "Put warehouse/record.jsonl back from a backup, or, while the database is well, "
                "move it aside and run again: what it lacks is then written from the database.",
                str(path)) from error
    return lines


def _as_text(kind: str, rows: Iterable[Mapping[str, Any]]) -> str:
    return "".join(
        json.dumps({"kind": kind} | {name: _plain(row.get(name)) for name in TABLES[kind][1]},
                   ensure_ascii=False) + "\n"
        for row in rows)


def _write(path: Path, text: str) -> None:
    if not text:
        return
    make_folder(path.parent)
    with naming(path), path.open("a+b") as handle:
        end = handle.seek(0, os.SEEK_END)
        # A line that a stopped run cut short was never acted on: it goes.
        handle.seek(0)
        whole = _end_of_whole_lines(handle, end)
        if whole < end:
            handle.truncate(whole)
        handle.write(text.encode("utf-8"))
        handle.flush()
        os.fsync(handle.fileno())


def _end_of_whole_lines(handle: Any, end: int) -> int:
    step = 4096
    at = end
    while at > 0:
        start = max(0, at - step)
        handle.seek(start)
        found = handle.read(at - start).rfind(b"\n")
        if found >= 0:
            return start + int(found) + 1
        at = start
    return 0


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, dt.date) else value
