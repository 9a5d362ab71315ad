"""A release in parts: the large tables in Parquet files that close, taken over while they hold.

From :attr:`shared.settings.Publishing.parts_from` events on, a release no longer has a file a
table. Events, counts, occurrences and measurements are cut by season, and a season by groups of
sites: into small parts while it is under way, since that is where a week changes anything, into
large ones once it is over. A part's bytes are a function of its rows. What they follow from is
noted in the manifest; where it is the same as in the release before, the files are linked (or
copied, where links cannot be had) and neither laid out, compared nor looked at by the gate.

The rows of such a release do not name it, or every file would differ each week: the snapshot's
views say it. They read the files that stand beside it. There is no CSV and no Darwin Core
Archive: either would be as large again and new each week.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import Any

import duckdb

from shared.columnar import sql_text
from shared.settings import Network
from warehouse import changes as changelog
from warehouse.lineage import named
from warehouse.published import RELEASE_VERSION, Table, View
from warehouse.release_files import said_beside, write_parquet
from warehouse.snapshot import LAID_OUT, laying_out
from warehouse.tables import quoted

CUT = ("counts", "events", "occurrences", "measurements")
"""Tables that come in parts, a folder each."""

SMALL = 1 << 15
"""Events of a part of a season under way, at most (on average: sites are dealt by their name)."""

LARGE = 1 << 18
"""Events of a part of a season that is over."""

_TOGETHER = LARGE
"""Events that are laid out, compared and looked at in one go: memory is that of so many."""


@dataclass(frozen=True, slots=True)
class Part:
    """Rows of one season and one of its groups of sites."""

    season: int
    group: int
    groups: int

    @property
    def name(self) -> str:
        """How its files are called: ``2025`` or ``2026-07-of-32``."""
        return str(self.season) if self.groups == 1 else (
            f"{self.season}-{self.group + 1:02d}-of-{self.groups}")

    def files(self) -> dict[str, str]:
        """Table -> the part's file of it, within the release."""
        return {table: f"{table}/{self.name}.parquet" for table in CUT}


@dataclass(slots=True)
class Plan:
    """What a release is made of. ``digests``: part -> of all that its bytes follow from."""

    digests: dict[Part, str]
    sites: dict[Part, list[str]]
    """Every site that is dealt to the part's group, with or without rows in it."""
    events: dict[Part, int]
    rows: dict[str, int] = field(default_factory=dict)


def group_of(site_id: str, groups: int) -> int:
    """The group that a site is dealt to: the same on every machine, whatever sites there are."""
    return zlib.crc32(site_id.encode("utf-8")) % groups


def lay_plan(
    connection: duckdb.DuckDBPyConnection, network: Network, tables: tuple[Table, ...],
    under_way: int, previous: Mapping[str, Any],
) -> Plan:
    """How the clean rows are cut, from what each load noted in ``site_seasons``.

    ``previous``: manifest of the release before. A part that it has and that has no rows any
    more is among those planned, with an empty digest: the gate must see what went.
    """
    shape = json.dumps([duckdb.__version__, _shape(tables, network)])
    known = sorted({site for (site,) in connection.execute(
        "SELECT DISTINCT site FROM receipts UNION SELECT site FROM site_seasons").fetchall()})
    of_season: dict[int, dict[str, tuple[int, str]]] = {}
    for season, site, events, content in connection.execute(
        "SELECT season, site, events, content FROM site_seasons WHERE season IS NOT NULL "
        "ORDER BY season, site").fetchall():
        of_season.setdefault(season, {})[site] = (int(events), str(content))
    for name in previous.get("parts", {}):
        of_season.setdefault(int(name.split("-")[0]), {})
    plan = Plan({}, {}, {})
    dealt: dict[int, list[list[str]]] = {}
    for season, sites in sorted(of_season.items()):
        number = sum(events for events, _ in sites.values())
        groups = 1
        while number > groups * (SMALL if season >= under_way else LARGE):
            groups *= 2
        if groups not in dealt:
            dealt[groups] = [[] for _ in range(groups)]
            for site in known:
                dealt[groups][group_of(site, groups)].append(site)
        for group in range(groups):
            if not dealt[groups][group]:
                continue
            part = Part(season, group, groups)
            mine = [(site, sites[site][1]) for site in dealt[groups][group] if site in sites]
            plan.sites[part] = dealt[groups][group]
            plan.events[part] = sum(sites[site][0] for site, _ in mine)
            plan.digests[part] = hashlib.sha256(
                json.dumps([shape, mine]).encode("utf-8")).hexdigest() if mine else ""
    return plan


def _shape(tables: tuple[Table, ...], network: Network) -> list[object]:
    return [network.name, network.licence, *(
        (table.name, table.rows, table.order, [
            (column.name, column.type, column.description, column.unit)
            for column in table.columns])
        for table in tables if table.name in CUT)]


def digest_of(
    connection: duckdb.DuckDBPyConnection, network: Network, terms: Sequence[object],
    tables: tuple[Table, ...], plan: Plan,
) -> str:
    """Changes whenever something else would be published; reads no row of the large tables."""
    told = [
        (table.name, connection.execute(f"SELECT count(*), bit_xor(hash(r)), sum(hash(r)) "
                                        f"FROM ({table.rows}) AS r").fetchone())
        for table in tables if table.name not in CUT]
    parts = {part.name: digest for part, digest in plan.digests.items() if digest}
    return hashlib.sha256(json.dumps(
        [parts, told, said_beside(network, terms)]).encode("utf-8")).hexdigest()


def before_of(previous: Path, manifest: Mapping[str, Any]) -> changelog.Before:
    """Where the rows of the release at ``previous`` are, in parts or not."""

    def source(table: str) -> str:
        files = sorted(name for name in manifest.get("files", {})
                       if name.startswith(f"{table}/")) or [f"{table}.parquet"]
        return read_files(previous, files)

    return source


def read_files(folder: Path, files: Sequence[str]) -> str:
    """SQL after FROM: the rows of these Parquet files."""
    listed = ", ".join(sql_text((folder / name).as_posix()) for name in files)
    return f"read_parquet([{listed}])"


@dataclass(frozen=True, slots=True)
class Pass:
    """Parts of one season that are made together, laid out as ``release_<table>``."""

    season: int
    parts: tuple[Part, ...]
    before: Path | None
    had: tuple[str, ...]
    """Names of the parts of the season in the release before."""
    sites: tuple[str, ...]

    @property
    def name(self) -> str:
        """How the pass is called: its parts' season, and the first of them."""
        return self.parts[0].name if self.parts else "whole"

    def files(self, table: str, building: Path) -> list[str]:
        """Files of ``table`` that the pass has made in ``building``."""
        names = [part.files()[table] for part in self.parts]
        return [name for name in names if (building / name).exists()]

    def was(self, table: str) -> str | None:
        """SQL after FROM: the rows of the parts' sites in the release before."""
        if self.before is None or not self.had:
            return None
        files = [f"{table}/{name}.parquet" for name in self.had]
        return (f"(FROM {read_files(self.before, files)} "
                f"WHERE {named(self.sites, 'site_id')})")


def make_parts(
    connection: duckdb.DuckDBPyConnection, network: Network, tables: tuple[Table, ...],
    views: tuple[View, ...], plan: Plan, building: Path, previous: Path | None,
    manifest: Mapping[str, Any], look: Callable[[Pass, Path], None],
) -> tuple[dict[str, dict[str, Any]], dict[int, int]]:
    """Have every part's files in ``building``: taken over, or made and looked at.

    ``look`` is called with each pass while its rows are laid out as ``clean_events``,
    ``clean_counts`` and ``release_<table>``, and its files written; what it raises stops all.
    Returns file -> its entry in the manifest, and season -> differences from before.
    """
    had: dict[str, str] = manifest.get("parts", {})
    files: dict[str, dict[str, Any]] = {}
    fresh: list[Part] = []
    cut = tuple(table for table in tables if table.name in CUT)
    for table in cut:
        (building / table.name).mkdir()
    for part, digest in plan.digests.items():
        if digest and had.get(part.name) == digest and previous is not None:
            for name in part.files().values():
                _take_over(previous / name, building / name)
                files[name] = manifest["files"][name]
        else:
            fresh.append(part)
    differ: dict[int, int] = {}
    with _held_apart(connection):
        # The last pass has no rows: with it the tables that are a file each are looked at.
        for season, passes in groupby((*_passes(fresh, plan, previous, had), NOTHING),
                                      lambda one: one.season):
            together = tuple(passes)
            with _of_season(connection, season, together):
                for one in together:
                    laid, number = _make(connection, network, cut, views, plan, building, one, look)
                    files |= laid
                    differ[season] = differ.get(season, 0) + number
    return dict(sorted(files.items())), differ


def _make(
    connection: duckdb.DuckDBPyConnection, network: Network, cut: tuple[Table, ...],
    views: tuple[View, ...], plan: Plan, building: Path, one: Pass,
    look: Callable[[Pass, Path], None],
) -> tuple[dict[str, dict[str, Any]], int]:
    """Lay one pass out, write its parts' files, compare it and have it looked at.

    Returns file -> its entry in the manifest, and how many values differ from before.
    """
    files: dict[str, dict[str, Any]] = {}
    differ = 0
    scratch = building / ".laying.duckdb"
    with _in_front(connection, one), laying_out(connection, scratch):
        for table in cut:
            connection.execute(f"CREATE TABLE {LAID_OUT}.{table.name} AS {table.select}")
            connection.execute(f"CREATE OR REPLACE TEMP VIEW release_{table.name} AS "
                               f"FROM {LAID_OUT}.{table.name}")
        for part in one.parts:
            for table in cut:
                name = part.files()[table.name]
                these = (f"FROM {LAID_OUT}.{table.name} "
                         f"WHERE {named(plan.sites[part], 'site_id')}")
                if plan.digests[part]:
                    rows = write_parquet(connection, table, building / name, network, "", these)
                    files[name] = {"rows": rows}
        if one.had:
            differ = changelog.compare_rows(connection, cut, views, partial(_was, one))
        look(one, building)
        for table in cut:
            connection.execute(f"DROP VIEW release_{table.name}")
    scratch.unlink()
    return files, differ


def _was(one: Pass, table: str) -> str:
    return one.was(table) or "(SELECT 1 WHERE false)"


def _take_over(source: Path, target: Path) -> None:
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)


def _passes(
    fresh: Sequence[Part], plan: Plan, previous: Path | None, had: Mapping[str, str]
) -> Iterator[Pass]:
    def made(parts: Sequence[Part]) -> Pass:
        season = parts[0].season
        return Pass(season, tuple(parts), previous, tuple(
            name for name in had if int(name.split("-")[0]) == season),
            tuple(site for part in parts for site in plan.sites[part]))

    waiting: list[Part] = []
    for part in fresh:
        if waiting and (part.season != waiting[0].season or sum(
                plan.events[each] for each in (*waiting, part)) > _TOGETHER):
            yield made(waiting)
            waiting = []
        waiting.append(part)
    if waiting:
        yield made(waiting)


NOTHING = Pass(0, (), None, (), ("",))
"""A pass over no rows at all."""


@contextlib.contextmanager
def _held_apart(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """The account of rows held, in front of that of all rows: all that the gate asks of it.

    With every row of an event of which one is held, for that may be loaded as well.
    """
    connection.execute("CREATE TEMP TABLE row_account AS FROM main.row_account WHERE event_id IN "
                       "(SELECT event_id FROM main.row_account WHERE disposition = 'held')")
    try:
        yield
    finally:
        connection.execute("DROP TABLE temp.row_account")


@contextlib.contextmanager
def _of_season(
    connection: duckdb.DuckDBPyConnection, season: int, passes: Sequence[Pass]
) -> Iterator[None]:
    """The rows of the passes' season and sites in two tables of their own.

    The whole ones hold every season, in the order in which sites were loaded: to look them
    through costs as much for a part as for all, and counts know their season by their event only.
    """
    sites = named([site for one in passes for site in one.sites], "site_id")
    connection.execute(f"CREATE TEMP TABLE season_events AS FROM main.clean_events "
                       f"WHERE season = {season} AND {sites}")
    connection.execute("CREATE TEMP TABLE season_counts AS FROM main.clean_counts "
                       "WHERE event_id IN (SELECT event_id FROM season_events)")
    try:
        yield
    finally:
        connection.execute("DROP TABLE season_events; DROP TABLE season_counts")


@contextlib.contextmanager
def _in_front(connection: duckdb.DuckDBPyConnection, one: Pass) -> Iterator[None]:
    """The pass's rows of its season in front of the whole tables, under the same names."""
    for table in ("events", "counts"):
        connection.execute(f"CREATE TEMP VIEW clean_{table} AS FROM season_{table} "
                           f"WHERE {named(one.sites, 'site_id')}")
    try:
        yield
    finally:
        for table in ("events", "counts"):
            connection.execute(f"DROP VIEW temp.clean_{table}")


def view_of(table: Table, version: str, files: Mapping[str, object]) -> str:
    """SQL that makes the view of a table in parts."""
    mine = [name for name in files if name.startswith(f"{table.name}/")]
    columns = ", ".join(
        f"{sql_text(version)} AS {quoted(column.name)}" if column.name == RELEASE_VERSION.name
        # Parquet marks moments as UTC, the snapshot keeps them plain.
        else f"timezone('UTC', {quoted(column.name)}) AS {quoted(column.name)}"
        if column.type == "TIMESTAMP" else quoted(column.name) for column in table.columns)
    if not mine:
        empty = ", ".join(f"NULL::{column.type} AS {quoted(column.name)}"
                          for column in table.columns)
        return f"CREATE VIEW {quoted(table.name)} AS SELECT {empty} WHERE false"
    listed = ", ".join(map(sql_text, mine))
    return f"CREATE VIEW {quoted(table.name)} AS SELECT {columns} FROM read_parquet([{listed}])"
