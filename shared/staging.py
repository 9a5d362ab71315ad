"""The staged rows: what standardizing yields and judging reads.

Two tables, columnar, with canonical units. Their columns derive from the
dictionary, so a new field appears here by itself. Types are DuckDB's.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from shared.fields import CATCH_FIELDS, EVENT_FIELDS, Field, Kind

_SQL_TYPE: dict[Kind, str] = {
    Kind.NUMBER: "DOUBLE",
    Kind.WHOLE: "DOUBLE",  # kept as written: a fractional count is a finding, not a rounding
    Kind.TEXT: "VARCHAR",
    Kind.CHOICE: "VARCHAR",
    Kind.DATE: "DATE",
    Kind.TIME: "TIME",
    Kind.TAXON: "VARCHAR",
}


def sql_type(entry: Field) -> str:
    """DuckDB type in which staged values of ``entry`` are kept."""
    return _SQL_TYPE[entry.kind]


EVENT_COLUMNS: dict[str, str] = (
    {
        "site": "VARCHAR",  # id of the site whose folder the file came to
        "file_sha256": "VARCHAR",
        "row_id": "BIGINT",  # see row_id_base: unique over all files, in sheet order
        "sheet": "VARCHAR",
        "sheet_row": "INTEGER",  # 1-based, as the lead sees it
        "water_sheet": "VARCHAR",  # where values merged from a water tab stand, else NULL
        "water_row": "INTEGER",
        "protocol": "VARCHAR",
        "event_id": "VARCHAR",  # NULL when the date cannot be read
        "season": "INTEGER",
        "set_at": "TIMESTAMP",  # local civil time, NULL unless date and time are both known
        "checked_at": "TIMESTAMP",
        "set_at_utc": "TIMESTAMP",
        "checked_at_utc": "TIMESTAMP",
        "soak_hours": "DOUBLE",  # true elapsed hours between the two
        "hours_stated": "BOOLEAN",  # whether the sheet has an hours column at all
        "count_columns": "BOOLEAN",  # whether the sheet has any count column
        "content": "VARCHAR",  # digest of the row's cells other than date and time
    }
    | {entry.id: sql_type(entry) for entry in EVENT_FIELDS if entry.id != "site"}
    | {
        "stated_site": "VARCHAR",
    }
)
"""One row per event: column -> DuckDB type. ``site`` as written is ``stated_site``."""

CATCH_COLUMNS: dict[str, str] = {
    "file_sha256": "VARCHAR",
    "catch_id": "BIGINT",  # numbered as row_id is
    "row_id": "BIGINT",  # its event's
    "sheet": "VARCHAR",
    "sheet_row": "INTEGER",
    "taxon": "VARCHAR",
    "life_stage": "VARCHAR",
} | {entry.id: sql_type(entry) for entry in CATCH_FIELDS if entry.id not in ("taxon", "life_stage")}
"""One row per event x taxon x life stage that the sheet has a place for (count may be NULL)."""

ODDITY_COLUMNS: dict[str, str] = {
    "file_sha256": "VARCHAR",
    "row_id": "BIGINT",
    "catch_id": "BIGINT",  # NULL for event fields
    "sheet": "VARCHAR",
    "sheet_row": "INTEGER",
    "cell": "VARCHAR",
    "field": "VARCHAR",
    "raw": "VARCHAR",  # the cell's text as received
    "kind": "VARCHAR",  # see ODDITY_KINDS
    "detail": "VARCHAR",
}
"""Cells whose text is not simply a value."""

ODDITY_KINDS = {
    "not-understood": "no value could be read; the staged value is NULL",
    "not-in-list": "a word outside the field's choices; the staged value is NULL",
    "qualifier": "a value was read and the cell qualifies it (~200, >500); detail is the mark",
    "no-value": "the cell's words say that there is none (ND, n/a, net out); detail is the words",
    "column-unread": "a whole column was left aside though its heading is known; detail says why",
    "unit-in-cell": "the cell names a unit other than its column's; it was converted",
}

PLACE_COLUMNS: dict[str, str] = {
    "file_sha256": "VARCHAR",
    "sheet": "VARCHAR",
    "column_index": "INTEGER",
    "heading": "VARCHAR",
    "field": "VARCHAR",
    "taxon": "VARCHAR",
    "life_stage": "VARCHAR",
    "unit": "VARCHAR",
    "confidence": "DOUBLE",
}
"""Which column of which sheet holds which field: finds a value's cell without a record a cell."""

ROW_COLUMNS: dict[str, str] = {
    "file_sha256": "VARCHAR",
    "sheet": "VARCHAR",
    "sheet_row": "INTEGER",
    "row_id": "BIGINT",  # the event it became part of, NULL when skipped
    "skipped": "VARCHAR",  # why it is not data, NULL when it is
}
"""The account of rows: every row between headings and end that is not blank, once."""

ROWS_A_FILE = 1 << 23
"""More rows than any sheet we accept can hold."""


def row_id_base(file_sha256: str) -> int:
    """First row id of a file: 40 bits of its hash above 23 bits of row number.

    Ids built so are unique over all files of a network without a counter that two
    writers would have to share, and the same file gives the same ids anywhere.
    """
    return int(file_sha256[:10], 16) * ROWS_A_FILE


Columnar = dict[str, list[Any]]


def empty(columns: dict[str, str]) -> Columnar:
    """A columnar table with no rows."""
    return {name: [] for name in columns}


@dataclass(slots=True)
class Staged:
    """Everything one file gave, columnar, equal lengths within a table."""

    events: Columnar = field(default_factory=lambda: empty(EVENT_COLUMNS))
    catches: Columnar = field(default_factory=lambda: empty(CATCH_COLUMNS))
    oddities: Columnar = field(default_factory=lambda: empty(ODDITY_COLUMNS))
    places: Columnar = field(default_factory=lambda: empty(PLACE_COLUMNS))
    rows: Columnar = field(default_factory=lambda: empty(ROW_COLUMNS))
