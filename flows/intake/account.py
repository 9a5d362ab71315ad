"""The account of what was understood: for the command line and for ``check --json``."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from flows.intake.cells import folded, parse_date_text, settle
from flows.intake.headings import readings_of
from flows.intake.reading import cell_text
from shared.fields import FIELDS, Kind
from shared.settings import Site, unit_spelling
from shared.sheets import Column, Recognised, Sheet, Table, Workbook, cell_name
from shared.staging import Staged
from shared.taxa import TAXA

_SHOWN = 3


def _sheet_of(table: Table, workbook: Workbook) -> Sheet | None:
    return next((sheet for sheet in workbook.sheets if sheet.name == table.sheet), None)


def _samples(sheet: Sheet, table: Table, column: Column) -> str:
    shown: list[str] = []
    for number in table.data_rows:
        row = sheet.rows[number]
        cell = row[column.index] if column.index < len(row) else None
        text = " ".join(cell_text(cell).split())
        if text and text not in shown:
            shown.append(text if len(text) <= 24 else text[:23] + "\u2026")
        if len(shown) == _SHOWN:
            break
    return ", ".join(shown)


def explain_table(table: Table, workbook: Workbook) -> list[tuple[str, str, str, str]]:
    """One line a column: heading, what it was taken for, unit, some of its cells.

    A column left aside has its reason where the field would stand, in brackets.
    """
    sheet = _sheet_of(table, workbook)
    lines: list[tuple[str, str, str, str]] = []
    for column in table.columns:
        samples = _samples(sheet, table, column) if sheet is not None else ""
        if column.field is None:
            lines.append((column.heading, f"(left aside: {column.why_not})", "", samples))
            continue
        meaning = FIELDS[column.field].title
        if column.taxon is not None:
            meaning += f": {TAXA[column.taxon].vernacular}"
            if column.life_stage is not None:
                meaning += f", {column.life_stage}"
        unit = unit_spelling(column.unit) if column.unit is not None else ""
        if unit and column.unit_from in ("profile", "default"):
            unit += f" (by {column.unit_from})"
        lines.append((column.heading, meaning, unit, samples))
    return lines


_ORDERS = {"dmy": "day first", "mdy": "month first", "ymd": "year first"}


def date_order_said(table: Table, workbook: Workbook) -> str:
    """How dates that could be read two ways were read, and why; empty where none could be."""
    sheet = _sheet_of(table, workbook)
    columns = [c.index for c in table.columns if c.field and FIELDS[c.field].kind is Kind.DATE]
    if sheet is None:
        return ""
    for number in table.data_rows:
        row = sheet.rows[number]
        for index in columns:
            cell = row[index] if index < len(row) else None
            found = parse_date_text(cell) if type(cell) is str else None
            if found is None or not found.numeric or found.first == found.second:
                continue
            if found.first > 12 or found.second > 12:
                continue
            shown = f"Dates such as \u201c{str(cell).strip()}\u201d"
            if not table.date_order:
                return f"{shown} could be read day first or month first: {table.date_order_from}."
            day = settle(found, table.date_order)
            meant = "" if day is None else f" ({day.day} {day:%B} {day.year})"
            how = _ORDERS[table.date_order]
            if table.date_order_from == "profile":
                return f"{shown} are read {how}{meant}, as the site's profile says."
            return f"{shown} are read {how}{meant}: {table.date_order_from}."
    return ""


def lines_to_name(recognised: Recognised) -> list[tuple[str, str]]:
    """Left-aside columns that may be more: the line for network.toml and other guesses.

    The line is TOML, to stand below ``[sites.<id>.profile.columns]``; it holds the best
    guess.
    """
    lines: dict[str, str] = {}
    for table in recognised.tables:
        for column in table.columns:
            if column.field is None and column.guesses:
                first, *others = column.guesses
                line = f"{json.dumps(column.heading, ensure_ascii=False)} = "
                line += json.dumps(meaning_of(column.heading, first[0]))
                lines.setdefault(line, ", ".join(name for name, _ in others))
    return list(lines.items())


def meaning_of(heading: str, field_id: str) -> str:
    """A field as ``profile.columns`` writes it, with the animal that the heading names."""
    for reading in readings_of((heading,)):
        if reading.field == field_id and reading.taxon is not None:
            return ":".join(filter(None, (field_id, reading.taxon, reading.life_stage)))
    return field_id


def unmatched_names(recognised: Recognised, site: Site) -> Iterator[tuple[str, str]]:
    """Headings that the site's profile names and no table has, each with the nearest that is."""
    from difflib import get_close_matches

    there = {folded(c.heading): c.heading for table in recognised.tables for c in table.columns}
    for written in site.profile.columns:
        name = folded(written)
        # A heading below a group's goes by its own name too.
        if not any(key == name or key.endswith(f" {name}") for key in there):
            near = get_close_matches(name, there, 1, 0.7)
            yield written, there[near[0]] if near else ""


def contract_sheets(
    workbook: Workbook, recognised: Recognised, staged: Staged
) -> list[dict[str, Any]]:
    """The ``sheets`` list of ``check --json``: one entry a table, in the order of the file.

    Rows and cells are named as the lead sees them; ``unit`` is the unit that the cells
    are read in. ``rows`` counts the rows of data.
    """
    counted: dict[str, set[int]] = {}
    for sheet, number, row_id in zip(
        staged.rows["sheet"], staged.rows["sheet_row"], staged.rows["row_id"], strict=True
    ):
        if row_id is not None:
            counted.setdefault(sheet, set()).add(number)
    order = {sheet.name: place for place, sheet in enumerate(workbook.sheets)}
    entries: list[dict[str, Any]] = []
    for table in sorted(recognised.tables, key=lambda t: (order[t.sheet], t.header_row)):
        rows = counted.get(table.sheet, set())
        entries.append(
            {
                "name": table.sheet,
                "protocol": table.protocol,
                "header_row": table.header_row + 1,
                "columns": [
                    _contract_column(c, table.sheet) for c in table.columns if c.field is not None
                ],
                "unrecognised": [
                    {
                        "heading": c.heading,
                        "cell": cell_name(c.heading_row, c.index, table.sheet),
                        "why": c.why_not,
                        "guesses": [
                            {"field": name, "confidence": score} for name, score in c.guesses
                        ],
                    }
                    for c in table.columns
                    if c.field is None
                ],
                "rows": sum(1 for number in table.data_rows if number + 1 in rows),
                "skipped_rows": [
                    {"row": s.row + 1, "why": s.why} for s in table.skipped if s.counts
                ],
            }
        )
        notes = [*table.notes, *filter(None, [date_order_said(table, workbook)])]
        if notes:
            entries[-1]["notes"] = notes
    return entries


def _contract_column(column: Column, sheet: str) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "heading": column.heading,
        "cell": cell_name(column.heading_row, column.index, sheet),
        "field": column.field,
        "unit": column.unit,
        "confidence": column.confidence,
    }
    if column.part:
        entry["part"] = column.part
    if column.taxon is not None or column.field == "count":
        entry["taxon"] = column.taxon
        entry["life_stage"] = column.life_stage
    return entry
