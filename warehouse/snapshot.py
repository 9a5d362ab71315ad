"""The DuckDB snapshot of a release: written once, then only read.

Analysts and `tallyweir query` open the snapshot, never the warehouse, so that reading
never stands in the way of a run. A snapshot is never altered; a new release is a new file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb

from shared.problems import Problem
from warehouse.folder import latest_path, releases_folder
from warehouse.tables import quoted, quoted_text

if TYPE_CHECKING:
    import pyarrow as pa

    from warehouse.published import Table, View

SNAPSHOT_NAME = "tallyweir.duckdb"

_SEALED: dict[str, str | bool | int | float | list[str]] = {
    # A question may read the snapshot and nothing else of the machine.
    "enable_external_access": False,
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "lock_configuration": True,
}


class NoRelease(Problem, FileNotFoundError):
    """There is no release to read."""

    code = "no-release"


class BadQuestion(Problem, ValueError):
    """The SQL cannot be answered from the snapshot."""

    code = "query"


@dataclass(frozen=True, slots=True)
class Answer:
    """What a query gives: column names, their DuckDB types, and rows."""

    columns: list[str]
    types: list[str]
    rows: list[tuple[Any, ...]]


def latest_version(network_dir: Path) -> str | None:
    """Version of the latest release, None when there is none."""
    try:
        version = latest_path(network_dir).read_text(encoding="utf-8").strip()
    except OSError:
        return None
    return version or None


def snapshot_path(network_dir: Path) -> Path:
    """The latest release's snapshot. Raises :class:`NoRelease` when there is none."""
    version = latest_version(network_dir)
    path = releases_folder(network_dir) / (version or "") / SNAPSHOT_NAME
    if version is None or not path.is_file():
        raise NoRelease(
            "There is no release yet." if version is None
            else f"The latest release, {version}, is not there.",
            "Run `tallyweir run` on the folder first." if version is None
            else "Put the folder back from a backup, or name another in releases/latest.",
            str(releases_folder(network_dir)),
        )
    return path


def query(network_dir: Path, sql: str) -> Answer:
    """Answer ``sql`` from the latest release's snapshot.

    The snapshot is opened read-only and sealed: no other file, no network, no change of
    settings. Raises :class:`NoRelease`, or :class:`BadQuestion` saying what the engine
    did not understand and which tables there are.
    """
    path = snapshot_path(network_dir)
    try:
        connection = duckdb.connect(str(path), read_only=True, config=_SEALED)
    except duckdb.Error as error:
        raise NoRelease(
            f"The snapshot cannot be opened ({_first_line(error)}).",
            "Close the program that holds it open for writing, or put it back from a backup.",
            str(path),
        ) from error
    try:
        result = connection.execute(sql)
        # An empty statement gives no result at all, whatever the stubs say.
        description = getattr(result, "description", None)
        if description is None:
            raise BadQuestion("There is no question.", "Write one SQL statement.", str(path))
        return Answer(
            columns=[str(column[0]) for column in description],
            types=[str(column[1]) for column in description],
            rows=result.fetchall(),
        )
    except duckdb.PermissionException as error:
        raise BadQuestion(
            "A query may read the release and nothing else.",
            "To read or write other files, open the release's snapshot or Parquet files in your "
            "own program.",
            str(path),
        ) from error
    except duckdb.Error as error:
        tables = connection.execute(
            "SELECT string_agg(name, ', ' ORDER BY name) FROM (SELECT table_name AS name "
            "FROM duckdb_tables() UNION SELECT view_name FROM duckdb_views() WHERE NOT internal)"
        ).fetchone()
        raise BadQuestion(
            f"The query cannot be answered: {_first_line(error)}",
            f"There are: {tables[0] if tables else ''}. DESCRIBE <name> lists columns.",
            str(path),
        ) from error
    finally:
        connection.close()


def write_snapshot(
    path: Path, tables: Sequence[Table], rows: Mapping[str, pa.Table], views: Sequence[View]
) -> None:
    """Write a snapshot of ``rows`` (by table name) to ``path``, every column commented.

    Its bytes differ between writings (the engine puts a random id in the header), so it is
    never part of a digest.
    """
    with duckdb.connect(str(path)) as connection:
        connection.execute("BEGIN")
        for table in tables:
            connection.register("arriving", rows[table.name])
            connection.execute(f"CREATE TABLE {quoted(table.name)} AS FROM arriving")
            connection.unregister("arriving")
            said = [f"COMMENT ON TABLE {quoted(table.name)} IS {quoted_text(table.description)}"]
            for column in table.columns:
                unit = f" [{column.unit}]" if column.unit else ""
                said.append(
                    f"COMMENT ON COLUMN {quoted(table.name)}.{quoted(column.name)} IS "
                    + quoted_text(column.description + unit)
                )
            connection.execute(";\n".join(said))
        for view in views:
            connection.execute(f"CREATE VIEW {quoted(view.name)} AS {view.sql}")
            connection.execute(
                f"COMMENT ON VIEW {quoted(view.name)} IS {quoted_text(view.description)}"
            )
        connection.execute("COMMIT")
        connection.execute("CHECKPOINT")


def _first_line(error: duckdb.Error) -> str:
    lines = [line for line in str(error).strip().splitlines() if line.strip()]
    return lines[0].strip() if lines else "no reason given"
