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
from warehouse.held import site_accounts, troubles_of
from warehouse.lineage import named
from warehouse.store import Warehouse

_TOGETHER = 500
"""Sites whose pictures are made in one go: memory is that of the sheets they are asked about."""

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
        for first in range(0, len(sites), _TOGETHER):
            some = list(sites[first:first + _TOGETHER])
            look = _Look(warehouse, some, as_of)
            for site_id in some:
                document = look.picture(site_id, as_of, (standing or {}).get(site_id))
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


class _Look:
    """What the pictures of some sites show, asked of the warehouse for all of them at once."""

    def __init__(self, warehouse: Warehouse, site_ids: Sequence[str], as_of: dt.date) -> None:
        self._con = warehouse.connection
        self._these = named(site_ids)
        self._asks = following_up.open_questions_of(warehouse, site_ids, as_of)
        self._accounts = site_accounts(warehouse, site_ids)
        self._troubles = troubles_of(warehouse, site_ids)
        self._files = self._by_site(
            f"""
            SELECT r.site, r.path, r.sha256, r.received::VARCHAR, coalesce(n.rows, 0), t.told,
                   s.sha256 IS NOT NULL
            FROM receipts AS r
            LEFT JOIN (SELECT site, sha256, max(rows) AS rows FROM readings
                       WHERE {self._these} GROUP BY ALL) AS n USING (site, sha256)
            LEFT JOIN (SELECT site, sha256, min(what || ' ' || remedy) AS told
                       FROM file_troubles WHERE {self._these} GROUP BY ALL) AS t
                USING (site, sha256)
            LEFT JOIN (SELECT DISTINCT site, sha256 FROM tables_seen
                       WHERE {self._these} AND layout = 'answers') AS s USING (site, sha256)
            WHERE r.{self._these}
            QUALIFY row_number() OVER (PARTITION BY r.site ORDER BY r.seq DESC) <= {_MOST_FILES}
            ORDER BY r.seq DESC""")
        self._answers = self._by_site(
            f"""
            SELECT site, answered::VARCHAR, says, outcome, why, who, note, ask, source
            FROM answers WHERE {self._these} AND outcome <> 'nothing'
            QUALIFY row_number() OVER (PARTITION BY site ORDER BY seq DESC) <= {_MOST_ANSWERS}
            ORDER BY seq DESC""")
        self._weeks = self._by_site(
            f"""
            SELECT site, date_trunc('week', day)::DATE::VARCHAR AS week, what, count(*) FROM (
                SELECT site_id AS site, local_date AS day, 'loaded' AS what FROM clean_events
                WHERE {named(site_ids, "site_id")}
                UNION ALL
                SELECT a.site, e.local_date, 'held' FROM row_account AS a
                JOIN staged_events AS e ON e.site = a.site AND e.file_sha256 = a.file_sha256
                     AND e.sheet = a.sheet AND e.sheet_row = a.sheet_row
                WHERE a.{self._these} AND a.disposition = 'held' AND e.{self._these}
                UNION ALL
                SELECT site, received, 'came' FROM receipts WHERE {self._these})
            WHERE day IS NOT NULL GROUP BY ALL ORDER BY ALL""")
        self._aside = self._by_site(
            f"""
            SELECT t.site, t.sheet, t.contract, r.path FROM tables_seen AS t
            JOIN (SELECT site, path, max_by(sha256, seq) AS sha256 FROM receipts
                  WHERE {self._these} GROUP BY ALL) AS r USING (site, sha256)
            WHERE t.{self._these} ORDER BY r.path, t.sheet""")
        self._lay_out_sheets()

    def _by_site(self, sql: str) -> dict[str, list[tuple[Any, ...]]]:
        out: dict[str, list[tuple[Any, ...]]] = {}
        for site, *row in self._con.execute(sql).fetchall():
            out.setdefault(site, []).append(tuple(row))
        return out

    def _lay_out_sheets(self) -> None:
        """The rows of every sheet that a question is about, their headings and date columns."""
        self._rows: dict[tuple[str, str], dict[int, list[str]]] = {}
        self._heads: dict[tuple[str, str, str], int] = {}
        self._dates: dict[tuple[str, str, str], list[int]] = {}
        shas = sorted({item.file_sha256 for asks in self._asks.values() for ask in asks
                       for item in ask.findings if item.row is not None})
        if not shas:
            return
        for sha, sheet, number, cells in self._con.execute(
                "SELECT sha256, sheet, sheet_row, cells FROM raw_rows "
                f"WHERE {named(shas, 'sha256')}").fetchall():
            self._rows.setdefault((sha, sheet), {})[int(number)] = list(cells)
        self._heads = {(site, sha, sheet): int(head) for site, sha, sheet, head in
                       self._con.execute(
            "SELECT site, sha256, sheet, max(header_row) FROM tables_seen "
            f"WHERE {self._these} AND header_row > 0 GROUP BY ALL").fetchall()}
        for site, sha, sheet, column in self._con.execute(
                "SELECT site, file_sha256, sheet, column_index FROM (SELECT DISTINCT site, "
                "file_sha256, sheet, column_index, field = 'set_date' AS setting "
                f"FROM staged_places WHERE {self._these} AND field IN "
                "('local_date', 'check_date', 'set_date')) ORDER BY setting, 4").fetchall():
            self._dates.setdefault((site, sha, sheet), []).append(int(column))

    def picture(
        self, site_id: str, as_of: dt.date, standing: Collection[str] | None
    ) -> dict[str, Any]:
        """The picture of one of the sites."""
        def around(finding: Finding) -> Around | None:
            return self._around(site_id, finding)

        weeks: dict[str, dict[str, int]] = {}
        for week, what, number in self._weeks.get(site_id, ()):
            weeks.setdefault(week, {})[what] = int(number)
        told = ("when", "says", "outcome", "why", "who", "note", "ask", "source")
        return {
            "site": site_id, "as_of": as_of.isoformat(),
            "account": self._accounts[site_id],
            "asks": [ask_document(ask, around) for ask in self._asks.get(site_id, ())],
            "files": [{"name": path.removeprefix(f"{site_id}/"), "sha256": sha,
                       "received": received, "rows": int(number), "trouble": trouble or "",
                       "answers": bool(answers)}
                      for path, sha, received, number, trouble, answers in
                      self._files.get(site_id, ())],
            "troubles": [trouble.sentence() for trouble, path in self._troubles.get(site_id, ())
                         if standing is None or path in standing],
            "answers": [dict(zip(told, map(str, row), strict=True))
                        for row in self._answers.get(site_id, ())],
            "weeks": weeks,
            "aside": _columns_aside(site_id, self._aside.get(site_id, ())),
        }

    def _around(self, site_id: str, finding: Finding) -> Around | None:
        """What stands around the finding; None where its sheet was turned or is not kept."""
        if finding.row is None or finding.sheet.endswith(TURNED):
            return None
        sheet = (finding.file_sha256, finding.sheet)
        rows = self._rows.get(sheet, {})
        return rows_around(
            lambda number: rows.get(number, ()), self._heads.get((site_id, *sheet), 1),
            finding.row, finding.cell, self._dates.get((site_id, *sheet), []))


def _columns_aside(site_id: str, rows: Sequence[tuple[Any, ...]]) -> list[dict[str, Any]]:
    """Headings that nobody could place, of the files that stand now."""
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
