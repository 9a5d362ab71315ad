"""Staged sheets made up for one rule at a time, and their judgement, many at once.

A :class:`MadeUpSheet` lays rows that nothing is odd about; a test changes what it is about.
Every sheet has a site, file and net of its own, so that one judgement can take them all
(a judgement costs a tenth of a second however few its rows are).
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import duckdb

from checks.judging import Place, judge
from checks.relations import Relations
from checks.sequences import print_columns
from shared.columnar import to_arrow
from shared.evidence import NEIGHBOUR_FIELDS
from shared.fields import CATCH_FIELDS, EVENT_FIELDS, FIELDS
from shared.findings import Finding
from shared.identity import event_id
from shared.settings import Network, Site, lone_site
from shared.sheets import cell_name
from shared.staging import CATCH_COLUMNS, EVENT_COLUMNS, ODDITY_COLUMNS, empty, row_id_base
from shared.units import convert

EEL, STICKLEBACK = "anguilla-rostrata", "gasterosteus-aculeatus"
FIRST_DAY = dt.date(2026, 3, 10)
AS_OF = dt.date(2026, 7, 1)
FIRST_ROW = 4
"""1-based: the headings stand above."""

COUNT_COLUMNS = ((EEL, "glass eel"), (EEL, "elver"), (EEL, "all"), (STICKLEBACK, "unspecified"))

_made = 0


class MadeUpSheet:
    """One sheet of one net. ``units``: field -> unit its column is read in."""

    def __init__(
        self,
        units: Mapping[str, str] | None = None,
        without: Iterable[str] = (),
        protocol: str = "fyke",
        raw: Mapping[str, str] | None = None,
    ) -> None:
        global _made
        _made += 1
        self.site = f"creek-{_made}"
        self.sha = hashlib.sha256(self.site.encode()).hexdigest()
        self.protocol = protocol
        self.name = "Counts"
        self.units = dict(units or {})
        self.raw = dict(raw or {})
        """Field -> text of its cell, where the value's own text will not do."""
        self.events, self.catches, self.oddities = (
            empty(EVENT_COLUMNS), empty(CATCH_COLUMNS), empty(ODDITY_COLUMNS))
        self.vanished: list[bool] = []
        self.earlier: MadeUpSheet | None = None
        """The sheet that the site sent before."""
        self.elsewhere: list[int] = []
        """Rows that another site, far-brook, has just so."""
        self.alike: list[tuple[int, str, int, dt.date]] = []
        """Row that vanished; tab, row and date of one in the newest sheet that is like it."""
        self.at: tuple[float, float] | None = None
        """Where the network's settings say that the site lies."""
        self.places: list[Place] = []
        for entry in (*EVENT_FIELDS, *CATCH_FIELDS):
            named = COUNT_COLUMNS if entry.id == "count" else ((None, None),)
            if entry.id in without or entry.id == "remarks":
                continue
            for taxon, stage in named:
                self.places.append(Place(
                    self.sha, self.name, len(self.places), entry.id, taxon, stage,
                    self.units.get(entry.id, entry.unit)))

    def column(self, field: str, stage: str | None = None) -> int:
        """0-based column that holds ``field``."""
        return next(p.column_index for p in self.places
                    if p.field == field and (stage is None or p.life_stage in (stage, None)))

    def cell(self, row: int, field: str, stage: str | None = None) -> str:
        """Address of a field's cell."""
        return cell_name(row - 1, self.column(field, stage))

    def row(
        self,
        day: int = 0,
        *,
        catches: Sequence[Mapping[str, Any]] = ({},),
        oddities: Sequence[Mapping[str, Any]] = (),
        vanished: bool = False,
        **given: Any,
    ) -> int:
        """Lay a row, by default a fine one ``day`` days after the first; gives its 1-based row.

        An oddity names ``field, raw, kind`` and, of a catch, ``catch`` (its place in the row).
        """
        number = FIRST_ROW + len(self.events["row_id"])
        row_id = row_id_base(self.sha) + number
        date = FIRST_DAY + dt.timedelta(days=day)
        values: dict[str, Any] = {
            "site": self.site, "file_sha256": self.sha, "row_id": row_id, "sheet": self.name,
            "sheet_row": number, "protocol": self.protocol, "hours_stated": True,
            "count_columns": True, "content": f"row {number}", "gear_unit": "A",
            "local_date": date,
        }
        if self.protocol == "fyke":
            values |= {
                "check_date": date, "check_time": dt.time(7, 0), "net_status": "fishing",
                "set_date": date - dt.timedelta(days=1), "set_time": dt.time(7, 0),
                "hours_fished": 24.0,
            }
        elif self.protocol == "seine":
            values |= {"check_time": dt.time(10, 0), "hauls": 3.0}
        values |= given
        self._add_times(values, given)
        for name in EVENT_COLUMNS:
            self.events[name].append(values.get(name))
        self.vanished.append(vanished)
        ids: list[int] = []
        for catch in catches:
            ids.append(row_id_base(self.sha) + len(self.catches["catch_id"]) + 1)
            entry: dict[str, Any] = {
                "file_sha256": self.sha, "catch_id": ids[-1], "row_id": row_id,
                "sheet": self.name, "sheet_row": number, "taxon": EEL, "life_stage": "glass eel",
                "count": 12.0,
            } | dict(catch)
            for name in CATCH_COLUMNS:
                self.catches[name].append(entry.get(name))
        for odd in oddities:
            catch_id = ids[odd["catch"]] if "catch" in odd else None
            entry = {
                "file_sha256": self.sha, "row_id": row_id, "catch_id": catch_id,
                "sheet": self.name, "sheet_row": number, "field": odd["field"],
                "raw": odd["raw"], "kind": odd["kind"], "detail": odd.get("detail"),
                "cell": self.cell(number, odd["field"]),
            }
            for name in ODDITY_COLUMNS:
                self.oddities[name].append(entry.get(name))
        return number

    def _add_times(self, values: dict[str, Any], given: Mapping[str, Any]) -> None:
        def moment(date: dt.date | None, time: dt.time | None) -> dt.datetime | None:
            return dt.datetime.combine(date, time) if date and time else None

        checked_on = values.get("check_date") or values["local_date"]
        for name, stands in (
            ("set_at", moment(values.get("set_date"), values.get("set_time"))),
            ("checked_at", moment(checked_on, values.get("check_time"))),
        ):
            values.setdefault(name, stands)
            values.setdefault(f"{name}_utc", values[name])
        if values["set_at"] and values["checked_at"]:
            soak = (values["checked_at"] - values["set_at"]).total_seconds() / 3600
            values.setdefault("soak_hours", soak if soak > 0 else None)
        if values["local_date"] is not None:
            values.setdefault("season", values["local_date"].year)
            values.setdefault("event_id", event_id(
                self.site, self.protocol, values["gear_unit"], values["local_date"],
                values.get("check_time")))

    def text(self, sheet_row: int, column: int) -> str:
        """The text of a cell as received: what its value says in the column's unit."""
        place = self.places[column]
        if place.field in self.raw:
            return self.raw[place.field]
        at = sheet_row - FIRST_ROW
        if place.field in self.events:
            value = self.events[place.field][at]
        else:
            row_id = self.events["row_id"][at]
            value = next(
                (self.catches[place.field][i] for i, owner in enumerate(self.catches["row_id"])
                 if owner == row_id and place.taxon in (None, self.catches["taxon"][i])
                 and place.life_stage in (None, self.catches["life_stage"][i])), None)
        if value is None:
            return ""
        home = FIELDS[place.field].unit
        if isinstance(value, float) and home is not None and place.unit is not None:
            value = f"{convert(value, home, place.unit):g}"
        return str(value)


def sites_of(sheets: Iterable[MadeUpSheet]) -> dict[str, Site]:
    """The sheets' sites as settings have them, those whose place is told."""
    lone = lone_site("creek").sites["creek"]
    placed = {sheet.site: sheet.at for sheet in sheets if sheet.at is not None}
    return {"creek": lone} | {
        site: replace(lone, id=site, name=site, latitude=at[0], longitude=at[1])
        for site, at in placed.items()}


def network_with(**changes: Any) -> Network:
    """Settings of a network that judges the sheets; a season all year."""
    return replace(lone_site("creek"), **changes)


def _evidence(given: Mapping[str, float], name: str) -> list[float | None]:
    """Median, sites, least and most of one field as ``given`` says or implies."""
    median = given.get(name)
    sites = 0 if median is None else int(given.get("sites", 5))
    return [median, sites, given.get(f"{name}_least", median), given.get(f"{name}_most", median)]


def connected(
    sheets: Sequence[MadeUpSheet],
    neighbours: Mapping[dt.date, Mapping[str, float]] | None = None,
    pulses: Mapping[dt.date, float] | None = None,
) -> tuple[duckdb.DuckDBPyConnection, Relations]:
    """A connection that holds the sheets' rows.

    ``neighbours``: date -> medians elsewhere by field; ``sites`` they are of (else five),
    ``<field>_least`` and ``<field>_most`` (else the median). ``pulses``: date -> how many
    times their usual catch the other sites had.
    """
    con = duckdb.connect()
    con.execute("SET threads = 1")

    def merged(name: str) -> dict[str, list[Any]]:
        tables = [getattr(sheet, name) for sheet in sheets]
        return {key: [v for table in tables for v in table[key]] for key in tables[0]}

    for table, name, columns in (
        ("bare_events", "events", EVENT_COLUMNS),
        ("judged_catches", "catches", CATCH_COLUMNS),
        ("judged_oddities", "oddities", ODDITY_COLUMNS),
    ):
        con.register("arriving", to_arrow(merged(name), columns))
        con.execute(f"CREATE TABLE {table} AS FROM arriving")
        con.unregister("arriving")
    gone = [str(row_id) for sheet in sheets
            for row_id, flag in zip(sheet.events["row_id"], sheet.vanished, strict=True) if flag]
    con.execute(
        f"CREATE TABLE judged_events AS SELECT *, row_id IN ({', '.join(gone) or 'NULL'}) "
        "IS TRUE AS vanished FROM bare_events")
    told = ", ".join(
        f"{name} DOUBLE, {name}_sites INTEGER, {name}_least DOUBLE, {name}_most DOUBLE"
        for name in NEIGHBOUR_FIELDS)
    con.execute(f"CREATE TABLE elsewhere (local_date DATE, {told})")
    for date, given in (neighbours or {}).items():
        row = [value for name in NEIGHBOUR_FIELDS for value in _evidence(given, name)]
        con.execute(f"INSERT INTO elsewhere VALUES (?{', ?' * len(row)})", [date, *row])
    con.execute("CREATE TABLE pulses (local_date DATE, pulse DOUBLE)")
    for date, pulse in (pulses or {}).items():
        con.execute("INSERT INTO pulses VALUES (?, ?)", [date, pulse])
    shared = [str(row_id_base(sheet.sha) + row) for sheet in sheets for row in sheet.elsewhere]
    con.execute(
        "CREATE TABLE twins AS SELECT 'far-brook' AS site, e.local_date, p.core, "
        "NULL::BOOLEAN AS mine "
        f"FROM ({print_columns('judged_events', 'judged_catches')}) p "
        f"JOIN judged_events e USING (row_id) WHERE row_id IN ({', '.join(shared) or 'NULL'})")
    con.execute("CREATE TABLE alike (event_id VARCHAR, place INTEGER, sheet VARCHAR, "
                "sheet_row INTEGER, local_date DATE)")
    for sheet in sheets:
        for place, (number, *where) in enumerate(sheet.alike, 1):
            con.execute(
                "INSERT INTO alike SELECT event_id, ?, ?, ?, ? FROM judged_events WHERE row_id = ?",
                [place, *where, row_id_base(sheet.sha) + number])
    before = [sheet.earlier for sheet in sheets if sheet.earlier is not None]
    for table, name, columns in (
        ("earlier", "events", EVENT_COLUMNS), ("earlier_catches", "catches", CATCH_COLUMNS)
    ):
        rows = {key: [v for sheet in before for v in getattr(sheet, name)[key]] for key in columns}
        con.register("arriving", to_arrow(rows, columns))
        sent = ", DATE '2026-03-01' AS sent" if name == "events" else ""
        con.execute(f"CREATE TABLE {table} AS SELECT *{sent} FROM arriving")
        con.unregister("arriving")
    return con, Relations(neighbours="elsewhere", pulse="pulses", twins="twins",
                          earlier="earlier", earlier_catches="earlier_catches", alike="alike")


def judged(
    sheets: Sequence[MadeUpSheet],
    network: Network | None = None,
    neighbours: Mapping[dt.date, Mapping[str, float]] | None = None,
    as_of: dt.date = AS_OF,
    pulses: Mapping[dt.date, float] | None = None,
) -> list[Finding]:
    """Findings on all the sheets, in the order that judging gives."""
    by_sha = {sheet.sha: sheet for sheet in sheets}
    con, names = connected(sheets, neighbours, pulses)
    with con:
        return judge(
            con, network or network_with(), "creek", as_of, names,
            [place for sheet in sheets for place in sheet.places],
            lambda sha, _, row, column: by_sha[sha].text(row, column),
            {sheet.sha: f"{sheet.site}.xlsx" for sheet in sheets})


def of_sheet(findings: Iterable[Finding], sheet: MadeUpSheet) -> list[Finding]:
    """The findings on one sheet."""
    return [finding for finding in findings if finding.file_sha256 == sheet.sha]
