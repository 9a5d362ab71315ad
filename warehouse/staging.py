"""Keeping what was read: raw cells, what was recognised, and the staged rows.

A reading is kept under a key (:func:`reader_key`) made of everything that shapes it but
the bytes: the reader's version, the site's profile, the season, the dictionary. With
another key the file is read again from the kept bytes.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from shared import staging as contract
from shared.columnar import arriving, to_arrow
from shared.identity import short_digest
from shared.problems import Trouble
from shared.settings import Network
from shared.sheets import Cell, Workbook
from shared.staging import Staged
from warehouse.store import Warehouse
from warehouse.tables import STAGED_TABLES, column_list, dictionary_tables

if TYPE_CHECKING:
    import pyarrow as pa


def reader_key(reader_version: str, network: Network, site_id: str) -> str:
    """Twelve hex digits that change whenever a file of ``site_id`` would be read otherwise.

    ``reader_version`` is the reading code's own. Who to write to does not count: a new
    address must not make four seasons be read again.
    """
    site = network.sites[site_id]
    profile = site.profile
    return short_digest(
        reader_version, site.id, site.name, site.zone, site.protocols, site.nets, site.seines,
        site.latitude, site.longitude, sorted(profile.units.items()),
        sorted(profile.columns.items()), profile.date_order,
        network.season_start, network.season_end,
        _dictionary(tuple(contract.EVENT_COLUMNS.items()),
                    tuple(contract.CATCH_COLUMNS.items())),
    )


@cache
def _dictionary(*shape: tuple[tuple[str, str], ...]) -> str:
    """The tables' columns as text; of thousands of sites it is asked for each."""
    return json.dumps(dictionary_tables(), sort_keys=True)


def readings_present(warehouse: Warehouse, site_id: str, key: str) -> set[str]:
    """Hashes of the site's files that need no reading: read, or found in trouble, under ``key``."""
    with warehouse.lock:
        rows = warehouse.connection.execute(
            "SELECT sha256 FROM readings WHERE site = $site AND reader_key = $key "
            "UNION SELECT sha256 FROM file_troubles WHERE site = $site AND reader_key = $key",
            {"site": site_id, "key": key},
        ).fetchall()
    return {row[0] for row in rows}


@dataclass(frozen=True, slots=True)
class Reading:
    """What a file gave.

    ``recognised_json`` is a JSON array, one object a table, as ``check --json`` prints
    them under ``sheets`` (``name``, ``protocol``, ``header_row``, optionally ``layout``).
    """

    workbook: Workbook
    recognised_json: str
    staged: Staged


_PARTS: Mapping[str, dict[str, str]] = {
    "events": contract.EVENT_COLUMNS,
    "catches": contract.CATCH_COLUMNS,
    "oddities": contract.ODDITY_COLUMNS,
    "places": contract.PLACE_COLUMNS,
    "rows": contract.ROW_COLUMNS,
}


def save_readings(
    warehouse: Warehouse, site_id: str, readings: Mapping[str, Reading], key: str
) -> None:
    """Keep what files of ``site_id`` gave (by hash), in place of earlier readings of them.

    All files at once: each statement costs the engine more than the few rows of a sheet.
    Joins the caller's transaction.
    """
    import pyarrow as pa

    if not readings:
        return
    seen = [
        (site_id, sha256, table.get("name", ""), table.get("protocol"), table.get("header_row"),
         table.get("layout"), json.dumps(table, ensure_ascii=False, sort_keys=True))
        for sha256, reading in readings.items() for table in json.loads(reading.recognised_json)
    ]
    with warehouse.transaction() as connection:
        forget(warehouse, site_id, list(readings))
        for part, columns in _PARTS.items():
            rows = pa.concat_tables(
                to_arrow(getattr(reading.staged, part), columns) for reading in readings.values())
            _insert(warehouse, f"staged_{part}", rows, None if part == "events" else site_id)
        connection.execute("DELETE FROM raw_rows WHERE list_contains(?, sha256)",
                           [list(readings)])
        _insert(warehouse, "raw_rows", pa.concat_tables(
            _raw_rows(sha256, reading.workbook) for sha256, reading in readings.items()), None)
        if seen:
            connection.executemany("INSERT INTO tables_seen VALUES (?, ?, ?, ?, ?, ?, ?)", seen)
        connection.executemany("UPDATE files SET format = ? WHERE sha256 = ?", [
            (reading.workbook.format, sha256) for sha256, reading in readings.items()])
        connection.executemany("INSERT INTO readings VALUES (?, ?, ?, ?, ?)", [
            (site_id, sha256, key, len(reading.staged.events["row_id"]),
             len(reading.staged.rows["row_id"])) for sha256, reading in readings.items()])


def save_trouble(
    warehouse: Warehouse, site_id: str, sha256: str, trouble: Trouble, key: str
) -> None:
    """Note that a file could not be read; what an earlier reader made of it is let go.

    Kept under the reader's ``key``, so that a better reader tries again. Joins the
    caller's transaction.
    """
    with warehouse.transaction() as connection:
        forget(warehouse, site_id, [sha256])
        connection.execute(
            "INSERT INTO file_troubles VALUES (?, ?, ?, ?, ?, ?, ?)",
            [sha256, site_id, trouble.code, trouble.what, trouble.remedy, trouble.where, key],
        )


def files_in_trouble(warehouse: Warehouse, code: str) -> dict[tuple[str, str], str]:
    """(site, hash) of the files whose trouble has the ``code`` -> the key it was noted under."""
    with warehouse.lock:
        return {(site, sha256): key for site, sha256, key in warehouse.connection.execute(
            "SELECT site, sha256, reader_key FROM file_troubles WHERE code = ?",
            [code]).fetchall()}


def forget(warehouse: Warehouse, site_id: str, sha256s: list[str]) -> None:
    """Let go what was made of files, trouble or reading, so that they are read again."""
    with warehouse.transaction() as connection:
        for table in (*STAGED_TABLES, "tables_seen", "readings", "file_seasons", "file_troubles"):
            column = "file_sha256" if table in STAGED_TABLES else "sha256"
            connection.execute(
                f"DELETE FROM {table} WHERE site = ? AND list_contains(?, {column})",
                [site_id, sha256s],
            )


def _insert(warehouse: Warehouse, table: str, rows: pa.Table, site_id: str | None) -> None:
    """Append Arrow ``rows``; ``site_id`` is added where the contract's rows lack it."""
    if not rows.num_rows:
        return
    connection = warehouse.connection
    names = column_list(rows.column_names)
    with arriving(connection, rows) as these:
        if site_id is None:
            connection.execute(f"INSERT INTO {table} ({names}) SELECT {names} FROM {these}")
        else:
            connection.execute(
                f"INSERT INTO {table} (site, {names}) SELECT ?, {names} FROM {these}", [site_id]
            )


def _raw_rows(sha256: str, workbook: Workbook) -> pa.Table:
    """Every row of the workbook that holds anything, cells as text beside how they were typed."""
    import pyarrow as pa

    names: list[str] = []
    hidden: list[bool] = []
    numbers: list[int] = []
    cells: list[list[str]] = []
    kinds: list[str] = []
    for sheet in workbook.sheets:
        for number, row in enumerate(sheet.rows, start=1):
            letters = "".join([_KINDS.get(type(cell), "t") for cell in row])
            if letters.strip("-"):
                names.append(sheet.name)
                hidden.append(sheet.hidden)
                numbers.append(number)
                cells.append([_text(cell) for cell in row])
                kinds.append(letters)
    return pa.table({
        "sha256": pa.array([sha256] * len(names), pa.string()),
        "sheet": pa.array(names, pa.string()),
        "hidden": pa.array(hidden, pa.bool_()),
        "sheet_row": pa.array(numbers, pa.int32()),
        "cells": pa.array(cells, pa.list_(pa.string())),
        "kinds": pa.array(kinds, pa.string()),
    })


_KINDS: Mapping[type[Any], str] = {
    type(None): "-",
    str: "t",
    bool: "b",
    int: "n",
    float: "n",
    dt.datetime: "d",
    dt.date: "d",
    dt.time: "m",
    dt.timedelta: "u",
}


def _text(cell: Cell) -> str:
    """A cell as text; readers give whole numbers as floats, which nobody wrote as 158.0."""
    if cell is None:
        return ""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, (dt.datetime, dt.date, dt.time)):
        return cell.isoformat()
    return str(cell)
