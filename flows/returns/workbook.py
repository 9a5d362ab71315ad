"""The small workbook a lead fills in: one line a question, four cells to answer in."""

from __future__ import annotations

import datetime as dt
import io
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flows.returns import wording
from flows.returns.gathering import Answer, Ask
from shared.fields import FIELDS, Field, Kind
from shared.problems import Trouble
from shared.settings import Network, Site, unit_spelling
from shared.sheets import Workbook as SheetWorkbook
from shared.units import convert

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.workbook import Workbook
    from xlsxwriter.worksheet import Worksheet

ANSWER_SHEET = "Please answer"
DETAIL_SHEET = "Every row"
ABOUT_SHEET = "about"
SEARCHED = 30
"""Rows of a sheet among which the headings of the answers are looked for."""

MARK = "tallyweir-answers"
"""First cell of the hidden sheet: an answered workbook is known by it, whatever its name."""
ANSWERED = "answers"
"""Layout under which a reading of such a workbook is kept: no row of it is a count."""
LAYOUT = 2
"""Counts up when the place of an answer in the workbook changes."""

NOT_NEEDED = "not needed"
"""Stands in a locked "Your value" cell: no one value can answer that line."""

ANSWER_HEADINGS = ("Your answer", "Your value", "Note", "Answered by")
REF_HEADING = "Ref."
"""Heading of the column that names the question: it survives where the hidden sheet does not."""
REF_MARK = "Q"
"""Begins a reference, so that no program takes twelve hex digits for a number."""
_FOUND = (("No.", 5), ("Where", 19), ("Date(s)", 13), ("What your sheet says", 21),
          ("What looks odd", 41), ("Our suggestion", 24))
_ANSWER_WIDTHS = (21, 13, 20, 12)
_REF_WIDTH = 8
_DETAIL = (("No.", 5), ("File", 24), ("Sheet", 14), ("Cell", 8), ("Date", 12),
           ("What your sheet says", 26), ("What looks odd", 62), ("Our suggestion", 28))
_LINE_POINTS = 15.0
_EARLIEST = dt.date(1950, 1, 1)

_INK, _PAPER, _RULE = "#1D2B33", "#FFFFFF", "#9AA8AE"
_DEEP, _MIST = "#24505C", "#EEF3F4"
_ASK, _ASK_DEEP = "#FFF1C2", "#7A5200"


def write_workbook(
    path: Path,
    site: Site,
    network: Network,
    asks: Sequence[Ask],
    account: Mapping[str, int],
    troubles: Sequence[Trouble],
    version: str,
    as_of: dt.date,
    token: str,
) -> None:
    """Write the workbook to ``path``: the same bytes for the same arguments.

    ``account`` holds numbers of rows (rows, clean, held, queried, masked, skipped),
    ``version`` the release the run made, ``token`` whatever the caller wants back
    unchanged on the hidden sheet. Raises ``OSError`` when ``path`` cannot be written.
    """
    import xlsxwriter

    # Into memory first: a full disk then raises OSError here, not the writer's own error.
    content = io.BytesIO()
    book = xlsxwriter.Workbook(content, {
        "in_memory": True, "strings_to_formulas": False, "strings_to_urls": False,
        "strings_to_numbers": False,
    })
    book.set_properties({
        "title": f"Questions to {wording.plain(site.name, 100)}",
        "author": wording.plain(network.name, 100),
        # The only clock in the file; the wall clock would change the bytes of every run.
        "created": dt.datetime(as_of.year, as_of.month, as_of.day),
    })
    book.set_size(24000, 14000)
    formats = _Formats(book)
    first_line = _answer_sheet(book, formats, site, network, asks, account, troubles, as_of)
    _detail_sheet(book, formats, asks)
    _about_sheet(book, site, network, asks, version, as_of, token, first_line)
    book.close()
    path.write_bytes(content.getvalue())


class _Formats:
    """The workbook's few cell styles."""

    def __init__(self, book: Workbook) -> None:
        def style(**changes: Any) -> Format:
            base = {"font_name": "Calibri", "font_size": 11, "font_color": _INK,
                    "text_wrap": True, "valign": "top"}
            return book.add_format(base | changes)

        boxed = {"border": 1, "border_color": _RULE}
        self.title = style(bold=True, font_size=15, valign="vcenter", quote_prefix=True)
        self.summary = style(valign="vcenter", quote_prefix=True)
        self.strong = style(valign="vcenter", bold=True, quote_prefix=True)
        self.found_band = style(bold=True, font_color=_PAPER, bg_color=_DEEP, valign="vcenter")
        self.ask_band = style(bold=True, font_color=_PAPER, bg_color=_ASK_DEEP, valign="vcenter")
        self.found_head = style(bold=True, bg_color=_MIST, valign="vcenter", **boxed)
        self.ask_head = style(bold=True, bg_color=_ASK, valign="vcenter", **boxed)
        self.number = style(align="center", **boxed)
        # quote_prefix keeps a text a text even if someone lifts the protection and retypes it.
        self.found = style(quote_prefix=True, **boxed)
        self.ref = style(font_size=7, font_color=_RULE, quote_prefix=True, **boxed)
        self.shut = style(bg_color="#E4E7E8", italic=True, font_size=9, **boxed)
        # Everything left of the answer cells is locked; only these open.
        fill = {"bg_color": _ASK, "locked": False} | boxed
        self.answer = style(num_format="@", **fill)
        self.general = style(align="left", **fill)
        self.date = style(num_format="d mmm yyyy", align="left", **fill)
        self.time = style(num_format="hh:mm", align="left", **fill)

    def for_value(self, entry: Field | None) -> Format:
        """Style of a "Your value" cell: a typed date is shown with its month's name."""
        if entry is None or entry.kind in (Kind.TEXT, Kind.TAXON, Kind.CHOICE):
            return self.answer
        return {Kind.DATE: self.date, Kind.TIME: self.time}.get(entry.kind, self.general)


def summary_lines(
    site: Site, network: Network, asks: Sequence[Ask], account: Mapping[str, int],
    troubles: Sequence[Trouble], as_of: dt.date,
) -> list[str]:
    """The four to six lines that stand above the questions."""
    asked = counted_asks(asks)
    lines = [
        f"Thank you, {wording.plain(site.name, 60)}. This is what we found in your sheet, "
        f"{wording.day(as_of)}.",
        wording.account_line(account),
        f"What to do: mend these ({asked}, gravest first) in your own sheet and send it as usual. "
        f"Not sure? Leave it, it simply waits; or ask {_coordinator(network)}.",
        "Or choose an answer in the yellow cells of each line and send this workbook back the "
        "way you send your sheet. The next weekly run takes it up.",
    ]
    shown = 2 if len(troubles) <= 2 else 1
    lines += [wording.trouble_line(trouble, 330) for trouble in troubles[:shown]]
    if len(troubles) > shown:
        lines.append(f"{wording.counted(len(troubles) - shown, 'more file')} could not be used: "
                     "see the message.")
    return lines


def _coordinator(network: Network) -> str:
    address = wording.plain(network.coordinator, 80)
    return f"the coordinator ({address})" if address else "the coordinator"


def holds_answers(workbook: SheetWorkbook) -> bool:
    """Whether ``workbook`` (as read) is one of ours come back, however renamed or re-saved.

    Known by the mark on its hidden sheet, or by the headings of the answers, which a
    re-save as text keeps.
    """
    for sheet in workbook.sheets:
        for row in sheet.rows[:SEARCHED]:
            texts = [cell.strip() for cell in row if isinstance(cell, str)]
            if texts[:2] == ["what", MARK] or set(ANSWER_HEADINGS) <= set(texts):
                return True
    return False


def counted_asks(asks: Sequence[Ask]) -> str:
    """``3 lines`` to answer."""
    return wording.counted(len(asks), "line")


def _answer_sheet(
    book: Workbook, formats: _Formats, site: Site, network: Network, asks: Sequence[Ask],
    account: Mapping[str, int], troubles: Sequence[Trouble], as_of: dt.date,
) -> int:
    """Write the first sheet; returns the 0-based row of its first question."""
    sheet = book.add_worksheet(ANSWER_SHEET)
    last = len(_FOUND) + len(ANSWER_HEADINGS)
    widths = [*(width for _, width in _FOUND), *_ANSWER_WIDTHS, _REF_WIDTH]
    for column, width in enumerate(widths):
        sheet.set_column(column, column, width)
    lines = summary_lines(site, network, asks, account, troubles, as_of)
    for row, line in enumerate(lines):
        style = formats.title if row == 0 else formats.strong if row == 2 else formats.summary
        # Merged first, then written: merge_range alone would guess at the text's type.
        sheet.merge_range(row, 0, row, last, "", style)
        sheet.write_string(row, 0, line, style)
        height = 24.0 if row == 0 else _height([(line, sum(widths))]) + 2
        sheet.set_row(row, height)
    band = len(lines)
    split = len(_FOUND)
    sheet.merge_range(band, 0, band, split - 1, "", formats.found_band)
    sheet.write_string(band, 0, "What we found (locked)", formats.found_band)
    sheet.merge_range(band, split, band, last - 1, "", formats.ask_band)
    sheet.write_string(band, split, "Yours to fill in (yellow cells)", formats.ask_band)
    sheet.write_string(band, last, "", formats.found_band)
    sheet.set_row(band, 18)
    head = band + 1
    for column, (heading, _) in enumerate(_FOUND):
        sheet.write_string(head, column, heading, formats.found_head)
    for offset, heading in enumerate(ANSWER_HEADINGS):
        sheet.write_string(head, split + offset, heading, formats.ask_head)
    sheet.write_string(head, last, REF_HEADING, formats.found_head)
    sheet.set_row(head, 20)
    for index, ask in enumerate(asks):
        _ask_line(sheet, formats, head + 1 + index, index + 1, ask, as_of)
    sheet.freeze_panes(head + 1, 0)
    sheet.repeat_rows(head)
    _page(sheet, head + len(asks), last)
    _lock(sheet)
    if asks:
        sheet.set_selection(head + 1, split, head + 1, split)
    sheet.activate()
    return head + 1


def _ask_line(
    sheet: Worksheet, formats: _Formats, row: int, number: int, ask: Ask, as_of: dt.date,
) -> None:
    where = ask.where[:1].upper() + ask.where[1:]
    says = wording.plain(f"{ask.title}: {ask.says}" if ask.title else ask.says, 220)
    odd = f"{wording.plain(ask.message)}\n{wording.UNTIL_ANSWERED[ask.effect]}"
    texts = (wording.plain(where, 240), ask.dates, says, odd, wording.plain(ask.advice, 240))
    sheet.write_number(row, 0, number, formats.number)
    for column, text in enumerate(texts, start=1):
        sheet.write_string(row, column, text, formats.found)
    widths = [width for _, width in _FOUND[1:]]
    sheet.set_row(row, max(_height(list(zip(texts, widths, strict=True))), 2 * _LINE_POINTS))
    first = len(_FOUND)
    sheet.write_blank(row, first, None, formats.answer)
    sheet.data_validation(row, first, row, first, {
        "validate": "list", "source": [str(answer) for answer in ask.answers],
        "input_title": "Your answer",
        "input_message": "Choose from the list: " + "; ".join(ask.answers) + ".",
        "error_title": "Please choose from the list",
        "error_message": "Choose one of: " + "; ".join(ask.answers)
        + ". Anything else fits into Note.",
    })
    if Answer.MINE in ask.answers:
        entry = FIELDS.get(ask.field)
        sheet.write_blank(row, first + 1, None, formats.for_value(entry))
        if entry is not None:
            sheet.data_validation(row, first + 1, row, first + 1, value_rule(entry, as_of))
    else:
        sheet.write_string(row, first + 1, NOT_NEEDED, formats.shut)
    for column in (first + 2, first + 3):
        sheet.write_blank(row, column, None, formats.answer)
    sheet.write_string(row, first + len(ANSWER_HEADINGS), REF_MARK + ask.id,
                       formats.ref)


def value_rule(entry: Field, as_of: dt.date) -> dict[str, Any]:
    """The data validation of a "Your value" cell for ``entry``.

    Numbers are held to the dictionary's possible range. The lead writes in the unit
    of the sheet, which is one of the accepted ones, so the range covers all of them
    and the prompt names each.
    """
    rule: dict[str, Any] = {
        "input_title": "Your value",
        "error_title": "This cannot be right",
    }
    hint = f"Only with '{Answer.MINE}'. "
    if entry.kind in (Kind.NUMBER, Kind.WHOLE):
        spans = _spans(entry)
        low = min((span[1] for span in spans), default=-math.inf)
        high = max((span[2] for span in spans), default=math.inf)
        noun = "a whole number" if entry.kind is Kind.WHOLE else "a number"
        told = " or ".join(
            f"{_number(a)} to {_number(b)}" + (f" {unit}" if unit else "") for unit, a, b in spans
        )
        if len(spans) > 1:
            told += ", in the unit your sheet uses"
        told = f"{entry.title}: {noun}" + (f", {told}." if told else ".")
        rule |= {"validate": "integer" if entry.kind is Kind.WHOLE else "decimal"}
        if math.isinf(low) or math.isinf(high):
            rule |= {"criteria": ">=" if math.isinf(high) else "<=",
                     "value": low if math.isinf(high) else high}
            if math.isinf(low) and math.isinf(high):
                rule |= {"criteria": ">=", "value": -1e9}
        else:
            rule |= {"criteria": "between", "minimum": low, "maximum": high}
    elif entry.kind is Kind.CHOICE:
        told = f"{entry.title}: choose from the list."
        rule |= {"validate": "list", "source": [choice.id for choice in entry.choices]}
    elif entry.kind is Kind.DATE:
        told = f"{entry.title}: a date up to {wording.day(as_of)}, such as {wording.day(as_of)}."
        rule |= {"validate": "date", "criteria": "between", "minimum": _EARLIEST,
                 "maximum": as_of}
    elif entry.kind is Kind.TIME:
        told = f"{entry.title}: a time by the 24-hour clock, such as 07:30."
        rule |= {"validate": "time", "criteria": "between", "minimum": dt.time(0, 0),
                 "maximum": dt.time(23, 59, 59)}
    else:
        told = f"{entry.title}: as it should be written."
        rule |= {"validate": "any"}
    rule["input_message"] = (hint + told)[:255]
    rule["error_message"] = told[:255]
    return rule


def _spans(entry: Field) -> list[tuple[str, float, float]]:
    """The possible range in each accepted unit: (unit as shown, low, high)."""
    if entry.possible is None or entry.unit is None:
        return []
    low = -math.inf if entry.possible.low is None else entry.possible.low
    high = math.inf if entry.possible.high is None else entry.possible.high
    spans = []
    for unit in entry.accepted:
        ends = [end if math.isinf(end) else convert(end, entry.unit, unit) for end in (low, high)]
        shown = wording.plain(unit_spelling(unit))
        spans.append((shown, round(ends[0], 3), round(ends[1], 3)))
    return spans


def _number(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.4g}"


def _detail_sheet(book: Workbook, formats: _Formats, asks: Sequence[Ask]) -> None:
    """Write the second sheet: every finding behind every question, to look things up."""
    sheet = book.add_worksheet(DETAIL_SHEET)
    last = len(_DETAIL) - 1
    sheet.merge_range(0, 0, 0, last, "", formats.summary)
    sheet.write_string(0, 0, "For looking things up: every cell behind the lines of "
                       f"'{ANSWER_SHEET}', by their No. Nothing to fill in here.",
                       formats.summary)
    sheet.set_row(0, 20)
    for column, (heading, width) in enumerate(_DETAIL):
        sheet.set_column(column, column, width)
        sheet.write_string(1, column, heading, formats.found_head)
    row = 2
    for number, ask in enumerate(asks, start=1):
        for item in ask.findings:
            date = wording.date_of(item)
            title = wording.field_title(item)
            value = wording.plain(item.value, 160) or ("(blank)" if item.cell else "")
            place = wording.plain(item.cell, 30) or (
                f"row {item.row}" if item.row is not None else "")
            texts = (wording.plain(item.file, 80), wording.plain(item.sheet, 60), place,
                     wording.day(date) if date else "",
                     f"{title}: {value}" if title else value, wording.plain(item.message),
                     wording.plain(item.suggestion, 240))
            sheet.write_number(row, 0, number, formats.number)
            for column, text in enumerate(texts, start=1):
                sheet.write_string(row, column, text, formats.found)
            sheet.set_row(row, _height([(text, width) for text, (_, width) in
                                        zip(texts, _DETAIL[1:], strict=True)]))
            row += 1
    sheet.freeze_panes(2, 0)
    sheet.repeat_rows(1)
    sheet.autofilter(1, 0, max(row - 1, 1), last)
    _page(sheet, max(row - 1, 1), last)
    _lock(sheet)


def _about_sheet(
    book: Workbook, site: Site, network: Network, asks: Sequence[Ask], version: str,
    as_of: dt.date, token: str, first_line: int,
) -> None:
    """Write the hidden sheet that lets an answer be recognised by content.

    Rows of name and value, a blank row, then a row for each finding: the question's
    No., the 1-based row it stands in on the first sheet, its id, and the finding's.
    """
    sheet = book.add_worksheet(ABOUT_SHEET)
    facts = (("what", MARK), ("layout", str(LAYOUT)), ("network", network.id),
             ("site", site.id), ("as_of", as_of.isoformat()), ("version", version),
             ("token", token))
    for row, (name, value) in enumerate(facts):
        sheet.write_string(row, 0, name)
        sheet.write_string(row, 1, value)
    head = len(facts) + 1
    for column, name in enumerate(("no", "row", "ask", "finding", "rule", "field")):
        sheet.write_string(head, column, name)
    row = head + 1
    for number, ask in enumerate(asks, start=1):
        for item in ask.findings:
            sheet.write_number(row, 0, number)
            sheet.write_number(row, 1, first_line + number)
            for column, text in enumerate((ask.id, item.id, item.rule, item.field), start=2):
                sheet.write_string(row, column, text)
            row += 1
    sheet.hide()
    sheet.protect()


def _height(texts: Sequence[tuple[str, float]]) -> float:
    """Row height in points that shows every (text, column width) in full.

    Programs measure text differently and Excel does not grow merged rows, so the
    lines are estimated here, with a little room to spare.
    """
    lines = 1
    for text, width in texts:
        room = max(width * 1.16 - 1, 4)
        lines = max(lines, sum(_wrapped(part, room) for part in text.split("\n")))
    return round(lines * _LINE_POINTS + 3, 2)


def _wrapped(text: str, room: float) -> int:
    """Lines that ``text`` takes when broken between words at ``room`` characters."""
    lines, used = 1, 0.0
    for word in text.split(" "):
        size = len(word)
        if used and used + 1 + size > room:
            lines += 1
            used = 0
        used += size + (1 if used else 0)
        if used > room:
            lines += math.ceil(used / room) - 1
            used %= room
    return lines


def _page(sheet: Worksheet, last_row: int, last_column: int) -> None:
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
    sheet.print_area(0, 0, last_row, last_column)
    sheet.set_footer("&L&A&RPage &P of &N")
    sheet.hide_gridlines(2)


def _lock(sheet: Worksheet) -> None:
    """Keep hands off what we wrote, but let widths, heights and filters be changed."""
    sheet.protect("", {"format_columns": True, "format_rows": True, "autofilter": True})
