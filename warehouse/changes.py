"""What a release changes against the one before: rows added, values changed, rows withdrawn.

Values of an event (dates, effort, water) are compared in ``events`` and named once;
values of a catch in ``counts`` and, for what counts do not carry, in ``occurrences``. What
follows from them is compared too and marked as derived: flags, catch per unit effort, the
views ``daily_cpue`` and ``season_totals``. ``measurements`` repeats values of events and
counts and is not compared again. Where a row stands in a sheet is no change.

Where a person's decision bears on a change, the change names it: what was decided, by which
way and when, and the decision's id. Who decided, and in what words, stays in the warehouse.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

import duckdb

from shared.columnar import sql_text
from shared.fields import FIELDS
from warehouse.published import Table, View
from warehouse.tables import quoted

SHOWN = 200
"""Lines of each kind that CHANGES.md lists; changes.csv has them all."""

_NOT_CONTENT = frozenset({
    "release_version", "source_file_sha256", "source_sheet", "source_row",
})
_CATCH = ("event_id", "taxon_id", "life_stage")
_KEYS = {"events": ("event_id",), "counts": _CATCH, "occurrences": _CATCH}
_DERIVED = frozenset({
    "season", "event_start_utc", "event_end_utc", "effort_value", "effort_unit", "effort_from",
    "subsample_fraction", "cpue", "cpue_unit", "occurrence_status", "scientific_name",
    "taxon_rank", "decided",
})
_SUMMARIES = ("daily_cpue", "season_totals")


_LAID = "release_changes"
"""Temporary table of the differences, in the order in which changes.csv gives them. A first
release of a nation, or one under new ids, has millions: they never become Python's."""


@dataclass(frozen=True, slots=True)
class Change:
    """One difference. ``kind``: added, changed, withdrawn. Only ``changed`` names a column.

    ``period`` is the day or season that a summary's row is of; such a row has no event.
    ``derived`` values follow from others that are named too.
    """

    table: str
    kind: str
    site_id: str
    event_id: str
    taxon_id: str
    life_stage: str
    column: str
    old: str
    new: str
    period: str
    derived: bool
    decision: str


_COLUMNS = tuple(Change.__dataclass_fields__)


@dataclass(frozen=True, slots=True)
class Moved:
    """How many findings came and went."""

    opened: int = 0
    closed: int = 0


Before = Callable[[str], str]
"""Published table -> SQL after FROM: its rows in the release before."""


def compare(
    connection: duckdb.DuckDBPyConnection, tables: tuple[Table, ...], views: tuple[View, ...],
    before: Before | None,
) -> Moved:
    """Lay out how ``release_<name>`` differs from the release ``before``.

    Without one nothing differs. A column that only one of the two has is left out: the
    dictionary tells of it. :func:`write_csv` and :func:`as_text` tell what was found.
    """
    begin(connection)
    if before is None:
        return Moved()
    compare_rows(connection, tables, views, before)
    return findings_moved(connection, before)


def begin(connection: duckdb.DuckDBPyConnection) -> None:
    """Lay out that nothing differs yet."""
    types = ", ".join(f"{quoted(name)} {'BOOLEAN' if name == 'derived' else 'VARCHAR'}"
                      for name in _COLUMNS)
    connection.execute(f"CREATE OR REPLACE TEMP TABLE {_LAID} ({types})")


def compare_rows(
    connection: duckdb.DuckDBPyConnection, tables: tuple[Table, ...], views: tuple[View, ...],
    before: Before,
) -> int:
    """Add how the rows of ``release_<name>`` differ from those ``before``.

    Returns in how many ways, what follows from others left out.
    """
    known = _number_laid(connection)
    columns = {table.name: {column.name for column in table.columns} for table in tables}
    for table in tables:
        if table.name not in _KEYS:
            continue
        elsewhere = {
            "counts": columns["events"], "occurrences": columns["events"] | columns["counts"],
        }.get(table.name, set())
        _compare_table(connection, table, _KEYS[table.name], before, elsewhere)
    differ = _number_laid(connection) - known
    if differ:
        for view in views:
            if view.name in _SUMMARIES:
                _compare_summary(connection, view, before)
        _name_decisions(connection)
    return differ


def _number_laid(connection: duckdb.DuckDBPyConnection) -> int:
    (number,) = connection.execute(
        f"SELECT count(*) FROM {_LAID} WHERE NOT derived").fetchone() or (0,)
    return int(number)


def _compare_table(
    connection: duckdb.DuckDBPyConnection, table: Table, key: tuple[str, ...], before: Before,
    elsewhere: set[str],
) -> None:
    source = before(table.name)
    had = [row[0] for row in connection.execute(f"DESCRIBE FROM {source}").fetchall()]
    compared = [
        column for column in table.columns
        if column.name in had and column.name not in key and column.name != "site_id"
        and column.name not in _NOT_CONTENT and column.name not in elsewhere
    ]
    # Parquet marks moments as UTC, the warehouse keeps them plain.
    old = "".join(
        ", " + (f"timezone('UTC', {quoted(column.name)}) AS {quoted(column.name)}"
                if column.type == "TIMESTAMP" else quoted(column.name))
        for column in compared
    )
    keys = ", ".join(map(quoted, key))
    connection.execute(
        f"CREATE OR REPLACE TEMP VIEW release_before AS SELECT site_id, {keys}{old} FROM {source}"
    )
    now = f"release_{table.name}"
    # An occurrence comes and goes with its count, which is named already.
    if table.name != "occurrences":
        for kind, here, there in (("added", now, "release_before"),
                                  ("withdrawn", "release_before", now)):
            connection.execute(
                f"INSERT INTO {_LAID} BY NAME SELECT {sql_text(table.name)} AS \"table\", "
                f"{sql_text(kind)} AS kind, site_id, {keys}, false AS derived "
                f"FROM {here} ANTI JOIN {there} USING ({keys}) ORDER BY site_id, {keys}")
    if not compared:
        return
    listed = ", ".join(quoted(column.name) for column in compared)
    # Whole rows are wide and nearly all the same: hashes find the few that are worth a look.
    connection.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE release_differing AS
        SELECT {keys} FROM (SELECT {keys}, hash({listed}) AS o FROM release_before)
        JOIN (SELECT {keys}, hash({listed}) AS n FROM {now}) USING ({keys}) WHERE o <> n
        """)
    derived = ", ".join(sql_text(c.name) for c in compared if _is_derived(c.name)) or "''"
    connection.execute(
        f"""
        INSERT INTO {_LAID} BY NAME
        SELECT {sql_text(table.name)} AS "table", 'changed' AS kind, * EXCLUDE (pair),
               pair.name AS "column", pair.old AS old, pair.new AS new,
               pair.name IN ({derived}) AS derived
        FROM (SELECT n.site_id, {", ".join(f"n.{quoted(name)}" for name in key)},
                     unnest([{_pairs([c.name for c in compared])}]) AS pair
              FROM (FROM release_before SEMI JOIN release_differing USING ({keys})) AS o
              JOIN (FROM {now} SEMI JOIN release_differing USING ({keys})) AS n
                ON {" AND ".join(f"o.{quoted(name)} = n.{quoted(name)}" for name in key)})
        WHERE pair.old IS DISTINCT FROM pair.new
        ORDER BY site_id, {keys}, pair.name, pair.old, pair.new
        """)


def _is_derived(column: str) -> bool:
    return column in _DERIVED or column.startswith("qc_")


def _pairs(names: list[str]) -> str:
    return ", ".join(
        f"{{'name': {sql_text(name)}, 'old': o.{quoted(name)}::VARCHAR, "
        f"'new': n.{quoted(name)}::VARCHAR}}" for name in names)


def _compare_summary(
    connection: duckdb.DuckDBPyConnection, view: View, before: Before
) -> None:
    """What the view says otherwise: the old counts asked the same question as the new."""
    key: tuple[str, ...] = ("site_id", "protocol", "season", "taxon_id", "life_stage")
    if view.name == "daily_cpue":
        key = (*key, "local_date")
    sides = {"release_said_before": before("counts"),
             "release_says_now": "release_counts"}
    try:
        for name, source in sides.items():
            # Sums of doubles come in any order: their last digits are no change.
            connection.execute(
                f"CREATE OR REPLACE TEMP TABLE {name} AS "
                f"WITH counts AS (FROM {source}), said AS ({view.sql}) "
                "SELECT * REPLACE (round(cpue, 6) AS cpue, "
                "round(effort_value, 6) AS effort_value) FROM said")
    except duckdb.BinderException:
        return  # an older release that lacks what the question needs
    names = [row[0] for row in connection.execute("DESCRIBE release_says_now").fetchall()
             if row[0] not in (*key, "scientific_name")]
    same = " AND ".join(f"o.{name} = n.{name}" for name in key)
    period = "n.local_date" if view.name == "daily_cpue" else "n.season"
    # A row that came or went tells nothing that the counts have not told.
    connection.execute(
        f"""
        INSERT INTO {_LAID} BY NAME
        SELECT {sql_text(view.name)} AS "table", 'changed' AS kind, * EXCLUDE (pair),
               pair.name AS "column", pair.old AS old, pair.new AS new, true AS derived
        FROM (SELECT n.site_id, n.taxon_id, n.life_stage, {period}::VARCHAR AS period,
                     unnest([{_pairs(names)}]) AS pair
              FROM release_said_before AS o JOIN release_says_now AS n ON {same})
        WHERE pair.old IS DISTINCT FROM pair.new
        ORDER BY site_id, taxon_id, life_stage, period, pair.name, pair.old, pair.new
        """)


def findings_moved(connection: duckdb.DuckDBPyConnection, before: Before) -> Moved:
    """How many findings came and went."""
    # What has ended stays in the table, with how it ended.
    is_open = "SELECT DISTINCT finding_id FROM {} WHERE status = 'open'"
    was = f"({is_open.format(before('findings'))})"
    now = f"({is_open.format('release_findings')})"
    counted = connection.execute(
        f"SELECT (SELECT count(*) FROM {now} AS n ANTI JOIN {was} AS b USING (finding_id)), "
        f"(SELECT count(*) FROM {was} AS b ANTI JOIN {now} AS n USING (finding_id))"
    ).fetchone()
    return Moved() if counted is None else Moved(int(counted[0]), int(counted[1]))


def _name_decisions(connection: duckdb.DuckDBPyConnection) -> None:
    """Give each change the last decision on its value, or else on its row."""
    said: dict[str, list[tuple[str, str, str, str]]] = {}
    for event, becomes, taxon, stage, field, words in connection.execute(
        """
        SELECT event_id, becomes, coalesce(taxon, ''), coalesce(life_stage, ''),
               coalesce(field, ''), action || ' by ' || channel || ', ' || decided
                   || ' (' || id || ')'
        FROM decisions ORDER BY seq DESC
        """).fetchall():
        for name in {event, becomes} - {None, ""}:
            said.setdefault(name, []).append((field, taxon, stage, words))
    if not said:
        return
    columns: Mapping[str, str] = {entry.clean_column: entry.id for entry in FIELDS.values()}
    for place, *change in connection.execute(
            f"SELECT rowid, {_read()} FROM {_LAID} "
            "WHERE event_id IN (SELECT unnest($events))", {"events": list(said)}).fetchall():
        one = Change(*change)
        words = _bearing(one, columns, said[one.event_id])
        if words:
            connection.execute(f"UPDATE {_LAID} SET decision = $words WHERE rowid = $place",
                               {"words": words, "place": place})


def _read() -> str:
    """SQL: a difference's values as :class:`Change` has them."""
    return ", ".join(quoted(name) if name == "derived" else f"coalesce({quoted(name)}, '')"
                     for name in _COLUMNS)


def _bearing(
    change: Change, columns: Mapping[str, str], said: list[tuple[str, str, str, str]]
) -> str:
    field = columns.get(change.column, "")
    flagged = change.column.removeprefix("qc_")
    for exact in (True, False):
        for its, taxon, stage, words in said:
            if (taxon not in ("", change.taxon_id) and change.taxon_id) or (
                    stage not in ("", change.life_stage) and change.life_stage):
                continue
            if its in (field, flagged) if exact else (change.derived or not its
                                                      or change.kind != "changed"):
                return words
    return ""


def write_csv(connection: duckdb.DuckDBPyConnection, path: Path) -> None:
    """All changes, one a line."""
    connection.execute(
        f"COPY (SELECT * REPLACE (CASE WHEN derived THEN 'yes' END AS derived) FROM {_LAID}) "
        f"TO {sql_text(path.as_posix())} (FORMAT csv, HEADER true, DELIMITER ',')")


def in_final_seasons(
    connection: duckdb.DuckDBPyConnection, seasons: Collection[int], before: Before
) -> dict[int, int]:
    """Of ``seasons``, which differ from the release at ``previous``, and in how many ways."""
    return {int(season): int(number) for season, number in connection.execute(
        f"""
        WITH known AS (SELECT event_id, season FROM release_events
                       UNION SELECT event_id, season FROM {before("events")})
        SELECT season, count(*) FROM {_LAID} JOIN known USING (event_id)
        WHERE NOT derived AND season IN (SELECT unnest($final))
        GROUP BY season ORDER BY season
        """, {"final": list(seasons)}).fetchall()}


def as_text(
    connection: duckdb.DuckDBPyConnection, version: str, previous: str | None, moved: Moved,
    final: Mapping[int, int],
) -> str:
    """CHANGES.md: the changes in words and numbers.

    ``final``: season that had been closed -> how many of its rows and values differ.
    """
    if previous is None:
        return f"# Changes in {version}\n\nThis is the first release.\n"
    lines = [f"# Changes in {version} against {previous}", ""]
    findings = (f"- findings: {_number(moved.opened, 'finding')} new, "
                f"{_number(moved.closed, 'finding')} settled or gone.")
    tally = Counter({(table, kind, derived): number for table, kind, derived, number in
                     connection.execute(f'SELECT "table", kind, derived, count(*) FROM {_LAID} '
                                        "GROUP BY ALL").fetchall()})
    if not tally:
        lines.append("No event and no count differs; what stands beside them does (findings, "
                     "sites, the dictionary, what season is final).")
        return "\n".join([*lines, "", findings]) + "\n"
    for table, thing in (("events", "event"), ("counts", "count")):
        beside = ("events",) if table == "events" else ("counts", "occurrences")
        (rows,) = connection.execute(
            f"""
            SELECT count(*) FROM (
                SELECT DISTINCT event_id, taxon_id, life_stage FROM {_LAID}
                WHERE "table" IN (SELECT unnest($beside)) AND kind = 'changed' AND NOT derived)
            """, {"beside": list(beside)}).fetchone() or (0,)
        changed = sum(tally[name, "changed", False] for name in beside)
        derived = sum(tally[name, "changed", True] for name in beside)
        lines.append(
            f"- {table}: {_number(tally[table, 'added', False], thing)} added, "
            f"{_number(tally[table, 'withdrawn', False], thing)} withdrawn, "
            f"{_number(changed, 'value')} changed in {_number(rows, thing)}; "
            f"{_number(derived, 'derived value')} followed.")
    lines.append(f"- summaries: {_number(tally['daily_cpue', 'changed', True], 'daily value')} and "
                 f"{_number(tally['season_totals', 'changed', True], 'season value')} followed.")
    lines.append(findings)
    for season, number in final.items():
        lines.append(f"- Season {season} was final: {number} of the differences are in it.")
    lines += ["", "Events and counts together, by site:", "",
              "| site | rows added | values changed | rows withdrawn |",
              "| --- | ---: | ---: | ---: |"]
    lines += [
        f"| {site} | {added} | {changed} | {withdrawn} |"
        for site, added, changed, withdrawn in connection.execute(
            f"""
            SELECT site_id, count(*) FILTER (kind = 'added' AND NOT derived),
                   count(*) FILTER (kind = 'changed' AND NOT derived),
                   count(*) FILTER (kind = 'withdrawn' AND NOT derived)
            FROM {_LAID} GROUP BY site_id ORDER BY site_id
            """).fetchall()]
    for title, mine in (
        ("Changed values", "kind = 'changed' AND NOT derived"),
        ("Derived values that followed", "derived"),
        ("Withdrawn", "kind = 'withdrawn'"),
        ("Added by a decision", "kind = 'added' AND decision <> ''"),
    ):
        (number,) = connection.execute(
            f"SELECT count(*) FROM {_LAID} WHERE {mine}").fetchone() or (0,)
        if not number:
            continue
        shown = connection.execute(
            f"SELECT {_read()} FROM {_LAID} WHERE {mine} ORDER BY rowid LIMIT {SHOWN}").fetchall()
        lines += ["", f"## {title}", ""]
        lines += [f"- {_told(Change(*change))}" for change in shown]
        if number > SHOWN:
            lines.append(f"- and {number - SHOWN} more, in changes.csv.")
    lines += ["", "Every change is a line of changes.csv."]
    return "\n".join(lines) + "\n"


def _told(change: Change) -> str:
    where = (change.event_id or f"{change.table} of {change.site_id}", change.period,
             change.taxon_id, change.life_stage)
    told = " ".join(part for part in where if part)
    if change.kind == "changed":
        told += f": {change.column} {change.old or 'empty'} -> {change.new or 'empty'}"
    return told + (f"; {change.decision}" if change.decision else "")


def _number(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
