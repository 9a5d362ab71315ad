"""The life of a row: from the cell, through what was asked and decided, to the releases."""

from __future__ import annotations

import csv
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from flows.workplace import warehouse_of
from shared.problems import Problem
from shared.settings import Network
from warehouse import decisions
from warehouse.folder import releases_folder
from warehouse.store import Warehouse


class NoSuchEvent(Problem, LookupError):
    """No sheet ever had the event."""

    code = "no-such-event"


@dataclass(frozen=True, slots=True)
class Moment:
    """One thing that happened to the row. ``when``: ISO date, or a release's version."""

    when: str
    what: str
    detail: str = ""


@dataclass(slots=True)
class Life:
    """The life of an event's row."""

    event_id: str
    moments: list[Moment] = field(default_factory=list)
    now: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Plain values, fit for JSON."""
        return asdict(self)


def life_of(network_dir: Path, network: Network, event_id: str) -> Life:
    """What became of ``event_id``, in order. Raises :class:`NoSuchEvent`.

    An identity that a correction changed is followed both ways.
    """
    with warehouse_of(network_dir, network, touches=()) as warehouse:
        names = _names(warehouse, event_id)
        life = Life(event_id)
        sheets = _sheets(warehouse, names)
        decided = {item.seq: item for name in names
                   for item in decisions.of_event(warehouse, name)}
        if not sheets and not decided:
            raise NoSuchEvent(f'No sheet ever had the event "{event_id}".',
                              "`tallyweir query` on the table events lists them.", event_id)
        if len(names) > 1:
            life.moments.append(Moment(
                "", "the row is known as", ", then ".join(names)))
        dated: list[tuple[str, int, Moment]] = [(item.when, 0, item) for item in sheets]
        dated += [(item.when, 1, item) for item in _asked(warehouse, names)]
        for item in decided.values():
            what = f"{item.action.done} by {item.who or 'nobody named'} ({item.channel})"
            value = f"{item.field or 'the row'}"
            if item.taxon:
                value += f" of {item.taxon} {item.life_stage}".rstrip()
            if item.field and item.action.value in ("correct", "confirm"):
                value += f": {item.old or '(blank)'}"
                if item.action.value == "correct":
                    value += f" -> {item.new or '(blank)'}"
            reason = f"; {item.reason}" if item.reason else ""
            rule = f"; asked by rule {item.rule}" if item.rule else ""
            dated.append((item.decided.isoformat(), 2, Moment(
                item.decided.isoformat(), what, value + reason + rule)))
        dated += [(item.when, 3, item) for item in _open(warehouse, names)]
        life.moments += [item for _, _, item in sorted(dated, key=lambda entry: entry[:2])]
        life.moments += _released(network_dir, names)
        life.now = _now(warehouse, names)
    return life


def _names(warehouse: Warehouse, event_id: str) -> list[str]:
    names = [event_id]
    pairs = warehouse.connection.execute(
        "SELECT event_id, becomes FROM decisions WHERE becomes <> '' ORDER BY seq").fetchall()
    for _ in pairs:
        before = len(names)
        for old, new in pairs:
            if new in names and old not in names:
                names.insert(names.index(new), old)
            elif old in names and new not in names:
                names.append(new)
        if len(names) == before:
            break
    return names


def _sheets(warehouse: Warehouse, names: list[str]) -> list[Moment]:
    """Each file that has the row, when it came, and what its cells said."""
    rows = warehouse.connection.execute(
        """
        SELECT received::VARCHAR, path, e.sheet, e.sheet_row, e.event_id, x.cells, r.sha256
        FROM staged_events AS e
        JOIN (SELECT site, sha256, min(seq) AS seq, min_by(path, seq) AS path,
                     min(received) AS received FROM receipts GROUP BY site, sha256) AS r
          ON r.site = e.site AND r.sha256 = e.file_sha256
        LEFT JOIN raw_rows AS x ON x.sha256 = e.file_sha256 AND x.sheet = e.sheet
             AND x.sheet_row = e.sheet_row
        WHERE list_contains($names, e.event_id) ORDER BY r.seq, e.row_id
        """, {"names": names}).fetchall()
    out: list[Moment] = []
    last: tuple[Any, ...] | None = None
    for received, path, sheet, number, event, cells, _ in rows:
        said = " | ".join(cells or [])
        key = (path, sheet, event, said)
        if last is not None and key == last:
            continue
        changed = "came" if last is None else "came again, the row changed"
        place = f"{path}, sheet '{sheet}', row {number}" if sheet else f"{path}, row {number}"
        out.append(Moment(received, f"{changed} in {place}", said))
        last = key
    return out


def _asked(warehouse: Warehouse, names: list[str]) -> list[Moment]:
    rows = warehouse.connection.execute(
        "SELECT DISTINCT first_asked::VARCHAR, rule, field, old FROM asked "
        "WHERE list_contains(?, event_id) ORDER BY ALL", [names]).fetchall()
    return [Moment(when, f"the site was asked ({rule})", f"{field}: {old or '(blank)'}")
            for when, rule, field, old in rows]


def _open(warehouse: Warehouse, names: list[str]) -> list[Moment]:
    rows = warehouse.connection.execute(
        "SELECT s.loaded::VARCHAR, f.rule, f.effect, f.message, f.settled FROM findings AS f "
        "JOIN site_state AS s ON s.site = f.site WHERE list_contains(?, f.event_id) ORDER BY ALL",
        [names]).fetchall()
    return [Moment(when, f"settled: {rule} ({settled})" if settled
                   else f"found by {rule} ({effect})", message)
            for when, rule, effect, message, settled in rows]


def _released(network_dir: Path, names: list[str]) -> list[Moment]:
    """What each release changed about the event, oldest first."""
    out: list[Moment] = []
    folders = [path for path in releases_folder(network_dir).glob("*/changes.csv")]
    for path in sorted(folders, key=lambda item: _version(item.parent.name)):
        with path.open(encoding="utf-8", newline="") as handle:
            mine = [row for row in csv.DictReader(handle) if row["event_id"] in names]
        version = path.parent.name
        kinds = {row["kind"] for row in mine if row["table"] == "events"}
        out += [Moment(version, f"{kind} in the release") for kind in ("added", "withdrawn")
                if kind in kinds]
        out += [Moment(version, "changed in the release",
                       " ".join(part for part in (row["taxon_id"], row["life_stage"],
                                                  row["column"]) if part)
                       + f": {row['old'] or '(blank)'} -> {row['new'] or '(blank)'}")
                for row in mine if row["kind"] == "changed"]
    return out


def _version(name: str) -> list[int]:
    parts = name.split(".")
    return [int(part) for part in parts] if all(part.isdigit() for part in parts) else []


def _now(warehouse: Warehouse, names: list[str]) -> str:
    row = warehouse.connection.execute(
        "SELECT disposition, why, file, sheet, sheet_row FROM row_account "
        "WHERE list_contains(?, event_id) ORDER BY disposition = 'loaded' DESC LIMIT 1",
        [names]).fetchone()
    if warehouse.connection.execute(
        "SELECT 1 FROM clean_events WHERE list_contains(?, event_id)", [names]
    ).fetchone() is not None:
        return "in the clean table"
    if row is None:
        return "in no sheet that speaks for the site now"
    return f"not in the clean table: {row[0]}" + (f" ({row[1]})" if row[1] else "")
