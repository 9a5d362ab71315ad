"""One sheet that holds several tables becomes several sheets, each with one.

A part keeps the places of its cells: what belongs to the other tables is blank in it, so
that a cell's address is the one the lead sees. A turned sheet is the one exception, and
its name says so (:data:`shared.sheets.TURNED`).
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import zip_longest

from flows.intake.cells import folded
from flows.intake.headings import named_animals, readings_of, tokens_of
from flows.intake.reading import AnnotatedSheet, comments_of
from flows.intake.tables import Block, HeadingCell
from shared.settings import Site
from shared.sheets import TURNED, Cell, Sheet, column_letters

_SURE = 0.9


@dataclass(slots=True)
class Part(AnnotatedSheet):
    """One table's share of a sheet. ``gear_unit``: the net it is of, where that parts it."""

    gear_unit: str | None = None
    label: str = ""
    """Pattern of the net's name within headings, which says nothing of their meaning."""


def _named(sheet: Sheet, words: str) -> str:
    return f"{sheet.name}, {words}" if sheet.name else words


def _part(
    sheet: Sheet, words: str, rows: list[list[Cell]], merged: list[tuple[int, int, int, int]]
) -> Part:
    return Part(
        _named(sheet, words),
        rows,
        sheet.hidden,
        merged,
        comments_of(sheet),
        getattr(sheet, "dialect", ""),
    )


def columns_part(sheet: Sheet, words: str, kept: Collection[int], first: int, end: int) -> Part:
    """The sheet with only the columns ``kept`` in the rows from ``first`` to ``end``."""
    rows = [
        row
        if not first <= number < end
        else [cell if place in kept else None for place, cell in enumerate(row)]
        for number, row in enumerate(sheet.rows)
    ]
    merged = [
        entry
        for entry in sheet.merged
        if not (first <= entry[0] < end) or set(range(entry[1], entry[3] + 1)) <= set(kept)
    ]
    return _part(sheet, words, rows, merged)


def rows_part(sheet: Sheet, first: int, end: int) -> Part:
    """The sheet with only the rows from ``first`` to before ``end``."""
    empty: list[Cell] = []
    rows = [row if first <= number < end else empty for number, row in enumerate(sheet.rows[:end])]
    merged = [entry for entry in sheet.merged if first <= entry[0] and entry[2] < end]
    return _part(sheet, f"rows {first + 1} to {end}", rows, merged)


def turned(sheet: Sheet) -> Part:
    """The sheet with rows and columns exchanged."""
    rows = [list(row) for row in zip_longest(*sheet.rows)]
    merged = [(left, top, right, bottom) for top, left, bottom, right in sheet.merged]
    part = _part(sheet, TURNED, rows, merged)
    part.comments = {(column, row): text for (row, column), text in comments_of(sheet).items()}
    return part


# -- tables side by side ------------------------------------------------------------------


def _dates_among(headings: Sequence[HeadingCell]) -> list[int]:
    """Positions of headings that plainly name the date of the check."""
    found: list[int] = []
    for place, heading in enumerate(headings):
        if len(heading.parts[-1]) > 80:
            continue
        readings = readings_of(heading.parts, heading.units)
        if not readings or readings[0].field not in ("local_date", "check_date"):
            bare = readings_of(heading.parts[-1:])
            if not (len(heading.parts) > 1 and bare and bare[0].field == "local_date"):
                continue
            readings = bare
        if readings[0].score >= _SURE and readings[0].field == "local_date":
            found.append(place)
    return found


def side_by_side(sheet: Sheet, block: Block, site: Site) -> list[Part]:
    """The tables that stand beside one another in a block, each with a date of its own.

    Empty unless there are several. They are told apart by the headings that repeat: each
    table begins as many columns before its date as the first one does.
    """
    headings = block.headings
    dates = _dates_among(headings)
    if len(dates) < 2:
        return []
    lead = dates[0]
    own = [folded(heading.parts[-1]) for heading in headings]
    begins = [0]
    for place in dates[1:]:
        start = place
        # Walk back over the headings that stood before the first date too ("Net", "Date").
        for back in range(1, lead + 1):
            if place - back <= begins[-1] or own[place - back] != own[lead - back]:
                break
            start = place - back
        begins.append(start)
    spans = [
        (begin, after) for begin, after in zip(begins, [*begins[1:], len(headings)], strict=True)
    ]
    if any(after - begin < 2 for begin, after in spans):
        return []
    width = max(map(len, sheet.rows), default=0)
    parts: list[Part] = []
    for number, (begin, after) in enumerate(spans):
        named: dict[str, str] = {}
        for heading in headings[begin:after]:
            named |= _nets_in(" ".join(heading.parts[:-1]), site)
        left = headings[begin].index if number else 0
        right = headings[after].index - 1 if after < len(headings) else width - 1
        words = f"columns {column_letters(left)} to {column_letters(headings[after - 1].index)}"
        # What stands above and below belongs to the table over whose columns it stands;
        # a title at the far left is everybody's.
        parts.append(columns_part(sheet, words, range(left, right + 1), block.top, block.end))
        parts[-1].rows = _titles_kept(parts[-1].rows, sheet, block, left, right)
        if len(named) == 1:
            parts[-1].gear_unit, words = next(iter(named.items()))
            parts[-1].label = re.escape(words)
    return parts


def _titles_kept(
    rows: list[list[Cell]], sheet: Sheet, block: Block, left: int, right: int
) -> list[list[Cell]]:
    """Above the headings keep what stands over the part, or alone in its row."""
    for number in range(min(block.top, len(rows))):
        row = sheet.rows[number]
        filled = [place for place, cell in enumerate(row) if cell is not None]
        if len(filled) > 1:
            rows[number] = [
                cell if left <= place <= right else None for place, cell in enumerate(row)
            ]
    return rows


# -- nets side by side in one row ---------------------------------------------------------

_ANY_NET = re.compile(
    r"\b(?:net|fyke|trap)\s*(?:no\.?|number|#)?\s*[-:]?\s*"
    r"(?P<name>[a-h]|\d{1,2}|i{1,3}|upper|lower|north|south|east|west|left|right|inner|outer)\b"
    r"|\b(?P<side>upper|lower|north|south|east|west|left|right|inner|outer)\s+(?:net|fyke|trap)\b"
)


def _nets_in(text: str, site: Site) -> dict[str, str]:
    """Nets that a text names -> the words that name them."""
    words = folded(text)
    found: dict[str, str] = {}
    for unit in site.nets:
        name = re.escape(folded(unit))
        match = re.search(
            rf"\b(?:net|fyke|trap)\s*(?:no\.?|number|#)?\s*[-:]?\s*{name}\b"
            rf"|\b{name}\s+(?:net|fyke|trap)\b",
            words,
        )
        if match:
            found[unit] = match.group()
    if not found and len(site.nets) < 2:
        for match in _ANY_NET.finditer(words):
            name = match["name"] or match["side"]
            found[name.upper() if len(name) < 3 else name.capitalize()] = match.group()
    return found


def nets_across(sheet: Sheet, block: Block, site: Site) -> list[Part]:
    """Nets that share the date and the water in one row, one part for each.

    The nets are named in the headings of their columns, or each in a cell of its own
    above them. Empty unless at least two are named and each has a count.
    """
    of: dict[int, str] = {}
    labels: dict[str, set[str]] = {}
    for heading in block.headings:
        named = _nets_in(heading.text, site)
        if len(named) == 1:
            net, words = next(iter(named.items()))
            of[heading.index] = net
            labels.setdefault(net, set()).add(words)
    if len(set(of.values())) < 2:
        of = _by_titles(sheet, block, site)
    of = _without_shared(block, of, site)
    nets = list(dict.fromkeys(of[index] for index in sorted(of)))
    if len(nets) < 2:
        return []
    for net in nets:
        if not any(of.get(heading.index) == net and _counts(heading) for heading in block.headings):
            return []
    shared = [h.index for h in block.headings if h.index not in of]
    width = max(map(len, sheet.rows), default=0)
    unnamed = [place for place in range(width) if place not in {h.index for h in block.headings}]
    parts: list[Part] = []
    for net in nets:
        kept = {*shared, *unnamed, *(index for index, named in of.items() if named == net)}
        part = columns_part(sheet, f"net {net}", kept, block.top, block.end)
        part.merged = [
            _clipped(entry, kept) if block.top <= entry[0] < block.end else entry
            for entry in sheet.merged
        ]
        part.gear_unit = net
        part.label = "|".join(
            re.escape(words) for words in sorted(labels.get(net, ()), key=len, reverse=True)
        )
        parts.append(part)
    return parts


def _without_shared(block: Block, of: dict[int, str], site: Site) -> dict[int, str]:
    """Let go of columns that a net's name only reaches over, such as the water's at the end.

    A name above a group reaches to the next name or the end of the table. What the other
    nets lack and counts nothing is the check's own.
    """
    own: dict[str, set[str]] = {}
    for heading in block.headings:
        if heading.index in of:
            own.setdefault(of[heading.index], set()).add(folded(heading.parts[-1]))
    kept: dict[int, str] = {}
    for heading in block.headings:
        net = of.get(heading.index)
        if net is None:
            continue
        name = folded(heading.parts[-1])
        repeated = all(name in names for other, names in own.items() if other != net)
        if repeated or _counts(heading) or _nets_in(heading.parts[-1], site):
            kept[heading.index] = net
    return kept


def _clipped(entry: tuple[int, int, int, int], kept: Collection[int]) -> tuple[int, int, int, int]:
    """A merged range without the columns that are not kept at its right."""
    top, left, bottom, right = entry
    while right > left and right not in kept:
        right -= 1
    return top, left, bottom, right


def _counts(heading: HeadingCell) -> bool:
    animals = named_animals(tokens_of(heading.text))
    if animals.taxon is not None or animals.stages:
        return True
    found = readings_of(heading.parts[-1:])
    return bool(found and found[0].field == "count" and found[0].score >= _SURE)


def _by_titles(sheet: Sheet, block: Block, site: Site) -> dict[int, str]:
    """Columns -> net, where a row above the headings names a net in each of its cells."""
    for number in range(block.top - 1, max(-1, block.top - 4), -1):
        starts: list[tuple[int, str]] = []
        for place, cell in enumerate(sheet.rows[number]):
            if type(cell) is str and len(named := _nets_in(cell, site)) == 1:
                starts.append((place, next(iter(named))))
        if len({net for _, net in starts}) < 2:
            continue
        of: dict[int, str] = {}
        for (place, net), after in zip(starts, [*starts[1:], (10**6, "")], strict=True):
            for heading in block.headings:
                if place <= heading.index < after[0]:
                    of[heading.index] = net
        return of
    return {}
