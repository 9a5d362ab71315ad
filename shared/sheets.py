"""What reading and recognising a sheet yield: the values that intake hands on.

Rows and columns are 0-based here; :func:`cell_name` and ``row + 1`` give what the
lead sees. Rows of cells are lists, not one record a cell.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, field

Cell = str | float | int | bool | dt.datetime | dt.date | dt.time | dt.timedelta | None
"""A cell as the file's reader types it; None where it is empty."""


@dataclass(slots=True)
class Sheet:
    """One sheet as received. ``rows[r][c]``; rows may differ in length."""

    name: str
    rows: list[list[Cell]]
    hidden: bool = False
    merged: list[tuple[int, int, int, int]] = field(default_factory=list)
    """Merged ranges: first row, first column, last row, last column."""


@dataclass(slots=True)
class Workbook:
    """A file as received. ``format`` is decided by content: xlsx, xls, ods, csv ..."""

    name: str
    format: str
    sheets: list[Sheet]
    encoding: str = ""
    dialect: str = ""
    """For text files: the separator and decimal mark found, for people."""
    left_aside: list[tuple[str, str]] = field(default_factory=list)
    """Files of an archive that are no sheets: (name, why)."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a recognised table and what it was taken for.

    ``field`` None: not recognised; ``guesses`` then lists the best (field, confidence).
    ``taxon`` and ``life_stage`` are set on columns of catch fields whose heading names
    them. ``unit`` is what the cells are read in, ``unit_from`` how that is known:
    heading, units row, profile, default.
    """

    index: int
    heading: str
    heading_row: int
    field: str | None
    unit: str | None = None
    unit_from: str = ""
    confidence: float = 0.0
    taxon: str | None = None
    life_stage: str | None = None
    guesses: tuple[tuple[str, float], ...] = ()
    why_not: str = ""
    """For an unrecognised column: why it is left aside, in words."""
    wanted: bool = False
    """Of an unrecognised column: whether its heading is one we know, so that it is missed."""
    part: str = ""
    """Of a date cut into several columns: ``year``, ``month`` or ``day``."""


@dataclass(frozen=True, slots=True)
class SkippedRow:
    """A row between the headings and the end of the table that is not data."""

    row: int
    why: str
    counts: bool = True
    """False for blank rows, which the account of rows leaves out."""


@dataclass(slots=True)
class Table:
    """A recognised table on a sheet. Rows and columns are 0-based within the sheet."""

    sheet: str
    protocol: str
    header_row: int
    """The last row of the headings, where the columns' own names stand."""
    columns: list[Column]
    data_rows: list[int]
    skipped: list[SkippedRow]
    layout: str = "wide"
    """``wide``: taxa across; ``long``: one row a taxon and stage."""
    date_order: str = "ymd"
    date_order_from: str = ""
    gear_unit: str | None = None
    """Where the tab or title names the net."""
    decimal: str = "."
    month: int | None = None
    """Where the tab or title names the month and its date column holds only the day."""
    dates_once: bool = False
    """Whether rows without a date belong to the check whose date stands above them."""
    notes: list[str] = field(default_factory=list)
    """What was concluded from the sheet as a whole, as sentences for the lead."""

    def column_of(
        self, field_id: str, taxon: str | None = None, life_stage: str | None = None
    ) -> Column | None:
        """The column read as ``field_id`` (of that taxon and stage, where given)."""
        for column in self.columns:
            if column.field == field_id and (
                taxon is None
                or column.taxon is None
                or (column.taxon == taxon and column.life_stage == life_stage)
            ):
                return column
        return None


@dataclass(slots=True)
class Recognised:
    """What was understood of a workbook."""

    tables: list[Table]
    left_aside: list[tuple[str, str]]
    """Sheets in which no table was found: (name, why)."""


def column_letters(index: int) -> str:
    """0-based column number to letters: 0 -> A, 27 -> AB."""
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def column_index(letters: str) -> int:
    """Letters of a column, in capitals, to its 0-based number: A -> 0, AB -> 27."""
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number - 1


FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""What a text begins with that a spreadsheet program may calculate instead of show."""

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


def harmless(text: str) -> str:
    """``text`` as a spreadsheet shows it and never as one it calculates; numbers as they are."""
    risky = text.startswith(FORMULA_STARTS) or text.lstrip().startswith(FORMULA_STARTS)
    return f"'{text}" if risky and not _NUMBER.fullmatch(text) else text


TURNED = "turned, its dates across"
"""Ends the name of a sheet that is read with rows and columns exchanged."""


def cell_name(row: int, column: int, sheet: str = "") -> str:
    """0-based row and column to the address a spreadsheet shows: (40, 5) -> F41.

    On a ``sheet`` that was turned, the address is that of the cell before the turn.
    """
    if sheet.endswith(TURNED):
        row, column = column, row
    return f"{column_letters(column)}{row + 1}"
