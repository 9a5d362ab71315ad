"""What `tallyweir check` prints: what was understood, then what is odd."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from flows.checking import Checked
from flows.intake.account import (
    date_order_said,
    explain_table,
    lines_to_name,
    unmatched_names,
)
from flows.intake.reading import cell_text
from flows.returns.wording import plain
from shared.fields import FIELDS, Level
from shared.problems import BadSettings
from shared.settings import unit_spelling
from shared.sheets import TURNED, Cell, Column, Sheet, Table, cell_name, column_index
from shared.taxa import TAXA

if TYPE_CHECKING:
    from rich.console import Console

_MOST_FINDINGS = 40
"""More than this are counted, not shown: the workbook is the place to go through them."""


def print_checked(console: Console, checked: Checked) -> None:
    """Print the reading of each table, and the findings, worst first."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    for table in checked.recognised.tables:
        skipped = [row for row in table.skipped if row.counts]
        title = (f"{table.sheet or checked.name}: {table.protocol}, headings in row "
                 f"{table.header_row + 1}, {len(table.data_rows)} rows")
        if skipped:
            title += f", {len(skipped)} skipped"
        shown = Table(title=escape(title), title_justify="left", title_style="bold",
                      box=box.SIMPLE_HEAD, pad_edge=False, header_style="bold")
        for heading in ("Your heading", "Read as", "Unit", "For example"):
            shown.add_column(heading, overflow="fold")
        for entry in explain_table(table, checked.workbook):
            heading, meaning, unit, samples = entry
            shown.add_row(*map(escape, (heading, meaning, plain(unit), samples)))
        console.print(shown)
        for note in (*table.notes, date_order_said(table, checked.workbook)):
            if note:
                console.print(escape(f"  {note}"))
        for row in skipped[:5]:
            console.print(escape(f"  row {row.row + 1} skipped: {row.why}"))
    for name, why in checked.recognised.left_aside:
        console.print(escape(f"Sheet {name} left aside: {why}"))
    for line in _names_wanted(checked):
        console.print(escape(line), soft_wrap=True)
    if checked.trouble is not None:
        console.print(escape(f"\n{checked.trouble.sentence()}"))
    asked = [finding for finding in checked.findings if finding.effect.value != "note"]
    for finding in asked[:_MOST_FINDINGS]:
        where = f"{finding.sheet} {finding.cell}".strip() or f"row {finding.row}"
        says = f" ({finding.value})" if finding.value else ""
        line = f"{finding.effect.value:5} {where}{says}  {plain(finding.message, 2000)}"
        if finding.suggestion:
            line += f" Suggested: {plain(finding.suggestion)}."
        console.print(escape(line))
    if len(asked) > _MOST_FINDINGS:
        console.print(f"... and {len(asked) - _MOST_FINDINGS} more (--json lists all).")
    summary = checked.summary()
    console.print(
        f"\n{summary['rows']} rows: {summary['clean']} clean, {summary['masked']} with a value "
        f"left out, {summary['queried']} to confirm, {summary['held']} held.")


def _names_wanted(checked: Checked) -> Iterator[str]:
    """What to write into network.toml for columns that were left aside, or are not there."""
    profile = f"[sites.{checked.site.id if checked.network.id else 'SITE'}.profile.columns]"
    lines = lines_to_name(checked.recognised)
    if lines:
        yield "To have a column read that was left aside, say in network.toml what it is, below"
        yield f"  {profile}"
        for line, others in lines:
            yield f"  {line}" + (f"   # or {others}" if others else "")
        yield '  ("-" leaves a column aside for good; docs/profile.md lists what can be named)'
    for written, near in unmatched_names(checked.recognised, checked.site):
        meant = f' Did you mean "{near}"?' if near else ""
        yield f'{profile} names "{written}"; no table here has such a heading.{meant}'


# -- one cell ---------------------------------------------------------------------------------

_ADDRESS = re.compile(r"^\$?([A-Za-z]{1,3})\$?([1-9]\d{0,6})$")
_KINDS: tuple[tuple[type, str], ...] = (
    (bool, "a yes or no"),
    (str, "text"),
    (dt.datetime, "a date with a time"),
    (dt.date, "a date"),
    (dt.time, "a time of day"),
    (dt.timedelta, "a duration"),
    (float, "a number"),
    (int, "a number"),
)
_UNIT_FROM = {
    "heading": "from its heading",
    "units row": "from the row of units",
    "profile": "from the site's profile",
    "default": "assumed, since nothing on the sheet says otherwise",
}


def explain_cell(checked: Checked, sheet: str | None, cell: str) -> list[str]:
    """How the value of one cell came to be, a sentence a line.

    ``cell`` is an address as the spreadsheet shows it (F41); ``sheet`` the tab's name, or
    None where the file has one table. Covers the cell as received, what its column was
    read as and why, unit, value kept, oddities and findings. Raises
    :class:`~shared.problems.BadSettings` for an address or tab that is not there.
    """
    match = _ADDRESS.match(cell.strip())
    if match is None:
        raise BadSettings(
            f'"{cell}" is no cell.', "Name it as the spreadsheet does, such as F41.", checked.name
        )
    at, row = column_index(match[1].upper()), int(match[2]) - 1
    address = cell_name(row, at)
    held = _sheet_with(checked, sheet, row, at)
    if held.name.endswith(TURNED):
        row, at = at, row
    lines = [_received(held, row, at, address)]
    tables = [t for t in checked.recognised.tables if t.sheet == held.name]
    if not tables:
        why = next((w for n, w in checked.recognised.left_aside if n == held.name), "")
        return [*lines, f"No table was found on this tab{': ' + why if why else ''}."]
    table = _table_at(tables, row)
    column = next((c for c in table.columns if c.index == at), None)
    lines += _column_lines(table, column)
    skipped = next((s.why for s in table.skipped if s.row == row), None)
    if row <= table.header_row:
        lines.append("It stands in or above the headings, so it is no value itself.")
        return lines
    if skipped is not None:
        lines.append(f"Row {row + 1} is not data: {skipped}.")
        return lines
    if row not in table.data_rows:
        lines.append(f"Row {row + 1} is not part of the table.")
        return lines
    if column is not None and column.field is not None:
        lines.append(_kept(checked, table, column, row))
    lines += _oddities(checked, held.name, address)
    lines += _findings(checked, held.name, address)
    return lines


def _sheet_with(checked: Checked, name: str | None, row: int, column: int) -> Sheet:
    """The sheet that is meant; of parts of one tab, the part that holds the cell."""
    known = checked.workbook.sheets
    if name is not None:
        known = [s for s in known if s.name == name or s.name.startswith(f"{name}, ")]
        if not known:
            shown = ", ".join(f'"{s.name}"' for s in checked.workbook.sheets)
            raise BadSettings(
                f'The file has no tab "{name}".', f"Its tabs are: {shown}.", checked.name
            )
    filled = [s for s in known if _at(s, row, column) is not None]
    tabled = {table.sheet for table in checked.recognised.tables}
    return next((s for s in (*filled, *known) if s.name in tabled), (filled or known)[0])


def _at(sheet: Sheet, row: int, column: int) -> Cell:
    if sheet.name.endswith(TURNED):
        row, column = column, row
    if row >= len(sheet.rows) or column >= len(sheet.rows[row]):
        return None
    return sheet.rows[row][column]


def _received(sheet: Sheet, row: int, column: int, address: str) -> str:
    value = None
    if row < len(sheet.rows) and column < len(sheet.rows[row]):
        value = sheet.rows[row][column]
    where = f"{sheet.name}, {address}" if sheet.name else address
    if value is None:
        return f"{where} is empty."
    kind = next(name for type_, name in _KINDS if isinstance(value, type_))
    return f'{where} holds {kind}: "{cell_text(value)}".'


def _table_at(tables: list[Table], row: int) -> Table:
    above = [table for table in tables if table.header_row <= row]
    return max(above, key=lambda table: table.header_row) if above else tables[0]


def _meaning(column: Column) -> str:
    entry = FIELDS[column.field or ""]
    text = entry.title
    if column.taxon is not None:
        text += f" of {TAXA[column.taxon].vernacular}"
        text += f" ({column.life_stage})" if column.life_stage else ""
    return f"the {column.part} of {text.lower()}" if column.part else text


def _column_lines(table: Table, column: Column | None) -> list[str]:
    if column is None:
        return ["Its column has no heading, so it was not read."]
    heading = f'Its column is headed "{column.heading}"'
    at = cell_name(column.heading_row, column.index, table.sheet)
    if column.field is None:
        guesses = ", ".join(f"{FIELDS[f].title} ({s:.0%})" for f, s in column.guesses)
        lines = [f"{heading} ({at}) and was left aside: {column.why_not}."]
        return [*lines, f"Nearest guesses: {guesses}."] if guesses else lines
    lines = [f"{heading} ({at}), read as {_meaning(column)}, {column.confidence:.0%} sure."]
    lines += [f"It might also have been {FIELDS[f].title} ({s:.0%})."
              for f, s in column.guesses if f != column.field][:1]
    entry = FIELDS[column.field]
    if column.unit is not None and entry.unit is not None and entry.unit != "1":
        lines.append(
            f"Its unit is {plain(unit_spelling(column.unit))}, "
            f"{_UNIT_FROM.get(column.unit_from, column.unit_from)}."
        )
        if column.unit != entry.unit:
            lines.append(f"It is converted to {plain(unit_spelling(entry.unit))}.")
    if entry.kind.value == "date" and table.date_order and table.date_order_from:
        order = {"dmy": "day, month, year", "mdy": "month, day, year"}.get(
            table.date_order, "year, month, day")
        lines.append(f"Dates in numbers are read as {order}: {table.date_order_from}.")
    return [*lines, *table.notes]


def _kept(checked: Checked, table: Table, column: Column, row: int) -> str:
    """The canonical value that the row has from this column."""
    entry = FIELDS[column.field or ""]
    staged: dict[str, list[Any]]
    if entry.level is Level.EVENT or entry.id in ("taxon", "life_stage"):
        staged = checked.staged.events if entry.level is Level.EVENT else checked.staged.catches
    else:
        staged = checked.staged.catches
    name = "stated_site" if entry.id == "site" else entry.id
    value: Any = None
    for place, (sheet, number) in enumerate(
        zip(staged["sheet"], staged["sheet_row"], strict=True)
    ):
        if sheet != table.sheet or number != row + 1:
            continue
        if column.taxon is not None and (
            staged["taxon"][place], staged["life_stage"][place]
        ) != (column.taxon, column.life_stage):
            continue
        value = staged[name][place]
        break
    if value is None:
        return "No value is kept from it."
    unit = f" {plain(unit_spelling(entry.unit))}" if entry.unit not in (None, "1") else ""
    return f"The value kept is {cell_text(value)}{unit}."


def _oddities(checked: Checked, sheet: str, address: str) -> list[str]:
    odd = checked.staged.oddities
    words = {
        "not-understood": "It could not be understood",
        "not-in-list": "It is not in the list",
        "qualifier": "The value is qualified",
        "no-value": "Its words say that there is no value",
        "unit-in-cell": "The cell names its own unit, which was used",
    }
    return list(dict.fromkeys(
        f"{words.get(kind, kind)}: {plain(detail)}."
        for at, cell, kind, detail in zip(
            odd["sheet"], odd["cell"], odd["kind"], odd["detail"], strict=True)
        if at == sheet and cell == address
    ))


def _findings(checked: Checked, sheet: str, address: str) -> list[str]:
    found = [
        f"{finding.rule} ({finding.effect.value}): {plain(finding.message, 2000)}"
        for finding in checked.findings
        if finding.sheet == sheet and finding.cell == address
    ]
    return found or ["No rule has anything to say about it."]
