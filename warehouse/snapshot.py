"""The DuckDB snapshot of a release: written once, then only read.

Analysts and `tallyweir query` open the snapshot, never the warehouse, so that reading
never stands in the way of a run. A snapshot is never altered; a new release is a new file.
"""

from __future__ import annotations

import contextlib
import re
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import duckdb

from shared.columnar import sql_text
from shared.problems import Problem
from warehouse.folder import latest_path, releases_folder
from warehouse.tables import quoted

if TYPE_CHECKING:
    from warehouse.published import Table, View

SNAPSHOT_NAME = "tallyweir.duckdb"
LAID_OUT = "laid_out"

_OFFLINE: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}


_WATCHED: dict[str, str | bool | int | float | list[str]] = {
    # The engine counts its progress only when it is asked to; we do the telling.
    "enable_progress_bar": True,
    "enable_progress_bar_print": False,
}
_TELL_EVERY = 0.5
"""Seconds."""


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


Progress = Callable[[float], None]
"""Told the share that is done, from 0 to 1, now and then."""


def query(network_dir: Path, sql: str, progress: Progress | None = None) -> Answer:
    """Answer ``sql`` from the latest release's snapshot.

    The snapshot is opened read-only and sealed: no file outside the release, no network, no
    change of settings. Raises :class:`NoRelease`, or :class:`BadQuestion` saying what the engine
    did not understand and which tables there are.
    """
    with _asked(network_dir, sql, progress) as result:
        return Answer(
            columns=[str(column[0]) for column in result.description],
            types=[str(column[1]) for column in result.description],
            rows=result.fetchall(),
        )


def query_to_parquet(
    network_dir: Path, sql: str, target: Path, progress: Progress | None = None
) -> int:
    """As :func:`query`, with the answer written to the Parquet file ``target``; its rows.

    The sealed connection can write nothing: the rows come out of it and are written here.
    """
    import pyarrow.parquet as pq

    part = target.with_name(target.name + ".part")
    with _asked(network_dir, sql, progress) as result:
        reader = result.to_arrow_reader()
        rows = 0
        try:
            with pq.ParquetWriter(part, reader.schema, compression="zstd") as writer:
                for batch in reader:
                    writer.write_batch(batch)
                    rows += batch.num_rows
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)
    return rows


@contextlib.contextmanager
def _asked(
    network_dir: Path, sql: str, progress: Progress | None
) -> Iterator[duckdb.DuckDBPyConnection]:
    path = snapshot_path(network_dir)
    watched = {} if progress is None else _WATCHED
    beside = sql_text(path.parent.resolve().as_posix())
    try:
        connection = duckdb.connect(str(path), read_only=True, config=_OFFLINE | watched)
        _bring_near(connection, path.parent)
        connection.execute(
            f"SET allowed_directories = [{beside}]; "
            "SET enable_external_access = false; SET lock_configuration = true")
    except duckdb.Error as error:
        raise NoRelease(
            f"The snapshot cannot be opened ({_first_line(error)}).",
            "Close the program that holds it open for writing, or put it back from a backup.",
            str(path),
        ) from error
    try:
        with _watching(connection, progress):
            result = connection.execute(sql)
            # An empty statement gives no result at all, whatever the stubs say.
            if getattr(result, "description", None) is None:
                raise BadQuestion("There is no question.", "Write one SQL statement.", str(path))
            yield result
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


_BESIDE = re.compile(r"'([a-z_]+/[\w.-]+\.parquet)'")


def _bring_near(connection: duckdb.DuckDBPyConnection, folder: Path) -> None:
    """Have views of files beside the snapshot read those, wherever this program was started.

    A release in parts has its large tables in such files, by names relative to its folder: it
    can be moved. The engine would look for them in the folder of whoever asks.
    """
    views = connection.execute(
        "SELECT sql FROM duckdb_views() WHERE NOT internal AND NOT temporary").fetchall()
    if not any(_BESIDE.search(sql) for (sql,) in views):
        return

    def whole(found: re.Match[str]) -> str:
        return sql_text((folder / found[1]).resolve().as_posix())

    # The tables first, then what is asked of them.
    for (sql,) in sorted(views, key=lambda row: _BESIDE.search(row[0]) is None):
        connection.execute(
            _BESIDE.sub(whole, sql).replace("CREATE VIEW", "CREATE TEMP VIEW", 1))


@contextlib.contextmanager
def _watching(
    connection: duckdb.DuckDBPyConnection, progress: Progress | None
) -> Iterator[None]:
    """Tell ``progress`` how far the query is, from another thread, until it is done."""
    if progress is None:
        yield
        return
    done = threading.Event()

    def watch() -> None:
        while not done.wait(_TELL_EVERY):
            progress(max(0.0, connection.query_progress()) / 100)

    teller = threading.Thread(target=watch, daemon=True)
    teller.start()
    try:
        yield
    finally:
        done.set()
        teller.join()


@contextlib.contextmanager
def laying_out(connection: duckdb.DuckDBPyConnection, path: Path) -> Iterator[None]:
    """Attach the snapshot that is being made at ``path`` as ``laid_out``, for as long as it is.

    The release's tables are laid out once, in the snapshot itself, and every other form is
    copied from there: compressed as it is, it takes little memory. Its bytes differ between
    writings (the engine puts a random id in the header), so it is never part of a digest.
    """
    connection.execute(f"ATTACH {sql_text(path.as_posix())} AS {LAID_OUT}")
    try:
        yield
    finally:
        connection.execute(f"DETACH {LAID_OUT}")


def describe_snapshot(
    path: Path, tables: Sequence[Table], views: Sequence[View],
    in_files: Mapping[str, str] = MappingProxyType({}),
) -> None:
    """Give the snapshot its views, and every table and column its comment.

    ``in_files``: table -> SQL of a view of it, where the snapshot reads it from the files beside.
    """
    with duckdb.connect(str(path)) as written:
        written.execute(f"SET file_search_path = {sql_text(path.parent.as_posix())}")
        said: list[str] = [*in_files.values()]
        for table in tables:
            kind = "VIEW" if table.name in in_files else "TABLE"
            said.append(
                f"COMMENT ON {kind} {quoted(table.name)} IS {sql_text(table.description)}")
            for column in table.columns:
                unit = f" [{column.unit}]" if column.unit else ""
                said.append(
                    f"COMMENT ON COLUMN {quoted(table.name)}.{quoted(column.name)} IS "
                    + sql_text(column.description + unit)
                )
        for view in views:
            said.append(f"CREATE VIEW {quoted(view.name)} AS {view.sql}")
            said.append(f"COMMENT ON VIEW {quoted(view.name)} IS {sql_text(view.description)}")
        # One transaction: each by itself would be flushed to the disk by itself.
        written.execute("BEGIN")
        written.execute(";\n".join(said))
        for view in views:
            for name, *_ in written.execute(f"DESCRIBE {quoted(view.name)}").fetchall():
                written.execute(
                    f"COMMENT ON COLUMN {quoted(view.name)}.{quoted(name)} IS "
                    + sql_text(view.meaning_of(name, tables)))
        written.execute("COMMIT")
        written.execute("CHECKPOINT")


def _first_line(error: duckdb.Error) -> str:
    lines = [line for line in str(error).strip().splitlines() if line.strip()]
    return lines[0].strip() if lines else "no reason given"
