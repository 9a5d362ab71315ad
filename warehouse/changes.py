"""What a release changes against the one before: rows added, values changed, rows withdrawn.

Values of an event (dates, effort, water) are compared in ``events`` and named once;
values of a catch in ``counts``. Where a row stands in a sheet is no change.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import duckdb

from warehouse.published import Table
from warehouse.tables import quoted, quoted_text

SHOWN = 200
"""Lines of each kind that CHANGES.md lists; changes.csv has them all."""

_NOT_CONTENT = frozenset({
    "release_version", "source_file_sha256", "source_sheet", "source_row",
})
_KEYS = {"events": ("event_id",), "counts": ("event_id", "taxon_id", "life_stage")}


@dataclass(frozen=True, slots=True)
class Change:
    """One difference. ``kind``: added, changed, withdrawn. Only ``changed`` names a column."""

    table: str
    kind: str
    site_id: str
    event_id: str
    taxon_id: str
    life_stage: str
    column: str = ""
    old: str = ""
    new: str = ""


def compare(
    connection: duckdb.DuckDBPyConnection, tables: tuple[Table, ...], previous: Path
) -> list[Change]:
    """Differences of the temporary tables ``release_<name>`` from the release at ``previous``.

    A column that only one of the two has is left out: the dictionary tells of it.
    """
    found: list[Change] = []
    event_columns = {c.name for t in tables if t.name == "events" for c in t.columns}
    for table in tables:
        if table.name not in _KEYS:
            continue
        key = _KEYS[table.name]
        shared = event_columns if table.name == "counts" else set()
        found += _compare_table(connection, table, key, previous, shared)
    return found


def _compare_table(
    connection: duckdb.DuckDBPyConnection, table: Table, key: tuple[str, ...], previous: Path,
    elsewhere: set[str],
) -> list[Change]:
    source = f"read_parquet({quoted_text((previous / (table.name + '.parquet')).as_posix())})"
    had = [row[0] for row in connection.execute(f"DESCRIBE FROM {source}").fetchall()]
    compared = [
        column for column in table.columns
        if column.name in had and column.name not in key
        and column.name not in _NOT_CONTENT and column.name not in elsewhere
    ]
    # Parquet marks moments as UTC, the warehouse keeps them plain.
    old = ", ".join(
        f"timezone('UTC', {quoted(column.name)}) AS {quoted(column.name)}"
        if column.type == "TIMESTAMP" else quoted(column.name)
        for column in compared if column.name != "site_id"
    )
    keys = ", ".join(map(quoted, key))
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE release_before AS "
        f"SELECT site_id, {keys}, {old} FROM {source}"
    )
    now = f"release_{table.name}"
    same = " AND ".join(f"o.{quoted(name)} = n.{quoted(name)}" for name in key)
    named = "site_id, " + ", ".join(key) + ", NULL" * (3 - len(key))

    def rows(sql: str) -> list[tuple[str, ...]]:
        return [tuple("" if value is None else str(value) for value in row)
                for row in connection.execute(sql).fetchall()]

    found = []
    for kind, here, there in (("added", now, "release_before"),
                              ("withdrawn", "release_before", now)):
        found += [
            Change(table.name, kind, *row)
            for row in rows(
                f"SELECT {named} FROM {here} AS o ANTI JOIN {there} AS n ON {same} ORDER BY ALL"
            )
        ]
    olds = ", ".join(f"o.{quoted(column.name)}" for column in compared)
    news = ", ".join(f"n.{quoted(column.name)}" for column in compared)
    pairs = ", ".join(
        f"{{'name': {quoted_text(column.name)}, 'old': o.{quoted(column.name)}::VARCHAR, "
        f"'new': n.{quoted(column.name)}::VARCHAR}}" for column in compared
    )
    keyed = ", ".join(f"n.{quoted(name)}" for name in key) + ", NULL" * (3 - len(key))
    found += [
        Change(table.name, "changed", *row)
        for row in rows(
            f"""
            SELECT * EXCLUDE (pair), pair.name, pair.old, pair.new FROM (
                SELECT n.site_id, {keyed}, unnest([{pairs}]) AS pair
                FROM release_before AS o JOIN {now} AS n ON {same}
                WHERE ({olds}) IS DISTINCT FROM ({news}))
            WHERE pair.old IS DISTINCT FROM pair.new ORDER BY ALL
            """
        )
    ]
    return found


def as_csv(changes: list[Change]) -> str:
    """All changes, one a line."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    names = ("table", "kind", "site_id", "event_id", "taxon_id", "life_stage", "column", "old",
             "new")
    writer.writerow(names)
    writer.writerows([getattr(change, name) for name in names] for change in changes)
    return out.getvalue()


def as_text(version: str, previous: str | None, changes: list[Change]) -> str:
    """CHANGES.md: the changes in words and numbers."""
    if previous is None:
        return f"# Changes in {version}\n\nThis is the first release.\n"
    lines = [f"# Changes in {version} against {previous}", ""]
    if not changes:
        lines.append("No event and no count differs; tables beside them do (findings, sites or "
                     "the dictionary).")
        return "\n".join(lines) + "\n"
    tally = Counter((change.table, change.kind) for change in changes)
    rows_changed = {
        table: len({(c.event_id, c.taxon_id, c.life_stage) for c in changes
                    if c.table == table and c.kind == "changed"})
        for table in _KEYS
    }
    for table, thing in (("events", "event"), ("counts", "count")):
        lines.append(
            f"- {table}: {_number(tally[table, 'added'], thing)} added, "
            f"{_number(tally[table, 'withdrawn'], thing)} withdrawn, "
            f"{_number(tally[table, 'changed'], 'value')} changed in "
            f"{_number(rows_changed[table], thing)}."
        )
    lines += ["", "Events and counts together, by site:", "",
              "| site | rows added | values changed | rows withdrawn |",
              "| --- | ---: | ---: | ---: |"]
    by_site = Counter((change.site_id, change.kind) for change in changes)
    for site in sorted({change.site_id for change in changes}):
        lines.append(f"| {site} | {by_site[site, 'added']} | {by_site[site, 'changed']} | "
                     f"{by_site[site, 'withdrawn']} |")
    for kind, title in (("changed", "Changed values"), ("withdrawn", "Withdrawn")):
        mine = [change for change in changes if change.kind == kind]
        if not mine:
            continue
        lines += ["", f"## {title}", ""]
        for change in mine[:SHOWN]:
            what = " ".join(
                part for part in (change.event_id, change.taxon_id, change.life_stage) if part
            )
            lines.append(
                f"- {what}: {change.column} {change.old or 'empty'} -> {change.new or 'empty'}"
                if kind == "changed" else f"- {what}"
            )
        if len(mine) > SHOWN:
            lines.append(f"- and {len(mine) - SHOWN} more, in changes.csv.")
    lines += ["", "Every change is a line of changes.csv."]
    return "\n".join(lines) + "\n"


def _number(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
