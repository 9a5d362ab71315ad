"""The gate of the release: what must hold of the built files before anybody is shown them.

A Great Expectations suite for each published table, derived from the data dictionary and run
on the Parquet files as they lie on the disk. DuckDB lays out one frame a table: its rows with
the few columns that are asked about, some of them answers already (does the event exist, is
the catch per effort right). Beyond :data:`WHOLE` rows a frame holds witnesses instead: for
every column the rows with its least and its greatest value, an empty one, one of each word,
and every key that is there twice. An expectation about single values fails on the witnesses
exactly when it fails on the whole table.

Nothing here publishes: :mod:`flows.door` runs the gate and leaves ``latest`` where it was.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb

from checks.unneeded import unneeded
from shared.columnar import sql_text
from shared.fields import FIELDS, MEASURED_FIELDS, NUMERIC_KINDS
from shared.flags import Effect, Flag
from shared.protocol import protocols
from shared.taxa import STAGES, TAXA

if TYPE_CHECKING:
    import pandas as pd

WHOLE = 200_000
"""Rows up to which a table is looked at row by row."""

TOLD = 5
"""Rows that a broken expectation names."""

SMALL_LOSS = 3
"""Events of a site and season that may go without a reason on record: dates get corrected."""

CPUE_SLACK = 1e-5
"""Catch per effort is rounded to six decimals when it is stored."""


@dataclass(frozen=True, slots=True)
class Expectation:
    """One thing that must hold. ``kind`` is the name Great Expectations has for it."""

    id: str
    column: str
    kind: str
    says: str
    """What does not hold when it fails, for the coordinator."""
    asks: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Suite:
    """What is expected of one frame: ``sql`` lays it out, ``key`` names its rows."""

    table: str
    sql: str
    key: str
    expectations: tuple[Expectation, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one expectation came out; ``rows`` are the keys and values of some that break it."""

    expectation: Expectation
    table: str
    held: bool
    looked_at: int
    broken: int
    rows: tuple[str, ...]

    def sentence(self) -> str:
        """What is wrong, for the coordinator."""
        rows = "; ".join(self.rows)
        return f"{self.expectation.id}: {self.expectation.says} ({rows})"


@dataclass(frozen=True, slots=True)
class Subject:
    """What the gate looks at: the built folder, the clean layer, the release that stands.

    ``tables``: published table -> its columns, each with the dictionary's field id (may be
    empty). ``always``: table -> columns that are never empty. ``largest_drop`` is the share of
    a site's events in a season that may be lost without a reason on record.
    """

    connection: duckdb.DuckDBPyConnection
    folder: Path
    version: str
    tables: Mapping[str, Mapping[str, str]]
    always: Mapping[str, Sequence[str]]
    snapshot: Path | None
    """None: the snapshot has no rows of its own to compare."""
    largest_drop: float
    sources: Mapping[str, str] | None = None
    """Table -> SQL after FROM that gives its built rows; None: a file each in ``folder``."""
    before: str | None = None
    """SQL after FROM: the events of the release that stands, as far as they are compared."""


def _yes(id: str, column: str, says: str) -> Expectation:
    return Expectation(id, column, "in_set", says, {"value_set": [True]})


def _no(id: str, column: str, says: str) -> Expectation:
    return Expectation(id, column, "in_set", says, {"value_set": [False]})


def _nought(id: str, column: str, says: str) -> Expectation:
    return Expectation(id, column, "between", says, {"min_value": 0, "max_value": 0})


def _among(values: Sequence[str]) -> Mapping[str, Any]:
    return {"value_set": list(values)}


def suites(subject: Subject) -> list[Suite]:
    """Everything that is expected of a built release."""
    return [_counts(subject), _events(subject), _occurrences(), _measurements(subject),
            _findings(), _sites(), _columns(subject), _totals(), _losses(subject), _copies()]


def _counts(subject: Subject) -> Suite:
    most = FIELDS["count"].possible
    assert most is not None
    scale = " ".join(f"WHEN {sql_text(p.id)} THEN {p.cpue_scale}" for p in protocols().values())
    right = f'c."count" / c.effort_value * CASE c.protocol {scale} END'
    return Suite("counts", f"""
        SELECT concat_ws(':', c.event_id, c.taxon_id, c.life_stage) AS "key", c."count",
               c."count" = round(c."count") AS whole, c.taxon_id, c.life_stage, c.protocol,
               c.release_version, e.event_id IS NOT NULL AS event_known,
               s.site_id IS NOT NULL AS site_known,
               coalesce((c.site_id, c.local_date, c.season, c.protocol) IS NOT DISTINCT FROM
                        (e.site_id, e.local_date, e.season, e.protocol)
                   AND c.effort_value IS NOT DISTINCT FROM e.effort_value, false) AS as_event,
               CASE WHEN c.effort_value > 0
                    THEN coalesce(abs(c.cpue - {right}) <= {CPUE_SLACK} * greatest(1, {right}),
                                  c.cpue_unit IS NULL AND c.cpue IS NULL)
                    ELSE c.cpue IS NULL END AS cpue_right,
               h.event_id IS NOT NULL AS held
        FROM gate_counts AS c LEFT JOIN gate_events AS e USING (event_id)
        LEFT JOIN gate_sites AS s ON s.site_id = c.site_id
        LEFT JOIN gate_held AS h ON h.event_id = c.event_id
        """, "key", (
        Expectation("counts-key-unique", "key", "unique",
                    "The same event, taxon and life stage is counted twice"),
        Expectation("count-not-negative", "count", "between",
                    "A count is negative or larger than can be",
                    {"min_value": 0, "max_value": most.high}),
        _yes("count-whole", "whole", "A count is not a whole number"),
        Expectation("count-taxon-known", "taxon_id", "in_set",
                    "A taxon is not in the network's list", _among(list(TAXA))),
        Expectation("count-stage-known", "life_stage", "in_set",
                    "A life stage is not in the network's list", _among(list(STAGES))),
        Expectation("count-of-this-release", "release_version", "in_set",
                    "A row says that it is of another release", _among([subject.version])),
        _yes("count-no-orphan", "event_known", "A count belongs to no event of the release"),
        _yes("count-site-known", "site_known", "A count is of a site that is not published"),
        _yes("count-as-its-event", "as_event",
             "A count gives another site, day, season or effort than its event"),
        _yes("cpue-is-count-over-effort", "cpue_right",
             "Catch per effort is not the count divided by the effort"),
        _no("count-not-held", "held", "A count of a held row is published"),
    ))


def _events(subject: Subject) -> Suite:
    status = [choice.id for choice in FIELDS["net_status"].choices]
    return Suite("events", """
        SELECT e.event_id AS "key", e.protocol, e.net_status, e.effort_value,
               s.site_id IS NOT NULL AS site_known,
               coalesce(e.event_end_utc >= e.event_start_utc, true) AS ends_after_start,
               h.event_id IS NOT NULL AS held
        FROM gate_events AS e LEFT JOIN gate_sites AS s USING (site_id)
        LEFT JOIN gate_held AS h ON h.event_id = e.event_id
        """, "key", (
        Expectation("event-id-unique", "key", "unique", "An event is there twice"),
        Expectation("event-protocol-known", "protocol", "in_set",
                    "A protocol is not known", _among(list(protocols()))),
        Expectation("event-net-status-listed", "net_status", "in_set",
                    "A net status is not in the list", _among(status)),
        Expectation("event-effort-above-nought", "effort_value", "between",
                    "An effort is nought or negative",
                    {"min_value": 0, "strict_min": True}),
        _yes("event-site-known", "site_known", "An event is of a site that is not published"),
        _yes("event-ends-after-start", "ends_after_start", "A net was checked before it was set"),
        _no("event-not-held", "held", "A held row is published"),
    ))


def _occurrences() -> Suite:
    return Suite("occurrences", """
        SELECT o.occurrence_id AS "key",
               coalesce(o.occurrence_status = CASE WHEN o."count" > 0 THEN 'present'
                                                   ELSE 'absent' END, false) AS status_right,
               coalesce(o."count" = c."count", false) AS as_counted
        FROM gate_occurrences AS o LEFT JOIN gate_counts AS c USING (event_id, taxon_id, life_stage)
        """, "key", (
        Expectation("occurrence-id-unique", "key", "unique", "An occurrence is there twice"),
        _yes("occurrence-status-fits", "status_right",
             "A count above nought is called absent, or nought present"),
        _yes("occurrence-as-counted", "as_counted",
             "An occurrence has no count of the same number"),
    ))


def _measurements(subject: Subject) -> Suite:
    known = [entry.id for entry in MEASURED_FIELDS]
    return Suite("measurements", """
        SELECT concat_ws(':', m.event_id, m.field, m.occurrence_id) AS "key", m.field,
               e.event_id IS NOT NULL AS event_known,
               m.occurrence_id IS NULL OR o.occurrence_id IS NOT NULL AS occurrence_known
        FROM gate_measurements AS m LEFT JOIN gate_events AS e USING (event_id)
        LEFT JOIN gate_occurrences AS o USING (occurrence_id)
        """, "key", (
        Expectation("measurement-unique", "key", "unique", "A value is there twice"),
        Expectation("measurement-field-known", "field", "in_set",
                    "A measured field is not in the dictionary", _among(known)),
        _yes("measurement-no-orphan", "event_known", "A value belongs to no event of the release"),
        _yes("measurement-occurrence-known", "occurrence_known",
             "A value belongs to no occurrence of the release"),
    ))


def _findings() -> Suite:
    return Suite("findings", r"""
        SELECT concat_ws(' ', f.finding_id, f.source_sheet, f.source_row) AS "key", f.effect,
               s.site_id IS NOT NULL AS site_known,
               regexp_matches(concat_ws(' ', f."value", f.suggestion, f.message),
                              '[[:alnum:]._%+-]+@[[:alnum:]-]+\.[[:alpha:]]') AS addressed
        FROM gate_findings AS f LEFT JOIN gate_sites AS s USING (site_id)
        """, "key", (
        Expectation("finding-effect-known", "effect", "in_set", "An effect is not known",
                    _among([effect.value for effect in Effect])),
        _yes("finding-site-known", "site_known", "A finding is of a site that is not published"),
        _no("finding-without-address", "addressed", "A mail address would be published"),
    ))


def _sites() -> Suite:
    return Suite("sites", 'SELECT site_id AS "key", latitude, longitude FROM gate_sites',
                 "key", (
        Expectation("site-id-unique", "key", "unique", "A site is there twice"),
        Expectation("site-latitude-possible", "latitude", "between",
                    "A latitude is not on the globe", {"min_value": -90, "max_value": 90}),
        Expectation("site-longitude-possible", "longitude", "between",
                    "A longitude is not on the globe", {"min_value": -180, "max_value": 180}),
    ))


def _columns(subject: Subject) -> Suite:
    """A row a published column: what it holds at most, against what the dictionary allows."""
    flags = ", ".join(str(int(flag)) for flag in Flag)
    parts = []
    for table, columns in subject.tables.items():
        always = set(subject.always.get(table, ()))
        asked = [
            f"({sql_text(column)}, {sql_text(field_id)}, {_private(field_id)}, "
            f"{_empties(column, column in always)}, {_strange_flags(column, flags)}, "
            f"{_outside(column, field_id)})"
            for column, field_id in columns.items()
        ]
        parts.append(
            f"SELECT {sql_text(table)} AS table_name, unnest([{', '.join(asked)}]) AS told "
            f"FROM gate_{table}")
    union = " UNION ALL ".join(parts)
    return Suite("columns", f"""
        SELECT t.table_name || '.' || told[1] AS "key", told[3] AS private, told[4] AS empty,
               told[5] AS strange_flags, told[6] AS outside,
               d.column_name IS NOT NULL AND coalesce(d.description, '') <> '' AS explained
        FROM ({union}) AS t
        LEFT JOIN gate_dictionary AS d
               ON d.table_name = t.table_name AND d.column_name = t.told[1]
        """, "key", (
        _no("no-private-column", "private", "A field that may name a person is published"),
        _nought("required-never-empty", "empty", "A value that must be there is missing"),
        _nought("flags-in-the-set", "strange_flags", "A quality flag is not in the set"),
        _nought("values-possible", "outside", "Values lie outside what can be"),
        _yes("columns-explained", "explained", "The dictionary does not explain a column"),
    ))


def _private(field_id: str) -> str:
    entry = FIELDS.get(field_id)
    return str(entry is not None and entry.private).lower()


def _empties(column: str, required: bool) -> str:
    return f'count(*) - count("{column}")' if required else "0::BIGINT"


def _strange_flags(column: str, flags: str) -> str:
    if not (column in ("qc", "flag") or column.startswith("qc_")):
        return "0::BIGINT"
    # A question that has ended leaves no flag behind; every value has one.
    without = "false" if column == "flag" else "true"
    return f'count(*) FILTER (coalesce("{column}" NOT IN ({flags}), {without}))'


def _outside(column: str, field_id: str) -> str:
    entry = FIELDS.get(field_id)
    if (entry is None or entry.possible is None or entry.kind not in NUMERIC_KINDS
            or column != entry.clean_column):
        return "0::BIGINT"
    sides = []
    if entry.possible.low is not None:
        sides.append(f'"{column}" < {entry.possible.low}')
    if entry.possible.high is not None:
        sides.append(f'"{column}" > {entry.possible.high}')
    return f"count(*) FILTER ({' OR '.join(sides) or 'false'})"


def _totals() -> Suite:
    """A row a site and measure: what the release holds less what the clean layer does."""
    def side(counts: str, events: str, occurrences: str) -> str:
        return f"""
            SELECT site_id, 'events' AS what, count(*)::HUGEINT AS n FROM {events} GROUP BY ALL
            UNION ALL SELECT site_id, 'counts', count(*) FROM {counts} GROUP BY ALL
            UNION ALL SELECT site_id, 'animals', sum("count") FROM {counts} GROUP BY ALL
            UNION ALL SELECT site_id, 'mortality', sum(mortality) FROM {counts} GROUP BY ALL
            UNION ALL SELECT site_id, 'written zeros', count(*) FROM {counts}
                      WHERE "count" = 0 GROUP BY ALL
            UNION ALL SELECT site_id, 'absences', count(*) FROM {occurrences} GROUP BY ALL"""
    built = side("gate_counts", "gate_events",
                 "(FROM gate_occurrences WHERE occurrence_status = 'absent')")
    clean = side("clean_counts", "clean_events", "(FROM clean_counts WHERE \"count\" = 0)")
    return Suite("totals", f"""
        SELECT concat_ws(' ', coalesce(b.site_id, c.site_id), coalesce(b.what, c.what)) AS "key",
               CASE WHEN coalesce(b.what, c.what) IN ('written zeros', 'absences')
                    THEN 0 ELSE coalesce(b.n, 0) - coalesce(c.n, 0) END::DOUBLE AS off,
               CASE WHEN coalesce(b.what, c.what) IN ('written zeros', 'absences')
                    THEN coalesce(b.n, 0) - coalesce(c.n, 0) ELSE 0 END::DOUBLE AS zeros_off
        FROM ({built}) AS b FULL JOIN ({clean}) AS c
          ON b.site_id = c.site_id AND b.what = c.what
        """, "key", (
        _nought("totals-as-clean", "off", "A total is not the clean layer's"),
        _nought("zeros-complete", "zeros_off",
                "A zero that was written down is missing, or one is there that was not"),
    ))


def _losses(subject: Subject) -> Suite:
    """A row a site and season of the release that stands: what went without a reason."""
    if subject.before is None:
        before = "SELECT NULL::VARCHAR AS site_id, NULL::INTEGER AS season, " \
                 "NULL::VARCHAR AS event_id WHERE false"
    else:
        before = f"SELECT site_id, season, event_id FROM {subject.before}"
    return Suite("losses", f"""
        WITH before AS ({before}),
        gone AS (
            SELECT site_id, season, count(*) AS had,
                   count(*) FILTER (n.event_id IS NULL AND r.event_id IS NULL) AS unexplained
            FROM before AS b
            LEFT JOIN (SELECT event_id FROM gate_events) AS n USING (event_id)
            LEFT JOIN gate_reasons AS r USING (event_id)
            GROUP BY ALL),
        come AS (
            SELECT site_id, season, count(*) AS new FROM gate_events AS e
            WHERE event_id NOT IN (SELECT event_id FROM before) GROUP BY ALL)
        SELECT site_id || ' ' || season AS "key",
               CASE WHEN unexplained - coalesce(new, 0) <= {SMALL_LOSS} THEN 0.0
                    ELSE (unexplained - coalesce(new, 0)) / had END AS lost
        FROM gone LEFT JOIN come USING (site_id, season)
        """, "key", (
        Expectation("no-unexplained-drop", "lost", "between",
                    "Events of the last release are gone, and no finding or decision says why",
                    {"min_value": 0, "max_value": subject.largest_drop}),
    ))


def _copies() -> Suite:
    """A row a table: the snapshot's rows less the Parquet file's."""
    return Suite("copies", 'SELECT table_name AS "key", off::DOUBLE AS off FROM gate_copies',
                 "key", (
        _nought("snapshot-as-files", "off",
                "The DuckDB snapshot has other rows than the Parquet file"),
    ))


def get_ready() -> None:
    """Import what :func:`run_gate` takes, which is most of what it costs."""
    _judge()


def run_gate(subject: Subject) -> list[Outcome]:
    """Hold the built release to every expectation; what came of each, in order."""
    _lay_out(subject)
    judge = _judge()
    return [outcome for suite in suites(subject)
            for outcome in judge.hold(suite, _frame(subject.connection, suite))]


def _lay_out(subject: Subject) -> None:
    """Temporary views over the built files, and what explains that an event is gone."""
    con = subject.connection
    for table in subject.tables:
        place = (subject.folder / f"{table}.parquet").as_posix()
        source = (f"read_parquet({sql_text(place)})" if subject.sources is None
                  else subject.sources[table])
        con.execute(f"CREATE OR REPLACE TEMP VIEW gate_{table} AS FROM {source}")
    con.execute(
        "CREATE OR REPLACE TEMP TABLE gate_held AS "
        "SELECT DISTINCT event_id FROM row_account WHERE disposition = 'held' "
        "AND event_id IS NOT NULL AND event_id NOT IN "
        "(SELECT event_id FROM row_account WHERE disposition = 'loaded' AND event_id IS NOT NULL)")
    con.execute(
        "CREATE OR REPLACE TEMP TABLE gate_reasons AS "
        "SELECT event_id FROM gate_held UNION SELECT event_id FROM decisions "
        "UNION SELECT becomes FROM decisions WHERE becomes IS NOT NULL "
        "UNION SELECT event_id FROM departures")
    if subject.snapshot is None:
        con.execute("CREATE OR REPLACE TEMP TABLE gate_copies (table_name VARCHAR, off BIGINT)")
        return
    con.execute(f"ATTACH {sql_text(subject.snapshot.as_posix())} AS gate_snapshot (READ_ONLY)")
    try:
        con.execute("CREATE OR REPLACE TEMP TABLE gate_copies AS " + " UNION ALL ".join(
            f"SELECT {sql_text(table)} AS table_name, "
            f"(SELECT count(*) FROM gate_snapshot.{table}) - (SELECT count(*) FROM gate_{table}) "
            "AS off" for table in subject.tables))
    finally:
        con.execute("DETACH gate_snapshot")


def _frame(con: duckdb.DuckDBPyConnection, suite: Suite) -> pd.DataFrame:
    """The suite's rows, or witnesses of them where there are too many."""
    laid = f"gate_rows_{suite.table}"
    con.execute(f"CREATE OR REPLACE TEMP TABLE {laid} AS {suite.sql}")
    try:
        rows = con.execute(f"SELECT count(*) FROM {laid}").fetchone()
        if rows is not None and rows[0] > WHOLE:
            return con.execute(_witnesses(suite, laid)).df()
        return con.execute(f"FROM {laid}").df()
    finally:
        con.execute(f"DROP TABLE {laid}")


def _witnesses(suite: Suite, laid: str) -> str:
    picked, words = [], []
    for column in dict.fromkeys(e.column for e in suite.expectations):
        name = f'"{column}"'
        if column == suite.key:
            continue
        if any(e.column == column and e.kind == "in_set"
               and e.asks["value_set"] not in ([True], [False]) for e in suite.expectations):
            words.append(f"SELECT min(rowid) FROM {laid} GROUP BY {name}")
        else:
            picked += [f"arg_min(rowid, {name})", f"arg_max(rowid, {name})",
                       f"min(rowid) FILTER ({name} IS NULL)"]
    twice = (f"SELECT rowid FROM {laid} WHERE \"{suite.key}\" IN (SELECT \"{suite.key}\" "
             f"FROM {laid} GROUP BY 1 HAVING count(*) > 1 LIMIT 50)")
    sources = [twice, *words, f"SELECT unnest([{', '.join(picked) or 'NULL'}]) FROM {laid}"]
    return f"FROM {laid} WHERE rowid IN ({' UNION ALL '.join(sources)})"


@cache
def _judge() -> _Judge:
    """One a process: each would leave a folder of its own in the temporary directory."""
    return _Judge()


class _Judge:
    """Great Expectations, kept quiet and in memory."""

    def __init__(self) -> None:
        os.environ["GX_ANALYTICS_ENABLED"] = "false"
        # It imports both for one expectation that we do not have: half of all it takes to import.
        with unneeded("altair", "scipy.stats"):
            import great_expectations as gx
        from great_expectations.data_context.types import base

        # It sets its loggers to speak, and Prefect would put what they say on the screen.
        for name in ("great_expectations", base.__name__):
            logging.getLogger(name).setLevel(logging.WARNING)
        self.gx = gx
        context = gx.get_context(mode="ephemeral")
        context.variables.progress_bars = base.ProgressBarsConfig(globally=False)
        self.source = context.data_sources.add_pandas("release")
        self.tables: dict[str, Any] = {}

    def _as_theirs(self, expectation: Expectation) -> Any:
        named = {"unique": "ExpectColumnValuesToBeUnique",
                 "between": "ExpectColumnValuesToBeBetween",
                 "in_set": "ExpectColumnValuesToBeInSet"}[expectation.kind]
        return getattr(self.gx.expectations, named)(
            column=expectation.column, meta={"id": expectation.id}, **expectation.asks)

    def hold(self, suite: Suite, frame: pd.DataFrame) -> list[Outcome]:
        """What came of each expectation of ``suite`` on ``frame``."""
        # One a table, however many releases a process looks at: each more slows all others.
        if suite.table not in self.tables:
            self.tables[suite.table] = self.source.add_dataframe_asset(
                suite.table).add_batch_definition_whole_dataframe("rows")
        batch = self.tables[suite.table].get_batch({"dataframe": frame})
        theirs = self.gx.ExpectationSuite(
            name=suite.table,
            expectations=[self._as_theirs(expectation) for expectation in suite.expectations])
        # Which rows break one is only asked where one is broken: to be told costs as much again.
        found = batch.validate(theirs, result_format="BOOLEAN_ONLY")
        if not found.success:
            found = batch.validate(theirs, result_format={
                "result_format": "COMPLETE", "unexpected_index_column_names": [suite.key],
                "include_unexpected_rows": False})
        came = {one.expectation_config.meta["id"]: one for one in found.results
                if one.expectation_config is not None}
        return [self._outcome(suite, e, came[e.id], len(frame)) for e in suite.expectations]

    @staticmethod
    def _outcome(suite: Suite, expectation: Expectation, came: Any, rows: int) -> Outcome:
        result = came.result
        told = [
            str(row[suite.key]) if expectation.column == suite.key
            or expectation.asks.get("value_set") in ([True], [False])
            else f"{row[suite.key]}: {row[expectation.column]}"
            for row in result.get("unexpected_index_list") or ()
        ]
        if not came.success and not told:
            told = [str((came.exception_info or {}).get("exception_message", "no row is named"))]
        return Outcome(expectation, suite.table, bool(came.success), rows,
                       int(result.get("unexpected_count") or 0),
                       tuple(dict.fromkeys(told))[:TOLD])
