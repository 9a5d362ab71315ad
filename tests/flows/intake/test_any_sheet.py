"""Any table of the dictionary's fields, however it is rendered, reads back exactly."""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from flows.intake.reading import read_workbook
from flows.intake.recognising import recognise
from flows.intake.standardizing import standardize
from shared.fields import EVENT_FIELDS, Field, Kind
from shared.units import UNITS
from tests.flows.intake.paper import SHA, network, site, xlsx

_APART = {"site", "check_date", "set_date", "net_status", "gear_unit", "local_date", "check_time"}
_FIELDS = [f for f in EVENT_FIELDS if f.id not in _APART]
# One heading each that only this field has; other tests try the rest.
_HEADING = {f.id: f.title for f in _FIELDS}
_WORDS = (
    "rain in the night",
    "otter seen",
    "ice, thick",
    'said "no"',
    "two lines\nof text",
    "café 5° µ",
)
_UNIT_TEXT = {"degC": "°C", "degF": "°F", "1": "", "uS/cm": "µS/cm", "mS/cm": "mS/cm"}


@dataclass(frozen=True)
class Rendered:
    """A field as one sheet writes it."""

    entry: Field
    unit: str | None
    where: str
    values: tuple[Any, ...]


def _decimal_numbers(entry: Field, unit: str | None) -> st.SearchStrategy[float]:
    span = entry.plausible or entry.possible
    low = span.low if span is not None and span.low is not None else 0.0
    high = span.high if span is not None and span.high is not None else 1000.0
    if unit is not None and unit != entry.unit:
        scale, base = UNITS[unit], UNITS[entry.unit or unit]
        low, high = (scale.from_canonical(base.to_canonical(edge)) for edge in (low, high))
    edges = entry.bounds or (-90.0, 20_000.0)
    low, high = max(low, edges[0] + 0.2, -90.0), min(high, edges[1], 20_000.0)
    if entry.kind is Kind.WHOLE:
        return st.integers(math.ceil(low), int(high)).map(float)
    return st.integers(int(low * 10) + 1, int(high * 10)).map(lambda n: n / 10)


@st.composite
def _rendered(draw: st.DrawFn, entry: Field, size: int) -> Rendered:
    unit = draw(st.sampled_from(entry.accepted)) if entry.accepted else None
    where = draw(st.sampled_from(("heading", "units row"))) if unit not in (None, "1") else ""
    if entry.kind in (Kind.NUMBER, Kind.WHOLE):
        one: st.SearchStrategy[Any] = _decimal_numbers(entry, unit)
    elif entry.kind is Kind.CHOICE:
        one = st.sampled_from([choice.id for choice in entry.choices])
    elif entry.kind is Kind.TIME:
        one = st.times().map(lambda t: t.replace(second=0, microsecond=0))
    else:
        one = st.sampled_from(_WORDS)
    values = draw(st.lists(st.one_of(one, one, one, st.none()), min_size=size, max_size=size))
    return Rendered(entry, unit, where, tuple(values))


def _canonical(column: Rendered, value: Any) -> Any:
    entry = column.entry
    if value is None or entry.unit is None or column.unit in (None, entry.unit):
        return value
    unit, base = UNITS[column.unit or ""], UNITS[entry.unit]
    return base.from_canonical(unit.to_canonical(value))


_DATES: dict[str, Callable[[dt.date], str]] = {
    "iso": lambda d: d.isoformat(),
    "dmy": lambda d: f"{d.day}/{d.month}/{d.year}",
    "mdy": lambda d: f"{d.month}/{d.day}/{d.year}",
    "words": lambda d: f"{d.day} {d:%b} {d.year}",
    "serial": lambda d: str((d - dt.date(1899, 12, 30)).days),
}


@st.composite
def _sheets(draw: st.DrawFn) -> tuple[list[dt.date], list[Rendered], list[Any], dict[str, Any]]:
    size = draw(st.integers(6, 14))
    first = draw(st.dates(dt.date(2026, 2, 1), dt.date(2026, 5, 1)))
    gaps = draw(st.lists(st.integers(1, 3), min_size=size - 1, max_size=size - 1))
    dates = [first]
    for gap in gaps:
        dates.append(dates[-1] + dt.timedelta(days=gap))
    entries = draw(st.lists(st.sampled_from(_FIELDS), min_size=2, max_size=8, unique=True))
    columns = [draw(_rendered(entry, size)) for entry in entries]
    counts = draw(st.lists(st.integers(0, 5000), min_size=size, max_size=size))
    how = {
        "title": draw(st.sampled_from(([], ["Alder Creek 2026"], ["Alder Creek", "please!"]))),
        "left": draw(st.integers(0, 2)),
        "blanks": draw(st.sets(st.integers(1, size - 1), max_size=2)),
        "again": draw(st.sampled_from((None, size // 2))),
        "total": draw(st.booleans()),
        "dates": draw(st.sampled_from(tuple(_DATES))),
        "dialect": draw(
            st.sampled_from((None, (",", "."), (";", ","), ("\t", "."), ("\t", ","), (";", ".")))
        ),
        "encoding": draw(st.sampled_from(("utf-8", "utf-8-sig", "utf-16", "cp1252"))),
    }
    return dates, columns, counts, how


def _text(value: Any, decimal: str) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        plain = str(int(value)) if value.is_integer() else repr(value)
        return plain.replace(".", decimal)
    if isinstance(value, dt.time):
        return value.isoformat("minutes")
    return str(value)


@settings(max_examples=150, suppress_health_check=list(HealthCheck))
@given(_sheets())
def test_a_rendered_table_reads_back_exactly(
    drawn: tuple[list[dt.date], list[Rendered], list[int], dict[str, Any]],
) -> None:
    dates, columns, counts, how = drawn
    # A column that says nothing in any row cannot be held against its heading; and a date
    # order that nothing on the sheet tells is left open by design.
    assume(how["dates"] not in ("dmy", "mdy") or any(d.day > 12 for d in dates))
    header: list[Any] = ["Date", "Glass eels"]
    units: list[Any] = [None, None]
    for column in columns:
        text = _UNIT_TEXT.get(column.unit or "", column.unit or "")
        heading = _HEADING[column.entry.id]
        header.append(f"{heading} ({text})" if column.where == "heading" and text else heading)
        units.append(text if column.where == "units row" and text else None)
    grid: list[list[Any]] = [[title] for title in how["title"]]
    grid.append(header)
    if any(units):
        grid.append(units)
    expected: dict[int, int] = {}
    for place, date in enumerate(dates):
        if place in how["blanks"]:
            grid.append([])
        if place == how["again"]:
            grid.append(list(header))
        expected[len(grid) + 1] = place
        shown: Any = date if how["dialect"] is None else _DATES[how["dates"]](date)
        grid.append([shown, float(counts[place]), *(column.values[place] for column in columns)])
    if how["total"]:
        grid.append(["Total", float(sum(counts))])
    grid = [[*[None] * how["left"], *row] for row in grid]
    if how["dialect"] is None:
        cells: dict[str, Any] = {}
        for row, values in enumerate(grid):
            for column_index, value in enumerate(values):
                if value is not None:
                    cells[f"{chr(65 + column_index)}{row + 1}"] = value
        content = xlsx(cells)
    else:
        separator, decimal = how["dialect"]
        held = io.StringIO(newline="")
        csv.writer(held, delimiter=separator).writerows(
            [[_text(value, decimal) for value in row] for row in grid]
        )
        content = held.getvalue().encode(how["encoding"])
    workbook = read_workbook(content, "any")
    here, net = site(), network()
    recognised = recognise(workbook, here, net)
    staged = standardize(workbook, recognised, here, net, SHA)
    (table,) = recognised.tables
    found = {column.field: column for column in table.columns}
    for column in columns:
        assert column.entry.id in found, table.columns
        assert found[column.entry.id].unit == column.unit
    assert staged.events["sheet_row"] == list(expected)
    assert staged.events["local_date"] == dates
    assert staged.catches["count"] == [float(count) for count in counts]
    assert set(staged.catches["taxon"]) == {"anguilla-rostrata"}
    for column in columns:
        wanted = [_canonical(column, value) for value in column.values]
        mine = staged.events[column.entry.id]
        for one, other in zip(mine, wanted, strict=True):
            if isinstance(other, float):
                assert one is not None and abs(one - other) < 1e-6, column
            else:
                assert one == other, column
    assert {column.field for column in table.columns} <= {
        "local_date",
        "count",
        *(column.entry.id for column in columns),
    }
