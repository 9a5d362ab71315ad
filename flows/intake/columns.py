"""The cells of one column, read all at once into canonical values.

Columns of numbers pass at the speed of a list copy; texts are parsed once each and
remembered. What cannot be read is NULL with an oddity that says so, never zero.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from flows.intake.cells import (
    SERIAL_SPAN,
    ZERO_WORDS,
    choice_of,
    date_first,
    folded,
    is_missing,
    number_of,
    parse_count,
    parse_date_text,
    parse_hours,
    parse_number,
    parse_time,
    parse_time_text,
    says_lifted,
    serial_date,
    serial_text,
    settle,
    without_day_before,
)
from flows.intake.delimited import decimal_mark
from flows.intake.headings import taxon_of_cell
from flows.intake.reading import cell_text
from shared.fields import NUMERIC_KINDS, Field, Group, Kind
from shared.sheets import Cell
from shared.units import convert

_PLAIN = frozenset({float, int, type(None)})
_NOT_UNDERSTOOD = "not-understood"
_NO_VALUE = "no-value"
_NOT_FISHING = "the net was not fishing"

DAY_BEFORE = "the day before"
"""What a cell of set times may say instead of a date."""


@dataclass(slots=True)
class Read:
    """A column as read: one value a row, NULL where there is none."""

    values: list[Any]
    odd: list[tuple[int, str, str]] = field(default_factory=list)
    """Position, kind and detail of the cells that are not simply a value."""
    lifted: list[int] = field(default_factory=list)
    """Positions whose words say that the net was not fishing."""
    second: list[Any] | None = None
    """What else the cells held: the time beside a date, the stage beside a taxon, the date
    beside a time (or :data:`DAY_BEFORE`)."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What a column's reader has to know of its table."""

    decimal: str = "."
    order: str = "ymd"
    epoch_1904: bool = False
    year: Callable[[int], int | None] = lambda month: None
    """Year of a date that names none, by its month."""


def read_column(cells: Sequence[Cell], entry: Field, unit: str | None, setting: Setting) -> Read:
    """Read the cells of a column of ``entry``, written in ``unit``."""
    if entry.kind in NUMERIC_KINDS:
        return read_numbers(cells, entry, unit, setting)
    if entry.kind is Kind.DATE:
        return read_dates(cells, setting)
    if entry.kind is Kind.TIME:
        return read_times(cells, entry, setting)
    if entry.kind is Kind.CHOICE:
        return _remembered(cells, lambda cell: _choice(cell, entry))
    if entry.kind is Kind.TAXON:
        return read_taxa(cells)
    return _remembered(cells, _text)


_Outcome = tuple[Any, str, str]
"""Value, kind of oddity (empty: none; "lifted"), detail."""


def _remembered(cells: Sequence[Cell], reader: Callable[[Cell], _Outcome]) -> Read:
    kinds = set(map(type, cells)) - {type(None)}
    if len(kinds) == 1:
        table: dict[Cell, _Outcome] = {
            cell: reader(cell) for cell in set(cells) if cell is not None
        }
        table[None] = (None, "", "")
        read = Read([table[cell][0] for cell in cells])
        if any(kind for _, kind, _ in table.values()):
            for place, cell in enumerate(cells):
                _, kind, detail = table[cell]
                if kind == "lifted":
                    read.lifted.append(place)
                    read.odd.append((place, _NO_VALUE, _NOT_FISHING))
                elif kind:
                    read.odd.append((place, kind, detail))
        return read
    out = Read([None] * len(cells))
    values = out.values
    memory: dict[tuple[type, Cell], _Outcome] = {}
    for place, cell in enumerate(cells):
        if cell is None:
            continue
        key = (type(cell), cell)
        known = memory.get(key)
        if known is None:
            known = memory[key] = reader(cell)
        value, kind, detail = known
        values[place] = value
        if kind:
            if kind == "lifted":
                out.lifted.append(place)
                out.odd.append((place, _NO_VALUE, _NOT_FISHING))
            else:
                out.odd.append((place, kind, detail))
    return out


def read_numbers(cells: Sequence[Cell], entry: Field, unit: str | None, setting: Setting) -> Read:
    """Numbers in the field's canonical unit, rounded to nine decimals where converted."""
    source = unit or entry.unit
    target = entry.unit
    same = source == target or source is None or target is None

    def canonical(value: float) -> float:
        return value if same else convert(value, source or "", target or "")

    kinds = set(map(type, cells))
    if kinds <= _PLAIN:
        if same:
            return Read([number_of(c) for c in cells] if int in kinds else list(cells))
        table = {
            cell: canonical(number)
            for cell in set(cells)
            if (number := number_of(cell)) is not None
        }
        return Read([None if cell is None else table[cell] for cell in cells])
    decimal = decimal_mark(cell.strip() for cell in cells[:5000] if type(cell) is str)
    decimal = decimal or setting.decimal

    def reader(cell: Cell) -> _Outcome:
        if isinstance(cell, bool):
            return None, _NOT_UNDERSTOOD, "a yes or no where a number belongs"
        if isinstance(cell, float | int):
            return canonical(float(cell)), "", ""
        if type(cell) is str:
            return _number(cell, entry, source, decimal, canonical)
        if entry.unit == "h":
            hours = parse_hours(cell, setting.epoch_1904)
            if hours is not None:
                return hours, "", ""
        return None, _NOT_UNDERSTOOD, "a date or time where a number belongs"

    return _remembered(cells, reader)


def _number(
    cell: str, entry: Field, source: str | None, decimal: str, canonical: Callable[[float], float]
) -> _Outcome:
    read = parse_count if entry.group is Group.COUNT else parse_number
    parsed = read(cell, decimal, entry.accepted)
    if parsed is not None:
        value, kind, detail = parsed.value, "", ""
        if parsed.unit is not None and parsed.unit.id != source and entry.unit is not None:
            value = convert(value, parsed.unit.id, entry.unit)
            kind, detail = "unit-in-cell", parsed.unit.id
        else:
            value = canonical(value)
        if parsed.mark:
            kind, detail = "qualifier", parsed.mark
        return value, kind, detail
    words = folded(cell)
    if entry.id in ("count", "precipitation") and words in ZERO_WORDS:
        return 0.0, "qualifier", words
    if entry.id == "precipitation" and words in ("trace", "tr", "t"):
        return 0.0, "qualifier", "trace"
    if entry.id == "wind_speed" and words == "calm":
        return 0.0, "qualifier", "calm"
    if entry.group in (Group.COUNT, Group.EFFORT) and says_lifted(cell):
        return None, "lifted", ""
    if is_missing(cell):
        return None, _NO_VALUE, words
    if entry.unit == "h":
        hours = parse_hours(cell)
        if hours is not None:
            return hours, "", ""
    return None, _NOT_UNDERSTOOD, "no number could be read"


def read_times(cells: Sequence[Cell], entry: Field, setting: Setting) -> Read:
    """Times of day; ``second`` holds the dates that stood beside them.

    A set time may name its own day, or the day before. A check time may not: the check's
    day is the row's, so there another date is set aside and the value marked.
    """
    days: list[Any] = [None] * len(cells)
    epoch = _epoch_1904(cells, setting)

    def reader(cell: Cell) -> _Outcome:
        if type(cell) is str:
            return _time_text(cell, entry, setting, epoch)
        found = parse_time(cell)
        if found is None:
            return None, _NOT_UNDERSTOOD, "no time of day could be read"
        day: dt.date | None = None
        if isinstance(cell, dt.datetime) and cell.year >= 1980:
            day = cell.date()
        elif (number := number_of(cell)) is not None and number >= SERIAL_SPAN[0]:
            moment = serial_date(number, epoch)
            day = None if moment is None else moment.date()
        return (found, day), "", ""

    out = _remembered(cells, reader)
    for place, value in enumerate(out.values):
        if value is not None:
            out.values[place], days[place] = value
    if any(days):
        out.second = days
    return out


def _time_text(cell: str, entry: Field, setting: Setting, epoch_1904: bool) -> _Outcome:
    setting_out = entry.id == "set_time"
    if setting_out and (rest := without_day_before(cell)) is not None:
        found = parse_time(rest)
        if found is not None:
            return (found, DAY_BEFORE), "qualifier", DAY_BEFORE
    whole = date_first(cell)
    found = parse_time(whole)
    if found is not None:
        if parse_time_text(whole) is not None or parse_date_text(whole) is None:
            return (found, None), "", ""
        dated, kind, detail = _date_text(whole, setting, epoch_1904)
        if dated is not None and setting_out:
            return (found, dated[0]), "", ""
        if dated is not None:
            return (found, dated[0]), "qualifier", f"beside it stands {dated[0]}"
        return None, kind, detail
    if says_lifted(cell):
        return None, "lifted", ""
    if is_missing(cell):
        return None, _NO_VALUE, folded(cell)
    return None, _NOT_UNDERSTOOD, "no time of day could be read"


def _choice(cell: Cell, entry: Field) -> _Outcome:
    if type(cell) is str and folded(cell) in ("-", "--", "?", "n/a", "na"):
        return None, _NO_VALUE, folded(cell)
    found = choice_of(cell, entry)
    if found is not None:
        return found, "", ""
    if type(cell) is str:
        if entry.id == "net_status" and says_lifted(cell):
            return "lifted", "", ""
        if is_missing(cell):
            return None, _NO_VALUE, folded(cell)
    allowed = ", ".join(choice.id for choice in entry.choices)
    return None, "not-in-list", f"the list is: {allowed}"


def _text(cell: Cell) -> _Outcome:
    text = cell_text(cell).strip()
    if not text or (len(text) < 4 and is_missing(text) and text.lower() not in ("x", "?")):
        return None, "", ""
    return text, "", ""


def read_taxa(cells: Sequence[Cell]) -> Read:
    """Taxon ids; ``second`` holds the life stage where the name says one."""
    stages: list[str | None] = [None] * len(cells)

    def reader(cell: Cell) -> _Outcome:
        text = cell_text(cell).strip()
        if not text or is_missing(text):
            return (None, None), "", ""
        found = taxon_of_cell(text)
        if found is None:
            return (None, None), "not-in-list", "not in the list of taxa"
        return found, "", ""

    out = _remembered(cells, reader)
    for place, value in enumerate(out.values):
        if value is not None:
            out.values[place], stages[place] = value
    out.second = stages
    return out


def read_dates(cells: Sequence[Cell], setting: Setting) -> Read:
    """Dates; ``second`` holds the times of day that stood beside them."""
    kinds = set(map(type, cells))
    if kinds <= {dt.date, type(None)}:
        return Read(list(cells), second=[None] * len(cells))
    times: list[dt.time | None] = [None] * len(cells)
    epoch = _epoch_1904(cells, setting)

    def reader(cell: Cell) -> _Outcome:
        if isinstance(cell, dt.datetime):
            if not 1980 <= cell.year <= 2100:
                return None, _NOT_UNDERSTOOD, "no date of our time"
            clock = cell.time().replace(second=0, microsecond=0)
            return (cell.date(), clock if clock != dt.time(0) else None), "", ""
        if isinstance(cell, dt.date):
            return (cell, None), "", ""
        if isinstance(cell, float | int) and not isinstance(cell, bool):
            return _serial(float(cell), epoch)
        if type(cell) is not str:
            return None, _NOT_UNDERSTOOD, "no date could be read"
        return _date_text(cell, setting, epoch)

    out = _remembered(cells, reader)
    for place, value in enumerate(out.values):
        if value is not None:
            out.values[place], times[place] = value
    out.second = times
    return out


def _serial(number: float, epoch_1904: bool) -> _Outcome:
    if number.is_integer() and 19_800_101 <= number <= 21_001_231:
        whole = int(number)
        try:
            return (dt.date(whole // 10000, whole // 100 % 100, whole % 100), None), "", ""
        except ValueError:
            return None, _NOT_UNDERSTOOD, "no date could be read"
    moment = serial_date(number, epoch_1904)
    if moment is None:
        return None, _NOT_UNDERSTOOD, "a number that stands for no date"
    clock = moment.time().replace(second=0, microsecond=0)
    return (moment.date(), clock if clock != dt.time(0) else None), "", ""


def _date_text(cell: str, setting: Setting, epoch_1904: bool) -> _Outcome:
    found = parse_date_text(cell)
    if found is None:
        number = serial_text(cell)
        if number is not None:
            return _serial(number, epoch_1904)
        if is_missing(cell):
            return None, "", ""
        return None, _NOT_UNDERSTOOD, "no date could be read"
    year: int | None = None
    if found.date is None and found.year <= 0:
        month = found.second if found.year == -1 or setting.order == "dmy" else found.first
        year = setting.year(month)
        if year is None:
            return None, _NOT_UNDERSTOOD, "the date names no year"
    day = settle(found, setting.order, year)
    if day is None:
        open_ = found.numeric and setting.order == "" and found.first <= 12 and found.second <= 12
        return (
            None,
            _NOT_UNDERSTOOD,
            (
                "day and month could be either way round, and nothing on the sheet tells"
                if open_
                else "no day of the calendar"
            ),
        )
    if not 1980 <= day.year <= 2100:
        return None, _NOT_UNDERSTOOD, "no date of our time"
    return (day, found.time), "", ""


def _epoch_1904(cells: Sequence[Cell], setting: Setting) -> bool:
    """Whether the day numbers of a column count from 1904.

    The workbook says so, or the column's other dates are of the years that only the 1904
    reading gives.
    """
    if setting.epoch_1904:
        return True
    numbers = [
        number
        for c in cells
        if (number := number_of(c)) is not None and SERIAL_SPAN[0] <= number <= SERIAL_SPAN[1]
    ]
    if not numbers:
        return False
    years = Counter(c.year for c in cells if isinstance(c, dt.date) and 1980 <= c.year <= 2100)
    if not years:
        year = setting.year(3)
        years = Counter([year] if year else [])
    old = sum(1 for n in numbers if (d := serial_date(n)) and d.year in years)
    new = sum(1 for n in numbers if (d := serial_date(n, True)) and d.year in years)
    return new > old and old == 0
