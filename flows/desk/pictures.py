"""What the pages show of the warehouse: left by each run, read without opening the database.

A run holds the database for as long as it takes, and a page never waits for it. One JSON file
a site, replaced in one rename.
"""

from __future__ import annotations

import datetime as dt
import json
import threading
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

from flows.desk.asks import ask_document
from flows.desk.places import pictures_folder
from flows.desk.rows_around import Around, rows_around
from flows.intake.account import meaning_of
from flows.returns import following_up
from shared.findings import Finding
from shared.settings import Network
from shared.sheets import TURNED
from warehouse import durable
from warehouse.held import file_troubles, site_account, troubles_of
from warehouse.store import Warehouse

_MOST_FILES = 40
_MOST_ANSWERS = 60


def leave(
    warehouse: Warehouse, network: Network, as_of: dt.date,
    standing: Mapping[str, Collection[str]] | None = None, sites: Sequence[str] | None = None,
) -> None:
    """Leave a picture of each of ``sites`` (None: of all that look otherwise now) for the pages.

    ``standing``: what stands in each inbox, where it was looked at.
    """
    folder = pictures_folder(warehouse.network_dir)
    with warehouse.transaction() as connection:
        states = _states(warehouse)
        if sites is None:
            left = dict(connection.execute("SELECT site, state FROM pictures_left").fetchall())
            troubled = troubles_of(warehouse).keys()
            sites = [site for site in network.sites
                     if site in troubled or states.get(site, "") != left.get(site)
                     or not (folder / f"{site}.json").exists()]
        for site_id in sites:
            document = _site(warehouse, network, site_id, as_of, (standing or {}).get(site_id))
            durable.write_text(folder / f"{site_id}.json",
                               json.dumps(document, ensure_ascii=False))
        connection.execute("DELETE FROM pictures_left WHERE list_contains(?, site)",
                           [list(sites)])
        connection.execute("INSERT INTO pictures_left SELECT unnest(?), unnest(?)", [
            list(sites), [states.get(site, "") for site in sites]])


_LOOKS = 1
"""Raised when the same warehouse would come to other pictures."""


def _states(warehouse: Warehouse) -> dict[str, str]:
    """Site -> what changes whenever its picture could; of sites that have anything."""
    said = " UNION ALL ".join(
        f"SELECT site, '{table}' AS what, {told} AS told FROM {table} GROUP BY site"
        for table, told in (
            ("site_state", "hash(max((content_digest, work_digest)))"), ("receipts", "max(seq)"),
            ("answers", "max(seq)"), ("asked", "max(seq)"), ("decisions", "max(seq)"),
            ("file_troubles", "bit_xor(hash(sha256, what, remedy))")))
    return {site: str(state) for site, state in warehouse.connection.execute(
        f"SELECT site, hash({_LOOKS}, list((what, told::VARCHAR) ORDER BY what)) "
        f"FROM ({said}) GROUP BY site").fetchall()}


_read: dict[Path, tuple[int, dict[str, Any]]] = {}
_guard = threading.Lock()


def picture_of(network_dir: Path, site_id: str) -> dict[str, Any] | None:
    """The picture that the last run left of a site; None before the first."""
    path = pictures_folder(network_dir) / f"{site_id}.json"
    try:
        stamp = path.stat().st_mtime_ns
        with _guard:
            known = _read.get(path)
        if known is not None and known[0] == stamp:
            return known[1]
        found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    with _guard:
        _read[path] = (stamp, found)
    return found


def _site(
    warehouse: Warehouse, network: Network, site_id: str, as_of: dt.date,
    standing: Collection[str] | None,
) -> dict[str, Any]:
    asks = following_up.open_questions(warehouse, site_id, as_of)
    look = _Sheets(warehouse, site_id)
    return {
        "site": site_id, "as_of": as_of.isoformat(),
        "account": site_account(warehouse, site_id),
        "asks": [ask_document(ask, look.around) for ask in asks],
        "files": _files(warehouse, site_id),
        "troubles": [trouble.sentence() for trouble in
                     file_troubles(warehouse, site_id, standing)],
        "answers": _answers(warehouse, site_id),
        "weeks": _weeks(warehouse, site_id),
        "aside": _columns_aside(warehouse, site_id),
    }


class _Sheets:
    """Rows of a site's sheets, a sheet at a time."""

    def __init__(self, warehouse: Warehouse, site_id: str) -> None:
        self._con = warehouse.connection
        self._site = site_id
        self._rows: dict[tuple[str, str], dict[int, list[str]]] = {}
        self._heads: dict[tuple[str, str], int] = {}
        self._dates: dict[tuple[str, str], list[int]] = {}

    def around(self, finding: Finding) -> Around | None:
        """What stands around the finding; None where its sheet was turned or is not kept."""
        key = (finding.file_sha256, finding.sheet)
        if finding.row is None or finding.sheet.endswith(TURNED):
            return None
        if key not in self._rows:
            self._rows[key] = {int(number): list(cells) for number, cells in self._con.execute(
                "SELECT sheet_row, cells FROM raw_rows WHERE sha256 = ? AND sheet = ?",
                list(key)).fetchall()}
            head = self._con.execute(
                "SELECT max(header_row) FROM tables_seen WHERE site = ? AND sha256 = ? "
                "AND sheet = ?", [self._site, *key]).fetchone()
            self._heads[key] = int(head[0]) if head and head[0] else 1
            self._dates[key] = [int(row[0]) for row in self._con.execute(
                "SELECT DISTINCT column_index FROM staged_places WHERE site = ? "
                "AND file_sha256 = ? AND sheet = ? AND field IN "
                "('local_date', 'check_date', 'set_date') ORDER BY field = 'set_date', 1",
                [self._site, *key]).fetchall()]
        rows = self._rows[key]
        return rows_around(lambda number: rows.get(number, ()), self._heads[key], finding.row,
                           finding.cell, self._dates[key])


def _files(warehouse: Warehouse, site_id: str) -> list[dict[str, Any]]:
    """What came, newest first."""
    rows = warehouse.connection.execute(
        """
        SELECT r.path, r.sha256, r.received::VARCHAR, coalesce(n.rows, 0),
               (SELECT min(t.what || ' ' || t.remedy) FROM file_troubles AS t
                WHERE t.site = r.site AND t.sha256 = r.sha256),
               exists(SELECT 1 FROM tables_seen AS s WHERE s.site = r.site
                      AND s.sha256 = r.sha256 AND s.layout = 'answers')
        FROM receipts AS r LEFT JOIN
             (SELECT site, sha256, max(rows) AS rows FROM readings GROUP BY ALL) AS n
             ON n.site = r.site AND n.sha256 = r.sha256
        WHERE r.site = ? ORDER BY r.seq DESC LIMIT ?
        """, [site_id, _MOST_FILES]).fetchall()
    return [{"name": path.removeprefix(f"{site_id}/"), "sha256": sha, "received": received,
             "rows": int(number), "trouble": trouble or "", "answers": bool(answers)}
            for path, sha, received, number, trouble, answers in rows]


def _answers(warehouse: Warehouse, site_id: str) -> list[dict[str, str]]:
    """What was answered and what came of it, newest first."""
    rows = warehouse.connection.execute(
        "SELECT answered::VARCHAR, says, outcome, why, who, note, ask, source FROM answers "
        "WHERE site = ? AND outcome <> 'nothing' ORDER BY seq DESC LIMIT ?",
        [site_id, _MOST_ANSWERS]).fetchall()
    names = ("when", "says", "outcome", "why", "who", "note", "ask", "source")
    return [dict(zip(names, map(str, row), strict=True)) for row in rows]


def _weeks(warehouse: Warehouse, site_id: str) -> dict[str, dict[str, int]]:
    """Monday of a week (ISO date) -> events loaded and held, files that came."""
    rows = warehouse.connection.execute(
        """
        SELECT date_trunc('week', day)::DATE::VARCHAR AS week, what, count(*) FROM (
            SELECT local_date AS day, 'loaded' AS what FROM clean_events WHERE site_id = $site
            UNION ALL
            SELECT e.local_date, 'held' FROM row_account AS a JOIN staged_events AS e
            ON e.site = a.site AND e.file_sha256 = a.file_sha256 AND e.sheet = a.sheet
               AND e.sheet_row = a.sheet_row
            WHERE a.site = $site AND a.disposition = 'held'
            UNION ALL
            SELECT received, 'came' FROM receipts WHERE site = $site)
        WHERE day IS NOT NULL GROUP BY ALL ORDER BY ALL
        """, {"site": site_id}).fetchall()
    out: dict[str, dict[str, int]] = {}
    for week, what, number in rows:
        out.setdefault(week, {})[what] = int(number)
    return out


def _columns_aside(warehouse: Warehouse, site_id: str) -> list[dict[str, Any]]:
    """Headings that nobody could place, of the files that stand now."""
    rows = warehouse.connection.execute(
        """
        SELECT t.sheet, t.contract, r.path FROM tables_seen AS t
        JOIN (SELECT path, max_by(sha256, seq) AS sha256 FROM receipts WHERE site = $site
              GROUP BY path) AS r ON r.sha256 = t.sha256
        WHERE t.site = $site ORDER BY r.path, t.sheet
        """, {"site": site_id}).fetchall()
    out: list[dict[str, Any]] = []
    seen: set[str] = set()
    for sheet, contract, path in rows:
        for column in json.loads(contract).get("unrecognised", ()):
            heading = str(column.get("heading", ""))
            if heading and heading not in seen:
                seen.add(heading)
                out.append({"heading": heading, "sheet": sheet, "cell": column.get("cell", ""),
                            "file": path.removeprefix(f"{site_id}/"),
                            "why": column.get("why", ""),
                            "guesses": [
                                {"field": guess["field"],
                                 "meaning": meaning_of(heading, guess["field"])}
                                for guess in column.get("guesses", ())]})
    return out
