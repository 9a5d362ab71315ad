"""Staged rows and findings written by hand: what the intake and the rules would hand on."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import shutil
import tempfile
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

from shared.findings import Finding
from shared.flags import EFFECT_FLAG, Effect, Flag
from shared.identity import event_id, short_digest, to_utc
from shared.settings import Network, parse_network
from shared.sheets import Sheet, Workbook
from shared.staging import Staged, row_id_base
from warehouse.clean import SiteAccount, load_site
from warehouse.folder import database_path
from warehouse.lineage import Lineage, lay_out
from warehouse.receipts import receive
from warehouse.staging import Reading, reader_key, save_readings
from warehouse.store import Warehouse

AS_OF = dt.date(2026, 3, 16)
GLASS = ("anguilla-rostrata", "glass eel")
ELVER = ("anguilla-rostrata", "elver")

NETWORK_TOML = """
[network]
id = "test-bay"
name = "The test bay count"
season_start = "02-01"
season_end = "06-15"
licence = "CC-BY-4.0"
permit_note = "Fish are handled only under the permits in force at each site."

[sites.alder]
name = "Alder Creek"
zone = "EST5EDT"
latitude = 44.0
longitude = -67.0
protocols = ["fyke", "seine", "water"]
contact = "someone@example.org"

[sites.birch]
name = "Birch Creek"
zone = "Canada/Atlantic"
"""


def network() -> Network:
    """Two invented sites."""
    return parse_network(NETWORK_TOML)


def in_parts(parts_from: int = 0) -> Network:
    """The same, published in parts from so many events on."""
    whole = network()
    return replace(whole, publishing=replace(whole.publishing, parts_from=parts_from))


@cache
def _empty_database() -> Path:
    folder = Path(tempfile.mkdtemp())
    Warehouse.open(folder).close()
    return database_path(folder)


def lay_empty(place: Path) -> None:
    """Put a laid out database with nothing in it at ``place``: laying one out costs more."""
    place.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy(_empty_database(), place)


@dataclass
class Check:
    """One event of a sheet, as its lead would write it."""

    day: str
    counts: dict[tuple[str, str], float | None] = field(default_factory=dict)
    values: dict[str, Any] = field(default_factory=dict)
    """Event fields, by id, in canonical units."""
    catch_values: dict[tuple[str, str], dict[str, Any]] = field(default_factory=dict)
    time: str | None = "07:30"
    protocol: str = "fyke"
    gear: str = "A"
    hours: float | None = 24.0
    set_before: float | None = 24.0
    """Hours between setting and checking, None where no setting time was written."""
    rows: int = 1
    """Sheet rows the event takes (a long layout)."""


def staged_of(site: str, sha256: str, checks: list[Check], totals_row: bool = True) -> Staged:
    """The staged rows of a sheet holding ``checks`` (and a skipped totals row)."""
    staged = Staged()
    zone = network().sites[site].zone
    row_id = catch_id = row_id_base(sha256)
    sheet_row = 3
    for check in checks:
        row_id += 1
        sheet_row += 1
        date = None if check.day == "?" else dt.date.fromisoformat(check.day)
        time = None if check.time is None else dt.time.fromisoformat(check.time)
        checked = None if date is None or time is None else dt.datetime.combine(date, time)
        started = (
            None if checked is None or check.set_before is None
            else checked - dt.timedelta(hours=check.set_before)
        )
        cells = {key: None for key in staged.events} | {
            "site": site, "file_sha256": sha256, "row_id": row_id, "sheet": "Counts",
            "sheet_row": sheet_row, "protocol": check.protocol,
            "event_id": None if date is None
            else event_id(site, check.protocol, check.gear, date, time),
            "season": 2026, "set_at": started, "checked_at": checked,
            "set_at_utc": None if started is None else to_utc(started, zone),
            "checked_at_utc": None if checked is None else to_utc(checked, zone),
            "soak_hours": check.set_before if started is not None else None,
            "hours_stated": check.hours is not None, "count_columns": bool(check.counts),
            "content": short_digest(sorted(check.counts.items()), sorted(check.values.items()),
                                    check.protocol, check.gear, check.hours),
            "gear_unit": check.gear, "local_date": date, "check_time": time,
            "set_time": None if started is None else started.time(),
            "hours_fished": check.hours,
        } | check.values
        for name in staged.events:
            staged.events[name].append(cells[name])
        for (taxon, stage), count in check.counts.items():
            catch_id += 1
            catch = {key: None for key in staged.catches} | {
                "file_sha256": sha256, "catch_id": catch_id, "row_id": row_id,
                "sheet": "Counts", "sheet_row": sheet_row, "taxon": taxon, "life_stage": stage,
                "count": count,
            } | check.catch_values.get((taxon, stage), {})
            for name in staged.catches:
                staged.catches[name].append(catch[name])
        for extra in range(check.rows):
            sheet_row += 1 if extra else 0
            _add_row(staged, sha256, sheet_row, row_id, None)
    if totals_row:
        _add_row(staged, sha256, sheet_row + 1, None, "totals row")
    return staged


def _add_row(
    staged: Staged, sha256: str, sheet_row: int, row_id: int | None, skipped: str | None
) -> None:
    row = {"file_sha256": sha256, "sheet": "Counts", "sheet_row": sheet_row, "row_id": row_id,
           "skipped": skipped}
    for name in staged.rows:
        staged.rows[name].append(row[name])


def content_of(checks: list[Check], salt: str = "") -> bytes:
    """Bytes that differ when the checks do."""
    return (salt + repr(checks)).encode("utf-8")


def send(
    warehouse: Warehouse, site: str, path: str, checks: list[Check], *, salt: str = "",
    as_of: dt.date = AS_OF, totals_row: bool = True,
) -> str:
    """Receive and read a sheet holding ``checks``; its hash."""
    content = content_of(checks, salt)
    receipt = receive(warehouse, site, path, content, as_of)
    rows: list[list[Any]] = [["Count sheet", None], ["Date", "Eels"]]
    rows += [[check.day, 1.0] for check in checks]
    workbook = Workbook(path, "xlsx", [Sheet("Counts", rows)])
    with warehouse.transaction():
        reading = Reading(
            workbook, json.dumps([{"name": "Counts", "protocol": "fyke", "header_row": 3}]),
            staged_of(site, receipt.sha256, checks, totals_row))
        save_readings(warehouse, site, {receipt.sha256: reading},
                      reader_key("1", network(), site))
    return receipt.sha256


def load(
    warehouse: Warehouse, site: str, *rules: Rule, as_of: dt.date = AS_OF
) -> tuple[Lineage, SiteAccount]:
    """Lay out, judge by ``rules`` and load one site, as a run would."""
    with warehouse.transaction():
        lineage = lay_out(warehouse, site)
        findings = [found for rule in rules for found in rule.judge(warehouse, site)]
        account = load_site(warehouse, site, findings, as_of, "work")
    return lineage, account


@dataclass
class Rule:
    """Finds the events of a day (or those that a condition names), or a catch of theirs."""

    where: str
    """SQL condition on judged_events."""
    field: str
    effect: Effect
    rule: str = "implausible"
    taxon: str | None = None
    life_stage: str | None = None
    flag: Flag | None = None

    def judge(self, warehouse: Warehouse, site: str) -> list[Finding]:
        """Findings on the rows laid out."""
        if self.taxon is None:
            sql = ("SELECT row_id, NULL, event_id, file, file_sha256, sheet, sheet_row "
                   f"FROM judged_events WHERE {self.where}")
        else:
            sql = ("SELECT row_id, c.catch_id, e.event_id, e.file, e.file_sha256, e.sheet, "
                   "e.sheet_row FROM judged_catches c JOIN judged_events e USING (row_id) "
                   f"WHERE {self.where} AND c.taxon = '{self.taxon}' "
                   f"AND c.life_stage = '{self.life_stage}'")
        return [
            Finding(
                site=site, file=file, file_sha256=sha, sheet=sheet, row=row, cell=f"C{row}",
                field=self.field, rule=self.rule, effect=self.effect,
                flag=self.flag or EFFECT_FLAG[self.effect], value="54", suggestion="5.4",
                suggested="5.4", message=f"{self.field} looks wrong.",
                event_id=event or "", taxon=self.taxon or "", life_stage=self.life_stage or "",
                row_id=row_id, catch_id=catch_id,
            )
            for row_id, catch_id, event, file, sha, sheet, row in
            warehouse.connection.execute(sql + " ORDER BY ALL").fetchall()
        ]


def days(first: str, number: int, **keywords: Any) -> list[Check]:
    """``number`` checks on successive days, each with its own glass eel count."""
    start = dt.date.fromisoformat(first)
    return [
        Check((start + dt.timedelta(days=n)).isoformat(), {GLASS: 10.0 + n, ELVER: 0.0},
              {"water_temperature": 4.0 + n / 10}, **keywords)
        for n in range(number)
    ]


def sha_of(content: bytes) -> str:
    """SHA-256, in hex."""
    return hashlib.sha256(content).hexdigest()


def tree(folder: Path) -> dict[str, str]:
    """Path within ``folder`` -> hash, for every file in it."""
    return {
        path.relative_to(folder).as_posix(): sha_of(path.read_bytes())
        for path in sorted(folder.rglob("*")) if path.is_file()
    }
