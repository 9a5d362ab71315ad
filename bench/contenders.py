"""What the rules are timed against: each way of finding the same bad cells, alone.

The shared subset is the possible range of twelve event fields. Every contender must find
the same cells, row by row; :func:`digest` is compared. Input is in the contender's own form
(DuckDB tables, polars or pandas frame) before its clock starts.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bench.national_record import TABLES
from shared.fields import EVENT_FIELDS, FIELDS, NUMERIC_KINDS, Kind, Range

SUBSET = (
    "hours_fished", "water_temperature", "air_temperature", "salinity", "specific_conductance",
    "dissolved_oxygen", "dissolved_oxygen_saturation", "ph", "turbidity", "precipitation",
    "wind_speed", "cloud_cover",
)
"""Fields whose possible range everybody checks."""

AS_OF = dt.date(2026, 6, 30)
THREADS = 2

Cells = list[tuple[str, int]]
"""Failing cells: field and 0-based row in the order of ``row_id``."""


@dataclass
class Prepared:
    """A contender ready to run: ``run`` is timed, the rest is not."""

    run: Callable[[], Any]
    cells: Callable[[Any], Iterable[tuple[str, int]]] | None
    """What ``run`` returned to the failing cells of :data:`SUBSET`; None: not comparable."""
    checks: int
    """Checks that cost a look at rows; a range is one, whether a tool calls it two or not."""
    total: int = 0
    """All checks, where some of them look only at a small side table."""


def span_of(field: str) -> tuple[float, float]:
    """The possible range of a field of the subset."""
    span: Range | None = FIELDS[field].possible
    assert span is not None and span.low is not None and span.high is not None
    return float(span.low), float(span.high)


def digest(cells: Iterable[tuple[str, int]]) -> tuple[int, str]:
    """How many cells, and a hash of which."""
    ordered = sorted(set(cells))
    text = "\n".join(f"{field} {row}" for field, row in ordered)
    return len(ordered), hashlib.sha256(text.encode()).hexdigest()[:16]


def _tables(folder: Path, kept: str) -> Any:
    """A DuckDB connection with the record as tables: in a file, or as temporary tables."""
    import duckdb

    place = folder / f"record-{os.getpid()}-{len(list(folder.glob('record-*')))}.duckdb"
    database = str(place) if kept == "file" else ":memory:"
    con = duckdb.connect(database)
    con.execute(f"SET threads = {THREADS}")
    how = "TABLE" if kept == "file" else "TEMP TABLE"
    for table in TABLES:
        con.execute(f"CREATE {how} {table} AS FROM '{folder / (table + '.parquet')}'")
    if kept == "file":
        con.close()
        con = duckdb.connect(database)
        con.execute(f"SET threads = {THREADS}")
    return con


def _positions(con: Any) -> dict[int, int]:
    rows = con.execute("SELECT row_id FROM judged_events ORDER BY row_id").fetchall()
    return {row[0]: place for place, row in enumerate(rows)}


def _ours(folder: Path, what: str, kept: str = "file") -> Prepared:
    from checks.judging import bind, detect, judge
    from checks.relations import Relations
    from checks.rule import Over
    from shared.settings import lone_site

    con = _tables(folder, kept)
    network = lone_site("creek")
    names = Relations(neighbours="neighbour_days")
    bound = bind(network)
    if what == "rows":
        bound = [b for b in bound if b.probe.over is not Over.SERIES]
    elif what == "subset":
        bound = [b for b in bound if b.rule.id == "out-of-range" and b.probe.field in SUBSET]
    # The words of unread cells are few; a probe over them does not look at rows.
    looking = sum(b.probe.over is not Over.ODDITIES for b in bound)

    if what == "words":
        def say() -> Any:
            return judge(con, network, "creek", AS_OF, names, [], lambda *_: "", {})

        return Prepared(say, None, looking, len(bound))

    def find() -> Any:
        return detect(con, network, AS_OF, names, bound)

    def cells(_: Any) -> Iterable[tuple[str, int]]:
        place = _positions(con)
        ranges = {
            b.number: b.probe.field for b in bound
            if b.rule.id == "out-of-range" and b.probe.field in SUBSET
        }
        for probe, row_id in con.execute("SELECT probe, row_id FROM rule_hits").fetchall():
            if probe in ranges:
                yield ranges[probe], place[row_id]

    return Prepared(find, cells, looking, len(bound))


def _sql(folder: Path, form: str) -> Prepared:
    con = _tables(folder, "file")
    tests = [f"{field} < {span_of(field)[0]!r} OR {field} > {span_of(field)[1]!r}"
             for field in SUBSET]
    if form == "scans":
        query = " UNION ALL ".join(
            f"SELECT {number} AS failed, row_id FROM judged_events WHERE {test}"
            for number, test in enumerate(tests)
        )
    else:
        listed = ", ".join(f"CASE WHEN {test} THEN {number} END"
                           for number, test in enumerate(tests))
        query = (
            f"SELECT unnest([{listed}]) AS failed, row_id FROM "
            f"(SELECT row_id, {', '.join(SUBSET)} FROM judged_events "
            f"WHERE {' OR '.join(f'({test})' for test in tests)})"
        )

    def find() -> Any:
        return con.execute(query).fetchall()

    def cells(found: Any) -> Iterable[tuple[str, int]]:
        place = _positions(con)
        return ((SUBSET[failed], place[row]) for failed, row in found if failed is not None)

    return Prepared(find, cells, len(SUBSET))


def _polars_frame(folder: Path, columns: tuple[str, ...]) -> Any:
    import polars as pl

    return pl.read_parquet(
        folder / "judged_events.parquet", columns=["row_id", *columns]
    ).sort("row_id").drop("row_id")


def _contract_fields() -> tuple[str, ...]:
    return tuple(
        entry.id for entry in EVENT_FIELDS
        if entry.kind in NUMERIC_KINDS or entry.kind is Kind.CHOICE
    )


def _pandera_polars(folder: Path, whole: bool) -> Prepared:
    import pandera.polars as pa

    from checks.contract import frame_breaches, staged_schema

    whole_schema = staged_schema()
    schema = whole_schema if whole else pa.DataFrameSchema(
        {name: whole_schema.columns[name] for name in SUBSET})
    frame = _polars_frame(folder, _contract_fields() if whole else SUBSET)
    checks = sum(bool(column.checks) for column in schema.columns.values())

    def cells(found: Any) -> Iterable[tuple[str, int]]:
        return ((b.column, b.row) for b in found if b.column in SUBSET)

    return Prepared(lambda: frame_breaches(frame, schema), cells, checks)


def _pandera_pandas(folder: Path) -> Prepared:
    import pandera.errors
    import pandera.pandas as pa

    columns = {}
    for entry in EVENT_FIELDS:
        if entry.id not in _contract_fields():
            continue
        tests = []
        if entry.kind is Kind.CHOICE:
            tests.append(pa.Check.isin([choice.id for choice in entry.choices], error="list"))
        elif entry.possible is not None:
            if entry.possible.low is not None:
                tests.append(pa.Check.ge(entry.possible.low, error="possible range"))
            if entry.possible.high is not None:
                tests.append(pa.Check.le(entry.possible.high, error="possible range"))
        columns[entry.id] = pa.Column(checks=tests, nullable=True)
    schema = pa.DataFrameSchema(columns)
    frame = _polars_frame(folder, _contract_fields()).to_pandas()

    def find() -> Any:
        try:
            schema.validate(frame, lazy=True)
        except pandera.errors.SchemaErrors as error:
            return error.failure_cases
        return None

    def cells(found: Any) -> Iterable[tuple[str, int]]:
        for column, index in zip(found["column"], found["index"], strict=True):
            if column in SUBSET:
                yield column, int(index)

    return Prepared(find, cells, sum(bool(c.checks) for c in schema.columns.values()))


def _great_expectations(folder: Path) -> Prepared:
    os.environ["GX_ANALYTICS_ENABLED"] = "false"
    import great_expectations as gx
    from great_expectations.data_context.types.base import ProgressBarsConfig
    from great_expectations.expectations.core.expect_column_values_to_be_between import (
        ExpectColumnValuesToBeBetween,
    )

    frame = _polars_frame(folder, SUBSET).to_pandas()
    context = gx.get_context(mode="ephemeral")
    context.variables.progress_bars = ProgressBarsConfig(globally=False)
    definition = (
        context.data_sources.add_pandas("record").add_dataframe_asset("events")
        .add_batch_definition_whole_dataframe("all")
    )
    suite = gx.ExpectationSuite(name="ranges", expectations=[
        ExpectColumnValuesToBeBetween(
            column=field, min_value=span_of(field)[0], max_value=span_of(field)[1])
        for field in SUBSET
    ])

    def find() -> Any:
        batch = definition.get_batch({"dataframe": frame})
        return batch.validate(suite, result_format={"result_format": "COMPLETE"})

    def cells(found: Any) -> Iterable[tuple[str, int]]:
        for result in found.results:
            field = result.expectation_config.kwargs["column"]
            for index in result.result["unexpected_index_list"]:
                yield field, int(index)

    return Prepared(find, cells, len(SUBSET))


def _pointblank(folder: Path) -> Prepared:
    import pointblank as pb

    frame = _polars_frame(folder, SUBSET).with_row_index("position")

    def find() -> Any:
        plan = pb.Validate(frame)
        for field in SUBSET:
            low, high = span_of(field)
            plan = plan.col_vals_between(field, low, high, na_pass=True)
        return plan.interrogate(extract_limit=frame.height)

    def cells(found: Any) -> Iterable[tuple[str, int]]:
        for number, field in enumerate(SUBSET, start=1):
            extract = found.get_data_extracts(i=number, frame=True)
            yield from ((field, row) for row in extract["position"])

    return Prepared(find, cells, len(SUBSET))


def _dataframely(folder: Path) -> Prepared:
    import dataframely as dy
    import polars as pl

    frame = _polars_frame(folder, SUBSET)
    schema: Any = type("Ranges", (dy.Schema,), {
        field: dy.Float64(nullable=True, min=span_of(field)[0], max=span_of(field)[1])
        for field in SUBSET
    })

    def find() -> Any:
        _, failures = schema.filter(frame)
        return failures.details()

    def cells(found: Any) -> Iterable[tuple[str, int]]:
        # The frame of failures keeps the failing rows in order but not their places.
        bad = pl.any_horizontal(
            (pl.col(f) < span_of(f)[0]) | (pl.col(f) > span_of(f)[1]) for f in SUBSET)
        places = frame.with_row_index("position").filter(bad)["position"].to_list()
        assert len(places) == found.height
        for field in SUBSET:
            failed = pl.lit(False)
            for rule in (name for name in found.columns if name.startswith(f"{field}|")):
                failed = failed | (pl.col(rule) == "invalid")
            marks = found.select(failed.alias("failed"))["failed"].to_list()
            yield from (
                (field, place) for place, mark in zip(places, marks, strict=True) if mark)

    return Prepared(find, cells, len(SUBSET))


@dataclass(frozen=True)
class Contender:
    """One line of the table."""

    key: str
    title: str
    prepare: Callable[[Path], Prepared]


CONTENDERS: tuple[Contender, ...] = (
    Contender("ours-rows", "Tallyweir: row rules", lambda f: _ours(f, "rows")),
    Contender("ours-all", "Tallyweir: whole catalogue, hits", lambda f: _ours(f, "all")),
    Contender("ours-words", "Tallyweir: whole catalogue, worded findings",
              lambda f: _ours(f, "words")),
    Contender("ours-temp", "Tallyweir: whole catalogue, worded, over temporary tables",
              lambda f: _ours(f, "words", "temp")),
    Contender("ours-subset", "Tallyweir: the twelve ranges", lambda f: _ours(f, "subset")),
    Contender("sql-sift", "hand-written SQL: the twelve ranges, one scan",
              lambda f: _sql(f, "one")),
    Contender("sql-scans", "hand-written SQL: the twelve ranges, a scan each",
              lambda f: _sql(f, "scans")),
    Contender("pandera-polars", "pandera on polars: the whole contract",
              lambda f: _pandera_polars(f, True)),
    Contender("pandera-polars-12", "pandera on polars: the twelve ranges",
              lambda f: _pandera_polars(f, False)),
    Contender("pandera-pandas", "pandera on pandas: the whole contract", _pandera_pandas),
    Contender("dataframely", "dataframely: the twelve ranges", _dataframely),
    Contender("pointblank", "pointblank: the twelve ranges", _pointblank),
    Contender("great-expectations", "Great Expectations: the twelve ranges",
              _great_expectations),
)
