"""Makes the corpus of sheets in ``made/``, and beside each what it must be understood as.

The expectations come from the plan the sheets are drawn from, never from the code under
test: nothing of Tallyweir is imported here, and units are converted by formulas of this
file. Run from the repository's root, with LibreOffice on the path and, for .xlsb, the
writer pyxlsbwriter 0.1.0 (needed here only):

    uv pip install --target /tmp/xlsb pyxlsbwriter
    PYTHONPATH=/tmp/xlsb python -m tests.sheets.make

The made files are committed; tests read them and never make them. A file that is there
stays as it is and only its expectations are written anew; delete it to have it made again.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import random
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent / "made"
EEL, MUMMI, STICKLE = "anguilla-rostrata", "fundulus-heteroclitus", "gasterosteus-aculeatus"
Cell = Any


@dataclass
class Column:
    """A planned column. ``write`` gives the cell of a record, ``mean`` its canonical value."""

    heading: str
    field: str | None
    write: Callable[[dict[str, Any]], Cell]
    mean: Callable[[dict[str, Any]], Any]
    unit: str | None = None
    taxon: str | None = None
    stage: str | None = None
    group: str = ""
    units_text: str = ""

    @property
    def key(self) -> str:
        return f"{self.field}:{self.taxon}:{self.stage}" if self.taxon else str(self.field)


@dataclass
class Tab:
    """A sheet of cells with what must be understood of it."""

    name: str
    rows: list[list[Cell]] = field(default_factory=list)
    merges: list[tuple[int, int, int, int]] = field(default_factory=list)
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: set[int] = field(default_factory=set)
    tables: list[dict[str, Any]] = field(default_factory=list)


# -- the record a season is drawn from -----------------------------------------------------


def season(rng: random.Random, size: int, start: dt.date | None = None) -> list[dict[str, Any]]:
    day = start or dt.date(2026, 3, rng.randint(1, 12))
    out = []
    water = rng.uniform(1.5, 4.0)
    for number in range(size):
        water += rng.uniform(-0.3, 0.8)
        check = dt.time(rng.randint(6, 9), rng.choice((0, 5, 10, 15, 30, 40, 45)))
        out.append(
            {
                "date": day,
                "check": check,
                "set": dt.time(rng.randint(10, 17), rng.choice((0, 15, 30, 45))),
                "hours": round(rng.uniform(14, 25) * 4) / 4,
                "glass": rng.choice((0, 0, 1, 3, 7, 12, 28, 64, 131)) + number % 3,
                "elver": rng.choice((0, 0, 0, 1, 2, 5)),
                "mummi": rng.choice((0, 0, 1, 4, 9)),
                "stickle": rng.choice((0, 0, 0, 2, 3)),
                "dead": rng.choice((0, 0, 0, 1)),
                "water": round(water, 1),
                "air": round(water + rng.uniform(-4, 6), 1),
                "sal": round(rng.uniform(0.1, 18), 1),
                "ph": round(rng.uniform(6.4, 7.9), 1),
                "do": round(rng.uniform(8.2, 13.4), 1),
                "dosat": rng.randint(78, 104),
                "cond": rng.randint(180, 30_000),
                "rain": rng.choice((0.0, 0.0, 0.0, 2.5, 7.6, 12.7)),
                "wind": rng.randint(0, 6),
                "cloud": rng.choice((0, 25, 50, 75, 100)),
                "tide": rng.choice(("low", "flood", "high", "ebb")),
                "who": rng.choice(("MT", "KL", "J. Reed", "MT/KL")),
                "people": rng.randint(1, 5),
                "note": rng.choice((None, None, "rain in the night", "ice at the edge", "otter")),
            }
        )
        day += dt.timedelta(days=rng.choice((1, 1, 1, 1, 2)))
    return out


def fahrenheit(value: float) -> float:
    return round(value * 9 / 5 + 32, 1)


def from_fahrenheit(value: float) -> float:
    return round((value - 32) * 5 / 9, 9)


# -- the ways people write each field ------------------------------------------------------

MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
LONG = [f"{dt.date(2026, month, 1):%B}" for month in range(1, 13)]
DATE_STYLES: dict[str, Callable[[dt.date], Cell]] = {
    "cell": lambda d: d,
    "iso": lambda d: d.isoformat(),
    "dmy": lambda d: f"{d.day}/{d.month}/{d.year}",
    "mdy": lambda d: f"{d.month}/{d.day}/{d.year % 100:02d}",
    "dmy-dots": lambda d: f"{d.day:02d}.{d.month:02d}.{d.year}",
    "d-Mon-yy": lambda d: f"{d.day}-{MONTHS[d.month - 1]}-{d.year % 100:02d}",
    "Mon d": lambda d: f"{MONTHS[d.month - 1]} {d.day}",
    "long": lambda d: f"{d:%A}, {d.day} {LONG[d.month - 1]} {d.year}",
    "serial": lambda d: float((d - dt.date(1899, 12, 30)).days),
    "compact": lambda d: f"{d:%Y%m%d}",
}
TIME_STYLES: dict[str, Callable[[dt.time], Cell]] = {
    "cell": lambda t: t,
    "h:mm": lambda t: f"{t.hour}:{t.minute:02d}",
    "hhmm": lambda t: f"{t.hour:02d}{t.minute:02d}",
    "h.mm pm": lambda t: f"{(t.hour - 1) % 12 + 1}.{t.minute:02d} {'pm' if t.hour > 11 else 'am'}",
    "AM": lambda t: f"{(t.hour - 1) % 12 + 1}:{t.minute:02d} {'PM' if t.hour > 11 else 'AM'}",
    "fraction": lambda t: (t.hour * 60 + t.minute) / 1440,
}
HEADINGS = {
    "local_date": ("Date", "DATE", "Date of check", "Sample date", "Survey Date", "date (local)"),
    "check_time": ("Time checked", "Check time", "Time", "Time out", "Time of check"),
    "set_time": ("Time set", "Set time", "Time in", "Net set", "Set at"),
    "hours_fished": ("Hours fished", "Hrs fished", "Soak (h)", "Soak time (hrs)", "Effort (hours)"),
    "glass": (
        "Glass eels",
        "# glass eels",
        "Glass eel count",
        "No. of glass eels",
        "GE",
        "A. rostrata glass",
        "Glass\neels",
    ),
    "elver": ("Elvers", "No. elvers", "elvers >65 mm", "Elver count"),
    "mummi": ("Mummichogs", "Mummichog", "Killifish", "F. heteroclitus"),
    "stickle": ("Sticklebacks", "3-spine stickleback", "Threespine stickleback (no.)"),
    "dead": ("Dead", "Mortalities", "# dead", "Morts"),
    "degC": (
        "Water temp (°C)",
        "Water temp (C)",
        "Temp (deg C)",
        "Water Temperature, °C",
        "H2O temp C",
        "Water\xa0temp\xa0(ºC)",
    ),
    "degF": (
        "Water temp (°F)",
        "Water temp (F)",
        "Temp, F",
        "Water Temperature (deg F)",
        "WATER TEMP °F",
    ),
    "airC": ("Air temp (C)", "Air (°C)", "Air Temperature °C"),
    "airF": ("Air temp (F)", "Air (°F)", "Air temp, deg F"),
    "sal": ("Salinity", "Sal (ppt)", "Salinity (PSU)", "Sal."),
    "ph": ("pH", "PH", "Water pH"),
    "do": ("DO (mg/L)", "D.O. mg/l", "Dissolved oxygen (mg/L)", "Disolved oxygen (mg/l)"),
    "dosat": ("DO %", "DO (% sat)", "Oxygen saturation (%)"),
    "uS/cm": ("Sp. cond. (µS/cm)", "SpCond (uS/cm)", "Specific conductance µS/cm"),
    "mS/cm": ("Sp. cond. (mS/cm)", "Specific conductance, mS/cm"),
    "mm": ("Rain (mm)", "Rain last 24 h (mm)", "Precip mm"),
    "in": ("Rain (in)", "Precip. (in)", "Rainfall, inches"),
    "bft": ("Wind (Bft)", "Wind force (Beaufort)"),
    "mph": ("Wind (mph)", "Wind speed, mph"),
    "%": ("Cloud cover (%)", "Sky cover %"),
    "oktas": ("Cloud (oktas)", "Cloud cover, oktas"),
    "tide": ("Tide", "Tide stage", "State of tide"),
    "who": ("Initials", "Recorded by", "Observer", "Who"),
    "people": ("# volunteers", "No. of volunteers", "People"),
    "note": ("Remarks", "Notes", "Comments"),
}
TIDE_WORDS = {
    "low": ("low", "LW", "Low tide"),
    "flood": ("flood", "rising", "incoming"),
    "high": ("high", "HW", "slack high"),
    "ebb": ("ebb", "falling", "outgoing"),
}


class Hand:
    """One lead's way of writing."""

    def __init__(
        self, rng: random.Random, date: str, time: str, american: bool, odd: bool = True
    ) -> None:
        self.rng, self.date, self.time, self.american = rng, date, time, american
        self.odd = odd
        """Whether odd cells are written: "1,204" is another number where commas are decimal."""

    def heading(self, name: str) -> str:
        return self.rng.choice(HEADINGS[name])

    def dates(self, heading: str = "") -> Column:
        style = DATE_STYLES[self.date]
        return Column(
            heading or self.heading("local_date"),
            "local_date",
            lambda r: style(r["date"]),
            lambda r: r["date"].isoformat(),
        )

    def times(self, which: str) -> Column:
        style = TIME_STYLES[self.time]
        key = {"check_time": "check", "set_time": "set"}[which]
        return Column(
            self.heading(which),
            which,
            lambda r: style(r[key]),
            lambda r: r[key].isoformat("minutes"),
        )

    def hours(self) -> Column:
        return Column(
            self.heading("hours_fished"),
            "hours_fished",
            lambda r: r["hours"],
            lambda r: r["hours"],
            "h",
        )

    def count(self, which: str) -> Column:
        taxon, stage = {
            "glass": (EEL, "glass eel"),
            "elver": (EEL, "elver"),
            "mummi": (MUMMI, "unspecified"),
            "stickle": (STICKLE, "unspecified"),
        }[which]
        return Column(
            self.heading(which),
            "count",
            lambda r: r[which],
            lambda r: None if r[which] is None else float(r[which]),
            "1",
            taxon,
            stage,
        )

    def dead(self) -> Column:
        return Column(
            self.heading("dead"),
            "mortality",
            lambda r: r["dead"],
            lambda r: float(r["dead"]),
            "1",
            EEL,
            "glass eel",
        )

    def number(self, which: str) -> Column:
        """A reading in this hand's units."""
        us = self.american
        if which in ("water", "air"):
            name = {"water": ("degC", "degF"), "air": ("airC", "airF")}[which][us]
            write = (lambda r: fahrenheit(r[which])) if us else (lambda r: r[which])
            mean = (lambda r: from_fahrenheit(fahrenheit(r[which]))) if us else (lambda r: r[which])
            return Column(
                self.heading(name), f"{which}_temperature", write, mean, "degF" if us else "degC"
            )
        if which == "rain":
            if us:
                return Column(
                    self.heading("in"),
                    "precipitation",
                    lambda r: round(r["rain"] / 25.4, 2),
                    lambda r: round(round(r["rain"] / 25.4, 2) * 25.4, 9),
                    "in",
                )
            return Column(
                self.heading("mm"), "precipitation", lambda r: r["rain"], lambda r: r["rain"], "mm"
            )
        if which == "cond":
            if us:
                return Column(
                    self.heading("mS/cm"),
                    "specific_conductance",
                    lambda r: r["cond"] / 1000,
                    lambda r: float(r["cond"]),
                    "mS/cm",
                )
            return Column(
                self.heading("uS/cm"),
                "specific_conductance",
                lambda r: r["cond"],
                lambda r: float(r["cond"]),
                "uS/cm",
            )
        if which == "wind":
            if us:
                return Column(
                    self.heading("mph"),
                    "wind_speed",
                    lambda r: r["wind"] * 3,
                    lambda r: round(r["wind"] * 3 * 0.44704, 9),
                    "mph",
                )
            return Column(
                self.heading("bft"),
                "wind_speed",
                lambda r: r["wind"],
                lambda r: round(0.836 * r["wind"] ** 1.5, 9),
                "bft",
            )
        if which == "cloud":
            if us:
                return Column(
                    self.heading("%"),
                    "cloud_cover",
                    lambda r: r["cloud"],
                    lambda r: float(r["cloud"]),
                    "%",
                )
            return Column(
                self.heading("oktas"),
                "cloud_cover",
                lambda r: r["cloud"] / 12.5,
                lambda r: float(r["cloud"]),
                "oktas",
            )
        name, unit = {
            "sal": ("salinity", "1"),
            "ph": ("ph", "1"),
            "do": ("dissolved_oxygen", "mg/l"),
            "dosat": ("dissolved_oxygen_saturation", "%"),
        }[which]
        return Column(
            self.heading(which), name, lambda r: r[which], lambda r: float(r[which]), unit
        )

    def text(self, which: str) -> Column:
        if which == "tide":
            return Column(
                self.heading("tide"),
                "tide_stage",
                lambda r: TIDE_WORDS[r["tide"]][r["people"] % 3],
                lambda r: r["tide"],
            )
        if which == "people":
            return Column(
                self.heading("people"),
                "observers",
                lambda r: r["people"],
                lambda r: float(r["people"]),
                "1",
            )
        return Column(
            self.heading(which),
            {"who": "recorder", "note": "remarks"}[which],
            lambda r: r[which],
            lambda r: r[which],
        )

    def aside(self, running: list[int]) -> Column:
        """A column that means nothing in the dictionary: it must be listed, not guessed."""
        heading, write = self.rng.choice(
            (
                ("Running total", lambda r: running.append(r["glass"]) or sum(running)),
                ("CPUE", lambda r: round(r["glass"] / r["hours"], 3)),
                ("Barometer (hPa)", lambda r: 990 + r["people"] * 5),
                ("Moon", lambda r: ("new", "waxing", "full", "waning")[r["date"].day // 8]),
                ("Bucket", lambda r: r["people"] * 2),
                ("Data entered by", lambda r: r["who"]),
            )
        )
        return Column(heading, None, write, lambda r: None)

    def usual(self) -> list[Column]:
        """The columns of an ordinary sheet, some of them by chance."""
        rng = self.rng
        columns = [self.dates()]
        if rng.random() < 0.8:
            columns.append(self.times("check_time"))
        if rng.random() < 0.4:
            columns.append(self.times("set_time"))
        elif rng.random() < 0.6:
            columns.append(self.hours())
        columns.append(self.count("glass"))
        for which, chance in (("elver", 0.6), ("mummi", 0.4), ("stickle", 0.4)):
            if rng.random() < chance:
                columns.append(self.count(which))
        if rng.random() < 0.3:
            columns.append(self.dead())
        readings = ["water", "air", "sal", "ph", "do", "dosat", "cond", "rain", "wind", "cloud"]
        for which in sorted(rng.sample(readings, rng.randint(2, 5)), key=readings.index):
            columns.append(self.number(which))
        for which in rng.sample(["tide", "who", "people", "note"], rng.randint(1, 3)):
            columns.append(self.text(which))
        if rng.random() < 0.4:
            columns.insert(rng.randint(3, len(columns)), self.aside([]))
        return columns


# -- laying a table on a tab -----------------------------------------------------------------


def letters(index: int) -> str:
    text = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        text = chr(65 + rest) + text
    return text


def table(sheet: str, columns: list[Column], left: int, protocol: str = "fyke") -> dict[str, Any]:
    return {
        "sheet": sheet,
        "protocol": protocol,
        "columns": {
            letters(left + place): {
                "heading": column.heading,
                "field": column.field,
                "unit": column.unit,
                "taxon": column.taxon,
                "life_stage": column.stage,
            }
            for place, column in enumerate(columns)
        },
        "rows": {},
        "skipped": [],
        "odd": {},
        "written": [],
    }


def put(tab: Tab, row: int, column: int, cell: Cell) -> None:
    while len(tab.rows) <= row:
        tab.rows.append([])
    cells = tab.rows[row]
    while len(cells) <= column:
        cells.append(None)
    cells[column] = cell


def put_row(
    tab: Tab,
    row: int,
    columns: list[Column],
    left: int,
    record: dict[str, Any],
    into: dict[str, Any],
    odd: dict[str, tuple[Cell, Any, str]] | None = None,
) -> None:
    """A row of data. ``odd``: column key -> cell, canonical value and kind of oddity."""
    meant: dict[str, Any] = {}
    for place, column in enumerate(columns):
        cell, value = column.write(record), column.mean(record)
        if odd and column.key in odd:
            cell, value, kind = odd[column.key]
            into["written"].append(cell)
            if kind:
                into["odd"][f"{letters(left + place)}{row + 1}"] = kind
        put(tab, row, left + place, cell)
        if column.field is not None:
            # The date of the check is the event's date where no other is kept.
            meant["local_date" if column.field == "check_date" else column.key] = value
    into["rows"][str(row + 1)] = meant


ODD_CELLS: list[tuple[str, Cell, Any, str]] = [
    ("glass", "~200", 200.0, "qualifier"),
    ("glass", ">500", 500.0, "qualifier"),
    ("glass", "<1", 1.0, "qualifier"),
    ("glass", "12 (6 dead)", 12.0, "qualifier"),
    ("glass", "1,204", 1204.0, ""),
    ("glass", "none", 0.0, "qualifier"),
    ("glass", "ND", None, "no-value"),
    ("glass", "-", None, "no-value"),
    ("glass", "n/a", None, "no-value"),
    ("glass", "net out", None, "no-value"),
    ("glass", "lots", None, "not-understood"),
    ("glass", "#REF!", None, "not-understood"),
    ("degC", "41F", 5.0, "unit-in-cell"),
    ("degC", "5,2 C", 5.2, ""),
    ("degC", "5.4°", 5.4, ""),
    ("degC", "6.1 °C", 6.1, ""),
    ("degC", "meter broken", None, "no-value"),
    ("degC", "7.0?", 7.0, "qualifier"),
    ("mm", "tr", 0.0, "qualifier"),
    ("mm", "trace", 0.0, "qualifier"),
]


def pick_odd(rng: random.Random, columns: list[Column]) -> dict[str, tuple[Cell, Any, str]]:
    keys = {"glass": f"count:{EEL}:glass eel"}
    for column in columns:
        if column.unit == "degC" and column.field == "water_temperature":
            keys["degC"] = column.key
        if column.unit == "mm":
            keys["mm"] = column.key
    fitting = [entry for entry in ODD_CELLS if entry[0] in keys]
    which, cell, value, kind = rng.choice(fitting)
    return {keys[which]: (cell, value, kind)}


def headings(tab: Tab, row: int, columns: list[Column], left: int) -> None:
    for place, column in enumerate(columns):
        put(tab, row, left + place, column.heading)


def plain(
    rng: random.Random,
    hand: Hand,
    name: str,
    *,
    top: int = 0,
    left: int = 0,
    columns: list[Column] | None = None,
    records: list[dict[str, Any]] | None = None,
    odd_rows: bool = True,
) -> tuple[Tab, list[Column], list[dict[str, Any]], int]:
    """One table with its headings in row ``top``; the row after its last."""
    columns = columns or hand.usual()
    records = records or season(rng, rng.randint(9, 16))
    tab = Tab(name)
    headings(tab, top, columns, left)
    into = table(name, columns, left)
    tab.tables.append(into)
    for number, record in enumerate(records):
        odd = pick_odd(rng, columns) if odd_rows and hand.odd and rng.random() < 0.15 else None
        put_row(tab, top + 1 + number, columns, left, record, into, odd)
    return tab, columns, records, top + 1 + len(records)


# -- layouts: each gives the tabs of one workbook ---------------------------------------------


def lay_plain(rng: random.Random, hand: Hand) -> list[Tab]:
    return [plain(rng, hand, "Log")[0]]


def lay_titles(rng: random.Random, hand: Hand) -> list[Tab]:
    """Title rows above, a blank first column, notes below."""
    tab, _, _, end = plain(rng, hand, "2026", top=4, left=1)
    put(tab, 0, 1, "Alder Creek eel count")
    put(tab, 1, 1, "Season 2026, please write zeros")
    put(tab, end + 1, 1, "Net mended on the 5th; gate stayed shut.")
    put(tab, end + 2, 1, "Key: the ruler reads in cm")
    tab.tables[0]["skipped"] = [end + 2, end + 3]
    return [tab]


def lay_totals(rng: random.Random, hand: Hand) -> list[Tab]:
    """A totals row at the end and a row of means below it."""
    tab, columns, _, end = plain(rng, hand, "Counts", odd_rows=False)
    for offset, (label, divide) in enumerate((("Total", False), ("Mean", True))):
        put(tab, end + offset, 0, label)
        for place, column in enumerate(columns):
            if column.field == "count":
                numbers = [row[place] for row in tab.rows[1:end]]
                total = float(sum(numbers))
                put(tab, end + offset, place, total / len(numbers) if divide else total)
    tab.tables[0]["skipped"] = [end + 1, end + 2]
    return [tab]


def lay_weeks(rng: random.Random, hand: Hand) -> list[Tab]:
    """Weekly totals in the middle, blank separator rows, headings again on every page."""
    columns, records = hand.usual(), season(rng, 15)
    tab = Tab("Season")
    headings(tab, 0, columns, 0)
    into = table("Season", columns, 0)
    tab.tables.append(into)
    row = 1
    for week in range(3):
        mine = records[week * 5 : week * 5 + 5]
        for record in mine:
            put_row(tab, row, columns, 0, record, into)
            row += 1
        put(tab, row, 0, f"Week {week + 1} total")
        for place, column in enumerate(columns):
            if column.field == "count":
                put(tab, row, place, sum(column.write(record) for record in mine))
        into["skipped"].append(row + 1)
        row += 2
        if week == 1:
            headings(tab, row, columns, 0)
            into["skipped"].append(row + 1)
            row += 1
    return [tab]


def lay_groups(rng: random.Random, hand: Hand) -> list[Tab]:
    """Two rows of headings with merged groups above, and a title over both."""
    date, check, glass, elver = (
        hand.dates("Date"),
        hand.times("check_time"),
        hand.count("glass"),
        hand.count("elver"),
    )
    water, air, sal = hand.number("water"), hand.number("air"), hand.number("sal")
    check.heading, glass.heading, elver.heading = "Time", "Glass", "Elvers"
    unit = "°F" if hand.american else "°C"
    water.heading = air.heading = f"Temp ({unit})"
    sal.heading = "Salinity"
    date.field = "check_date"  # "Date" below "Check"
    columns = [date, check, glass, elver, water, sal, air]
    groups = ("Check", "Check", "Eels", "Eels", "Water", "Water", "Air")
    tab, _, _, _ = plain(rng, hand, "Log", top=2, columns=columns)
    put(tab, 0, 0, "Alder Creek 2026")
    for place, group in enumerate(groups):
        put(tab, 1, place, group if group not in groups[:place] else None)
    tab.merges += [(1, 0, 1, 1), (1, 2, 1, 3), (1, 4, 1, 5)]
    for place, column in enumerate(columns):
        shown = f"{groups[place]} {column.heading}"
        tab.tables[0]["columns"][letters(place)]["heading"] = shown
    return [tab]


def lay_units_row(rng: random.Random, hand: Hand) -> list[Tab]:
    """Headings without units, and a row of units below them."""
    us = hand.american
    columns = [
        hand.dates("Date"),
        hand.times("check_time"),
        hand.hours(),
        hand.count("glass"),
        hand.number("water"),
        hand.number("rain"),
        hand.number("do"),
    ]
    columns[1].heading, columns[2].heading = "Time", "Soak"
    columns[4].heading, columns[5].heading, columns[6].heading = "Water temp", "Rain", "DO"
    units = ("", "hh:mm", "hrs", "no.", "°F" if us else "°C", "in" if us else "mm", "mg/L")
    records = season(rng, 12)
    tab = Tab("Log")
    headings(tab, 0, columns, 0)
    into = table("Log", columns, 0)
    tab.tables.append(into)
    for place, text in enumerate(units):
        put(tab, 1, place, text or None)
    into["skipped"].append(2)
    for number, record in enumerate(records):
        put_row(tab, 2 + number, columns, 0, record, into)
    return [tab]


def lay_three_rows(rng: random.Random, hand: Hand) -> list[Tab]:
    """Three rows of headings: groups, names and units."""
    us = hand.american
    columns = [
        hand.dates("Date"),
        hand.count("glass"),
        hand.count("elver"),
        hand.number("water"),
        hand.number("air"),
        hand.number("do"),
        hand.text("note"),
    ]
    names = ("Date", "Glass", "Elver", "Temp", "Temp", "DO", "Notes")
    groups = ("", "Eels", "Eels", "Water", "Air", "Water", "")
    degree = "°F" if us else "°C"
    units = ("", "", "", degree, degree, "mg/L", "")
    tab = Tab("Sheet1")
    into = table("Sheet1", columns, 0)
    tab.tables.append(into)
    for place, (group, name, unit) in enumerate(zip(groups, names, units, strict=True)):
        put(tab, 0, place, group if not place or groups[place - 1] != group else None)
        if not group:
            put(tab, 0, place, None)
        put(tab, 1, place, name)
        put(tab, 2, place, unit or None)
        into["columns"][letters(place)]["heading"] = f"{group} {name}".strip()
    tab.merges.append((0, 1, 0, 2))
    into["skipped"].append(3)
    for number, record in enumerate(season(rng, 11)):
        put_row(tab, 3 + number, columns, 0, record, into)
    return [tab]


def lay_months(rng: random.Random, hand: Hand) -> list[Tab]:
    """One tab a month, the same columns on each."""
    columns, tabs = hand.usual(), []
    for number, month in enumerate((3, 4, 5)):
        records = season(rng, 8, dt.date(2026, month, 2))
        name = ("March", "April", "May")[number]
        tabs.append(plain(rng, hand, name, columns=columns, records=records)[0])
    return tabs


def lay_days_only(rng: random.Random, hand: Hand) -> list[Tab]:
    """One tab a month, with only the day of the month in the date column."""
    tabs = []
    columns = [c for c in hand.usual() if c.field != "local_date"]
    day = Column("Day", "local_date", lambda r: r["date"].day, lambda r: r["date"].isoformat())
    for month, name in ((3, "March 2026"), (4, "April 2026")):
        records = season(rng, 9, dt.date(2026, month, 1))
        tabs.append(plain(rng, hand, name, columns=[day, *columns], records=records)[0])
    return tabs


def lay_nets(rng: random.Random, hand: Hand) -> list[Tab]:
    """One tab a net."""
    columns, tabs = hand.usual(), []
    for net in ("A", "B"):
        tab, *_ = plain(rng, hand, f"Net {net}", columns=columns)
        for meant in tab.tables[0]["rows"].values():
            meant["gear_unit"] = net
        tabs.append(tab)
    return tabs


def lay_water_tab(rng: random.Random, hand: Hand) -> list[Tab]:
    """Water quality on a tab of its own, keyed by date."""
    records = season(rng, 12)
    first = [
        hand.dates(),
        hand.times("check_time"),
        hand.hours(),
        hand.count("glass"),
        hand.text("who"),
    ]
    first[1].heading = "Time checked"
    second = [hand.dates(), hand.number("water"), hand.number("sal"), hand.number("ph")]
    log, *_ = plain(rng, hand, "Net log", columns=first, records=records, odd_rows=False)
    water = Tab("Water quality")
    headings(water, 0, second, 0)
    into = table("Water quality", second, 0, "water")
    water.tables.append(into)
    for number, record in enumerate(records[:9]):
        put_row(water, 1 + number, second, 0, record, into)
        lent = into["rows"].pop(str(2 + number))
        meant = log.tables[0]["rows"][str(2 + number)]
        meant.update({k: v for k, v in lent.items() if k != "local_date"})
    return [log, water]


def lay_across(rng: random.Random, hand: Hand) -> list[Tab]:
    """Dates across: headings down the first column."""
    tab, columns, _, end = plain(
        rng,
        hand,
        "Log",
        columns=[
            hand.dates("Date"),
            hand.times("check_time"),
            hand.count("glass"),
            hand.count("elver"),
            hand.number("water"),
            hand.text("tide"),
        ],
        odd_rows=False,
    )
    width = len(columns)
    turned = [
        [row[place] if place < len(row) else None for row in tab.rows[:end]]
        for place in range(width)
    ]
    out = Tab("Log", turned)
    into = tab.tables[0]
    into["sheet"] = "Log, turned, its dates across"
    out.tables.append(into)
    return [out]


def lay_long(rng: random.Random, hand: Hand) -> list[Tab]:
    """One row a species, the date repeated."""
    return _long(rng, hand, once=False)


def lay_long_once(rng: random.Random, hand: Hand) -> list[Tab]:
    """One row a species, the date written in the first row of each check only."""
    return _long(rng, hand, once=True)


def _long(rng: random.Random, hand: Hand, once: bool) -> list[Tab]:
    animals = (
        ("Glass eel", EEL, "glass eel", "glass"),
        ("Elver", EEL, "elver", "elver"),
        ("Mummichog", MUMMI, "unspecified", "mummi"),
        ("Stickleback", STICKLE, "unspecified", "stickle"),
    )
    date, check, water = hand.dates(), hand.times("check_time"), hand.number("water")
    species = Column(
        rng.choice(("Species", "What", "Common name")), "taxon", lambda r: None, lambda r: None
    )
    number = Column(
        rng.choice(("Number", "Count", "No.", "How many")),
        "count",
        lambda r: None,
        lambda r: None,
        "1",
    )
    columns = [date, check, species, number, water]
    tab = Tab("Catch")
    headings(tab, 0, columns, 0)
    into = table("Catch", columns, 0)
    tab.tables.append(into)
    row = 1
    for record in season(rng, 7):
        head = row
        meant = {c.key: c.mean(record) for c in (date, check, water)}
        for place, (name, taxon, stage, key) in enumerate(animals):
            if place and rng.random() < 0.3:
                continue
            if row == head or not once:
                for column in (date, check, water):
                    put(tab, row, columns.index(column), column.write(record))
            put(tab, row, 2, name)
            put(tab, row, 3, record[key])
            into["rows"].setdefault(str(row + 1), {})[f"count:{taxon}:{stage}"] = float(record[key])
            row += 1
        into["rows"][str(head + 1)] |= meant
    return [tab]


def lay_side_by_side(rng: random.Random, hand: Hand) -> list[Tab]:
    """Two nets side by side, each with its own date; a name over each."""
    columns = [
        hand.dates("Date"),
        hand.times("check_time"),
        hand.count("glass"),
        hand.number("water"),
    ]
    tab = Tab("Nets")
    gap = rng.choice((0, 1))
    put(tab, 0, 0, "Net A")
    left = len(columns) + gap
    put(tab, 0, left, "Net B")
    for net, start in (("A", 0), ("B", left)):
        headings(tab, 1, columns, start)
        into = table("", columns, start)
        last = letters(start + len(columns) - 1)
        into["sheet"] = f"Nets, columns {letters(start)} to {last}"
        for number, record in enumerate(season(rng, 10)):
            put_row(tab, 2 + number, columns, start, record, into)
            into["rows"][str(3 + number)]["gear_unit"] = net
        tab.tables.append(into)
    return [tab]


def lay_nets_across(rng: random.Random, hand: Hand) -> list[Tab]:
    """Two nets in one row, sharing date and water; the nets are in the headings."""
    date, water = hand.dates("Date"), hand.number("water")
    tab = Tab("Log")
    named = []
    for net in ("A", "B"):
        glass, hours = hand.count("glass"), hand.hours()
        glass.heading = rng.choice((f"Net {net} glass eels", f"Glass eels (net {net})"))
        hours.heading = f"Hours fished net {net}"
        named.append([glass, hours])
    headings(tab, 0, [date, *named[0], *named[1], water], 0)
    tables = []
    for net, own, start in (("A", named[0], 1), ("B", named[1], 3)):
        into = table(f"Log, net {net}", own, start)
        shared = table("", [date], 0)["columns"] | table("", [water], 5)["columns"]
        into["columns"] |= shared
        tables.append((net, into))
    tab.tables += [into for _, into in tables]
    for number, record in enumerate(season(rng, 10)):
        other = record | {"glass": record["glass"] + 5, "hours": record["hours"] + 0.5}
        row = [date.write(record)]
        for own, source in zip(named, (record, other), strict=True):
            row += [column.write(source) for column in own]
        tab.rows.append([*row, water.write(record)])
        for (net, into), own, source in zip(tables, named, (record, other), strict=True):
            meant = {c.key: c.mean(source) for c in (date, water, *own)}
            into["rows"][str(2 + number)] = meant | {"gear_unit": net}
    return [tab]


def lay_parts(rng: random.Random, hand: Hand) -> list[Tab]:
    """Year, month and day in three columns."""
    rest = [c for c in hand.usual() if c.field != "local_date"]
    word = rng.choice((True, False))
    parts = [
        Column("Year", "local_date", lambda r: r["date"].year, lambda r: r["date"].isoformat()),
        Column(
            "Month",
            "local_date",
            lambda r: MONTHS[r["date"].month - 1] if word else r["date"].month,
            lambda r: r["date"].isoformat(),
        ),
        Column("Day", "local_date", lambda r: r["date"].day, lambda r: r["date"].isoformat()),
    ]
    return [plain(rng, hand, "Log", columns=[*parts, *rest])[0]]


def lay_hidden(rng: random.Random, hand: Hand) -> list[Tab]:
    """Hidden rows and a hidden column are still the lead's record."""
    tab, columns, _, _end = plain(rng, hand, "Log")
    tab.hidden_rows = {2, 3}
    tab.hidden_columns = {len(columns) - 1}
    return [tab]


def lay_below(rng: random.Random, hand: Hand) -> list[Tab]:
    """Counts, and below them a second table of water readings with other columns."""
    first = [hand.dates("Date"), hand.count("glass"), hand.count("elver"), hand.number("water")]
    second = [hand.dates("Date"), hand.number("sal"), hand.number("water"), hand.number("ph")]
    tab, _, records, end = plain(rng, hand, "Log", columns=first, odd_rows=False)
    start = end + 2
    headings(tab, start, second, 0)
    later = season(rng, 6, records[-1]["date"] + dt.timedelta(days=5))
    into = table(f"Log, rows {start + 1} to {start + 1 + len(later)}", second, 0, "water")
    for number, record in enumerate(later):
        put_row(tab, start + 1 + number, second, 0, record, into)
    tab.tables[0]["sheet"] = f"Log, rows 1 to {start}"
    tab.tables.append(into)
    return [tab]


# -- layouts of a second round: what the first has seldom or never ------------------------------


def lay_cells(rng: random.Random, hand: Hand) -> list[Tab]:
    """Every odd cell once, a row each, between rows of plain ones."""
    columns = [
        hand.dates("Date"),
        hand.times("check_time"),
        hand.times("set_time"),
        hand.count("glass"),
        hand.number("water"),
        hand.number("rain"),
        hand.number("cond"),
    ]
    comma = not hand.odd
    cells = [
        entry
        for entry in (*ODD_CELLS, *(COMMA_CELLS if comma else POINT_CELLS))
        if not (comma and entry[1] in POINTED)
    ]
    keys = {
        "glass": columns[3].key,
        "degC": columns[4].key,
        "mm": columns[5].key,
        "uS/cm": columns[6].key,
        "set": "set_time",
    }
    records = season(rng, 3 * len(cells), dt.date(2026, 2, 14))
    tab = Tab("Log")
    headings(tab, 0, columns, 0)
    into = table("Log", columns, 0)
    tab.tables.append(into)
    for number, record in enumerate(records):
        odd = None
        if number % 3 == 1:
            which, cell, value, kind = cells[number // 3]
            odd = {keys[which]: (cell, value, kind)}
        put_row(tab, 1 + number, columns, 0, record, into, odd)
        if odd is not None and which == "set" and kind == "qualifier":
            day_before = record["date"] - dt.timedelta(days=1)
            into["rows"][str(number + 2)]["set_date"] = day_before.isoformat()
    return [tab]


POINTED = frozenset({"1,204", "5.4°", "6.1 °C", "7.0?"})
"""Odd cells of a hand that writes decimals with a point."""
POINT_CELLS: list[tuple[str, Cell, Any, str]] = [
    ("glass", "tr", None, "not-understood"),
    ("glass", "10-12", None, "not-understood"),
    ("glass", "1\u202f204", 1204.0, ""),
    ("degC", "5.3\u00a0°C", 5.3, ""),
    ("degC", "\u22120.4", -0.4, ""),
    ("uS/cm", "1,204.5", 1204.5, ""),
    ("uS/cm", "ND", None, "no-value"),
    ("set", "17:00 prev day", "17:00", "qualifier"),
    ("set", "yesterday 4 pm", "16:00", "qualifier"),
    ("set", "n/a", None, "no-value"),
    ("set", "dusk", None, "not-understood"),
]
COMMA_CELLS: list[tuple[str, Cell, Any, str]] = [
    ("glass", "tr", None, "not-understood"),
    ("degC", "5,4°", 5.4, ""),
    ("degC", "6,1\u00a0°C", 6.1, ""),
    ("degC", "7,0?", 7.0, "qualifier"),
    ("uS/cm", "1.204,5", 1204.5, ""),
    ("uS/cm", "ND", None, "no-value"),
    ("set", "17:00 prev day", "17:00", "qualifier"),
]


def lay_yoy(rng: random.Random, hand: Hand) -> list[Tab]:
    """Taxon and stage in one heading, and a pH that is none."""
    date, hours = hand.dates("Date"), hand.hours()
    young = Column(
        "A. rostrata YOY",
        "count",
        lambda r: r["glass"],
        lambda r: float(r["glass"]),
        "1",
        EEL,
        "young of year",
    )
    elver = hand.count("elver")
    elver.heading = "elvers >65 mm"
    no_ph = Column("pH", None, lambda r: 380 + 4 * r["people"], lambda r: None)
    columns = [date, hours, young, elver, hand.number("water"), no_ph]
    tab, *_ = plain(rng, hand, "Log", columns=columns, odd_rows=False)
    tab.tables[0]["odd"]["F1"] = "column-unread"
    return [tab]


def lay_seine(rng: random.Random, hand: Hand) -> list[Tab]:
    """Seine hauls, with an area in square metres by a raised 2."""
    hauls = Column("Hauls", "hauls", lambda r: r["people"], lambda r: float(r["people"]), "1")
    area = Column(
        "Area swept (m²)", "haul_area", lambda r: r["dosat"], lambda r: float(r["dosat"]), "m2"
    )
    columns = [hand.dates("Date"), hand.times("check_time"), hauls, area]
    columns += [hand.count("glass"), hand.count("mummi"), hand.number("water")]
    tab, *_ = plain(rng, hand, "Seine", columns=columns, odd_rows=False)
    tab.tables[0]["protocol"] = "seine"
    return [tab]


def lay_steady(rng: random.Random, hand: Hand) -> list[Tab]:
    """Days up to the twelfth only: that rows follow one another tells day from month."""
    return _untold(rng, hand, [dt.date(2026, 4, day) for day in range(2, 13)])


def lay_in_season(rng: random.Random, hand: Hand) -> list[Tab]:
    """Days up to the twelfth and out of order: only the season tells day from month."""
    days = [(2, 9), (6, 7), (3, 10), (5, 11), (2, 8), (4, 12), (6, 9), (3, 8), (5, 10), (2, 11)]
    return _untold(rng, hand, [dt.date(2026, month, day) for month, day in days])


def _untold(rng: random.Random, hand: Hand, days: list[dt.date]) -> list[Tab]:
    hand.date = "mdy" if hand.american else "dmy"
    columns = [hand.dates("Date"), hand.hours(), hand.count("glass"), hand.number("water")]
    drawn = season(rng, len(days))
    records = [record | {"date": day} for record, day in zip(drawn, days, strict=True)]
    return [plain(rng, hand, "Log", columns=columns, records=records, odd_rows=False)[0]]


def lay_quoted(rng: random.Random, hand: Hand) -> list[Tab]:
    """Line breaks within headings and remarks."""
    glass, note = hand.count("glass"), hand.text("note")
    glass.heading = "Glass\neels"
    note.write = lambda r: f"{r['tide']} tide,\n{r['people']} people; \"fine\""
    note.mean = lambda r: note.write(r)
    columns = [hand.dates("Date"), hand.times("check_time"), glass, hand.number("water"), note]
    tab, *_ = plain(rng, hand, "Log", columns=columns, odd_rows=False)
    tab.tables[0]["columns"]["C"]["heading"] = "Glass eels"
    return [tab]


SECOND: dict[str, tuple[Callable[[random.Random, Hand], list[Tab]], tuple[str, ...]]] = {
    "cells": (
        lay_cells,
        (
            "xlsxwriter",
            "soffice-ods",
            "xlwt",
            "csv-cp1252-semicolon",
            "csv-bom-semicolon",
            "tsv-utf16",
        ),
    ),
    "yoy": (lay_yoy, ("openpyxl", "csv-utf8", "soffice-xls")),
    "seine": (lay_seine, ("xlsxwriter", "csv-cp1252-semicolon", "soffice-ods")),
    "steady": (lay_steady, ("csv-utf8", "xlwt", "tsv", "xlsb")),
    "in-season": (lay_in_season, ("csv-utf8", "openpyxl", "csv-mac", "soffice-ods")),
    "quoted": (lay_quoted, ("csv-utf8", "csv-cp1252-semicolon", "tsv-utf16", "soffice-xlsx")),
}
"""Layout -> its maker, and the writers it is written by."""

LAYOUTS: dict[str, Callable[[random.Random, Hand], list[Tab]]] = {
    "plain": lay_plain,
    "titles": lay_titles,
    "totals": lay_totals,
    "weeks": lay_weeks,
    "groups": lay_groups,
    "units-row": lay_units_row,
    "three-rows": lay_three_rows,
    "months": lay_months,
    "days-only": lay_days_only,
    "nets": lay_nets,
    "water-tab": lay_water_tab,
    "across": lay_across,
    "long": lay_long,
    "long-once": lay_long_once,
    "side-by-side": lay_side_by_side,
    "nets-across": lay_nets_across,
    "date-parts": lay_parts,
    "hidden": lay_hidden,
    "below": lay_below,
}


# -- writers -----------------------------------------------------------------------------------


def cells_of(tab: Tab) -> Iterator[tuple[int, int, Cell]]:
    for row, cells in enumerate(tab.rows):
        for column, cell in enumerate(cells):
            if cell is not None:
                yield row, column, cell


def write_xlsxwriter(tabs: list[Tab], path: Path, since_1904: bool = False) -> None:
    import xlsxwriter

    book = xlsxwriter.Workbook(str(path), {"date_1904": since_1904})
    day = book.add_format({"num_format": "d mmm yyyy"})
    clock = book.add_format({"num_format": "h:mm"})
    for tab in tabs:
        sheet = book.add_worksheet(tab.name)
        for row, column, cell in cells_of(tab):
            if isinstance(cell, dt.date):
                sheet.write_datetime(row, column, cell, day)
            elif isinstance(cell, dt.time):
                sheet.write_datetime(row, column, cell, clock)
            elif isinstance(cell, str):
                sheet.write_string(row, column, cell)
            else:
                sheet.write_number(row, column, cell)
        for top, left, bottom, right in tab.merges:
            sheet.merge_range(top, left, bottom, right, tab.rows[top][left])
        for row in tab.hidden_rows:
            sheet.set_row(row, None, None, {"hidden": True})
        for column in tab.hidden_columns:
            sheet.set_column(column, column, None, None, {"hidden": True})
    book.close()


def write_1904(tabs: list[Tab], path: Path) -> None:
    write_xlsxwriter(tabs, path, since_1904=True)


def write_openpyxl(tabs: list[Tab], path: Path) -> None:
    import openpyxl
    from openpyxl.utils import get_column_letter

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for tab in tabs:
        sheet = book.create_sheet(tab.name)
        for row, column, cell in cells_of(tab):
            sheet.cell(row + 1, column + 1, cell)
        for top, left, bottom, right in tab.merges:
            sheet.merge_cells(
                start_row=top + 1, start_column=left + 1, end_row=bottom + 1, end_column=right + 1
            )
        for row in tab.hidden_rows:
            sheet.row_dimensions[row + 1].hidden = True
        for column in tab.hidden_columns:
            sheet.column_dimensions[get_column_letter(column + 1)].hidden = True
    book.save(path)


def write_pandas(tabs: list[Tab], path: Path) -> None:
    import pandas as pd

    with pd.ExcelWriter(path) as book:
        for tab in tabs:
            width = max(map(len, tab.rows))
            filled = [[*row, *[None] * (width - len(row))] for row in tab.rows]
            pd.DataFrame(filled, dtype=object).to_excel(
                book, sheet_name=tab.name, header=False, index=False
            )


def write_xlwt(tabs: list[Tab], path: Path) -> None:
    import xlwt

    book = xlwt.Workbook()
    day = xlwt.easyxf(num_format_str="D-MMM-YY")
    clock = xlwt.easyxf(num_format_str="h:mm")
    for tab in tabs:
        sheet = book.add_sheet(tab.name)
        merged = {(top, left): (bottom, right) for top, left, bottom, right in tab.merges}
        for row, column, cell in cells_of(tab):
            if (row, column) in merged:
                sheet.write_merge(row, merged[row, column][0], column, merged[row, column][1], cell)
            elif isinstance(cell, dt.date):
                sheet.write(row, column, cell, day)
            elif isinstance(cell, dt.time):
                sheet.write(row, column, cell, clock)
            else:
                sheet.write(row, column, cell)
        for row in tab.hidden_rows:
            sheet.row(row).hidden = True
        for column in tab.hidden_columns:
            sheet.col(column).hidden = True
    book.save(str(path))


def write_xlsb(tabs: list[Tab], path: Path) -> None:
    from pyxlsbwriter import XlsbWriter

    with XlsbWriter(str(path)) as book:
        for tab in tabs:
            width = max(map(len, tab.rows))
            book.add_sheet(tab.name)
            book.write_sheet(
                [
                    [
                        text_of(cell, ".") if isinstance(cell, dt.time) else cell
                        for cell in (*row, *[None] * (width - len(row)))
                    ]
                    for row in tab.rows
                ]
            )


def text_of(cell: Cell, decimal: str) -> str:
    """What a spreadsheet program puts into a text file for a cell."""
    if cell is None:
        return ""
    if isinstance(cell, dt.date):
        return cell.isoformat()
    if isinstance(cell, dt.time):
        return cell.isoformat("minutes")
    if isinstance(cell, float):
        text = str(int(cell)) if cell.is_integer() else repr(cell)
        return text.replace(".", decimal)
    return str(cell)


def text_bytes(tab: Tab, separator: str, decimal: str, encoding: str) -> bytes:
    held = io.StringIO(newline="")
    csv.writer(held, delimiter=separator).writerows(
        [[text_of(cell, decimal) for cell in row] for row in tab.rows]
    )
    return held.getvalue().encode(encoding)


def text_writer(separator: str, decimal: str, encoding: str) -> Callable[[list[Tab], Path], None]:
    def write(tabs: list[Tab], path: Path) -> None:
        made = [text_bytes(tab, separator, decimal, encoding) for tab in tabs]
        if path.suffix != ".zip":
            path.write_bytes(made[0])
            return
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            for tab, content in zip(tabs, made, strict=True):
                archive.writestr(zipfile.ZipInfo(f"{tab.name}.csv"), content)

    return write


def write_zip(tabs: list[Tab], path: Path) -> None:
    """Every tab a workbook of its own, in one archive with a text to read first."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for tab in tabs:
            with tempfile.TemporaryDirectory() as folder:
                single = Path(folder) / "x.xlsx"
                write_openpyxl([tab], single)
                archive.writestr(zipfile.ZipInfo(f"2026/{tab.name}.xlsx"), single.read_bytes())
        archive.writestr(zipfile.ZipInfo("2026/photo.jpg"), b"\xff\xd8\xff\xe0 a photo")


WRITERS: dict[str, tuple[str, Callable[[list[Tab], Path], None]]] = {
    "xlsxwriter": (".xlsx", write_xlsxwriter),
    "openpyxl": (".xlsx", write_openpyxl),
    "pandas": (".xlsx", write_pandas),
    "xlsx-1904": (".xlsm", write_1904),
    "xlwt": (".xls", write_xlwt),
    "soffice-xls": (".xls", write_openpyxl),
    "soffice-ods": (".ods", write_openpyxl),
    "soffice-xlsx": (".xlsx", write_xlsxwriter),
    "xlsb": (".xlsb", write_xlsb),
    "zip": (".zip", write_zip),
    "csv-utf8": (".csv", text_writer(",", ".", "utf-8")),
    "csv-bom-semicolon": (".csv", text_writer(";", ",", "utf-8-sig")),
    "csv-cp1252-semicolon": (".csv", text_writer(";", ",", "cp1252")),
    "csv-mac": (".csv", text_writer(",", ".", "mac_roman")),
    "tsv-utf16": (".txt", text_writer("\t", ".", "utf-16")),
    "tsv": (".tsv", text_writer("\t", ".", "cp1252")),
}
TEXTS = frozenset(name for name in WRITERS if name.startswith(("csv", "tsv")))
MARKED = frozenset({"groups", "three-rows"})
"""Layouts that live by merged cells, which text files have none of: drawn without a merge."""


def resave(source: Path, kind: str, into: Path) -> None:
    """Have LibreOffice save a workbook as another kind."""
    done = subprocess.run(
        ["soffice", "--headless", "--convert-to", kind, "--outdir", str(into), str(source)],
        check=True,
        capture_output=True,
        timeout=120,
    )
    if not (into / f"{source.stem}.{kind}").exists():
        raise SystemExit(f"LibreOffice made nothing of {source}: {done.stderr.decode()}")


def planned() -> Iterator[tuple[str, Callable[[random.Random, Hand], list[Tab]], str, int, int]]:
    """Layout, its maker, writer, turn and place of every workbook of the corpus."""
    for turn in range(9):
        for place, (layout, lay) in enumerate(LAYOUTS.items()):
            names = list(WRITERS)
            yield layout, lay, names[(place * 3 + turn * 7) % len(names)], turn, place
    for place, (layout, (lay, writers)) in enumerate(SECOND.items()):
        for turn, writer in enumerate(writers):
            yield layout, lay, writer, turn, place


def make() -> None:
    HERE.mkdir(parents=True, exist_ok=True)
    dates, times = list(DATE_STYLES), list(TIME_STYLES)
    waiting: list[tuple[Path, str]] = []
    staging = Path(tempfile.mkdtemp())
    for number, (layout, lay, writer, turn, place) in enumerate(planned(), start=1):
        rng = random.Random(f"{layout} {writer} {turn}")
        date = dates[(place + turn * 3) % len(dates)]
        time = times[(place * 2 + turn) % len(times)]
        odd = "semicolon" not in writer
        american = bool((place + turn) % 2)
        if layout == "cells":
            date, american = ("iso", "long", "cell")[turn % 3], False
        if date == "Mon d" and layout not in ("titles", "groups", "days-only"):
            date = "long"  # a date without a year needs a year somewhere on the sheet
        if writer in TEXTS and date == "cell":
            date = "iso"
        if writer in TEXTS | {"xlsb"} and time == "fraction":
            time = "h:mm"
        if writer == "xlsx-1904" and date == "serial":
            date = "cell"
        if writer == "soffice-ods" and time == "fraction":
            time = "cell"
        hand = Hand(rng, date, time, american=american, odd=odd)
        tabs = lay(rng, hand)
        suffix, write = WRITERS[writer]
        if writer in TEXTS and len(tabs) > 1:
            suffix = ".zip"
        if writer in TEXTS | {"xlsb", "pandas"} or (writer == "zip" and layout in MARKED):
            for tab in tabs:
                tab.merges, tab.hidden_rows, tab.hidden_columns = [], set(), set()
        stem = f"{number:03d}-{layout}-{writer}"
        path = HERE / f"{stem}{suffix}"
        if not path.exists():
            if writer.startswith("soffice"):
                path = staging / f"{stem}.xlsx"
                waiting.append((path, suffix[1:]))
            write(tabs, path)
        tables = [entry for tab in tabs for entry in tab.tables]
        rename(tables, tabs, writer, suffix)
        document = {
            "file": f"{stem}{suffix}",
            "forms": {
                "layout": layout,
                "writer": writer,
                "dates": hand.date,
                "times": time,
                "units": "American" if hand.american else "metric",
            },
            "nets": ["A", "B"] if layout in ("nets", "side-by-side", "nets-across") else ["A"],
            "tables": tables,
        }
        (HERE / f"{stem}.json").write_text(
            json.dumps(document, indent=None, ensure_ascii=False, sort_keys=True) + "\n",
            encoding="utf-8",
            newline="\n",
        )
    for source, kind in waiting:
        resave(source, kind, HERE)
        sys.stderr.write(".")


def rename(tables: list[dict[str, Any]], tabs: list[Tab], writer: str, suffix: str) -> None:
    """Name tables as the sheets they stand on are called in this kind of file."""
    for entry in tables:
        tab = next(tab for tab in tabs if any(entry is mine for mine in tab.tables))
        rest = entry["sheet"].removeprefix(tab.name).removeprefix(", ")
        if suffix == ".zip" and writer in TEXTS:
            name = f"{tab.name}.csv" if len(tabs) > 1 else ""
        elif suffix == ".zip":
            name = f"2026/{tab.name}.xlsx: {tab.name}" if len(tabs) > 1 else tab.name
        else:
            name = "" if writer in TEXTS else tab.name
        entry["sheet"] = ", ".join(filter(None, (name, rest)))


if __name__ == "__main__":
    make()
