"""Where a table stands on a sheet: its headings, its rows, and where it ends.

Headings are up to three rows (group headings above, a units row below) under any number
of title rows. Everything between the headings and the next table, or the end of the
sheet, is accounted for: each row is data, or skipped with a reason.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import zip_longest

from flows.intake.cells import (
    SERIAL_SPAN,
    date_part,
    folded,
    is_missing,
    number_of,
    parse_date_text,
    parse_number,
    parse_time_text,
)
from flows.intake.headings import (
    computed_word,
    familiar,
    order_in,
    readings_of,
    unit_like,
)
from shared.fields import FIELDS, Kind
from shared.sheets import Cell, Sheet, SkippedRow

_SEARCHED = 250
"""Rows from the top of a sheet (or the end of a table) in which headings are looked for."""
_MOST_LOOKED_AT = 8_000
"""Cells weighed as headings before a search is given up: a sheet of words has no end of them."""
_HIT = 0.75


@dataclass(frozen=True, slots=True)
class HeadingCell:
    """What stands above one column. ``parts``: group headings first, own name last."""

    index: int
    row: int
    parts: tuple[str, ...]
    units: str = ""

    @property
    def text(self) -> str:
        """The heading as one text, as the lead would say it."""
        return " ".join(" ".join(part.split()) for part in self.parts)


@dataclass(slots=True)
class Block:
    """A table's place: headings in rows ``top`` to ``bottom``, cells from ``first`` to ``end``."""

    top: int
    bottom: int
    first: int
    end: int
    headings: list[HeadingCell]
    units_row: int | None = None
    titles: list[str] = field(default_factory=list)
    """Texts of the rows above the headings."""


def across(rows: Sequence[Sequence[Cell]]) -> list[tuple[Cell, ...]]:
    """Rows turned into columns; short rows are filled up with blanks."""
    if len(set(map(len, rows))) > 1:
        return list(zip_longest(*rows))
    return list(zip(*rows, strict=True))


def is_value(cell: Cell) -> bool:
    """Whether a cell is a measurement, a date or a time rather than words."""
    if cell is None:
        return False
    if type(cell) is not str:
        return True
    return _is_value_text(cell)


@lru_cache(maxsize=65536)
def _is_value_text(cell: str) -> bool:
    text = cell.strip()
    if not text[:1].isdigit() and text[:1] not in "-+~<>.,=":
        return bool(parse_date_text(text)) if any(c.isdigit() for c in text) else False
    return (
        parse_number(text) is not None
        or parse_date_text(text) is not None
        or parse_time_text(text) is not None
        or is_missing(text)
        or text.startswith("=")
    )


def _texts(row: Sequence[Cell]) -> dict[int, str]:
    return {
        place: " ".join(cell.split())
        for place, cell in enumerate(row)
        if type(cell) is str and cell.strip() and not is_value(cell)
    }


def best_score(parts: tuple[str, ...], units: str = "") -> float:
    """How well the dictionary knows a heading (0 to 1)."""
    if len(parts[-1]) > 80:
        return 0.0
    found = readings_of(parts, units)
    return found[0].score if found else 0.0


def _spread(
    row: Sequence[Cell],
    below: dict[int, str],
    merged: Iterable[tuple[int, int, int, int]],
    number: int,
) -> dict[int, str]:
    """Texts of a group row, each spread over the columns it stands above."""
    own = _texts(row)
    if not own:
        return {}
    spans = {first: last for top, first, bottom, last in merged if top <= number <= bottom}
    lowest = min(below, default=0)
    if len(own) == 1:
        only = next(iter(own))
        if (
            only <= lowest
            and only in below
            and (spans.get(only, only) - only + 1 >= len(below) or only not in spans)
        ):
            return {}  # one text at the left above everything is a title
    spread: dict[int, str] = {}
    places = sorted(own)
    for index, place in enumerate(places):
        spread[place] = own[place]
        if place in spans:
            for column in range(place, spans[place] + 1):
                spread[column] = own[place]
        elif place in below:
            stop = places[index + 1] if index + 1 < len(places) else max(below, default=place) + 1
            for column in range(place + 1, stop):
                if column not in below:
                    break
                spread[column] = own[place]
    return spread


def _heading_cells(sheet: Sheet, top: int, bottom: int) -> list[HeadingCell]:
    names = _texts(sheet.rows[bottom])
    rows_of = dict.fromkeys(names, bottom)
    parts: dict[int, list[str]] = {column: [text] for column, text in names.items()}
    for number in range(bottom - 1, top - 1, -1):
        below = {column: found[0] for column, found in parts.items()}
        spread = _spread(sheet.rows[number], below, sheet.merged, number)
        for column, text in spread.items():
            if column in parts:
                parts[column].insert(0, text)
            elif column in _texts(sheet.rows[number]):
                parts[column] = [text]
                rows_of[column] = number
    return [HeadingCell(column, rows_of[column], tuple(parts[column])) for column in sorted(parts)]


_HOW_WRITTEN = frozenset(
    {
        "hh:mm",
        "h:mm",
        "24h",
        "24 h",
        "24hr",
        "hhmm",
        "no",
        "no.",
        "#",
        "count",
        "text",
        "-",
        "n",
        "initials",
        "number",
        "name",
        "local",
        "a/b",
        "units",
        "",
        "psu",
        "local time",
        "yes/no",
        "y/n",
        "compass",
        "id",
        "pss",
        "code",
    }
)
"""What stands in a units row over columns that have no unit."""


def _is_units_row(row: Sequence[Cell], headings: list[HeadingCell]) -> bool:
    filled = [(place, cell) for place, cell in enumerate(row) if cell is not None]
    texts = [cell for _, cell in filled if type(cell) is str]
    if len(filled) < 1 or len(texts) < len(filled):
        return False
    columns = {heading.index for heading in headings}
    units = 0
    for place, cell in filled:
        if place not in columns:
            return False
        words = folded(str(cell)).strip("()[] ")
        if unit_like(words) is not None:
            units += 1
        elif order_in(words) or words in _HOW_WRITTEN:
            continue
        else:
            return False
    return units >= 1


def _known(heading: HeadingCell, named: Collection[str]) -> float:
    """How well a heading is known: to the dictionary, or for certain to the site's profile."""
    if named and (folded(heading.text) in named or folded(heading.parts[-1]) in named):
        return 1.0
    return best_score(heading.parts)


def _score(
    headings: list[HeadingCell], sheet: Sheet, top: int, bottom: int, named: Collection[str]
) -> float:
    score = 0.0
    grouped = 0
    for heading in headings:
        best = _known(heading, named)
        if best >= 0.7:
            score += best
        elif computed_word(heading.text):
            score += 0.3
        if len(heading.parts) > 1 and best_score(heading.parts) >= 0.85:
            first, alone = readings_of(heading.parts)[0], readings_of(heading.parts[-1:])[:1]
            grouped += (
                not alone
                or best > alone[0].score
                or (first.field, first.taxon, first.life_stage)
                != (alone[0].field, alone[0].taxon, alone[0].life_stage)
            )
    score -= 0.4 * _repeated(headings)
    for number in range(top, bottom + 1):
        score -= 0.6 * sum(1 for cell in sheet.rows[number] if is_value(cell))
    # A group row that changes what a column means belongs to the headings.
    return score + 0.15 * grouped - 0.25 * (bottom - top)


def _repeated(headings: list[HeadingCell]) -> int:
    """How many headings mean what another already does; group headings tell them apart."""
    known = [
        (found[0].field, found[0].taxon, found[0].life_stage)
        for heading in headings
        if len(heading.parts[-1]) <= 80
        and (found := readings_of(heading.parts))
        and found[0].score >= 0.85
    ]
    return len(known) - len(set(known))


def _only_units(texts: dict[int, str]) -> bool:
    """Whether a row of texts is nothing but units and forms of writing (°F, hh:mm)."""
    return bool(texts) and all(
        unit_like(folded(text).strip("()[] ")) is not None
        or order_in(text) is not None
        or folded(text) in _HOW_WRITTEN
        for text in texts.values()
    )


def _dates_follow(sheet: Sheet, bottom: int, headings: list[HeadingCell]) -> bool:
    """Whether a date stands under a heading that means one, within a few rows."""
    for heading in headings:
        found = readings_of(heading.parts) if len(heading.parts[-1]) <= 80 else ()
        if not found or found[0].score < _HIT or FIELDS[found[0].field].kind is not Kind.DATE:
            continue
        for row in sheet.rows[bottom + 1 : bottom + 5]:
            cell = row[heading.index] if heading.index < len(row) else None
            if isinstance(cell, dt.date) or (type(cell) is str and parse_date_text(cell)):
                return True
            number = number_of(cell)
            if number is not None and (
                SERIAL_SPAN[0] <= number <= SERIAL_SPAN[1] or date_part(cell, "day") is not None
            ):
                return True
    return False


def find_block(sheet: Sheet, start: int, named: Collection[str] = ()) -> Block | None:
    """The headings of the next table from row ``start``; None where there are none.

    Two columns at least must be known to the dictionary, or be among the ``named``: the
    headings (folded) that the site's profile explains. The best-known row of the next
    :data:`_SEARCHED` wins, unless an earlier one has dates under its date heading.
    """
    rows = sheet.rows
    found: list[tuple[float, int, int, list[HeadingCell]]] = []
    looked = 0
    for bottom in range(start, min(len(rows), start + _SEARCHED)):
        if looked > _MOST_LOOKED_AT:
            break
        texts = _texts(rows[bottom])
        if not texts:
            continue
        alone = sum(
            1 for text in texts.values() if folded(text) in named or best_score((text,)) >= _HIT
        )
        above = bottom > start and any(cell is not None for cell in rows[bottom - 1])
        if alone < 2 and not (above and len(texts) >= 2):
            continue
        if found and bottom - found[-1][2] > 60:
            break
        if above and _only_units(texts):
            continue
        stacked = rows[max(start, bottom - 2) : bottom + 1]
        words = [text for row in stacked for text in _texts(row).values()]
        if sum(1 for text in words if folded(text) in named or familiar(text)) < 2:
            continue
        for top in range(bottom, max(start, bottom - 2) - 1, -1):
            if top < bottom and not any(cell is not None for cell in rows[top]):
                break
            if top < bottom and sum(1 for cell in rows[top] if is_value(cell)) > 1:
                break
            cells = _heading_cells(sheet, top, bottom)
            looked += len(cells)
            score = _score(cells, sheet, top, bottom, named)
            if score >= 1.4 and sum(1 for c in cells if _known(c, named) >= 0.7) >= 2:
                found.append((score, top, bottom, cells))
    if not found:
        return None
    best = max(found, key=lambda entry: (entry[0], -entry[2], entry[1]))
    early = [e for e in found if e[2] < best[2] - 1 and _dates_follow(sheet, e[2], e[3])]
    if early:
        first_place = early[0][2]
        best = max(
            (e for e in early if e[2] <= first_place + 1),
            key=lambda entry: (entry[0], -entry[2], entry[1]),
        )
    _, top, bottom, cells = best
    first = bottom + 1
    units_row: int | None = None
    if first < len(rows) and _is_units_row(rows[first], cells):
        units_row = first
        below = rows[first]
        cells = [
            HeadingCell(
                c.index,
                c.row,
                c.parts,
                str(below[c.index]).strip("()[] ")
                if c.index < len(below) and below[c.index] is not None
                else "",
            )
            for c in cells
        ]
        first += 1
    titles = [text for number in range(start, top) for text in _texts(rows[number]).values()]
    end = _end_of(sheet, first, {cell.index: folded(cell.parts[-1]) for cell in cells})
    return Block(top, bottom, first, end, cells, units_row, titles)


def _end_of(sheet: Sheet, first: int, own: dict[int, str]) -> int:
    """The row in which the headings of another table begin, or the end of the sheet."""
    rows = sheet.rows
    for number in range(first, len(rows)):
        row = rows[number]
        lead = next((cell for cell in row if cell is not None), None)
        if type(lead) is not str or is_value(lead) or not _another_table(row, own):
            continue
        above = rows[number - 1]
        grouped = (
            number - 1 >= first
            and not any(is_value(cell) for cell in above)
            and (len(_texts(above)) >= 2)
        )
        return number - 1 if grouped else number
    return len(rows)


# -- rows ---------------------------------------------------------------------------------

_TOTALS = re.compile(
    r"^(?:(?:grand|sub|season|seasonal|weekly|week|monthly|month|daily|running|column|overall|net|"
    r"yearly|annual|site|year)[ -]?(?:'s)?)*\s*"
    r"(?:(?P<total>totals?|sums?|subtotals?|count of days|days fished|n days|no\.? of days)"
    r"|(?P<mean>means?|averages?|avgs?\.?|medians?|std\.? ?dev\.?|st\.? ?dev\.?|s\.?d\.?|"
    r"max(?:imum)?\.?|min(?:imum)?\.?))\b"
    r"(?:\s+(?:for|of|to|this|the|catch|week|month|season|all|so far|date|eels?|value|in|"
    r"march|april|may|june|february|january|\d+|count|caught)\b.*)?\s*[:.=]?\s*$"
)
_TOTALS_AFTER = re.compile(
    r"^(?:\w+\.?\s+)?(?:\d{4}\s+|\d+\s+)?(?:totals?|subtotals?|averages?|means?)\s*[:.]?$"
)


def totals_word(cell: Cell) -> str:
    """``totals row``, ``row of means`` or empty, by what a label says."""
    return _totals_text(cell) if type(cell) is str and len(cell) <= 45 else ""


@lru_cache(maxsize=16384)
def _totals_text(text: str) -> str:
    words = folded(text).strip("*-=_ ")
    match = _TOTALS.match(words)
    if match:
        return "totals row" if match["total"] else "row of means or extremes"
    if _TOTALS_AFTER.match(words):
        return "totals row" if "total" in words else "row of means or extremes"
    return ""


@dataclass(frozen=True, slots=True)
class Kinds:
    """Which columns of a table the classing of rows looks at."""

    dates: tuple[int, ...]
    """Date columns, the event's own first."""
    observed: tuple[int, ...]
    """Columns that hold something of the event itself: counts, readings, times, status, remarks."""
    counts: tuple[int, ...]
    labels: tuple[int, ...]
    """Columns where a totals label may stand in a row without a date."""
    dated_labels: tuple[int, ...]
    """Columns where one may stand beside a date: never where a person called Max signs."""
    known: tuple[int, ...]
    readable: Callable[[Cell], bool]
    """Whether a cell of a date column can be read as a date."""
    animals: tuple[int, ...] = ()
    """Columns that name what was counted."""


def merged_down(sheet: Sheet) -> dict[tuple[int, int], int]:
    """(row, column) -> the row whose value a cell merged over several rows shows."""
    inherited: dict[tuple[int, int], int] = {}
    for top, left, bottom, right in sheet.merged:
        if bottom > top and bottom - top <= 400:
            for row in range(top + 1, bottom + 1):
                for column in range(left, right + 1):
                    inherited[row, column] = top
    return inherited


def class_rows(sheet: Sheet, block: Block, kinds: Kinds) -> tuple[list[int], list[SkippedRow], int]:
    """Data rows, skipped rows, and the row where the table ends (another one begins)."""
    data: list[int] = []
    skipped: list[SkippedRow] = []
    if block.units_row is not None:
        skipped.append(SkippedRow(block.units_row, "the units of the headings"))
    own = {heading.index: folded(heading.parts[-1]) for heading in block.headings}
    inherited = merged_down(sheet)
    rows = sheet.rows
    date_column = kinds.dates[0] if kinds.dates else -1
    sums = _Sums(rows, data, kinds.counts)
    labels, dated_labels, observed = kinds.labels, kinds.dated_labels, kinds.observed
    end = block.end
    number = block.first
    while number < end:
        row = rows[number]
        width = len(row)
        dated = False
        for column in kinds.dates:
            cell = row[column] if column < width else None
            if cell is None and (number, column) in inherited:
                above = rows[inherited[number, column]]
                cell = above[column] if column < len(above) else None
            if cell is not None and (isinstance(cell, dt.date) or kinds.readable(cell)):
                dated = True
                break
        label = ""
        for column in dated_labels if dated else labels:
            if column < width and type(row[column]) is str and (label := totals_word(row[column])):
                break
        if dated and not label:
            for column in observed:
                if column < width and row[column] is not None:
                    data.append(number)
                    break
            else:
                skipped.append(SkippedRow(number, "only the date is filled in"))
            number += 1
            continue
        filled = [place for place, cell in enumerate(row) if cell is not None]
        if not filled:
            skipped.append(SkippedRow(number, "blank row", counts=False))
        elif label:
            skipped.append(SkippedRow(number, label))
        elif _repeats(row, own):
            skipped.append(SkippedRow(number, "the headings again"))
            if number + 1 < end and _is_units_row(rows[number + 1], block.headings):
                number += 1
                skipped.append(SkippedRow(number, "the units of the headings again"))
        else:
            why = _why_not_data(row, filled, kinds, sums, date_column)
            if why:
                skipped.append(SkippedRow(number, why))
            else:
                data.append(number)
        number += 1
    return data, skipped, end


class _Sums:
    """Sums of the columns of counts over the rows of data so far, worked out when asked."""

    def __init__(self, rows: list[list[Cell]], data: list[int], columns: tuple[int, ...]) -> None:
        self._rows, self._data, self._done = rows, data, 0
        self._sums: dict[int, float] = dict.fromkeys(columns, 0.0)

    def so_far(self) -> tuple[dict[int, float], int]:
        """Sum of each column, and the number of rows summed."""
        sums = self._sums
        for number in self._data[self._done :]:
            row = self._rows[number]
            width = len(row)
            for column in sums:
                if column < width:
                    cell = row[column]
                    if type(cell) is float or type(cell) is int:
                        sums[column] += cell
                    elif type(cell) is str:
                        parsed = parse_number(cell)
                        if parsed is not None:
                            sums[column] += parsed.value
        self._done = len(self._data)
        return sums, self._done


def _repeats(row: Sequence[Cell], own: dict[int, str]) -> bool:
    same = other = 0
    for place, cell in enumerate(row):
        if cell is None:
            continue
        if type(cell) is str and own.get(place) == folded(cell):
            same += 1
        else:
            other += 1
    return same >= 2 and same > other


def _another_table(row: Sequence[Cell], own: dict[int, str]) -> bool:
    """Whether a row holds headings, and not those of the table above it."""
    if any(cell is not None and type(cell) is not str for cell in row):
        return False
    texts = _texts(row)
    if len(texts) < 2 or _repeats(row, own) or any(is_value(cell) for cell in row):
        return False
    known = [
        found[0]
        for text in texts.values()
        if len(text) <= 80 and (found := readings_of((text,))) and found[0].score >= 0.9
    ]
    dated = any(FIELDS[reading.field].kind is Kind.DATE for reading in known)
    distinct = len({(r.field, r.taxon, r.life_stage) for r in known})
    return dated and distinct >= 2 and len(known) >= 0.6 * len(texts)


def _why_not_data(
    row: Sequence[Cell],
    filled: list[int],
    kinds: Kinds,
    counted: _Sums,
    date_column: int,
) -> str:
    """Why a row without a date is not data; empty when it is (its date is wanting)."""
    known = [place for place in filled if place in kinds.known]
    values = [place for place in known if place not in kinds.dates and is_value(row[place])]
    if not known:
        first = str(row[filled[0]])
        if len(filled) == 1 and type(row[filled[0]]) is str:
            return f"a note: {_shown(first)}"
        return "nothing stands in the columns that were understood"
    if not values:
        texts = [row[place] for place in filled if type(row[place]) is str]
        if len(filled) == 1 and texts:
            place = filled[0]
            kind = (
                "a heading or note within the table"
                if place == min((date_column if date_column >= 0 else 0), place)
                else "a note without a date"
            )
            return f"{kind}: {_shown(str(texts[0]))}"
        if all(place not in kinds.counts for place in known):
            if len(texts) <= 2:
                return f"a note without a date: {_shown(str(texts[0] if texts else ''))}"
            return "words without a date and without a value"
        return ""
    date_cell = row[date_column] if 0 <= date_column < len(row) else None
    named = any(p < len(row) and type(row[p]) is str for p in kinds.animals)
    sums, summed = counted.so_far() if date_cell is None and not named else ({}, 0)
    if summed >= 2:
        compared = agreed = 0
        for column, total in sums.items():
            cell = row[column] if column < len(row) else None
            number = number_of(cell)
            if number is not None and total > 0:
                compared += 1
                agreed += abs(number - total) < 1e-6
        others = [p for p in values if p not in kinds.counts]
        enough = compared > 1 or (summed >= 4 and not others)
        if compared and agreed == compared and enough:
            return "totals row (no date, and its numbers are the sums of the rows above)"
    return ""


def _shown(text: str) -> str:
    plain = " ".join(text.split())
    return f"\u201c{plain if len(plain) <= 60 else plain[:57] + '...'}\u201d"


def runs_across(sheet: Sheet) -> bool:
    """Whether the sheet has its headings down a column and its dates along a row."""
    for column in range(4):
        names = [
            row[column] for row in sheet.rows[:80] if column < len(row) and type(row[column]) is str
        ]
        if sum(1 for name in names if best_score((" ".join(str(name).split()),)) >= 0.9) < 3:
            continue
        for row in sheet.rows[:80]:
            dates = sum(
                1
                for cell in row[column + 1 :]
                if isinstance(cell, dt.date)
                or (
                    type(cell) is str
                    and (found := parse_date_text(cell)) is not None
                    and (found.date or found.year)
                )
            )
            if dates >= 3:
                return True
    return False
