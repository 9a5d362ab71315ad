"""Recognising: what each column of each sheet means, and which rows are data.

A column is assigned to a field only when its heading and its own cells agree; the rest
is listed with the reason. No site has code of its own here: what a sheet does not say
comes from the site's profile, and what neither says is not guessed.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from flows.intake.cells import (
    SERIAL_SPAN,
    date_part,
    folded,
    month_named,
    number_of,
    parse_date_text,
    parse_number,
    serial_text,
)
from flows.intake.delimited import decimal_mark
from flows.intake.evidence import date_order, fit, sample_of
from flows.intake.headings import (
    Reading,
    computed_word,
    named_animals,
    nearest_fields,
    order_in,
    readings_of,
    tokens_of,
    unit_in,
)
from flows.intake.parting import Part, nets_across, rows_part, side_by_side, turned
from flows.intake.reading import collector_at_rest, dialect_of
from flows.intake.tables import (
    Block,
    HeadingCell,
    Kinds,
    across,
    class_rows,
    find_block,
    merged_down,
    runs_across,
)
from shared.fields import FIELDS, Group, Kind, Level
from shared.problems import NothingRecognised
from shared.protocol import Protocol, protocols
from shared.settings import Network, Site
from shared.sheets import (
    TURNED,
    Cell,
    Column,
    Recognised,
    Sheet,
    SkippedRow,
    Table,
    Workbook,
    cell_name,
)
from shared.taxa import ALL_STAGES, TAXA, UNSTAGED

CONFIDENCE_LINE = 0.75
"""Below this a column is not assigned.

An exact heading over fitting cells scores about 1 and a slip of the keyboard 0.87; a
heading of which only a part is known stays under 0.63. The line lies in the gap.
"""

_MOST_FORMS = 12
"""Rows that look like headings and prove none, before a sheet's search is given up."""
_FEW = 0.5
"""Share of its columns that a table without counts or readings must be understood in."""

_ASIDE_NAMES = {
    "summary": "a summary",
    "summaries": "a summary",
    "chart": "a chart",
    "charts": "a chart",
    "graph": "a chart",
    "graphs": "a chart",
    "pivot": "a pivot table",
    "totals": "a summary",
    "lookup": "a list for look-ups",
    "lookups": "a list for look-ups",
    "lists": "a list for look-ups",
    "dropdown": "a list for look-ups",
    "dropdowns": "a list for look-ups",
    "instructions": "instructions",
    "instruction": "instructions",
    "readme": "instructions",
    "help": "instructions",
    "key": "a key",
    "codes": "a key",
    "legend": "a key",
    "template": "an empty form",
    "example": "an example",
    "examples": "an example",
    "sample": "",
    "metadata": "a description",
    "changelog": "a change log",
    "contacts": "contacts",
    "backup": "a copy",
    "old": "a copy",
    "copy": "a copy",
}
_TWINS: dict[str, tuple[tuple[str, float], ...]] = {
    # What a column may be instead when its cells say so: (field, share of the score).
    "set_time": (("set_date", 0.9),),
    "set_date": (("set_time", 0.9),),
    "check_time": (("check_date", 0.9),),
    "check_date": (("check_time", 0.9),),
    "local_date": (),
    "wind_speed": (("wind_direction", 0.88),),
    "gear_unit": (("net_status", 0.95),),
    "dissolved_oxygen": (("dissolved_oxygen_saturation", 0.85),),
}
_DATES = ("local_date", "check_date", "set_date")
_WATERY = (Group.WATER, Group.WEATHER)
_EFFORT = frozenset({"net_status", "hours_fished", "set_time", "check_time", "remarks", "hauls"})
"""Fields that a log of net checks may consist of, with no count and no reading."""
_PROTOCOL_WORDS = {
    "seine": frozenset({"seine", "seines", "seining", "haul", "hauls"}),
    "fyke": frozenset({"fyke", "fykes", "net", "nets"}),
}

Key = tuple[str, str | None, str | None]


@dataclass(slots=True)
class _Candidate:
    """One column with what it may mean; ``options`` best first."""

    heading: HeadingCell
    cells: list[Cell]
    options: list[tuple[Reading, float]]
    fixed: str | None = None
    """The profile's word on it."""
    why_not: str = ""
    wanted: bool = False
    """Left aside though its heading says plainly what it holds."""

    @property
    def blank(self) -> bool:
        return not self.cells


def recognise(workbook: Workbook, site: Site, network: Network) -> Recognised:
    """What was understood of ``workbook``, sent in by ``site``.

    A sheet that holds several tables which one sheet cannot hold apart gives way, in
    ``workbook.sheets``, to its parts (:mod:`flows.intake.parting`).

    Raises :class:`NothingRecognised` when no sheet holds a table, saying what was seen.
    """
    found: list[tuple[Sheet, Table]] = []
    aside: list[tuple[str, str]] = list(workbook.left_aside)
    late: list[tuple[Sheet, Table, str]] = []
    sheets: list[Sheet] = []
    for sheet in workbook.sheets:
        with collector_at_rest():
            tables, why = _tables_of(sheet, workbook, site, network)
        if not tables:
            aside.append((sheet.name, why))
            sheets.append(sheet)
            continue
        reason = "the tab is hidden" if sheet.hidden else _aside_by_name(sheet.name)
        for where, table in tables:
            if where not in sheets:
                sheets.append(where)
            if reason:
                late.append((where, table, reason))
            else:
                found.append((where, table))
    workbook.sheets = sheets
    if not found and late:
        # A lone tab called "Summary" is the lead's sheet, whatever its name.
        found = [(sheet, table) for sheet, table, _ in late]
    else:
        aside += [(sheet.name, reason) for sheet, _, reason in late]
    if not found:
        seen = (
            "; ".join(f'tab "{name}": {why}' if name else why for name, why in aside[:4])
            or "every sheet is empty"
        )
        raise NothingRecognised(
            f"No table of counts or readings was found ({seen}).",
            "A table needs a row of headings such as Date, Time, Glass eels or Water temp, with "
            "the dates down one column. Put the headings above the columns, or name them in the "
            "site's profile, and send the file again.",
            workbook.name,
        )
    _settle_orders([table for _, table in found], [sheet for sheet, _ in found], site, network)
    return Recognised([table for _, table in found], aside)


def _aside_by_name(name: str) -> str:
    for word in re.findall(r"[a-z]+", name.lower().replace("read me", "readme")):
        meaning = _ASIDE_NAMES.get(word)
        if meaning:
            return f"its name says it is {meaning}"
    return ""


def _tables_of(
    sheet: Sheet, workbook: Workbook, site: Site, network: Network
) -> tuple[list[tuple[Sheet, Table]], str]:
    """The tables of a sheet, each with the part of the sheet that it stands on."""
    tables, why = _down(sheet, workbook, site, network)
    if tables:
        return tables, ""
    if runs_across(sheet):
        part = turned(sheet)
        tables, _ = _down(part, workbook, site, network)
        if tables:
            for _, table in tables:
                table.notes.append(
                    "Its headings stand in a column and its dates run to the right: it was "
                    "turned, so a row here is a column of the sheet."
                )
            return tables, ""
        return [], (
            "its headings stand in a column and its dates run to the right; turn it so "
            "that each check is a row (copy, then paste special, transpose)"
        )
    return [], why or _nature_of(sheet)


def _down(
    sheet: Sheet, workbook: Workbook, site: Site, network: Network
) -> tuple[list[tuple[Sheet, Table]], str]:
    """The tables of a sheet whose headings stand above their columns."""
    tables: list[tuple[Sheet, Table]] = []
    begins: list[int] = []
    named = frozenset(map(folded, site.profile.columns))
    start, covered, why = 0, 0, ""
    failed = 0
    while start < len(sheet.rows) and failed < _MOST_FORMS:
        block = find_block(sheet, start, named)
        if block is None:
            break
        several, end = _beside(sheet, block, start, workbook, site, network)
        reason = ""
        if not several:
            table, end, reason = _table_of(sheet, block, workbook, site, network)
            several = [(sheet, table)] if table is not None else []
        if several:
            if tables:
                _leave_aside(tables[-1][1], sheet, covered, block.top)
            tables += several
            begins += [block.top] * len(several)
            covered = end
        why = why or reason
        # What looked like headings may have been a form above the true ones.
        start = end if several else block.bottom + 1
        failed += not several
    if tables:
        _leave_aside(tables[-1][1], sheet, covered, len(sheet.rows))
    return _held_apart(sheet, tables, begins), why


def _beside(
    sheet: Sheet, block: Block, start: int, workbook: Workbook, site: Site, network: Network
) -> tuple[list[tuple[Sheet, Table]], int]:
    """Tables that stand beside one another under one row of headings; none unless several."""
    for parts in (side_by_side(sheet, block, site), nets_across(sheet, block, site)):
        found: list[tuple[Sheet, Table]] = []
        end = block.bottom + 1
        for part in parts:
            own = find_block(part, start, frozenset(map(folded, site.profile.columns)))
            if own is None or own.bottom != block.bottom:
                continue
            table, after, _ = _table_of(part, own, workbook, site, network)
            if table is not None:
                found.append((part, table))
                end = max(end, after)
        if len(found) > 1 and len(found) == len(parts):
            return found, end
    return [], block.end


def _held_apart(
    sheet: Sheet, tables: list[tuple[Sheet, Table]], begins: list[int]
) -> list[tuple[Sheet, Table]]:
    """Give tables below one another a part each where a field changes its column.

    A place in the record is a sheet, a column and a row; two tables on one sheet may
    share it only while their columns mean the same.
    """
    seen: dict[tuple[str | None, ...], tuple[int, str | None]] = {}
    for where, table in tables:
        if where is not sheet:
            continue
        for column in table.columns:
            if column.field is not None and not column.part:
                key = (column.field, column.taxon, column.life_stage)
                if seen.setdefault(key, (column.index, column.unit)) != (
                    column.index,
                    column.unit,
                ):
                    break
        else:
            continue
        break
    else:
        return tables
    out: list[tuple[Sheet, Table]] = []
    for number, (where, table) in enumerate(tables):
        if where is sheet:
            first = 0 if number == 0 else begins[number]
            end = begins[number + 1] if number + 1 < len(begins) else len(sheet.rows)
            where = rows_part(sheet, first, max(end, first + 1))
            table.sheet = where.name
        out.append((where, table))
    return out


def _leave_aside(table: Table, sheet: Sheet, first: int, end: int) -> None:
    """Account for the rows between a table and the next, which belong to neither."""
    for number in range(first, end):
        if any(cell is not None for cell in sheet.rows[number]):
            table.skipped.append(
                SkippedRow(number, "it stands below the table, in none of its own")
            )


def _nature_of(sheet: Sheet) -> str:
    cells = [cell for row in sheet.rows for cell in row if cell is not None]
    texts = [cell for cell in cells if type(cell) is str]
    if len(texts) >= 0.9 * len(cells):
        return "it holds text only, no table with headings we know"
    return "no row of headings we know was found"


# -- one table -----------------------------------------------------------------------------


def _table_of(
    sheet: Sheet, block: Block, workbook: Workbook, site: Site, network: Network
) -> tuple[Table | None, int, str]:
    """The table, the row after its end, and why there is none."""
    columnwise = across(sheet.rows[block.first : block.end])
    blank: tuple[Cell, ...] = (None,) * (block.end - block.first)
    cells: dict[int, Sequence[Cell]] = {
        h.index: columnwise[h.index] if h.index < len(columnwise) else blank for h in block.headings
    }
    samples = {index: sample_of(column) for index, column in cells.items()}
    decimal = _decimal(samples, dialect_of(workbook, sheet))
    label = getattr(sheet, "label", "")
    candidates = [
        _candidate(_unlabelled(h, label), samples[h.index], site, decimal) for h in block.headings
    ]
    if sheet.name.endswith(TURNED):  # titles, which stand where headings do once turned
        candidates = [
            c for c in candidates if c.cells or (c.options and c.options[0][1] >= CONFIDENCE_LINE)
        ]
    _rescue_date(candidates, columnwise, block)
    _set_aside_boxes(candidates, cells)
    several = _nets_across(block, site) if not isinstance(sheet, Part) else ""
    if several:
        return (
            None,
            block.end,
            f"it keeps several nets ({several}) side by side in one row; give each net rows or a "
            "tab of its own",
        )
    _settle_rivals(candidates)
    _doubt_weather(candidates)
    protocol = _protocol(sheet, block, candidates, site)
    chosen = _assign(candidates, protocol)
    chosen = _settle_counts(chosen, candidates, cells, protocol, decimal)
    columns = [
        _as_column(c, chosen.get(c.heading.index), candidates, chosen, site, sheet)
        for c in candidates
    ]
    fields = {column.field for column in columns if column.field}
    month: int | None = None
    if not fields & set(_DATES):
        columns, month = _date_in_parts(columns, candidates, sheet, block)
        fields = {column.field for column in columns if column.field}
    if not fields & set(_DATES):
        seen = ", ".join(f"\u201c{h.text}\u201d" for h in block.headings[:6])
        return (
            None,
            block.end,
            f"it has no column of dates, so its rows are no checks (seen: {seen})",
        )
    layout = "long" if fields & {"taxon", "life_stage"} else "wide"
    kinds = _kinds(columns)
    data, skipped, end = class_rows(sheet, block, kinds)
    if not data:
        return None, end, "it has headings but no row with a date and a value"
    watery = any(FIELDS[name].group in _WATERY for name in fields)
    counted = any(column.field in ("count", "taxon") for column in columns)
    known = sum(1 for column in columns if column.field is not None)
    about_nets = bool(fields & _EFFORT) or any(FIELDS[name].level is Level.CATCH for name in fields)
    if not watery and not counted and (not about_nets or known < _FEW * len(columns)):
        return None, end, "it has dates but neither counts nor readings"
    columns = _repeat_numbers(columns, cells, data, block)
    once = layout == "long" and _dates_written_once(sheet, columns, data)
    table = Table(
        sheet=sheet.name,
        protocol=protocol.id,
        header_row=block.bottom,
        columns=columns,
        data_rows=data,
        skipped=skipped,
        layout=layout,
        date_order="",
        date_order_from="",
        gear_unit=_named_gear(sheet, block, site, protocol),
        decimal=decimal,
        month=month,
        dates_once=once,
    )
    if once:
        table.notes.append(
            "The date is written once, in the first row of each check, and nowhere twice: the "
            "rows below it without a date belong to the same check."
        )
    if month is not None:
        table.notes.append(
            f"The dates give only the day; the month, {_MONTH_NAMES[month - 1]}, is that of the "
            "tab or title."
        )
    hint = next(
        (
            order
            for h in block.headings
            if h.index in chosen
            and chosen[h.index][0].field in _DATES
            and (order := order_in(f"{h.text} {h.units}"))
        ),
        None,
    )
    if hint:
        table.date_order, table.date_order_from = hint, "heading"
    return table, end, ""


def _unlabelled(heading: HeadingCell, label: str) -> HeadingCell:
    """A heading without the name of the net, which says nothing of its meaning."""
    if not label:
        return heading
    parts = [
        re.sub(r"\s+", " ", re.sub(label, " ", part, flags=re.I)).strip(" -:,/_")
        for part in heading.parts
    ]
    kept = tuple(part for part in parts if part)
    return replace(heading, parts=kept) if kept and parts[-1] else heading


_PART_WORDS = {
    "year": ("year",),
    "month": ("month",),
    "day": ("day", "date"),
}
_DAY_OF_MONTH = frozenset({("day", "of", "month"), ("day", "of", "the", "month")})
_MONTH_NAMES = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def _date_in_parts(
    columns: list[Column], candidates: list[_Candidate], sheet: Sheet, block: Block
) -> tuple[list[Column], int | None]:
    """Take columns of year, month and day for the date, where no column holds it whole.

    Also the month of a tab or title that names one, over a column of days. Columns come
    back unchanged where the parts, or their cells, do not make dates.
    """
    found: dict[str, int] = {}
    for place, candidate in enumerate(candidates):
        if candidate.fixed is not None:
            continue
        tokens = tokens_of(candidate.heading.parts[-1])
        words = tokens[0] if len(tokens) == 1 else "day" if tokens in _DAY_OF_MONTH else ""
        for part, names in _PART_WORDS.items():
            if words in names and part not in found and _are_parts(candidate.cells, part):
                found[part] = place
    if "day" not in found:
        return columns, None
    month: int | None = None
    if "month" not in found:
        named = {m for text in (sheet.name, *block.titles) for m in _months_in(text)}
        if len(named) != 1:
            return columns, None
        month = named.pop()
    by_index = {candidates[place].heading.index: part for part, place in found.items()}
    out: list[Column] = []
    for column in columns:
        named_part = by_index.get(column.index)
        if named_part is not None:
            column = replace(
                column, field="local_date", confidence=0.92, why_not="", unit=None, part=named_part
            )
        out.append(column)
    return out, month


def _are_parts(cells: Sequence[Cell], part: str) -> bool:
    """Whether nearly all cells can be the year, month or day of a date."""
    good = sum(1 for cell in cells if date_part(cell, part) is not None)
    return bool(cells) and good >= 0.9 * len(cells)


def _months_in(text: str) -> set[int]:
    """Months that a tab's name or a title names in words (or 2026-03)."""
    words = re.findall(r"[^\W\d_]+", folded(text))
    named = {number for word in words if (number := month_named(word)) is not None}
    if not named:
        match = re.search(r"\b20\d\d[-_ ](0[1-9]|1[0-2])\b|\b(0[1-9]|1[0-2])[-_ ]20\d\d\b", text)
        if match:
            named = {int(match[1] or match[2])}
    return named


def _decimal(samples: Mapping[int, Sequence[Cell]], dialect: str) -> str:
    found = decimal_mark(
        cell.strip() for column in samples.values() for cell in column if type(cell) is str
    )
    if found is not None:
        return found
    return "," if "decimal comma" in dialect else "."


def _profile_for(heading: HeadingCell, site: Site) -> str | None:
    wanted = {folded(heading.text), folded(heading.parts[-1])}
    for written, field_id in site.profile.columns.items():
        if folded(written) in wanted:
            return field_id
    return None


def _candidate(heading: HeadingCell, sample: list[Cell], site: Site, decimal: str) -> _Candidate:
    fixed = _profile_for(heading, site)
    if fixed is not None:
        if fixed == "-":
            return _Candidate(heading, sample, [], fixed, "the site's profile leaves it aside")
        field_id, _, rest = fixed.partition(":")
        taxon, _, stage = rest.partition(":")
        unit, source = unit_in(heading.parts, heading.units, FIELDS[field_id].accepted)
        reading = Reading(field_id, 1.0, unit, source, taxon or None, stage or None)
        return _Candidate(heading, sample, [(reading, 1.0)], fixed)
    readings = readings_of(heading.parts, heading.units)
    computed = computed_word(heading.text)
    if computed and not (readings and readings[0].score >= 0.99):
        return _Candidate(heading, sample, [], None, f"its heading speaks of {computed}")
    options: list[tuple[Reading, float]] = []
    misfits: dict[str, tuple[str, ...]] = {}
    known = {reading.field for reading in readings if reading.score >= CONFIDENCE_LINE}
    for reading in readings[:8]:
        tried = [reading]
        if reading.score >= CONFIDENCE_LINE:
            tried += [
                replace(reading, field=twin, score=reading.score * share, unit=None, unit_from="")
                for twin, share in _TWINS.get(reading.field, ())
                if twin not in known and not (reading.unit and FIELDS[twin].kind in (Kind.NUMBER,))
            ]
        for option in tried:
            found = fit(sample, FIELDS[option.field], option.unit, decimal)
            if option is not reading and not found.cells:
                continue
            confidence = _confidence(option, found.share(option.score), found.cells)
            if found.cells and not found.good and FIELDS[option.field].kind is Kind.DATE:
                confidence = round(confidence * 0.5, 4)  # two days of a month are no dates
            options.append((option, confidence))
            if found.misfits:
                misfits[option.field] = found.misfits
    options.sort(key=lambda pair: (-pair[1], -pair[0].score))
    why = name = ""
    if (
        readings
        and readings[0].score >= CONFIDENCE_LINE
        and (not options or options[0][1] < CONFIDENCE_LINE)
    ):
        name = readings[0].field
        shown = ", ".join(misfits.get(name, ()))
        why = (
            f"its heading says {FIELDS[name].title.lower() if name != 'ph' else 'pH'}, but its "
            f"cells ({shown}) are not that"
        )
    return _Candidate(heading, sample, options, None, why, bool(why) and _is_missed(name, sample))


def _is_missed(field_id: str, sample: Sequence[Cell]) -> bool:
    """Whether leaving a column aside loses something: a count, or cells that hold figures.

    A "Sky" of words is another thing than cloud cover in eighths, and nobody need be asked.
    """
    figures = sum(1 for cell in sample if any(c.isdigit() for c in str(cell)))
    return bool(sample) and (field_id == "count" or 2 * figures >= len(sample))


def _confidence(reading: Reading, share: float, cells: int) -> float:
    """Heading score tempered by what the cells say."""
    score = min(reading.score, 1.0)
    if cells == 0:
        return score * 0.97
    if share >= 0.7:
        factor = 1.0 if share >= 0.9 else 0.97
    elif share >= 0.4:
        factor = 0.7 + (share - 0.4) * 0.9
    else:
        factor = share
    kind = FIELDS[reading.field].kind
    lift = 0.0
    if share >= 0.93 and cells >= 5 and kind in (Kind.DATE, Kind.TIME, Kind.CHOICE, Kind.TAXON):
        lift = (1 - score) * 0.2
    return round(min(0.99, score * factor + lift), 4)


def _is_dated(sample: Sequence[Cell]) -> bool:
    """Whether nearly every cell is certainly a date."""
    if len(sample) < 3:
        return False
    good = sum(
        1
        for cell in sample
        if (isinstance(cell, dt.date) and 1980 <= cell.year <= 2100)
        or (
            type(cell) is str
            and (found := parse_date_text(cell)) is not None
            and (found.date is not None or found.year > 0)
        )
    )
    return good >= 0.9 * len(sample)


def _rescue_date(
    candidates: list[_Candidate], turned: list[tuple[Cell, ...]], block: Block
) -> None:
    """Take the only column of dates for the date where no heading says date.

    A heading left blank, or one like "When", over nothing but dates leaves no other
    meaning; two such columns would.
    """
    for candidate in candidates:
        if (
            candidate.options
            and candidate.options[0][0].field in _DATES
            and (candidate.options[0][1] >= CONFIDENCE_LINE)
        ):
            return
    named = {candidate.heading.index for candidate in candidates}
    unnamed = [index for index in range(len(turned)) if index not in named]
    dated: list[_Candidate] = []
    for candidate in candidates:
        if (
            candidate.fixed is None
            and _is_dated(candidate.cells)
            and not (candidate.options and candidate.options[0][1] >= CONFIDENCE_LINE)
        ):
            dated.append(candidate)
    for index in unnamed:
        sample = sample_of(turned[index])
        if _is_dated(sample):
            dated.append(_Candidate(HeadingCell(index, block.bottom, ("",)), sample, []))
    if len(dated) == 1 and not dated[0].why_not:
        found = dated[0]
        found.options = [(Reading("local_date", 0.8), 0.8)]
        if found not in candidates:
            candidates.append(found)
            candidates.sort(key=lambda c: c.heading.index)


def _set_aside_boxes(candidates: list[_Candidate], cells: dict[int, Sequence[Cell]]) -> None:
    """Leave aside what stands beside the table: a summary box behind an empty column."""
    indexes = [c.heading.index for c in candidates]
    groups: list[list[_Candidate]] = []
    for candidate in candidates:
        if groups and candidate.heading.index - groups[-1][-1].heading.index == 1:
            groups[-1].append(candidate)
        else:
            groups.append([candidate])
    if len(groups) < 2 or not indexes:
        return

    def dated(group: list[_Candidate]) -> bool:
        return any(
            c.options and c.options[0][0].field in _DATES and c.options[0][1] >= CONFIDENCE_LINE
            for c in group
        )

    main = next((group for group in groups if dated(group)), None)
    if main is None:
        return

    def filled(group: list[_Candidate]) -> set[int]:
        return {
            row
            for c in group
            for row, cell in enumerate(cells.get(c.heading.index, ()))
            if cell is not None
        }

    rows = filled(main)
    for group in groups:
        if group is main:
            continue
        here = filled(group)
        outside = len(here - rows)
        apart = bool(here) and (
            outside > 0.5 * len(here)
            or (
                len(here) < 0.35 * len(rows)
                and len(rows) >= 8
                and max(here) - min(here) + 1 <= 1.5 * len(here)
                and len(group) > 1
            )
        )
        if dated(group) or apart:
            for candidate in group:
                if candidate.fixed is None:
                    candidate.options = []
                    candidate.why_not = (
                        "it belongs to a second table beside this one; give that a tab of its own"
                        if dated(group)
                        else "it belongs to a box beside the table"
                    )


_COMPANY: dict[str, frozenset[str]] = {
    # What stands beside a field whose heading another field shares.
    "weight": frozenset({"length", "pigment_stage", "taxon", "life_stage"}),
    "water_temperature": frozenset(
        f.id for f in FIELDS.values() if f.group in _WATERY and f.id != "cloud_cover"
    ),
    "turbidity": frozenset(f.id for f in FIELDS.values() if f.group is Group.WATER),
    "cloud_cover": frozenset(f.id for f in FIELDS.values() if f.group is Group.WEATHER),
}


def _settle_rivals(candidates: list[_Candidate]) -> None:
    """Decide between fields that share a heading ("WT") by the company it keeps.

    Columns beside it count three times those further off. Unless one meaning has plainly
    more of its kind about it, neither is taken.
    """
    sure = {
        place: c.options[0][0].field
        for place, c in enumerate(candidates)
        if c.options and c.options[0][1] >= CONFIDENCE_LINE
    }
    for place, candidate in enumerate(candidates):
        if candidate.fixed is not None or len(candidate.options) < 2:
            continue
        top = candidate.options[0][0]
        rivals = [
            reading.field
            for reading, confidence in candidate.options
            if confidence >= CONFIDENCE_LINE and abs(reading.score - top.score) < 0.005
        ]
        rivals = list(dict.fromkeys(rivals))
        if "water_level" in rivals or (
            top.field == "water_level" and tokens_of(candidate.heading.parts[-1]) == ("staff",)
        ):
            numbers = [number_of(cell) for cell in candidate.cells]
            if numbers and all(n is not None and n.is_integer() and 0 < n <= 15 for n in numbers):
                _leave_open(candidate, "the number of people or the height on the staff")
            continue
        if len(rivals) != 2 or not all(name in _COMPANY for name in rivals):
            continue
        weights = {name: 0 for name in rivals}
        for other, name in sure.items():
            if other != place and name not in rivals:
                for rival in rivals:
                    if name in _COMPANY[rival]:
                        weights[rival] += 3 if abs(other - place) == 1 else 1
        first, second = sorted(rivals, key=lambda name: -weights[name])
        taken = {name for other, name in sure.items() if other != place}
        if (first in taken) != (second in taken):  # one meaning has a column of its own already
            first, second = (second, first) if first in taken else (first, second)
            weights = {first: 1, second: 0}
        if weights[first] >= max(1, 2 * weights[second]):
            candidate.options = [
                (reading, min(confidence, 0.88))
                for reading, confidence in candidate.options
                if reading.field != second
            ]
        else:
            names = " or ".join(FIELDS[name].title.lower() for name in rivals)
            _leave_open(candidate, names)


def _doubt_weather(candidates: list[_Candidate]) -> None:
    """Leave a bare "Temp" open on a table of weather alone: it may well be the air's."""
    sure = {
        c.options[0][0].field: c
        for c in candidates
        if c.options and c.options[0][1] >= CONFIDENCE_LINE
    }
    if any(
        FIELDS[name].level is Level.CATCH
        or name in ("hours_fished", "set_time", "set_date", "net_status", "gear_unit")
        or (FIELDS[name].group is Group.WATER and name != "water_temperature")
        for name in sure
    ):
        return
    found = sure.get("water_temperature")
    if (
        found is not None
        and found.fixed is None
        and "air_temperature" not in sure
        and tokens_of(found.heading.parts[-1].partition("(")[0]) == ("temperature",)
        and len(found.heading.parts) == 1
        and any(FIELDS[name].group is Group.WEATHER for name in sure)
    ):
        _leave_open(found, "the temperature of water or air")


def _leave_open(candidate: _Candidate, meanings: str) -> None:
    """Put a column below the confidence line, saying what its heading could mean."""
    candidate.options = [(reading, min(score, 0.5)) for reading, score in candidate.options]
    candidate.why_not = f"its heading could mean {meanings}, and the columns about it do not tell"
    candidate.wanted = not candidate.blank


# -- protocol and gear -----------------------------------------------------------------------


def _protocol(sheet: Sheet, block: Block, candidates: list[_Candidate], site: Site) -> Protocol:
    known = protocols()
    best = {
        c.options[0][0].field
        for c in candidates
        if c.options and c.options[0][1] >= CONFIDENCE_LINE
    }
    texts = [sheet.name, *block.titles, *(c.heading.text for c in candidates)]
    words = {word for text in texts for word in re.findall(r"[a-z]+", text.lower())}
    counted = bool(best & {"count", "taxon", "subsample_count", "released", "mortality"})
    counted = counted or any(
        # Animals are named, if in columns that were not understood: no water reading this.
        not c.options and not c.why_not and named_animals(tokens_of(c.heading.text)).taxon
        for c in candidates
    )
    watery = any(FIELDS[name].group in _WATERY for name in best)
    effort = bool(
        best & {"hours_fished", "net_status", "set_time", "set_date", "hauls", "haul_area"}
    )
    if not counted and watery and not effort:
        return known["water"]
    allowed = [name for name in site.protocols if name in known and name != "water"]
    names = words & _PROTOCOL_WORDS["seine"]
    wanted = "seine" if best & {"hauls", "haul_area"} or names else "fyke"
    if wanted not in allowed and allowed:
        wanted = allowed[0]
    if not allowed:
        wanted = "water" if not counted else wanted
    return known[wanted]


def _nets_across(block: Block, site: Site) -> str:
    """Nets of the site that stand side by side in one row; empty unless there are several.

    They are named in the headings of counts, or each in a cell of its own above them.
    """

    def nets_in(text: str) -> set[str]:
        words = folded(text)
        return {
            unit
            for unit in site.nets
            if re.search(
                rf"\b(?:net|fyke)\s*(?:no\.?|#)?\s*{re.escape(folded(unit))}\b"
                rf"|\b{re.escape(folded(unit))}\s+(?:net|fyke)\b",
                words,
            )
        }

    named: set[str] = set()
    for heading in block.headings:
        animals = named_animals(tokens_of(heading.text))
        if animals.taxon is not None or animals.stages:
            named |= nets_in(heading.text)
    above = [nets for text in block.titles if len(nets := nets_in(text)) == 1]
    if len(above) > 1:
        named |= set().union(*above)
    return ", ".join(sorted(named)) if len(named) > 1 else ""


def _named_gear(sheet: Sheet, block: Block, site: Site, protocol: Protocol) -> str | None:
    """The gear unit that the tab's name or the title names, if it names exactly one."""
    own: str | None = getattr(sheet, "gear_unit", None)
    if own is not None and protocol.gear_from == "nets":
        return own
    units = site.gear_units(protocol)
    kind = {"nets": r"(?:fyke\s*)?(?:net|fyke)", "seines": r"(?:seine|haul)"}.get(
        protocol.gear_from, ""
    )
    if not kind:
        return None
    named: set[str] = set()
    for text in (sheet.name, *block.titles):
        words = folded(text)
        for unit in units:
            name = re.escape(folded(unit))
            label = rf"\b{kind}\s*(?:no\.?|number|#|:|id)?\s*{name}\b|\b{name}\s+{kind}\b"
            alone = len(unit) > 2 and re.search(rf"\b{name}\b", words)
            if re.search(label, words) or alone or (text == sheet.name and words == folded(unit)):
                named.add(unit)
        if named:
            break
    return named.pop() if len(named) == 1 else None


# -- assignment --------------------------------------------------------------------------------


def _key(reading: Reading) -> Key:
    return (reading.field, reading.taxon, reading.life_stage)


def _assign(candidates: list[_Candidate], protocol: Protocol) -> dict[int, tuple[Reading, float]]:
    """Column -> reading: each meaning once, best in sum over the whole table."""
    open_ = {
        c.heading.index: [(r, s) for r, s in c.options if s >= CONFIDENCE_LINE] for c in candidates
    }
    open_ = {index: options for index, options in open_.items() if options}
    by_key: dict[Key, list[int]] = {}
    for index, options in open_.items():
        by_key.setdefault(_key(options[0][0]), []).append(index)
    clashes = {key: places for key, places in by_key.items() if len(places) > 1}
    if not clashes:
        return {index: options[0] for index, options in open_.items()}
    where = {c.heading.index: c for c in candidates}
    chosen: dict[int, tuple[Reading, float]] = {}
    if any(len(open_[place]) > 1 for places in clashes.values() for place in places):
        chosen = _optimum(open_, where)
    else:
        for key, places in by_key.items():
            winner = max(places, key=lambda p: _weight(where[p], open_[p][0]))
            if key in clashes and not _clear(winner, places, open_, where):
                continue
            chosen[winner] = open_[winner][0]
        return chosen
    for key, places in clashes.items():
        holders = [p for p in places if p in chosen and _key(chosen[p][0]) == key]
        losers = [p for p in places if p not in chosen]
        if holders and losers and not _clear(holders[0], [holders[0], *losers], open_, where):
            del chosen[holders[0]]
    return chosen


def _weight(candidate: _Candidate, option: tuple[Reading, float]) -> tuple[float, int, float, int]:
    own = candidate.heading.parts[-1]
    bare = own.partition("(")[0]
    words = len(tokens_of(bare or own))
    plain_total = option[0].field == "count" and "total" in tokens_of(candidate.heading.text)
    return (
        option[1] + (1.0 if candidate.fixed else 0.0) - 0.05 * plain_total,
        int(not candidate.blank),
        words - (0.5 if bare != own and option[0].unit is None else 0.0),
        -candidate.heading.index,
    )


def _clear(
    winner: int,
    places: Sequence[int],
    open_: dict[int, list[tuple[Reading, float]]],
    where: dict[int, _Candidate],
) -> bool:
    """Whether the winner of a contested meaning is plainly the better column.

    Two columns with the same heading and different cells are a riddle: neither is taken.
    """
    mine = where[winner]
    if mine.fixed is not None or FIELDS[open_[winner][0][0].field].kind is Kind.TEXT:
        return True
    for place in places:
        other = where[place]
        if place == winner or other.blank:
            continue
        same_name = folded(other.heading.text) == folded(mine.heading.text)
        if not same_name:
            if open_[winner][0][0].field != "count" or other.cells == mine.cells:
                continue
            lesser = _lesser(mine, other)
            if lesser:
                other.wanted = lesser == "other words"
                continue
        if other.cells != mine.cells:
            other.why_not = mine.why_not = (
                f"another column ({cell_name(mine.heading.row, winner)} or "
                f"{cell_name(other.heading.row, place)}) has "
                + ("the same heading" if same_name else "a heading that means the same")
                + ", and which is meant cannot be known"
            )
            mine.wanted = other.wanted = True
            return False
    return True


_ESTIMATE = re.compile(r"\b(?:est|estimated?|approx\w*|calc\w*|expanded|extrapolated|rough\w*)\b")


def _lesser(first: _Candidate, second: _Candidate) -> str:
    """What makes one of two headings of the same count the lesser; empty where nothing does.

    A total, an estimate or a poor match says of itself that it is not the count; words that
    only one of them has ("Glass eels (trap 2)") may well be another count.
    """
    words = [frozenset(tokens_of(c.heading.text)) for c in (first, second)]
    if ("total" in words[0]) != ("total" in words[1]):
        return "a total"
    if abs(first.options[0][1] - second.options[0][1]) > 0.1:
        return "a poor match"
    if any(_ESTIMATE.search(folded(c.heading.text)) for c in (first, second)):
        return "an estimate"
    return "other words" if words[0] < words[1] or words[1] < words[0] else ""


def _optimum(
    open_: dict[int, list[tuple[Reading, float]]], where: dict[int, _Candidate]
) -> dict[int, tuple[Reading, float]]:
    """Assignment with the greatest sum of confidence (Hungarian method)."""
    import numpy as np
    from scipy.optimize import linear_sum_assignment

    keys = sorted({_key(r) for options in open_.values() for r, _ in options}, key=str)
    places = sorted(open_)
    gain = np.zeros((len(places), len(keys) + len(places)))
    for row, place in enumerate(places):
        for reading, score in open_[place]:
            weight = _weight(where[place], (reading, score))
            column = keys.index(_key(reading))
            gain[row, column] = max(
                gain[row, column], weight[0] + 1e-3 * weight[1] + 1e-4 * weight[2]
            )
    chosen: dict[int, tuple[Reading, float]] = {}
    rows, columns = linear_sum_assignment(gain, maximize=True)
    for row, column in zip(rows.tolist(), columns.tolist(), strict=True):
        if column < len(keys) and gain[row, column] > 0:
            place = places[row]
            chosen[place] = next(o for o in open_[place] if _key(o[0]) == keys[column])
    return chosen


# -- what the counts are of -------------------------------------------------------------------


def _numbers(cells: Sequence[Cell], decimal: str) -> list[float | None]:
    out: list[float | None] = []
    for cell in cells:
        if type(cell) is float or type(cell) is int:
            out.append(float(cell))
        elif type(cell) is str and (found := parse_number(cell, decimal)) is not None:
            out.append(found.value)
        else:
            out.append(None)
    return out


def _settle_counts(
    chosen: dict[int, tuple[Reading, float]],
    candidates: list[_Candidate],
    cells: dict[int, Sequence[Cell]],
    protocol: Protocol,
    decimal: str,
) -> dict[int, tuple[Reading, float]]:
    """Give every catch column of a wide table its taxon and stage, or leave it aside."""
    naming = [i for i, (r, _) in chosen.items() if r.field in ("taxon", "life_stage")]
    if naming:
        own = [
            i
            for i, (r, _) in chosen.items()
            if FIELDS[r.field].level is Level.CATCH and r.taxon is not None
        ]
        plain = any(r.field == "count" and r.taxon is None for r, _ in chosen.values())
        wide = not plain and any(chosen[i][0].field == "count" for i in own)
        reasons = {c.heading.index: c for c in candidates}
        for index in naming if wide else own:
            del chosen[index]
            reasons[index].why_not = (
                "the counts stand in columns of their own, each named by its heading"
                if wide
                else "the rows name their animals themselves, so a column for one has no place"
            )
        if not wide:
            return chosen
    where = {c.heading.index: c for c in candidates}
    first = protocol.targets[0] if protocol.targets else None
    counts = {i: r for i, (r, _) in chosen.items() if r.field == "count"}

    def put(index: int, taxon: str, stage: str) -> None:
        reading, score = chosen[index]
        taken = [
            i
            for i, (r, _) in chosen.items()
            if i != index and _key(r) == (reading.field, taxon, stage)
        ]
        if taken:
            drop(
                index,
                f"another column ({cell_name(where[taken[0]].heading.row, taken[0])}) "
                "already gives the same",
            )
        else:
            chosen[index] = (replace(reading, taxon=taxon, life_stage=stage), score)

    def drop(index: int, why: str) -> None:
        del chosen[index]
        where[index].why_not = why

    # Stages named without a taxon ("Pigmented") are the target's.
    for index, reading in list(counts.items()):
        if reading.taxon is None and reading.life_stage is not None:
            if first is not None and reading.life_stage in (
                "glass eel",
                "elver",
                "yellow eel",
                "silver eel",
                "young of year",
                ALL_STAGES,
            ):
                put(index, first.taxon, reading.life_stage)
            else:
                drop(index, "it names a life stage, but not of which animal")
    counts = {i: r for i, (r, _) in chosen.items() if r.field == "count"}
    named = [i for i, r in counts.items() if r.taxon is not None]
    open_ = [i for i, r in counts.items() if r.taxon is None]
    for index in open_:
        if not named:
            if first is not None:
                put(index, first.taxon, first.life_stage)
            else:
                drop(index, "it counts animals, but the heading does not say which")
            continue
        verdict = _total_of(index, counts, cells, first.taxon if first else None, decimal)
        if verdict == "target" and first is not None:
            put(index, first.taxon, ALL_STAGES)
        else:
            drop(index, verdict)
    counts = {i: r for i, (r, _) in chosen.items() if r.field == "count"}
    for index, reading in list(counts.items()):
        if reading.taxon is None or reading.life_stage not in (None, ALL_STAGES):
            continue
        siblings = [i for i, r in counts.items() if r.taxon == reading.taxon and i != index]
        default = TAXA[reading.taxon].default_stage
        if reading.life_stage == ALL_STAGES:
            if not siblings:
                stage = first.life_stage if first and first.taxon == reading.taxon else default
                put(index, reading.taxon, stage)
        elif siblings and _sums(index, siblings, cells, decimal) >= 0.6:
            put(index, reading.taxon, ALL_STAGES)
        else:
            put(index, reading.taxon, default)
    # Dead, released, lengths ... without a name belong to the first target, or to the only count.
    counts = {i: r for i, (r, _) in chosen.items() if r.field == "count"}
    lone = next(iter(counts.values())) if len(counts) == 1 else None
    for index, (reading, _) in list(chosen.items()):
        if FIELDS[reading.field].level is not Level.CATCH or reading.field == "count":
            continue
        if reading.taxon is None:
            own_stage = reading.life_stage
            if lone is not None and lone.taxon is not None:
                put(index, lone.taxon, own_stage or lone.life_stage or UNSTAGED)
            elif first is not None:
                put(index, first.taxon, own_stage or first.life_stage)
            else:
                drop(index, "it speaks of animals, but does not say which")
        elif reading.life_stage is None:
            stages = {
                r.life_stage
                for r in counts.values()
                if r.taxon == reading.taxon and r.life_stage != ALL_STAGES
            }
            if len(stages) == 1:
                put(index, reading.taxon, stages.pop() or UNSTAGED)
            elif first is not None and first.taxon == reading.taxon:
                put(index, reading.taxon, first.life_stage)
            else:
                put(index, reading.taxon, TAXA[reading.taxon].default_stage)
    return chosen


def _sums(
    index: int, parts: Sequence[int], cells: dict[int, Sequence[Cell]], decimal: str
) -> float:
    """Share of rows in which the column is the sum of ``parts``; 0 when none can tell."""
    total = _numbers(cells[index], decimal)
    columns = [_numbers(cells[part], decimal) for part in parts]
    told = agreed = 0
    for row, value in enumerate(total):
        values = [column[row] for column in columns if column[row] is not None]
        if value is None or not values:
            continue
        told += 1
        agreed += abs(value - sum(v for v in values if v is not None)) < 0.5
    return agreed / told if told else 0.0


def _total_of(
    index: int,
    counts: dict[int, Reading],
    cells: dict[int, Sequence[Cell]],
    target: str | None,
    decimal: str,
) -> str:
    """``target`` when a plain total is one over the target's stages, else why it is not."""
    eels = [i for i, r in counts.items() if r.taxon == target and r.life_stage != ALL_STAGES]
    everything = [
        i for i, r in counts.items() if r.taxon is not None and r.life_stage != ALL_STAGES
    ]
    own = _sums(index, eels, cells, decimal) if eels else 0.0
    whole = _sums(index, everything, cells, decimal)
    values = [value for value in _numbers(cells[index], decimal) if value is not None]
    if eels and own >= max(0.6, whole):
        return "target"
    if whole >= 0.6:
        return "it is a total over different animals"
    rising = all(a <= b for a, b in pairwise(values))
    if len(values) >= 5 and rising and values[-1] > values[0]:
        return "its numbers only ever grow: a running total"
    if eels and len(eels) == len(everything) and len(eels) > 1 and len(values) < 5:
        return "target"
    return "it is a total, but not the sum of any columns of counts"


def _dates_written_once(sheet: Sheet, columns: list[Column], data: list[int]) -> bool:
    """Whether a long table writes what belongs to a check in its first row only.

    The evidence: rows without a date name an animal and leave the whole check blank, no
    animal comes twice below one date, and no date is written in two rows running. One
    row against it and a blank date stays a date that is wanting.
    """
    merged = merged_down(sheet)

    def at(row: int, column: int) -> Cell:
        cells = sheet.rows[row]
        cell = cells[column] if column < len(cells) else None
        if cell is None and (above := merged.get((row, column))) is not None:
            held = sheet.rows[above]
            return held[column] if column < len(held) else None
        return cell

    dates = [c.index for c in columns if c.field in _DATES]
    if len(dates) != 1 or not any(c.field == "taxon" for c in columns):
        return False
    animals = [c.index for c in columns if c.field in ("taxon", "life_stage")]
    checks = [
        c.index
        for c in columns
        if c.field and FIELDS[c.field].level is Level.EVENT and c.field not in (*_DATES, "remarks")
    ]
    blank = 0
    last: Cell = None
    under: set[tuple[str, ...]] = set()
    for row in data:
        date = at(row, dates[0])
        animal = tuple(folded(str(at(row, column) or "")) for column in animals)
        if date is not None:
            if date == last:
                return False
            last, under = date, {animal}
            continue
        if last is None or not any(animal) or animal in under:
            return False
        if any(at(row, column) is not None for column in checks):
            return False
        under.add(animal)
        blank += 1
    return blank >= 2


def _repeat_numbers(
    columns: list[Column], cells: dict[int, Sequence[Cell]], data: list[int], block: Block
) -> list[Column]:
    """Leave aside a "haul" column that numbers the hauls of a day instead of counting them."""
    column = next((c for c in columns if c.field == "hauls"), None)
    date = next((c for c in columns if c.field in _DATES), None)
    if column is None or date is None or "hauls" in folded(column.heading):
        return columns
    days: dict[object, list[object]] = {}
    for row in data:
        day = cells[date.index][row - block.first] if date.index in cells else None
        days.setdefault(day, []).append(cells[column.index][row - block.first])
    several = [numbers for numbers in days.values() if len(numbers) > 1]
    runs = [
        numbers
        for numbers in several
        if numbers == [float(n + 1) for n in range(len(numbers))]
        or numbers == [str(n + 1) for n in range(len(numbers))]
    ]
    if several and len(runs) >= 0.5 * len(several):
        aside = replace(
            column,
            field=None,
            unit=None,
            unit_from="",
            guesses=(("hauls", column.confidence),),
            why_not="it numbers the hauls of a day rather than counting them",
        )
        return [aside if c is column else c for c in columns]
    return columns


# -- columns as handed on ----------------------------------------------------------------------


def _as_column(
    candidate: _Candidate,
    choice: tuple[Reading, float] | None,
    candidates: list[_Candidate],
    chosen: dict[int, tuple[Reading, float]],
    site: Site,
    sheet: Sheet,
) -> Column:
    heading = candidate.heading
    guesses = tuple(dict.fromkeys((r.field, round(s, 2)) for r, s in candidate.options))[:3]
    if choice is None and not guesses and candidate.fixed is None and not candidate.why_not:
        guesses = tuple(
            (name, round(score * share, 2))
            for name, score in nearest_fields(heading.text)
            if (share := fit(candidate.cells, FIELDS[name], None).share(1.0)) >= 0.7
        )[:3]
    counted = choice is None and _counts_some(candidate)
    if counted:
        guesses = (("count", 0.5), *(g for g in guesses if g[0] != "count"))[:3]
    if choice is None:
        why = candidate.why_not
        if not why and candidate.options and candidate.options[0][1] >= CONFIDENCE_LINE:
            key = _key(candidate.options[0][0])
            holders = [
                c
                for c in candidates
                if c.heading.index in chosen and chosen[c.heading.index][0].field == key[0]
            ]
            holders.sort(key=lambda c: _key(chosen[c.heading.index][0]) != key)
            holder = holders[0] if holders else None
            if holder is not None:
                place = cell_name(holder.heading.row, holder.heading.index)
                why = (
                    f"another column ({place}, \u201c{holder.heading.text}\u201d) already gives "
                    f"{FIELDS[key[0]].title.lower()}"
                )
        if not why and guesses:
            name = FIELDS[guesses[0][0]].title.lower()
            why = f"it may be {name}, but its heading does not say so plainly"
        return Column(
            heading.index,
            heading.text,
            heading.row,
            None,
            guesses=guesses,
            confidence=guesses[0][1] if guesses else 0.0,
            why_not=why or "no field of the dictionary has such a heading",
            wanted=candidate.wanted or counted,
        )
    reading, score = choice
    entry = FIELDS[reading.field]
    unit, source = reading.unit, reading.unit_from
    if unit is None and entry.unit is not None:
        unit = site.profile.units.get(reading.field)
        source = "profile" if unit else "default"
        unit = unit or entry.unit
    return Column(
        heading.index,
        heading.text,
        heading.row,
        reading.field,
        unit,
        source,
        round(score, 2),
        reading.taxon,
        reading.life_stage,
        guesses,
    )


def _counts_some(candidate: _Candidate) -> bool:
    """Whether a column left aside names an animal and may well hold counts of it."""
    if candidate.why_not or candidate.blank or candidate.fixed is not None:
        return False
    if candidate.options and candidate.options[0][1] >= 0.5:
        return False
    named = named_animals(tokens_of(candidate.heading.text))
    whole = sum(1 for c in candidate.cells if (n := number_of(c)) is not None and n.is_integer())
    whole += sum(1 for c in candidate.cells if type(c) is str and c.strip().isdigit())
    return bool(named.taxon or named.stages) and whole >= 0.8 * len(candidate.cells)


def _kinds(columns: list[Column]) -> Kinds:
    def of(*names: str) -> list[int]:
        return [c.index for name in names for c in columns if c.field == name]

    dates = [c.index for c in columns if c.part == "day"] or of(*_DATES)
    quiet = {
        "site",
        "gear_unit",
        "local_date",
        "check_date",
        "set_date",
        "recorder",
        "latitude",
        "longitude",
        "taxon",
        "life_stage",
    }
    observed = [c.index for c in columns if c.field and c.field not in quiet]
    labels = [c.index for c in columns if c.field not in ("remarks", "life_stage", "count_method")]
    dated_labels = of("gear_unit", "taxon", "site")
    counts = [c.index for c in columns if c.field in ("count", "released", "mortality", "kept")]
    known = [c.index for c in columns if c.field]

    in_parts = any(c.part for c in columns)

    def readable(cell: Cell) -> bool:
        if in_parts:
            return date_part(cell, "day") is not None
        if type(cell) is str:
            found = parse_date_text(cell)
            return found is not None or serial_text(cell) is not None
        number = number_of(cell)
        if number is not None:
            return SERIAL_SPAN[0] <= number <= SERIAL_SPAN[1] or 20_000_101 <= number <= 21_001_231
        return False

    return Kinds(
        tuple(dates),
        tuple(observed),
        tuple(counts),
        tuple(labels),
        tuple(dated_labels),
        tuple(known),
        readable,
        tuple(of("taxon")),
    )


def _settle_orders(tables: list[Table], sheets: list[Sheet], site: Site, network: Network) -> None:
    """Give each table its order of day and month; sheets of one file share a hand."""
    found: list[tuple[str, str]] = []
    for table, sheet in zip(tables, sheets, strict=True):
        columns = [c.index for c in table.columns if c.field in _DATES]
        rows = sheet.rows
        cells = [rows[r][c] for c in columns for r in table.data_rows if c < len(rows[r])]
        order, how = date_order(cells, network)
        if order and "days above 12" not in how and table.date_order:
            order, how = table.date_order, table.date_order_from
        found.append((order or table.date_order, how if order else table.date_order_from or how))
    common = Counter(order for order, _ in found if order).most_common(1)
    for table, (order, how) in zip(tables, found, strict=True):
        if order:
            table.date_order, table.date_order_from = order, how
        elif not how:
            table.date_order, table.date_order_from = "ymd", "no date needs it"
        elif site.profile.date_order:
            table.date_order, table.date_order_from = site.profile.date_order, "profile"
        elif common and "others" not in how:
            table.date_order, table.date_order_from = common[0][0], "another tab of the file"
        else:
            table.date_order, table.date_order_from = "", how
