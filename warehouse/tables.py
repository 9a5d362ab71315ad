"""Tables whose columns follow the data dictionary, and how an older warehouse keeps up.

A new entry in the dictionary adds its column here by itself: :func:`align` compares what
the code wants with what the file has. All of these tables are made again from kept
bytes, so a column whose type changed is met by laying its table out anew.
"""

from __future__ import annotations

from dataclasses import fields as dataclass_fields
from typing import get_type_hints

import duckdb

from shared import evidence, past, staging
from shared.fields import CATCH_FIELDS, EVENT_FIELDS, MEASURED_FIELDS, Field, Kind, Level
from shared.findings import Finding
from shared.staging import sql_type

COUNT_FIELDS = ("taxon", "life_stage", "count", "count_method", "subsample_count",
                "subsample_volume", "total_volume", "released", "mortality", "kept")
"""Catch fields that the quality of a count rests on."""

EFFORT_FIELDS = ("set_date", "set_time", "check_date", "check_time", "hours_fished",
                 "net_status", "hauls", "haul_area")
"""Event fields that the quality of the effort rests on."""

EVENT_IDENTITY = ("", "event", "site", "stated_site", "gear_unit", "local_date")
"""What a finding about the event as a whole names as its field."""

_LEADING = ("water_temperature", "salinity", "specific_conductance", "dissolved_oxygen",
            "dissolved_oxygen_saturation", "ph")
"""Measured fields that the clean table gives first: the order its contract names."""


def quoted(name: str) -> str:
    """``name`` as a SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def column_list(names: list[str] | dict[str, str], prefix: str = "") -> str:
    """``names`` as a comma-separated list of SQL identifiers."""
    return ", ".join(prefix + quoted(name) for name in names)


def clean_type(entry: Field) -> str:
    """DuckDB type of ``entry`` in the clean tables: whole numbers are whole there."""
    return "BIGINT" if entry.kind is Kind.WHOLE else sql_type(entry)


def measured_event_fields() -> list[Field]:
    """Measured fields of an event, in the order of the clean table."""
    found = {entry.id: entry for entry in MEASURED_FIELDS if entry.level is Level.EVENT}
    return [found[name] for name in _LEADING if name in found] + [
        entry for name, entry in found.items() if name not in _LEADING
    ]


def measured_catch_fields() -> list[Field]:
    """Measured fields of a catch, in the order of the dictionary."""
    return [entry for entry in MEASURED_FIELDS if entry.level is Level.CATCH]


def plain_event_fields() -> list[Field]:
    """Event fields that enter the clean table as they are, without a flag of their own.

    Not among them: personal data, and what the clean table has under another name or
    gives a place of its own.
    """
    placed = {"site", "gear_unit", "local_date", "net_status"}
    return [entry for entry in EVENT_FIELDS
            if not entry.private and not entry.measured and entry.id not in placed]


def plain_catch_fields() -> list[Field]:
    """Catch fields without a flag of their own, but for taxon, stage and count."""
    placed = {"taxon", "life_stage", "count"}
    return [entry for entry in CATCH_FIELDS
            if not entry.private and not entry.measured and entry.id not in placed]


def flag_column(entry: Field) -> str:
    """Column of the flag of ``entry``."""
    return f"qc_{entry.id}"


def clean_event_columns() -> dict[str, str]:
    """Columns of ``clean_events``: one row per event that may be used."""
    measured = measured_event_fields()
    return {
        "site_id": "VARCHAR",
        "event_id": "VARCHAR",
        "protocol": "VARCHAR",
        "gear_unit": "VARCHAR",
        "event_start_utc": "TIMESTAMP",
        "event_end_utc": "TIMESTAMP",
        "local_date": "DATE",
        "season": "INTEGER",
        "effort_value": "DOUBLE",
        "effort_unit": "VARCHAR",
        "effort_from": "VARCHAR",
        "net_status": "VARCHAR",
        **{entry.clean_column: clean_type(entry) for entry in plain_event_fields()},
        **{entry.clean_column: clean_type(entry) for entry in measured},
        "qc_event": "INTEGER",
        "qc_effort": "INTEGER",
        **{flag_column(entry): "INTEGER" for entry in measured},
        "vanished": "BOOLEAN",
        "row_id": "BIGINT",
        "source_file_sha256": "VARCHAR",
        "source_sheet": "VARCHAR",
        "source_row": "INTEGER",
        "decided": "BOOLEAN",
    }


def clean_count_columns() -> dict[str, str]:
    """Columns of ``clean_counts``: one row per event x taxon x life stage."""
    measured = measured_catch_fields()
    return {
        "site_id": "VARCHAR",
        "event_id": "VARCHAR",
        "taxon_id": "VARCHAR",
        "life_stage": "VARCHAR",
        "count": "BIGINT",
        "subsample_fraction": "DOUBLE",
        "cpue": "DOUBLE",
        "cpue_unit": "VARCHAR",
        **{entry.clean_column: clean_type(entry) for entry in plain_catch_fields()},
        **{entry.clean_column: clean_type(entry) for entry in measured},
        "qc_count": "INTEGER",
        **{flag_column(entry): "INTEGER" for entry in measured},
        "source_file_sha256": "VARCHAR",
        "source_sheet": "VARCHAR",
        "source_row": "INTEGER",
        "decided": "BOOLEAN",
    }


def finding_columns() -> dict[str, str]:
    """Columns of ``findings``: the fields of :class:`shared.findings.Finding` and its id."""
    hints = get_type_hints(Finding)
    whole = {"flag": "INTEGER", "row": "INTEGER"}
    return {"id": "VARCHAR"} | {
        entry.name: whole.get(entry.name)
        or ("BIGINT" if hints[entry.name] == int | None else "VARCHAR")
        for entry in dataclass_fields(Finding)
    }


def kept_evidence(table: str) -> str:
    """The table in which one of :mod:`shared.evidence` is kept, by season."""
    return f"evidence_{table}"


def kept_of_past(table: str) -> str:
    """The table in which one of :mod:`shared.past` is kept from run to run."""
    return f"closed_{table}"


STAGED_TABLES = ("staged_events", "staged_catches", "staged_oddities", "staged_places",
                 "staged_rows")


def dictionary_tables() -> dict[str, dict[str, str]]:
    """Table -> column -> DuckDB type, for every table that follows the dictionary.

    Staged tables carry the site beside the contract's columns: the same bytes may come
    to two sites' folders (another site's sheet in yours), and each reads them its way.
    """
    site = {"site": "VARCHAR"}
    return {
        "staged_events": dict(staging.EVENT_COLUMNS),
        "staged_catches": site | staging.CATCH_COLUMNS,
        "staged_oddities": site | staging.ODDITY_COLUMNS,
        "staged_places": site | staging.PLACE_COLUMNS,
        "staged_rows": site | staging.ROW_COLUMNS,
        "findings": finding_columns(),
        "clean_events": clean_event_columns(),
        "clean_counts": clean_count_columns(),
    }


def closed_tables() -> dict[str, dict[str, str]]:
    """As :func:`dictionary_tables`, of what :mod:`warehouse.closed` keeps."""
    return {
        "closed_seasons": {"site": "VARCHAR", "digest": "VARCHAR", "findings": "VARCHAR"},
        **{kept_of_past(table): columns for table, columns in past.TABLES.items()},
    }


def loaded_tables() -> dict[str, dict[str, str]]:
    """As :func:`dictionary_tables`, of what a load notes for releases in parts.

    What a site's clean rows of a season come to, and whether a protected animal is among them.
    """
    return {"site_seasons": {
        "site": "VARCHAR", "season": "INTEGER", "events": "BIGINT", "counts": "BIGINT",
        "content": "VARCHAR", "protected": "BOOLEAN"}}


def local_tables() -> dict[str, dict[str, str]]:
    """As :func:`dictionary_tables`, of what this database keeps from run to run to save work.

    What :mod:`warehouse.neighbourhood` keeps, and of what the desk's pictures were left.
    """
    return {
        "file_seasons": {"site": "VARCHAR", "sha256": "VARCHAR", "reader_key": "VARCHAR",
                         "season": "INTEGER"},
        "evidence_sheets": {"site": "VARCHAR", "season": "INTEGER", "sheets": "UBIGINT"},
        "evidence_digests": {"site": "VARCHAR", "season": "INTEGER", "digest": "UBIGINT"},
        **{kept_evidence(table): {"season": "INTEGER"} | columns
           for table, columns in evidence.TABLES.items()},
        "pictures_left": {"site": "VARCHAR", "state": "VARCHAR"},
    }


def align(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Bring the tables to the columns that the dictionary wants; what was done, in words.

    To be called inside a transaction. A missing column is added, empty. When a column's
    type has changed, the tables are laid out anew and the readings forgotten, so that the
    next run fills them from the kept bytes.
    """
    have: dict[str, dict[str, str]] = {}
    for table, column, kind in connection.execute(
        "SELECT table_name, column_name, data_type FROM duckdb_columns() "
        "WHERE database_name = current_database() AND schema_name = 'main' AND NOT internal"
    ).fetchall():
        have.setdefault(table, {})[column] = kind
    wanted = dictionary_tables() | closed_tables() | loaded_tables() | local_tables()
    done: list[str] = []
    changed = [
        f"{table}.{name}"
        for table, columns in wanted.items()
        for name, kind in columns.items()
        if have.get(table, {}).get(name, kind) != kind
    ]
    if changed:
        for table in wanted:
            if table in have:
                connection.execute(f"DROP TABLE {table}")
                del have[table]
        forget_readings(connection)
        done.append(f"laid out anew, because of {', '.join(changed)}")
    for table, columns in wanted.items():
        if table not in have:
            laid = ", ".join(f"{quoted(name)} {kind}" for name, kind in columns.items())
            connection.execute(f"CREATE TABLE {table} ({laid})")
            continue
        for name, kind in columns.items():
            if name not in have[table]:
                connection.execute(f"ALTER TABLE {table} ADD COLUMN {quoted(name)} {kind}")
                done.append(f"added {table}.{name}")
    return done


def forget_readings(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the next run read every file again and load every site again."""
    connection.execute("DELETE FROM readings")
    connection.execute("DELETE FROM site_state")
