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

import csv
import io
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb

from shared.fields import FIELDS
from warehouse.published import Table, View
from warehouse.tables import quoted, quoted_text

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
    column: str = ""
    old: str = ""
    new: str = ""
    period: str = ""
    derived: bool = False
    decision: str = ""


@dataclass(frozen=True, slots=True)
class Differences:
    """All that differs; ``opened`` and ``closed`` count findings."""

    changes: list[Change]
    opened: int = 0
    closed: int = 0


def compare(
    connection: duckdb.DuckDBPyConnection, tables: tuple[Table, ...], views: tuple[View, ...],
    previous: Path,
) -> Differences:
    """Differences of the temporary tables ``release_<name>`` from the release at ``previous``.

    A column that only one of the two has is left out: the dictionary tells of it.
    """
    found: list[Change] = []
    columns = {table.name: {column.name for column in table.columns} for table in tables}
    for table in tables:
        if table.name not in _KEYS:
            continue
        elsewhere = {
            "counts": columns["events"], "occurrences": columns["events"] | columns["counts"],
        }.get(table.name, set())
        found += _compare_table(connection, table, _KEYS[table.name], previous, elsewhere)
    if found:
        for view in views:
            if view.name in _SUMMARIES:
                found += _compare_summary(connection, view, previous)
        found = _with_decisions(connection, found)
    opened, closed = _findings_moved(connection, previous)
    return Differences(found, opened, closed)


def _parquet(previous: Path, table: str) -> str:
    return f"read_parquet({quoted_text((previous / (table + '.parquet')).as_posix())})"


def _compare_table(
    connection: duckdb.DuckDBPyConnection, table: Table, key: tuple[str, ...], previous: Path,
    elsewhere: set[str],
) -> list[Change]:
    source = _parquet(previous, table.name)
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
        f"CREATE OR REPLACE TEMP TABLE release_before AS SELECT site_id, {keys}{old} FROM {source}"
    )
    now = f"release_{table.name}"
    same = " AND ".join(f"o.{quoted(name)} = n.{quoted(name)}" for name in key)
    named = "site_id, " + ", ".join(key) + ", NULL" * (3 - len(key))
    found: list[Change] = []
    # An occurrence comes and goes with its count, which is named already.
    if table.name != "occurrences":
        for kind, here, there in (("added", now, "release_before"),
                                  ("withdrawn", "release_before", now)):
            found += [
                Change(table.name, kind, site, event, taxon, stage)
                for site, event, taxon, stage in _rows(
                    connection, f"SELECT {named} FROM {here} AS o ANTI JOIN {there} AS n "
                    f"ON {same} ORDER BY ALL")
            ]
    if not compared:
        return found
    olds = ", ".join(f"o.{quoted(column.name)}" for column in compared)
    news = ", ".join(f"n.{quoted(column.name)}" for column in compared)
    keyed = ", ".join(f"n.{quoted(name)}" for name in key) + ", NULL" * (3 - len(key))
    found += [
        Change(table.name, "changed", site, event, taxon, stage, column, before, after,
               derived=_is_derived(column))
        for site, event, taxon, stage, column, before, after in _rows(
            connection,
            f"""
            SELECT * EXCLUDE (pair), pair.name, pair.old, pair.new FROM (
                SELECT n.site_id, {keyed}, unnest([{_pairs([c.name for c in compared])}]) AS pair
                FROM release_before AS o JOIN {now} AS n ON {same}
                WHERE ({olds}) IS DISTINCT FROM ({news}))
            WHERE pair.old IS DISTINCT FROM pair.new ORDER BY ALL
            """)
    ]
    return found


def _is_derived(column: str) -> bool:
    return column in _DERIVED or column.startswith("qc_")


def _rows(connection: duckdb.DuckDBPyConnection, sql: str) -> list[tuple[str, ...]]:
    return [tuple("" if value is None else str(value) for value in row)
            for row in connection.execute(sql).fetchall()]


def _pairs(names: list[str]) -> str:
    return ", ".join(
        f"{{'name': {quoted_text(name)}, 'old': o.{quoted(name)}::VARCHAR, "
        f"'new': n.{quoted(name)}::VARCHAR}}" for name in names)


def _compare_summary(
    connection: duckdb.DuckDBPyConnection, view: View, previous: Path
) -> list[Change]:
    """What the view says otherwise: the old counts asked the same question as the new."""
    key: tuple[str, ...] = ("site_id", "protocol", "season", "taxon_id", "life_stage")
    if view.name == "daily_cpue":
        key = (*key, "local_date")
    sides = {"summary_before": _parquet(previous, "counts"), "summary_now": "release_counts"}
    try:
        for name, source in sides.items():
            # Sums of doubles come in any order: their last digits are no change.
            connection.execute(
                f"CREATE OR REPLACE TEMP TABLE {name} AS "
                f"WITH counts AS (FROM {source}), said AS ({view.sql}) "
                "SELECT * REPLACE (round(cpue, 6) AS cpue, "
                "round(effort_value, 6) AS effort_value) FROM said")
    except duckdb.BinderException:
        return []  # an older release that lacks what the question needs
    names = [row[0] for row in connection.execute("DESCRIBE summary_now").fetchall()
             if row[0] not in (*key, "scientific_name")]
    same = " AND ".join(f"o.{name} = n.{name}" for name in key)
    period = "n.local_date" if view.name == "daily_cpue" else "n.season"
    # A row that came or went tells nothing that the counts have not told.
    return [
        Change(view.name, "changed", site, "", taxon, stage, column, old, new, when, True)
        for site, taxon, stage, when, column, old, new in _rows(
            connection,
            f"""
            SELECT * EXCLUDE (pair), pair.name, pair.old, pair.new FROM (
                SELECT n.site_id, n.taxon_id, n.life_stage, {period}::VARCHAR AS period,
                       unnest([{_pairs(names)}]) AS pair
                FROM summary_before AS o JOIN summary_now AS n ON {same})
            WHERE pair.old IS DISTINCT FROM pair.new ORDER BY ALL
            """)
    ]


def _findings_moved(connection: duckdb.DuckDBPyConnection, previous: Path) -> tuple[int, int]:
    before = f"(SELECT DISTINCT finding_id FROM {_parquet(previous, 'findings')})"
    now = "(SELECT DISTINCT finding_id FROM release_findings)"
    counted = connection.execute(
        f"SELECT (SELECT count(*) FROM {now} AS n ANTI JOIN {before} AS b USING (finding_id)), "
        f"(SELECT count(*) FROM {before} AS b ANTI JOIN {now} AS n USING (finding_id))"
    ).fetchone()
    return (0, 0) if counted is None else (int(counted[0]), int(counted[1]))


def _with_decisions(
    connection: duckdb.DuckDBPyConnection, changes: list[Change]
) -> list[Change]:
    """``changes``, each with the last decision on its value, or else on its row."""
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
        return changes
    columns: Mapping[str, str] = {entry.clean_column: entry.id for entry in FIELDS.values()}
    return [
        replace(change, decision=_bearing(change, columns, said[change.event_id]))
        if change.event_id in said else change for change in changes
    ]


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


def as_csv(changes: list[Change]) -> str:
    """All changes, one a line."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    names = ("table", "kind", "site_id", "event_id", "taxon_id", "life_stage", "column", "old",
             "new", "period", "derived", "decision")
    writer.writerow(names)
    for change in changes:
        writer.writerow([
            ("yes" if change.derived else "") if name == "derived" else getattr(change, name)
            for name in names])
    return out.getvalue()


def as_text(
    version: str, previous: str | None, found: Differences, final: Mapping[int, int] | None = None
) -> str:
    """CHANGES.md: the changes in words and numbers.

    ``final``: season that had been closed -> how many of its rows and values differ.
    """
    if previous is None:
        return f"# Changes in {version}\n\nThis is the first release.\n"
    changes = found.changes
    lines = [f"# Changes in {version} against {previous}", ""]
    findings = (f"- findings: {_number(found.opened, 'finding')} new, "
                f"{_number(found.closed, 'finding')} settled or gone.")
    if not changes:
        lines.append("No event and no count differs; what stands beside them does (findings, "
                     "sites, the dictionary, what season is final).")
        return "\n".join([*lines, "", findings]) + "\n"
    tally = Counter((change.table, change.kind, change.derived) for change in changes)
    for table, thing in (("events", "event"), ("counts", "count")):
        beside = ("events",) if table == "events" else ("counts", "occurrences")
        rows = {(c.event_id, c.taxon_id, c.life_stage) for c in changes
                if c.table in beside and c.kind == "changed" and not c.derived}
        changed = sum(tally[name, "changed", False] for name in beside)
        derived = sum(tally[name, "changed", True] for name in beside)
        lines.append(
            f"- {table}: {_number(tally[table, 'added', False], thing)} added, "
            f"{_number(tally[table, 'withdrawn', False], thing)} withdrawn, "
            f"{_number(changed, 'value')} changed in {_number(len(rows), thing)}; "
            f"{_number(derived, 'derived value')} followed.")
    lines.append(f"- summaries: {_number(tally['daily_cpue', 'changed', True], 'daily value')} and "
                 f"{_number(tally['season_totals', 'changed', True], 'season value')} followed.")
    lines.append(findings)
    for season, number in (final or {}).items():
        lines.append(f"- Season {season} was final: {number} of the differences are in it.")
    lines += ["", "Events and counts together, by site:", "",
              "| site | rows added | values changed | rows withdrawn |",
              "| --- | ---: | ---: | ---: |"]
    by_site = Counter((change.site_id, change.kind) for change in changes if not change.derived)
    for site in sorted({change.site_id for change in changes}):
        lines.append(f"| {site} | {by_site[site, 'added']} | {by_site[site, 'changed']} | "
                     f"{by_site[site, 'withdrawn']} |")
    for title, mine in (
        ("Changed values", [c for c in changes if c.kind == "changed" and not c.derived]),
        ("Derived values that followed", [c for c in changes if c.derived]),
        ("Withdrawn", [c for c in changes if c.kind == "withdrawn"]),
    ):
        if not mine:
            continue
        lines += ["", f"## {title}", ""]
        lines += [f"- {_told(change)}" for change in mine[:SHOWN]]
        if len(mine) > SHOWN:
            lines.append(f"- and {len(mine) - SHOWN} more, in changes.csv.")
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
