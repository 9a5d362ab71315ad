"""The season sheet: one tab a protocol, ready to be filled in and sent every week.

Excel allows one validation a cell. It goes to what cannot be (stop); what is merely
unusual turns amber and is left to the lead. Only dates outside the season are a warning.
"""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from flows.blank_sheets.columns import BlankColumn, Section, columns_of
from flows.returns import wording
from shared.fields import Kind
from shared.protocol import Protocol, protocols
from shared.settings import Network, Site
from shared.sheets import column_letters

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.workbook import Workbook
    from xlsxwriter.worksheet import Worksheet

HOW_TO_SHEET = "How to"
_LINES = 2000
"""Rows with validation: several nets, several checks a day, all season."""
_PAPER = {"A4": 9, "Letter": 1}
_LIST_ROOM = 255
"""Characters that a drop-down written in the cell itself may take (a limit of the format)."""

_INK, _LINE, _AMBER, _PALE = "#1D2B33", "#9AA8AE", "#FFD27A", "#FFF6D6"
_TINTS = {
    Section.EFFORT: "#FBE3C0", Section.TARGETS: "#CFE8E3", Section.BYCATCH: "#DDEBCB",
    Section.WATER: "#CFE2F3", Section.WEATHER: "#E3E0F0", Section.PEOPLE: "#E6E9EA",
}
_COLOURS = {
    Section.EFFORT: "orange", Section.TARGETS: "green-blue", Section.BYCATCH: "green",
    Section.WATER: "blue", Section.WEATHER: "violet", Section.PEOPLE: "grey",
}


def write_season_sheet(
    path: Path, site: Site, network: Network, season: int,
    paper: Literal["A4", "Letter"] = "A4",
) -> None:
    """Write an empty season sheet for ``site`` to ``path`` (.xlsx).

    The same arguments give the same bytes. Raises ``OSError`` when ``path`` cannot be
    written.
    """
    import xlsxwriter

    content = io.BytesIO()
    book = xlsxwriter.Workbook(content, {
        "in_memory": True, "strings_to_formulas": False, "strings_to_urls": False,
        "strings_to_numbers": False,
    })
    name = wording.plain(site.name, 80)
    book.set_properties({
        "title": f"{name}: season {season}", "author": wording.plain(network.name, 80),
        "created": dt.datetime(season, 1, 1),  # the wall clock would change the bytes
    })
    book.set_size(24000, 14000)
    known = protocols()
    chosen = [known[protocol_id] for protocol_id in site.protocols]
    how_to = book.add_worksheet(HOW_TO_SHEET)
    sheets = [book.add_worksheet(tab_name(protocol)) for protocol in chosen]
    for sheet, protocol in zip(sheets, chosen, strict=True):
        _fill_tab(book, sheet, site, network, protocol, season, _PAPER[paper])
    _fill_how_to(book, how_to, site, network, chosen, season, _PAPER[paper])
    if sheets:
        sheets[0].activate()
    book.close()
    path.write_bytes(content.getvalue())


def tab_name(protocol: Protocol) -> str:
    """Name of a protocol's tab; a word that says which kind of work it holds."""
    return protocol.id.capitalize()[:31]


# -- a tab to fill in -------------------------------------------------------------------------


def _fill_tab(
    book: Workbook, sheet: Worksheet, site: Site, network: Network, protocol: Protocol,
    season: int, paper: int,
) -> None:
    columns = columns_of(site, protocol)
    span = season_dates(network, protocol, season)
    amber = book.add_format({"bg_color": _AMBER})
    pale = book.add_format({"bg_color": _PALE})
    for index, column in enumerate(columns):
        sheet.set_column(index, index, _width(column), _cell_style(book, column))
        # The unit on a line of its own, so that no program breaks it at a hyphen.
        sheet.write_string(0, index, column.heading.replace(" (", "\n("),
                           _head_style(book, column.section))
        rule = rule_for(column, span)
        sheet.data_validation(1, index, _LINES, index, rule)
        unusual = _unusual(column, column_letters(index))
        if unusual:
            sheet.conditional_format(1, index, _LINES, index,
                                     {"type": "formula", "criteria": unusual, "format": amber})
    for index, criteria in _forgotten_zeros(columns):
        sheet.conditional_format(1, index, _LINES, index,
                                 {"type": "formula", "criteria": criteria, "format": pale})
    sheet.set_row(0, 64)
    # The date, and the net where there are several, stay in sight.
    kept = 2 if len(columns) > 1 and columns[1].field == "gear_unit" else 1
    sheet.freeze_panes(1, kept)
    sheet.set_selection(1, 0, 1, 0)
    sheet.set_tab_color(_TINTS[Section.TARGETS])
    sheet.set_landscape()
    sheet.set_paper(paper)
    # Three pages side by side stay legible; the date stands on each.
    sheet.fit_to_pages(3, 0)
    sheet.repeat_rows(0)
    sheet.repeat_columns(0, kept - 1)
    sheet.hide_gridlines(0)
    sheet.set_margins(left=0.4, right=0.4, top=0.7, bottom=0.6)
    name = wording.plain(site.name, 60).replace("&", "&&")
    sheet.set_header(f"&L{name}&C{protocol.title}&RSeason {season}")
    sheet.set_footer("&RPage &P of &N")


def season_dates(network: Network, protocol: Protocol, season: int) -> tuple[dt.date, dt.date]:
    """First and last day that a line of ``protocol`` is expected to have in ``season``."""
    if protocol.year_round:
        return dt.date(season, 1, 1), dt.date(season, 12, 31)
    return network.season_span(season)


def rule_for(column: BlankColumn, span: tuple[dt.date, dt.date]) -> dict[str, Any]:
    """The data validation and the message of a column's cells, as XlsxWriter wants it.

    ``span``: first and last day of the season.
    """
    entry = column.entry
    told = column.hint
    rule: dict[str, Any] = {"validate": "any"}
    error = ""
    if column.choices:
        told = f"Choose from the list. {told}"
        if "," not in "".join(column.choices) and len(",".join(column.choices)) <= _LIST_ROOM:
            rule = {"validate": "list", "source": list(column.choices)}
            error = "Please choose from the list. Anything else fits into Remarks."
        else:
            # The format has no way to write such a list; a message must do.
            told = "One of: " + "; ".join(column.choices) + "."
    elif entry.kind is Kind.DATE:
        first, last = span
        # A net checked on the first day was set before it.
        early = first - dt.timedelta(days=7) if entry.id == "set_date" else first
        rule = {"validate": "date", "criteria": "between", "minimum": early, "maximum": last,
                "error_type": "warning"}
        told += f" Such as {first.isoformat()}."
        error = (f"This season runs from {first.isoformat()} to {last.isoformat()}. "
                 "Is the date right?")
    elif entry.kind is Kind.TIME:
        rule = {"validate": "time", "criteria": "between", "minimum": dt.time(0, 0),
                "maximum": dt.time(23, 59, 59)}
        error = "Write hours, a colon and minutes by the 24-hour clock, such as 07:30 or 15:05."
    elif entry.kind in (Kind.NUMBER, Kind.WHOLE):
        noun = "a whole number" if entry.kind is Kind.WHOLE else "a number"
        low, high = column.possible
        rule = {"validate": "integer" if entry.kind is Kind.WHOLE else "decimal"}
        if low is not None and high is not None:
            rule |= {"criteria": "between", "minimum": low, "maximum": high}
        elif high is not None:
            rule |= {"criteria": "<=", "value": high}
        else:
            rule |= {"criteria": ">=", "value": low if low is not None else -1e9}
        sign = f" {column.sign}" if column.sign else ""
        if column.sign:
            told += f" In {column.sign}."
        usual = _from_to(column.plausible)
        if usual and column.taxon is None:
            told += f" Usually {usual}{sign}."
        error = f"This must be {noun}"
        limits = _from_to(column.possible)
        error += f", {limits}{sign}." if limits else "."
        error += " Not certain? Write your best and say so in Remarks."
    rule |= {"input_title": _title(column), "input_message": told[:255]}
    if error:
        rule |= {"error_title": "Please look again", "error_message": error[:255]}
    return rule


def _title(column: BlankColumn) -> str:
    title = f"{column.animal}: {column.label}" if column.animal else column.label
    return title if len(title) <= 32 else column.label[:32].capitalize()


def _from_to(ends: tuple[float | None, float | None]) -> str:
    low, high = ends
    if low is not None and high is not None:
        return f"{number(low)} to {number(high)}"
    if low is not None:
        return f"{number(low)} or more"
    return f"{number(high)} or less" if high is not None else ""


def number(value: float) -> str:
    """A limit as people read it: at most two decimals, thousands set apart."""
    return f"{value:,.2f}".rstrip("0").rstrip(".")


def _unusual(column: BlankColumn, letters: str) -> str:
    """Condition under which a cell is possible but unusual; empty where none is known."""
    low, high = column.plausible
    cell = f"{letters}2"
    outside = [f"{cell}{sign}{end!r}" for sign, end in (("<", low), (">", high))
               if end is not None]
    return f"=AND(ISNUMBER({cell}),OR({','.join(outside)}))" if outside else ""


def _forgotten_zeros(columns: Sequence[BlankColumn]) -> list[tuple[int, str]]:
    """Counts of targets left blank on a line with a date, in a net that is not marked as out."""
    date = next(i for i, column in enumerate(columns) if column.field == "local_date")
    status = next((i for i, c in enumerate(columns) if c.field == "net_status"), None)
    found = []
    for index, column in enumerate(columns):
        if column.field != "count" or column.life_stage is None:
            continue
        terms = [f"ISNUMBER(${column_letters(date)}2)", f"ISBLANK({column_letters(index)}2)"]
        if status is not None:
            place = f"${column_letters(status)}2"
            terms.append(f'OR(ISBLANK({place}),{place}="fishing")')
        found.append((index, f"=AND({','.join(terms)})"))
    return found


def _width(column: BlankColumn) -> float:
    if column.field == "remarks":
        return 44
    if column.entry.kind is Kind.DATE:
        return 12.5
    if column.field == "count_method":
        return 19
    words = max(map(len, column.heading.split()))
    if column.choices:
        return max(words, *(len(choice) for choice in column.choices), 6) + 3.5
    return max(words, 7) + 2.5


def _cell_style(book: Workbook, column: BlankColumn) -> Format:
    style: dict[str, Any] = {"font_name": "Calibri", "font_size": 11, "font_color": _INK,
                             "align": "center"}
    kind = column.entry.kind
    if kind is Kind.DATE:
        style["num_format"] = "yyyy-mm-dd"
    elif kind is Kind.TIME:
        style["num_format"] = "hh:mm"
    elif kind is Kind.WHOLE:
        style["num_format"] = "0"
    elif kind is Kind.TEXT:
        style |= {"num_format": "@", "align": "left" if column.field == "remarks" else "center"}
    return book.add_format(style)


def _head_style(book: Workbook, section: Section) -> Format:
    return book.add_format({
        "font_name": "Calibri", "font_size": 11, "font_color": _INK, "bold": True,
        "text_wrap": True, "valign": "vcenter", "align": "center", "bg_color": _TINTS[section],
        "border": 1, "border_color": _LINE, "quote_prefix": True,
    })


# -- the tab that explains -------------------------------------------------------------------


def _fill_how_to(
    book: Workbook, sheet: Worksheet, site: Site, network: Network,
    chosen: Sequence[Protocol], season: int, paper: int,
) -> None:
    base = {"font_name": "Calibri", "font_size": 11, "font_color": _INK, "text_wrap": True,
            "valign": "top", "quote_prefix": True}
    title = book.add_format(base | {"bold": True, "font_size": 16})
    strong = book.add_format(base | {"bold": True, "font_size": 13, "top": 1,
                                     "top_color": _LINE, "valign": "vcenter"})
    text = book.add_format(base)
    care = book.add_format(base | {"bold": True, "bg_color": _PALE})
    sheet.set_column(0, 0, 100, text)
    row = 0

    def put(line: str, style: Format) -> None:
        nonlocal row
        sheet.write_string(row, 0, line, style)
        room = {title: 70, care: 100}.get(style, 118)
        sheet.set_row(row, (24 if style in (title, strong) else 4)
                      + 15 * (-(-len(line) // room) - (style in (title, strong))))
        row += 1

    put(f"{wording.plain(site.name, 60)}, season {season}", title)
    for heading, lines in how_to_lines(site, network, chosen):
        put(heading, strong)
        for line in lines:
            put(line, care if heading == SAFETY else text)
    for section in dict.fromkeys(c.section for p in chosen for c in columns_of(site, p)):
        sheet.write_string(row, 0, f"{_COLOURS[section]}: {section.value.lower()}",
                           book.add_format(base | {"bg_color": _TINTS[section]}))
        row += 1
    sheet.hide_gridlines(2)
    sheet.set_paper(paper)
    sheet.fit_to_pages(1, 0)
    sheet.set_margins(left=0.6, right=0.6, top=0.7, bottom=0.7)


SAFETY = "Safety and permit"


def how_to_lines(
    site: Site, network: Network, chosen: Sequence[Protocol]
) -> list[tuple[str, list[str]]]:
    """What the How to tab says: headings with their lines."""
    tabs = " and ".join(f'"{tab_name(protocol)}"' for protocol in chosen)
    to = wording.plain(network.coordinator, 80)
    cautions = list(dict.fromkeys(protocol.caution for protocol in chosen))
    note = wording.plain(network.permit_note, 400)
    filling = [
        f"Fill in {tabs}: one line for each visit. Click a cell and a short note says what "
        "goes there.",
        "0 means: looked for, none there. Empty means: not counted, or not measured. They are "
        "not the same.",
    ]
    if any(protocol.effort_field == "hours_fished" for protocol in chosen):
        filling.append("Net out of the water? Still write a line: the date, and \"lifted\" as "
                       "net status. Leave its counts empty.")
    filling += [
        "Keep to the units in the headings. Not sure of a value? Write your best and say so in "
        "Remarks.",
        "Never measure something? Delete or hide its column. Need another animal? Add a column "
        "with its name.",
        "Amber cell: unusual, please look again; if it is right, leave it. Pale yellow cell: a "
        "count seems to be forgotten.",
        f"Once a week, send the whole file{f' to {to}' if to else ''}. The old lines may stay "
        "in it.",
    ]
    return [
        (SAFETY, [*cautions, *([note] if note else [])]),
        ("Filling it in", filling),
        ("Colours of the headings", []),
    ]
