"""Parts of slices and lines of the record, from one database to another.

Both are plain connections of the engine: the local database, and the one that has the lake
attached as ``lake``. Whoever calls holds a transaction of each.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import duckdb

from shared.columnar import arriving, sql_text
from warehouse.lake_layout import PREFIX, columns_here
from warehouse.slices import RECORDED, Cut, Group
from warehouse.tables import column_list, quoted

MANY = 200
"""Slices up to which a question names each, so that files of others are not opened."""


def held(local: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], int]:
    """Slice and group -> the version that the local database holds of it."""
    return {(name, group): version for name, group, version in
            local.execute("FROM lake_held").fetchall()}


def note_held(
    local: duckdb.DuckDBPyConnection, group: Group, names: Sequence[str], versions: dict[str, int]
) -> None:
    """Note that the group is held of ``names`` as of ``versions``."""
    local.execute("DELETE FROM lake_held WHERE name = ? AND list_contains(?, slice)",
                  [group.name, list(names)])
    insert(local, "lake_held", [(name, group.name, versions[name]) for name in names])


def insert(
    connection: duckdb.DuckDBPyConnection, table: str, rows: Sequence[tuple[Any, ...]]
) -> None:
    """Insert many short rows at once: a statement a row costs the engine more than all."""
    if rows:
        import pyarrow as pa

        columns = list(zip(*rows, strict=True))
        with arriving(connection, pa.table(
                {f"c{number}": list(column) for number, column in enumerate(columns)})) as these:
            connection.execute(f"INSERT INTO {table} FROM {these}")


def fill(
    connection: duckdb.DuckDBPyConnection, name: str, rows: Sequence[tuple[Any, ...]],
    columns: dict[str, str],
) -> None:
    """Make a temporary table of ``rows``, in the place of one of its name."""
    laid = ", ".join(f"{column} {kind}" for column, kind in columns.items())
    connection.execute(f"CREATE OR REPLACE TEMP TABLE {name} ({laid})")
    insert(connection, name, rows)


def digests(group: Group) -> str:
    """SQL: a digest of every part of the slices in ``$only``."""
    rows = []
    for table, cut in group.telling().items():
        if cut.ordered:
            # A row has another digest in another place.
            place = f", row_number() OVER (PARTITION BY {cut.site}, {cut.part} ORDER BY t.rowid)"
        else:
            place = ""
        rows.append(
            f"SELECT {cut.site} AS slice, coalesce({cut.part}, '') AS part, "
            f"hash({sql_text(table)}, t{place}) AS h FROM {table} AS t {cut.also} "
            f"WHERE list_contains($only::VARCHAR[], {cut.site})")
    return (f"SELECT slice, {sql_text(group.name)} AS name, part, "
            "count(*) || '-' || sum(h::HUGEINT) AS digest "
            f"FROM ({' UNION ALL '.join(rows)}) GROUP BY ALL")


Change = tuple[str, str, str | None, bool]
"""Slice, part, its digest now (None where it is gone), and whether there was one before."""


def changed(
    local: duckdb.DuckDBPyConnection, group: Group, names: Sequence[str]
) -> list[Change]:
    """Parts of ``names`` that are not as they were checked out."""
    wanted = set(names)
    was = {key: digest for key, digest in _parts(local, "lake_parts", group, names).items()
           if key[0] in wanted}
    return _differing(was, _now(local, group, names))


def _now(
    local: duckdb.DuckDBPyConnection, group: Group, names: Sequence[str]
) -> dict[tuple[str, str], str]:
    """Slice and part -> digest, of what is here now."""
    return {(slice_, part): digest for slice_, _, part, digest in local.execute(
        digests(group), {"only": list(names)}).fetchall()}


def _parts(
    connection: duckdb.DuckDBPyConnection, table: str, group: Group, names: Sequence[str]
) -> dict[tuple[str, str], str]:
    return {(slice_, part): digest for slice_, part, digest in connection.execute(
        f"SELECT slice, part, digest FROM {table} WHERE name = ? {_only('slice', names)}",
        [group.name]).fetchall()}


def _differing(
    was: dict[tuple[str, str], str], now: dict[tuple[str, str], str]
) -> list[Change]:
    changed: list[Change] = [(*key, digest, key in was) for key, digest in now.items()
                              if was.get(key) != digest]
    changed += [(*key, None, True) for key in was if key not in now]
    return sorted(changed, key=lambda change: change[:2])


def _only(column: str, names: Sequence[str]) -> str:
    """SQL: that ``column`` is one of ``names``, where these are few enough to be told."""
    if len(names) > MANY:
        return ""
    return f"AND {column} IN ({', '.join(map(sql_text, names))})" if names else "AND false"


def note_parts(
    connection: duckdb.DuckDBPyConnection, group: Group, changes: Sequence[Change],
    table: str = "lake_parts",
) -> None:
    """Note in the books (``lake_parts`` here, ``lake.parts`` there) what parts are now."""
    if not changes:
        return
    before = [(name, part) for name, part, _, had in changes if had]
    if before:
        names = sorted({name for name, _ in before})
        fill(connection, "lake_changed", before, {"slice": "VARCHAR", "part": "VARCHAR"})
        connection.execute(
            f"DELETE FROM {table} WHERE name = ? {_only('slice', names)} "
            "AND (slice, part) IN (SELECT (slice, part) FROM lake_changed)", [group.name])
    insert(connection, table, [(name, group.name, part, digest)
                                for name, part, digest, _ in changes if digest is not None])


def take(
    lake: duckdb.DuckDBPyConnection, local: duckdb.DuckDBPyConnection, group: Group,
    names: Sequence[str],
) -> int:
    """Bring the group's parts of ``names`` that differ from the lake to here; how many."""
    wanted = set(names)
    theirs = {key: digest for key, digest in _parts(lake, "lake.parts", group, names).items()
              if key[0] in wanted}
    # What is here by now, and not only what was checked out: it all gives way.
    ours = _now(local, group, names)
    changes = _differing(ours, theirs)
    local.execute("DELETE FROM lake_parts WHERE name = ? AND list_contains(?, slice)",
                  [group.name, list(names)])
    insert(local, "lake_parts", [(name, group.name, part, digest)
                                  for (name, part), digest in theirs.items()])
    if not changes:
        return 0
    pairs = {"slice": "VARCHAR", "part": "VARCHAR"}
    fill(lake, "changed",
          [(name, part) for name, part, digest, _ in changes if digest is not None], pairs)
    fill(local, "lake_moved",
          [(name, part, digest is None) for name, part, digest, _ in changes],
          pairs | {"gone": "BOOLEAN"})
    touched = sorted({name for name, *_ in changes})
    for table, cut in group.tables.items():
        columns = column_list(columns_here(local, table))
        _drop_parts(local, table, cut)
        # Bytes that two sites sent are one set of rows.
        once = "" if cut.drops else (
            "QUALIFY dense_rank() OVER (PARTITION BY lake_part ORDER BY lake_slice) = 1")
        coming = lake.execute(
            f"SELECT {columns} FROM lake.{quoted(table)} "
            "WHERE (lake_slice, lake_part) IN (SELECT (slice, part) FROM changed) "
            f"{_only('lake_slice', touched)} {once} "
            "ORDER BY lake_slice, lake_part, lake_place").to_arrow_reader()
        with arriving(local, coming) as these:
            local.execute(f"INSERT INTO {table} ({columns}) SELECT {columns} FROM {these}")
    return len(changes)


def _drop_parts(local: duckdb.DuckDBPyConnection, table: str, cut: Cut) -> None:
    if cut.drops:
        local.execute(
            f"DELETE FROM {table} AS t WHERE ({cut.site}, coalesce({cut.part}, '')) "
            "IN (SELECT (slice, part) FROM lake_moved)")
    else:
        local.execute(
            f"DELETE FROM {table} AS t WHERE {cut.part} "
            "IN (SELECT part FROM lake_moved WHERE NOT gone)")


def give(
    lake: duckdb.DuckDBPyConnection, local: duckdb.DuckDBPyConnection, group: Group,
    changes: Sequence[Change],
) -> None:
    """Put the changed parts of the group into the lake, inside its transaction."""
    if not changes:
        return
    pairs = {"slice": "VARCHAR", "part": "VARCHAR"}
    before = [(name, part) for name, part, _, had in changes if had]
    fill(lake, "changed", before, pairs)
    fill(local, "lake_moved",
          [(name, part) for name, part, digest, _ in changes if digest is not None], pairs)
    names = sorted({name for name, _ in before})
    for table, cut in group.tables.items():
        if before:
            lake.execute(
                f"DELETE FROM lake.{quoted(table)} "
                "WHERE (lake_slice, lake_part) IN (SELECT (slice, part) FROM changed) "
                f"{_only('lake_slice', names)}")
        columns = columns_here(local, table)
        leaving = local.execute(
            f"SELECT {cut.site} AS lake_slice, coalesce({cut.part}, '') AS lake_part, "
            f"t.rowid AS lake_place, {column_list(columns, 't.')} FROM {table} AS t {cut.also} "
            f"WHERE ({cut.site}, coalesce({cut.part}, '')) "
            "IN (SELECT (slice, part) FROM lake_moved) ORDER BY 1, 2, 3").to_arrow_table()
        if leaving.num_rows:
            every = column_list([*PREFIX, *columns])
            with arriving(lake, leaving) as these:
                lake.execute(f"INSERT INTO lake.{quoted(table)} ({every}) "
                             f"SELECT {every} FROM {these}")
    note_parts(lake, group, changes, "lake.parts")


def hand_on_record(
    source: duckdb.DuckDBPyConnection, of: str, target: duckdb.DuckDBPyConnection, to: str
) -> None:
    """Give ``target`` the record's lines beyond the last that it has."""
    for table, number in RECORDED.items():
        found = target.execute(
            f"SELECT max({number}), count(*) FROM {to}{table}").fetchone()
        last, rows = found if found is not None else (None, 0)
        # Lines from before they had numbers come along once, at the very first.
        beyond = (f"{number} > {int(last)}" if last is not None
                  else "true" if not rows else f"{number} IS NOT NULL")
        columns = column_list(_columns_there(source, of, table))
        leaving = source.execute(f"SELECT {columns} FROM {of}{table} WHERE {beyond} "
                                 f"ORDER BY {number} NULLS FIRST").to_arrow_table()
        if leaving.num_rows:
            with arriving(target, leaving) as these:
                target.execute(f"INSERT INTO {to}{table} ({columns}) "
                               f"SELECT {columns} FROM {these}")


def _columns_there(connection: duckdb.DuckDBPyConnection, of: str, table: str) -> list[str]:
    if not of:
        return list(columns_here(connection, table))
    return [row[0] for row in connection.execute(
        "SELECT column_name FROM duckdb_columns() WHERE database_name = 'lake' "
        "AND table_name = ? ORDER BY column_index", [table]).fetchall()]
