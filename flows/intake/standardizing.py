"""Standardizing: recognised tables become staged rows, columnar and in canonical units.

A row of a wide table is one event; rows of a long one that share date, time and net are.
Water tabs lend their readings to the events of the same day. Values are read, never
judged: a fraction of a fish stays a fraction, a blank stays blank.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from flows.intake.cells import (
    date_part,
    folded,
    number_of,
    parse_date_text,
    says_lifted,
    settle,
)
from flows.intake.columns import DAY_BEFORE, Setting, read_column
from flows.intake.reading import DIALECT_1904, cell_text, comments_of, dialect_of
from flows.intake.tables import across, merged_down
from shared.fields import CATCH_FIELDS, EVENT_FIELDS, FIELDS, Group, Kind, Level
from shared.identity import event_id, short_digest, to_utc
from shared.protocol import Protocol, protocols
from shared.settings import Network, Site
from shared.sheets import Cell, Column, Recognised, Sheet, Table, Workbook, cell_name
from shared.staging import EVENT_COLUMNS, Staged, row_id_base
from shared.taxa import TAXA, UNSTAGED

_CATCH_VALUES = tuple(f.id for f in CATCH_FIELDS if f.id not in ("taxon", "life_stage"))
_EVENT_VALUES = tuple(f.id for f in EVENT_FIELDS if f.id != "site")
_LENT = tuple(
    f.id for f in EVENT_FIELDS if f.group in (Group.WATER, Group.WEATHER, Group.PEOPLE, Group.PLACE)
)
"""What a water tab may lend to an event: never its identity or effort."""
_DITTO = frozenset({'"', "''", "\u3003", "\u201d", "ditto", "do", "do.", '-"-', "\u2033"})


class _Clock:
    """Local civil time to UTC, with the offset of a day worked out once."""

    def __init__(self, zone: str) -> None:
        self.zone = zone
        self._info = ZoneInfo(zone)
        self._offsets: dict[dt.date, dt.timedelta | None] = {}

    def utc(self, local: dt.datetime) -> dt.datetime:
        day = local.date()
        if day not in self._offsets:
            start = dt.datetime.combine(day, dt.time(0), self._info).utcoffset()
            end = dt.datetime.combine(day, dt.time(23, 59, 59), self._info).utcoffset()
            self._offsets[day] = start if start == end else None
        offset = self._offsets[day]
        return local - offset if offset is not None else to_utc(local, self.zone)


@dataclass(slots=True)
class _Odd:
    """An oddity before its row has an id: position within the table."""

    place: int
    column: Column
    raw: str
    kind: str
    detail: str


@dataclass(slots=True)
class _Rows:
    """A table's rows as read: one value a row in every list."""

    table: Table
    protocol: Protocol
    numbers: list[int]
    """0-based rows of the sheet."""
    event: dict[str, list[Any]]
    catch: dict[tuple[str | None, str | None], dict[str, list[Any]]]
    """(taxon, stage) -> field -> values; one entry (None, None) in long tables."""
    taxa: list[Any]
    stages: list[Any]
    odd: list[_Odd] = field(default_factory=list)
    content: list[str | None] = field(default_factory=list)
    taxon_text: list[str] = field(default_factory=list)


class _Stage:
    """Collects the staged rows of one file."""

    def __init__(self, sha: str, site: Site, network: Network) -> None:
        self.sha = sha
        self.base = row_id_base(sha)
        self.site = site
        self.network = network
        self.clock = _Clock(site.zone)
        self.staged = Staged()
        self.events = 0
        self.catches = 0
        self.by_day: dict[dt.date, list[int]] = defaultdict(list)
        """Local date -> positions of its fyke and seine events."""
        self.unread: set[tuple[int, str]] = set()
        """(event position, field) whose cell could not be read: no water tab may fill it."""
        self.account: list[tuple[str, int, int | None, str | None]] = []


def standardize(
    workbook: Workbook, recognised: Recognised, site: Site, network: Network, file_sha256: str
) -> Staged:
    """The staged rows of one file (see :mod:`shared.staging` for their columns).

    Times are local civil time beside UTC; ``soak_hours`` are elapsed hours, so that a
    clock change within a soak counts for what it was.
    """
    stage = _Stage(file_sha256, site, network)
    sheets = {sheet.name: sheet for sheet in workbook.sheets}
    water: list[_Rows] = []
    for table in recognised.tables:
        sheet = sheets[table.sheet]
        rows = _read_table(workbook, sheet, table, site, network)
        _note_places(stage, table)
        for skipped in table.skipped:
            if skipped.counts:
                stage.account.append((table.sheet, skipped.row, None, skipped.why))
        if table.protocol == "water":
            water.append(rows)
        elif table.layout == "long":
            _stage_long(stage, rows)
        else:
            _stage_wide(stage, rows)
    for rows in water:
        _stage_water(stage, rows)
    order = {sheet.name: place for place, sheet in enumerate(workbook.sheets)}
    stage.account.sort(key=lambda entry: (order[entry[0]], entry[1]))
    account = stage.staged.rows
    account["file_sha256"] = [file_sha256] * len(stage.account)
    account["sheet"] = [entry[0] for entry in stage.account]
    account["sheet_row"] = [entry[1] + 1 for entry in stage.account]
    account["row_id"] = [entry[2] for entry in stage.account]
    account["skipped"] = [entry[3] for entry in stage.account]
    return stage.staged


# -- reading a table's columns ---------------------------------------------------------------


def _stated_year(
    workbook: Workbook, sheet: Sheet, table: Table, network: Network
) -> Callable[[int], int | None]:
    """Year of a date that names none: by the sheet's other dates, titles and names."""
    known: list[int | None] = []

    def year(month: int) -> int | None:
        if not known:
            known.append(_season_stated(workbook, sheet, table, network))
        season = known[0]
        if season is None or not 1 <= month <= 12:
            return season
        start, _ = network.season_span(season)
        return (
            start.year
            if (month, 28) >= (start.month, start.day) or (start.year == season)
            else season
        )

    return year


def _season_stated(workbook: Workbook, sheet: Sheet, table: Table, network: Network) -> int | None:
    dates = [c.index for c in table.columns if c.field and FIELDS[c.field].kind is Kind.DATE]
    seasons: Counter[int] = Counter()
    for number in table.data_rows:
        row = sheet.rows[number]
        for column in dates:
            cell = row[column] if column < len(row) else None
            day = cell if isinstance(cell, dt.date) else None
            if type(cell) is str and (dated := parse_date_text(cell)) is not None:
                day = settle(dated, table.date_order or "dmy")
            if day is not None and day.year >= 1980:
                seasons[network.season_of(day)] += 1
    if seasons:
        return seasons.most_common(1)[0][0]
    titles = [cell for row in sheet.rows[: table.header_row] for cell in row]
    for text in (*titles, sheet.name, workbook.name):
        stated = number_of(text)
        if stated is not None and 1990 <= stated <= 2100:
            return int(stated)
        if type(text) is str:
            found = re.findall(r"(?<!\d)(20\d{2})(?!\d)", text)
            if found:
                return int(found[-1])
    return None


def _cells(
    sheet: Sheet,
    turned: list[tuple[Cell, ...]],
    numbers: Sequence[int],
    index: int,
    inherited: dict[tuple[int, int], int],
) -> list[Cell]:
    """A column's cells in the rows of data; merged cells show their value in each row."""
    rows = sheet.rows
    out: list[Cell] = [None] * len(numbers)
    if index < len(turned):
        out = list(turned[index])
    if inherited:
        for place, number in enumerate(numbers):
            above = inherited.get((number, index))
            if above is not None and out[place] is None and index < len(rows[above]):
                out[place] = rows[above][index]
    return out


def _ditto(cells: list[Cell]) -> None:
    """Follow ditto marks up to what they repeat."""
    words = {cell for cell in cells if type(cell) is str}
    if all(folded(word) not in _DITTO for word in words if len(word) < 8):
        return
    last: Cell = None
    for place, cell in enumerate(cells):
        if type(cell) is str and folded(cell) in _DITTO and last is not None:
            cells[place] = last
        elif cell is not None:
            last = cell


def _read_table(
    workbook: Workbook, sheet: Sheet, table: Table, site: Site, network: Network
) -> _Rows:
    protocol = protocols()[table.protocol]
    numbers = table.data_rows
    size = len(numbers)
    inherited = merged_down(sheet)
    turned = across([sheet.rows[number] for number in numbers])
    setting = Setting(
        table.decimal,
        table.date_order,
        dialect_of(workbook, sheet) == DIALECT_1904,
        _stated_year(workbook, sheet, table, network),
    )
    out = _Rows(table, protocol, numbers, {}, {}, [None] * size, [None] * size)
    lifted: set[int] = set()
    texts: list[list[Any]] = []
    times_beside: dict[str, list[Any]] = {}
    set_days: list[Any] | None = None
    stage_column: list[Any] | None = None
    if any(column.part for column in table.columns):
        _date_from_parts(out, sheet, turned, inherited, setting)
    for column in table.columns:
        if column.field is None or column.part:
            continue
        entry = FIELDS[column.field]
        event_level = entry.level is Level.EVENT
        cells = _cells(sheet, turned, numbers, column.index, inherited if event_level else {})
        if entry.id not in ("remarks", "gear_unit"):
            _ditto(cells)
        read = read_column(cells, entry, column.unit, setting)
        for place, kind, detail in read.odd:
            out.odd.append(_Odd(place, column, cell_text(cells[place]), kind, detail))
        lifted.update(read.lifted)
        if entry.kind not in (Kind.DATE, Kind.TIME):
            texts.append(_texts(cells))
        if entry.kind is Kind.DATE and read.second is not None:
            times_beside[entry.id] = read.second
        if entry.id == "set_time":
            set_days = read.second
        if entry.id == "taxon":
            out.taxa, stages = read.values, read.second or []
            out.stages = [own if (own := stages[i]) else None for i in range(size)]
            out.taxon_text = [folded(cell_text(cell)) for cell in cells]
        elif entry.id == "life_stage":
            stage_column = read.values
        elif event_level:
            out.event[entry.id] = read.values
        else:
            key = (column.taxon, column.life_stage) if table.layout == "wide" else (None, None)
            out.catch.setdefault(key, {})[entry.id] = read.values
    if table.dates_once:
        _carry_check(out.event, times_beside)
    _hear_comments(out, sheet)
    if stage_column is not None:
        out.stages = [own or named for own, named in zip(stage_column, out.stages, strict=True)]
    for date_field, time_field in (
        ("check_date", "check_time"),
        ("local_date", "check_time"),
        ("set_date", "set_time"),
    ):
        beside = times_beside.get(date_field)
        if beside and any(beside):
            known = out.event.get(time_field)
            out.event[time_field] = (
                beside
                if known is None
                else [a if a is not None else b for a, b in zip(known, beside, strict=True)]
            )
    out.content = (
        [
            short_digest("\x1f".join(parts)) if any(parts) else None
            for parts in zip(*texts, strict=True)
        ]
        if texts
        else [None] * size
    )
    _derive(out, lifted, set_days, site, network)
    return out


def _carry_check(event: dict[str, list[Any]], times_beside: dict[str, list[Any]]) -> None:
    """Give rows without a date what identifies the check of the dated row above them."""
    date_field = "local_date" if "local_date" in event else "check_date"
    dates = list(event[date_field])
    held = [event.get(name) for name in ("check_time", "gear_unit")]
    for values in (event[date_field], times_beside.get(date_field), *held):
        if values is None:
            continue
        head: int | None = None
        for place, date in enumerate(dates):
            if date is not None:
                head = place
            elif head is not None and values[place] is None:
                values[place] = values[head]


def _date_from_parts(
    out: _Rows,
    sheet: Sheet,
    turned: list[tuple[Cell, ...]],
    inherited: dict[tuple[int, int], int],
    setting: Setting,
) -> None:
    """Put together the date that year, month and day give in columns of their own."""
    columns = {column.part: column for column in out.table.columns if column.part}
    cells = {
        part: _cells(sheet, turned, out.numbers, column.index, inherited)
        for part, column in columns.items()
    }
    for column_cells in cells.values():
        _ditto(column_cells)
    dates: list[Any] = []
    for place, day_cell in enumerate(cells["day"]):
        day = date_part(day_cell, "day")
        month = out.table.month
        if "month" in cells:
            month = date_part(cells["month"][place], "month")
        year = date_part(cells["year"][place], "year") if "year" in cells else None
        if "year" not in cells and month is not None:
            year = setting.year(month)
        date: dt.date | None = None
        if day is not None and month is not None and year is not None:
            try:
                date = dt.date(year, month, day)
            except ValueError:
                date = None
        dates.append(date)
        written = [cell_text(held[place]) for held in cells.values() if held[place] is not None]
        if date is None and written:
            why = "year, month and day do not make a date"
            if year is None and day is not None and month is not None:
                why = "the date names no year"
            out.odd.append(_Odd(place, columns["day"], " ".join(written), "not-understood", why))
    out.event["local_date"] = dates


def _hear_comments(rows: _Rows, sheet: Sheet) -> None:
    """Add to a row's remarks what the recorder attached to its cells as a note."""
    comments = comments_of(sheet)
    if not comments:
        return
    by_row: dict[int, list[str]] = defaultdict(list)
    for (row, _), text in sorted(comments.items()):
        by_row[row].append(" ".join(text.split()))
    remarks = rows.event.setdefault("remarks", [None] * len(rows.numbers))
    remarks = rows.event["remarks"] = list(remarks)
    for place, number in enumerate(rows.numbers):
        if number in by_row:
            remarks[place] = "; ".join(filter(None, [remarks[place], *by_row[number]]))


def _texts(cells: Sequence[Cell]) -> list[Any]:
    if len(set(map(type, cells)) - {type(None)}) == 1:
        table = {cell: cell_text(cell).strip() for cell in set(cells)}
        return [table[cell] for cell in cells]
    # Of mixed kinds 1, 1.0 and TRUE are one key, so the kind belongs to it.
    memory: dict[tuple[type, Cell], str] = {}
    out: list[Any] = []
    for cell in cells:
        key = (type(cell), cell)
        text = memory.get(key)
        if text is None:
            text = memory[key] = cell_text(cell).strip()
        out.append(text)
    return out


# -- what follows from what was read ---------------------------------------------------------


def _combined(dates: Sequence[Any], times: Sequence[Any]) -> list[dt.datetime | None]:
    combine = dt.datetime.combine
    return [
        combine(day, time) if day is not None and time is not None else None
        for day, time in zip(dates, times, strict=True)
    ]


def _derive(
    rows: _Rows, lifted: set[int], set_days: list[Any] | None, site: Site, network: Network
) -> None:
    event = rows.event
    size = len(rows.numbers)
    nothing: list[Any] = [None] * size
    checked = event.get("check_date", nothing)
    local = event.get("local_date")
    if local is None:
        local = list(checked)
    elif "check_date" in event:
        local = [a if a is not None else b for a, b in zip(local, checked, strict=True)]
    event["local_date"] = local
    if "check_date" in event:
        event["check_date"] = [
            a if a is not None else b for a, b in zip(checked, local, strict=True)
        ]
    else:
        event["check_date"] = list(local)
    event["checked_at"] = _combined(event["check_date"], event.get("check_time", nothing))
    if set_days is not None:
        _heed_set_days(event, set_days)
    if "set_time" in event:
        event["set_at"] = _set_moments(event, size)
    else:
        event["set_at"] = list(nothing)
    event["gear_unit"] = _gear(rows, site)
    event["season"] = [None if day is None else network.season_of(day) for day in local]
    _status(rows, lifted)


def _heed_set_days(event: dict[str, list[Any]], days: list[Any]) -> None:
    """Give the set date what a cell of set times says of it, where no column of its own does."""
    stated = event.get("set_date") or [None] * len(days)
    event["set_date"] = [
        own
        if own is not None or day is None
        else day
        if day != DAY_BEFORE
        else None
        if checked is None
        else checked - dt.timedelta(days=1)
        for own, day, checked in zip(stated, days, event["check_date"], strict=True)
    ]


def _set_moments(event: dict[str, list[Any]], size: int) -> list[dt.datetime | None]:
    """When the net was set: a time without a date is the last such time before the check."""
    nothing: list[Any] = [None] * size
    combine, day = dt.datetime.combine, dt.timedelta(days=1)
    out: list[dt.datetime | None] = []
    for time, date, checked in zip(
        event["set_time"], event.get("set_date", nothing), event["checked_at"], strict=True
    ):
        if time is None:
            out.append(None)
        elif date is not None:
            out.append(combine(date, time))
        elif checked is not None:
            moment = combine(checked.date(), time)
            out.append(moment if moment < checked else moment - day)
        else:
            out.append(None)
    return out


def _gear(rows: _Rows, site: Site) -> list[Any]:
    units = site.gear_units(rows.protocol)
    default = rows.table.gear_unit or (units[0] if rows.protocol.gear_from else None)
    written = rows.event.get("gear_unit")
    if written is None:
        return [default] * len(rows.numbers)
    known = {folded(unit): unit for unit in units}
    memory: dict[Any, Any] = {None: default}
    for text in set(written) - {None}:
        words = folded(str(text))
        bare = re.sub(
            r"^(?:fyke|seine|net|gear|no\.?|#|trap)\s*(?:net|no\.?|#|id)?\s*[:\-]?\s*|"
            r"\s*(?:fyke|seine|net)$",
            "",
            words,
        ).strip()
        memory[text] = known.get(words) or known.get(bare) or str(text)
    if rows.table.gear_unit is None and len(units) > 1:
        column = rows.table.column_of("gear_unit")
        if column is not None:
            for place, text in enumerate(written):
                if text is None:
                    rows.odd.append(
                        _Odd(
                            place,
                            column,
                            "",
                            "qualifier",
                            f"the net is not named; taken as {default}",
                        )
                    )
    return [memory[text] for text in written]


def _status(rows: _Rows, lifted: set[int]) -> None:
    event, size = rows.event, len(rows.numbers)
    counts = [values["count"] for values in rows.catch.values() if "count" in values]
    if rows.protocol.id == "water":
        event.setdefault("net_status", [None] * size)
        return
    stated = event.get("net_status", [None] * size)
    remarks = event.get("remarks", [None] * size)
    present = [False] * size
    for column in counts:
        present = [p or v is not None for p, v in zip(present, column, strict=True)]
    status: list[Any] = []
    memory: dict[Any, bool] = {None: False}
    for place, known in enumerate(stated):
        if known is not None:
            status.append(known)
        elif place in lifted and not present[place]:
            status.append("lifted")
        elif present[place]:
            status.append("fishing")
        else:
            text = remarks[place]
            if text not in memory:
                memory[text] = says_lifted(text, anywhere=True)
            status.append("lifted" if memory[text] else None)
    event["net_status"] = status


# -- staging ----------------------------------------------------------------------------------


def _note_places(stage: _Stage, table: Table) -> None:
    places = stage.staged.places
    for column in table.columns:
        if column.field is None or column.part in ("year", "month"):
            continue
        for name, value in (
            ("file_sha256", stage.sha),
            ("sheet", table.sheet),
            ("column_index", column.index),
            ("heading", column.heading),
            ("field", column.field),
            ("taxon", column.taxon),
            ("life_stage", column.life_stage),
            ("unit", column.unit),
            ("confidence", column.confidence),
        ):
            places[name].append(value)


def _append_events(stage: _Stage, rows: _Rows, picked: list[int] | None) -> list[int]:
    """Append the events of the rows ``picked`` (None: all); their positions."""
    source, protocol = rows.event, rows.protocol
    places = range(len(rows.numbers)) if picked is None else picked
    size = len(places)

    def of(name: str) -> list[Any]:
        values = source.get(name)
        if values is None:
            return [None] * size
        return values if picked is None else [values[place] for place in places]

    first = stage.events
    stage.events += size
    events = stage.staged.events
    dates, times, gears = of("local_date"), of("check_time"), of("gear_unit")
    default = stage.site.gear_units(protocol)[0]
    set_at, checked_at = of("set_at"), of("checked_at")
    utc = stage.clock.utc
    set_utc = [None if moment is None else utc(moment) for moment in set_at]
    checked_utc = [None if moment is None else utc(moment) for moment in checked_at]
    site = stage.site.id
    columns: dict[str, list[Any]] = {
        "site": [site] * size,
        "file_sha256": [stage.sha] * size,
        "row_id": [stage.base + first + n for n in range(size)],
        "sheet": [rows.table.sheet] * size,
        "sheet_row": [rows.numbers[place] + 1 for place in places],
        "water_sheet": [None] * size,
        "water_row": [None] * size,
        "protocol": [protocol.id] * size,
        "event_id": [
            None if day is None else event_id(site, protocol.id, gear or default, day, time)
            for day, time, gear in zip(dates, times, gears, strict=True)
        ],
        "set_at_utc": set_utc,
        "checked_at_utc": checked_utc,
        "soak_hours": [
            None if a is None or b is None else round((b - a).total_seconds() / 3600, 9)
            for a, b in zip(set_utc, checked_utc, strict=True)
        ],
        "hours_stated": [rows.table.column_of("hours_fished") is not None] * size,
        "count_columns": [rows.table.column_of("count") is not None] * size,
        "content": rows.content if picked is None else [rows.content[p] for p in places],
        "set_at": set_at,
        "checked_at": checked_at,
        "season": of("season"),
        "stated_site": of("site"),
    }
    for name in EVENT_COLUMNS:
        events[name] += columns[name] if name in columns else of(name)
    positions = list(range(first, first + size))
    if protocol.id != "water":
        for position, day in zip(positions, dates, strict=True):
            if day is not None:
                stage.by_day[day].append(position)
    return positions


def _append_oddities(
    stage: _Stage, rows: _Rows, place_of: Callable[[_Odd], tuple[int, int | None] | None]
) -> None:
    out = stage.staged.oddities
    for odd in sorted(rows.odd, key=lambda o: (o.place, o.column.index)):
        found = place_of(odd)
        if found is None:
            continue
        position, catch = found
        if odd.kind in ("not-understood", "not-in-list"):
            stage.unread.add((position, odd.column.field or ""))
        name = odd.column.field
        if name == "check_date" and rows.table.column_of("local_date") is None:
            name = "local_date"  # the check's date is the event's where no other is kept
        for key, value in (
            ("file_sha256", stage.sha),
            ("row_id", stage.base + position),
            ("catch_id", catch),
            ("sheet", rows.table.sheet),
            ("sheet_row", rows.numbers[odd.place] + 1),
            ("cell", cell_name(rows.numbers[odd.place], odd.column.index, rows.table.sheet)),
            ("field", name),
            ("raw", odd.raw),
            ("kind", odd.kind),
            ("detail", odd.detail),
        ):
            out[key].append(value)


def _append_unread_columns(stage: _Stage, rows: _Rows, position: int) -> None:
    """Tell of each column that is missed, at its heading, by the table's first event."""
    out = stage.staged.oddities
    for column in rows.table.columns:
        if column.field is not None or not column.wanted or not column.guesses:
            continue
        for key, value in (
            ("file_sha256", stage.sha),
            ("row_id", stage.base + position),
            ("catch_id", None),
            ("sheet", rows.table.sheet),
            ("sheet_row", column.heading_row + 1),
            ("cell", cell_name(column.heading_row, column.index, rows.table.sheet)),
            ("field", column.guesses[0][0]),
            ("raw", column.heading),
            ("kind", "column-unread"),
            ("detail", column.why_not),
        ):
            out[key].append(value)


def _stage_wide(stage: _Stage, rows: _Rows) -> None:
    positions = _append_events(stage, rows, None)
    size = len(positions)
    targets = list(rows.catch)
    width = len(targets)
    first_catch = stage.base + stage.catches
    stage.catches += size * width
    catches = stage.staged.catches
    if width:
        repeated = [p for p in positions for _ in range(width)]
        catches["file_sha256"] += [stage.sha] * (size * width)
        catches["catch_id"] += list(range(first_catch, first_catch + size * width))
        catches["row_id"] += [stage.base + p for p in repeated]
        catches["sheet"] += [rows.table.sheet] * (size * width)
        catches["sheet_row"] += [n + 1 for n in rows.numbers for _ in range(width)]
        catches["taxon"] += [taxon for taxon, _ in targets] * size
        catches["life_stage"] += [life or UNSTAGED for _, life in targets] * size
        for name in _CATCH_VALUES:
            given = [rows.catch[target].get(name) for target in targets]
            if not any(values is not None for values in given):
                catches[name] += [None] * (size * width)
                continue
            filled = [values if values is not None else [None] * size for values in given]
            catches[name] += [value for row in zip(*filled, strict=True) for value in row]
    sheet = rows.table.sheet
    stage.account += [
        (sheet, number, stage.base + position, None)
        for number, position in zip(rows.numbers, positions, strict=True)
    ]
    index = {target: place for place, target in enumerate(targets)}

    def place_of(odd: _Odd) -> tuple[int, int | None]:
        entry = FIELDS[odd.column.field or ""]
        catch: int | None = None
        if entry.level is Level.CATCH:
            target = (odd.column.taxon, odd.column.life_stage)
            catch = first_catch + odd.place * width + index[target]
        return positions[odd.place], catch

    _append_unread_columns(stage, rows, positions[0])
    _append_oddities(stage, rows, place_of)


def _stage_long(stage: _Stage, rows: _Rows) -> None:
    event = rows.event
    size = len(rows.numbers)
    target = rows.protocol.targets[0] if rows.protocol.targets else None
    has_taxa = rows.table.column_of("taxon") is not None
    if not has_taxa and target is not None:
        rows.taxa = [target.taxon] * size
    counts = rows.catch.get((None, None), {})
    nothing: list[Any] = [None] * size
    dates, times = event["local_date"], event.get("check_time", nothing)
    gears = event["gear_unit"]
    heads: list[int] = []
    """Row places that begin an event."""
    of_row: list[int] = [0] * size
    groups: dict[tuple[Any, ...], list[tuple[int, set[Any]]]] = {}
    stages: list[str | None] = [None] * size
    present = [False] * size
    for place in range(size):
        taxon = rows.taxa[place]
        named = rows.taxon_text[place] if rows.taxon_text else ""
        holds = any(values[place] is not None for values in counts.values())
        present[place] = bool(taxon or named or holds or rows.stages[place])
        life = rows.stages[place]
        if life is None and taxon is not None:
            life = TAXA[taxon].default_stage
        stages[place] = life or (UNSTAGED if present[place] else None)
        animal = (taxon, named if taxon is None else "", stages[place]) if present[place] else None
        key = (dates[place], times[place], gears[place])
        if dates[place] is None:
            heads.append(place)
            of_row[place] = len(heads) - 1
            continue
        known = groups.setdefault(key, [])
        for number, animals in known:
            if animal is None or animal not in animals:
                animals.add(animal)
                of_row[place] = number
                break
        else:
            heads.append(place)
            known.append((len(heads) - 1, {animal}))
            of_row[place] = len(heads) - 1
    _fill_from_group(rows, heads, of_row)
    positions = _append_events(stage, rows, heads)
    catches = stage.staged.catches
    catch_of: dict[int, int] = {}
    for place in range(size):
        position = positions[of_row[place]]
        stage.account.append((rows.table.sheet, rows.numbers[place], stage.base + position, None))
        if not present[place]:
            continue
        catch = stage.base + stage.catches
        stage.catches += 1
        catch_of[place] = catch
        catches["file_sha256"].append(stage.sha)
        catches["catch_id"].append(catch)
        catches["row_id"].append(stage.base + position)
        catches["sheet"].append(rows.table.sheet)
        catches["sheet_row"].append(rows.numbers[place] + 1)
        catches["taxon"].append(rows.taxa[place])
        catches["life_stage"].append(stages[place])
        for name in _CATCH_VALUES:
            values = counts.get(name)
            catches[name].append(None if values is None else values[place])

    def place_of(odd: _Odd) -> tuple[int, int | None]:
        entry = FIELDS[odd.column.field or ""]
        return positions[of_row[odd.place]], (
            catch_of.get(odd.place) if entry.level is Level.CATCH else None
        )

    _append_unread_columns(stage, rows, positions[of_row[0]])
    _append_oddities(stage, rows, place_of)


def _fill_from_group(rows: _Rows, heads: list[int], of_row: list[int]) -> None:
    """Give an event's first row what only its later rows say (a remark, a reading)."""
    fields = [
        name
        for name in (*_EVENT_VALUES, "site", "set_at")
        if name in rows.event and name not in ("local_date", "check_date")
    ]
    for place, group in enumerate(of_row):
        head = heads[group]
        if head == place:
            continue
        for name in fields:
            values = rows.event[name]
            if name == "net_status":
                if values[place] == "fishing" and values[head] in (None, "lifted"):
                    values[head] = "fishing"
                continue
            if values[head] is None and values[place] is not None:
                values[head] = values[place]


def _stage_water(stage: _Stage, rows: _Rows) -> None:
    """Lend a water tab's readings to the events of the same day; the rest stand alone."""
    event = rows.event
    size = len(rows.numbers)
    nothing: list[Any] = [None] * size
    dates, times = event["local_date"], event.get("check_time", nothing)
    has_gear = rows.table.gear_unit is not None or rows.table.column_of("gear_unit") is not None
    gears = event["gear_unit"] if has_gear else nothing
    events = stage.staged.events
    days: dict[dt.date, list[int]] = defaultdict(list)
    for place, day in enumerate(dates):
        if day is not None:
            days[day].append(place)
    taken: dict[int, list[int]] = defaultdict(list)
    for day, places in days.items():
        for position in stage.by_day.get(day, ()):
            fitting = [
                p
                for p in places
                if gears[p] is None
                or folded(str(gears[p])) == folded(str(events["gear_unit"][position]))
            ]
            if not fitting or events["water_row"][position] is not None:
                continue
            moment = events["check_time"][position]
            best = min(fitting, key=lambda p: (_apart(times[p], moment), p))
            taken[best].append(position)
            events["water_sheet"][position] = rows.table.sheet
            events["water_row"][position] = rows.numbers[best] + 1
            for name in _LENT:
                values = event.get(name)
                if (
                    values is not None
                    and values[best] is not None
                    and events[name][position] is None
                    and (position, name) not in stage.unread
                ):
                    events[name][position] = values[best]
    alone = [place for place in range(size) if place not in taken]
    positions = dict(zip(alone, _append_events(stage, rows, alone), strict=True))
    for place in range(size):
        position = taken[place][0] if place in taken else positions[place]
        stage.account.append((rows.table.sheet, rows.numbers[place], stage.base + position, None))
    _append_unread_columns(stage, rows, taken[0][0] if 0 in taken else positions[0])
    everyone = list(rows.odd)
    for turn in range(max((len(p) for p in taken.values()), default=1) or 1):
        # A reading lent to two nets is asked about once for each.
        rows.odd = [
            o for o in everyone if turn == 0 or (o.place in taken and len(taken[o.place]) > turn)
        ]

        def place_of(odd: _Odd, turn: int = turn) -> tuple[int, int | None] | None:
            if odd.place not in taken:
                return positions[odd.place], None
            position = taken[odd.place][turn]
            name = odd.column.field or ""
            unread = odd.kind in ("not-understood", "not-in-list")
            if unread and (name not in _LENT or events[name][position] is not None):
                return None  # the event has a value of its own
            return position, None

        _append_oddities(stage, rows, place_of)
    rows.odd = everyone


def _apart(mine: Any, theirs: Any) -> float:
    """Minutes between two times of day; 0 where either is unknown."""
    if mine is None or theirs is None:
        return 0.0
    return float(abs((mine.hour * 60 + mine.minute) - (theirs.hour * 60 + theirs.minute)))
