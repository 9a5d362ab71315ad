"""What the rules are timed against: each way of finding the same bad cells, alone.

Two contests of the same checks for everybody: the possible ranges of twelve event fields,
and those with the plausible ranges beside them. Every contender of a contest must find the
same cells, row by row; :func:`digest` is compared. Input is in the contender's own form
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
from shared.fields import EVENT_FIELDS, FIELDS, NUMERIC_KINDS, Kind, Level, Range

SUBSET = (
    "hours_fished", "water_temperature", "air_temperature", "salinity", "specific_conductance",
    "dissolved_oxygen", "dissolved_oxygen_saturation", "ph", "turbidity", "precipitation",
    "wind_speed", "cloud_cover",
)
"""Fields whose possible range everybody checks."""

Spans = dict[str, tuple[str, float, float]]
"""Name of a check -> field, least and most value allowed."""


def _spans(kind: str) -> Spans:
    """The possible or plausible range of each field of the subset that has one."""
    out: Spans = {}
    for field in SUBSET:
        span: Range | None = getattr(FIELDS[field], kind)
        if span is not None:
            assert span.low is not None and span.high is not None
            out[f"{field} {kind}"] = (field, float(span.low), float(span.high))
    return out


POSSIBLE = _spans("possible")
BOTH = POSSIBLE | _spans("plausible")
"""The two contests."""

AS_OF = dt.date(2026, 6, 30)
THREADS = 2

MEMORY = "1500MB"
"""What DuckDB may hold, ours and the hand-written SQL alike; what more there is goes to disk."""

@dataclass
class Prepared:
    """A contender ready to run: ``run`` is timed, the rest is not."""

    run: Callable[[], Any]
    cells: Callable[[Any], Iterable[tuple[str, int]]] | None
    """What ``run`` returned to the failing cells: check of its contest and 0-based row in the
    order of ``row_id``. None: not comparable."""
    checks: int
    """Checks that cost a look at rows; a range is one, whether a tool calls it two or not."""
    looks: int
    """Rows that each check looks at, summed over the checks."""
    total: int = 0
    """All checks, where some of them look only at a small side table."""


def digest(cells: Iterable[tuple[str, int]]) -> tuple[int, str]:
    """How many cells, and a hash of which."""
    ordered = sorted(set(cells))
    text = "\n".join(f"{check} {row}" for check, row in ordered)
    return len(ordered), hashlib.sha256(text.encode()).hexdigest()[:16]


def _tables(folder: Path, kept: str) -> Any:
    """A DuckDB connection with the record as tables: in a file, or as temporary tables."""
    import duckdb

    place = folder / f"record-{os.getpid()}-{len(list(folder.glob('record-*')))}.duckdb"
    database = str(place) if kept == "file" else ":memory:"
    def opened() -> Any:
        con = duckdb.connect(database)
        con.execute(f"SET threads = {THREADS}; SET memory_limit = '{MEMORY}'; "
                    f"SET temp_directory = '{folder / 'spill'}'")
        return con

    con = opened()
    how = "TABLE" if kept == "file" else "TEMP TABLE"
    for table in TABLES:
        con.execute(f"CREATE {how} {table} AS FROM '{folder / (table + '.parquet')}'")
    if kept == "file":
        con.close()
        con = opened()
    return con


def _positions(con: Any) -> dict[int, int]:
    rows = con.execute("SELECT row_id FROM judged_events ORDER BY row_id").fetchall()
    return {row[0]: place for place, row in enumerate(rows)}


def _ours(folder: Path, what: str, kept: str = "file", spans: Spans = POSSIBLE) -> Prepared:
    from checks.judging import bind, detect, judge
    from checks.relations import RELATIONS, Relations
    from checks.rule import Over
    from shared.settings import lone_site

    con = _tables(folder, kept)
    network = lone_site("creek")
    names = Relations(neighbours="neighbour_days")
    bound = bind(network)
    rule_of = {"possible": "out-of-range", "plausible": "implausible"}
    named = {(rule_of[name.split()[1]], span[0]): name for name, span in spans.items()}
    if what == "rows":
        # A rule about the rows before and after is not one about a row.
        bound = [b for b in bound
                 if b.probe.over not in (Over.SHEETS, Over.GONE)
                 and not RELATIONS[b.probe.over].follows]
    elif what == "subset":
        bound = [b for b in bound if (b.rule.id, b.probe.field) in named]
    # The words of unread cells are few; a probe over them does not look at rows.
    looking = [b for b in bound if b.probe.over is not Over.ODDITIES]
    of_catches = sum(FIELDS[b.probe.field].level is Level.CATCH for b in looking)
    events, catches = (con.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
                       for table in ("judged_events", "judged_catches"))
    looks = (len(looking) - of_catches) * events + of_catches * catches

    if what == "words":
        def say() -> Any:
            return judge(con, network, "creek", AS_OF, names, [], lambda *_: "", {})

        return Prepared(say, None, len(looking), looks, len(bound))

    def find() -> Any:
        return detect(con, network, AS_OF, names, bound)

    def cells(_: Any) -> Iterable[tuple[str, int]]:
        place = _positions(con)
        asked = {b.number: named[b.rule.id, b.probe.field] for b in bound
                 if (b.rule.id, b.probe.field) in named}
        for probe, row_id in con.execute("SELECT probe, row_id FROM rule_hits").fetchall():
            if probe in asked:
                yield asked[probe], place[row_id]
                # What cannot be is not called implausible too; it lies outside both ranges.
                usual = asked[probe].replace("possible", "plausible")
                if usual in spans:
                    yield usual, place[row_id]

    return Prepared(find, cells, len(looking), looks, len(bound))


def _sql(folder: Path, form: str, spans: Spans = POSSIBLE) -> Prepared:
    con = _tables(folder, "file")
    tests = [f"{field} < {low!r} OR {field} > {high!r}" for field, low, high in spans.values()]
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
    names = list(spans)

    def find() -> Any:
        return con.execute(query).fetchall()

    def cells(found: Any) -> Iterable[tuple[str, int]]:
        place = _positions(con)
        return ((names[failed], place[row]) for failed, row in found if failed is not None)

    events = con.execute("SELECT count(*) FROM judged_events").fetchone()[0]
    return Prepared(find, cells, len(tests), len(tests) * events)


def _sums(folder: Path) -> Prepared:
    """What it costs DuckDB only to read the columns of the contests."""
    con = _tables(folder, "file")
    query = f"SELECT {', '.join(f'sum({field})' for field in SUBSET)} FROM judged_events"
    events = con.execute("SELECT count(*) FROM judged_events").fetchone()[0]
    return Prepared(lambda: con.execute(query).fetchall(), None, len(SUBSET),
                    len(SUBSET) * events)


def _polars_frame(folder: Path, columns: tuple[str, ...], named: bool = False) -> Any:
    """The events in the order of ``row_id``, which only ``named`` ones keep."""
    import polars as pl

    frame = pl.read_parquet(
        folder / "judged_events.parquet", columns=["row_id", *columns]).sort("row_id")
    return frame if named else frame.drop("row_id")


def _contract_fields() -> tuple[str, ...]:
    return tuple(
        entry.id for entry in EVENT_FIELDS
        if entry.kind in NUMERIC_KINDS or entry.kind is Kind.CHOICE
    )


def _in_contract(column: str) -> str:
    """Name of the check that the contract's possible range of a column is in a contest."""
    return f"{column} possible"


def _pandera_polars(folder: Path, spans: Spans | None) -> Prepared:
    """``spans`` None: the whole contract."""
    import pandera.polars as pa
    import polars as pl

    from checks.contract import frame_breaches, staged_schema

    if spans is None:
        schema = staged_schema()
        checks = sum(bool(column.checks) for column in schema.columns.values())
    else:
        schema = pa.DataFrameSchema({
            column: pa.Column(pl.Float64, [
                pa.Check.in_range(low, high, error=name)
                for name, (field, low, high) in spans.items() if field == column
            ], nullable=True) for column in SUBSET})
        checks = len(spans)
    frame = _polars_frame(folder, _contract_fields() if spans is None else SUBSET)

    def cells(found: Any) -> Iterable[tuple[str, int]]:
        return ((b.check if spans else _in_contract(b.column), b.row)
                for b in found if b.column in SUBSET)

    return Prepared(lambda: frame_breaches(frame, schema), cells, checks, checks * frame.height)


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
                yield _in_contract(column), int(index)

    checks = sum(bool(c.checks) for c in schema.columns.values())
    return Prepared(find, cells, checks, checks * len(frame))


def _great_expectations(folder: Path, spans: Spans = POSSIBLE) -> Prepared:
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
            column=field, min_value=low, max_value=high, meta={"name": name})
        for name, (field, low, high) in spans.items()
    ])

    def find() -> Any:
        batch = definition.get_batch({"dataframe": frame})
        return batch.validate(suite, result_format={"result_format": "COMPLETE"})

    def cells(found: Any) -> Iterable[tuple[str, int]]:
        for result in found.results:
            name = result.expectation_config.meta["name"]
            for index in result.result["unexpected_index_list"]:
                yield name, int(index)

    return Prepared(find, cells, len(spans), len(spans) * len(frame))


def _pointblank(folder: Path, spans: Spans = POSSIBLE) -> Prepared:
    import pointblank as pb

    frame = _polars_frame(folder, SUBSET).with_row_index("position")

    def find() -> Any:
        plan = pb.Validate(frame)
        for field, low, high in spans.values():
            plan = plan.col_vals_between(field, low, high, na_pass=True)
        return plan.interrogate(extract_limit=frame.height)

    def cells(found: Any) -> Iterable[tuple[str, int]]:
        for number, name in enumerate(spans, start=1):
            extract = found.get_data_extracts(i=number, frame=True)
            yield from ((name, row) for row in extract["position"])

    return Prepared(find, cells, len(spans), len(spans) * frame.height)


def _dataframely(folder: Path, spans: Spans = POSSIBLE, read: bool = False) -> Prepared:
    """``read``: the frame is fetched from the warehouse's tables within the clock."""
    import dataframely as dy

    con = _tables(folder, "file") if read else None
    # The record lies in the order of row_id and DuckDB keeps it: no sort is put upon it.
    fetch = f"SELECT row_id, {', '.join(SUBSET)} FROM judged_events"
    frame = _polars_frame(folder, SUBSET, named=True)

    def between(low: float, high: float) -> Callable[[Any], Any]:
        return lambda column: column.is_between(low, high)

    # Its ``min`` and ``max`` make two rules of a range and take longer than one check.
    # Of a failing row it keeps no place: without its name nobody would know which it is.
    schema: Any = type("Ranges", (dy.Schema,), {"row_id": dy.Int64(nullable=True)} | {
        column: dy.Float64(nullable=True, check={
            name.split()[1]: between(low, high)
            for name, (field, low, high) in spans.items() if field == column
        })
        for column in SUBSET
    })

    def find() -> Any:
        _, failures = schema.filter(frame if con is None else con.execute(fetch).pl())
        return failures.details()

    def cells(found: Any) -> Iterable[tuple[str, int]]:
        position = {row_id: at for at, row_id in enumerate(frame["row_id"].to_list())}
        places = [position[row_id] for row_id in found["row_id"].to_list()]
        for name, (field, _, _) in spans.items():
            marks = found[f"{field}|check__{name.split()[1]}"].to_list()
            yield from ((name, place) for place, mark in zip(places, marks, strict=True)
                        if mark == "invalid")

    return Prepared(find, cells, len(spans), len(spans) * frame.height)


@dataclass(frozen=True)
class Contender:
    """One line of the table. ``spans``: the contest whose cells it must find."""

    key: str
    title: str
    prepare: Callable[[Path], Prepared]
    spans: str = "possible"


_RANGES, _PAIRS = "the twelve ranges", "both ranges of the twelve"

CONTENDERS: tuple[Contender, ...] = (
    Contender("ours-rows", "Tallyweir: row rules", lambda f: _ours(f, "rows")),
    Contender("ours-all", "Tallyweir: whole catalogue, hits", lambda f: _ours(f, "all")),
    Contender("ours-words", "Tallyweir: whole catalogue, worded findings",
              lambda f: _ours(f, "words")),
    Contender("ours-temp", "Tallyweir: whole catalogue, worded, over temporary tables",
              lambda f: _ours(f, "words", "temp")),
    Contender("pandera-polars", "pandera on polars: the whole contract",
              lambda f: _pandera_polars(f, None)),
    Contender("pandera-pandas", "pandera on pandas: the whole contract", _pandera_pandas),
    Contender("floor", "DuckDB only summing the twelve columns, no check", _sums),
    Contender("ours-12", f"Tallyweir: {_RANGES}", lambda f: _ours(f, "subset")),
    Contender("sql-sift-12", f"hand-written SQL, one scan: {_RANGES}", lambda f: _sql(f, "one")),
    Contender("sql-scans-12", f"hand-written SQL, a scan each: {_RANGES}",
              lambda f: _sql(f, "scans")),
    Contender("pandera-polars-12", f"pandera on polars: {_RANGES}",
              lambda f: _pandera_polars(f, POSSIBLE)),
    Contender("dataframely-12", f"dataframely: {_RANGES}", _dataframely),
    Contender("dataframely-read-12", f"dataframely, from the warehouse's tables: {_RANGES}",
              lambda f: _dataframely(f, POSSIBLE, read=True)),
    Contender("pointblank-12", f"pointblank: {_RANGES}", _pointblank),
    Contender("great-expectations-12", f"Great Expectations: {_RANGES}", _great_expectations),
    Contender("ours-both", f"Tallyweir: {_PAIRS}",
              lambda f: _ours(f, "subset", spans=BOTH), "both"),
    Contender("sql-sift-both", f"hand-written SQL, one scan: {_PAIRS}",
              lambda f: _sql(f, "one", BOTH), "both"),
    Contender("sql-scans-both", f"hand-written SQL, a scan each: {_PAIRS}",
              lambda f: _sql(f, "scans", BOTH), "both"),
    Contender("pandera-polars-both", f"pandera on polars: {_PAIRS}",
              lambda f: _pandera_polars(f, BOTH), "both"),
    Contender("dataframely-both", f"dataframely: {_PAIRS}",
              lambda f: _dataframely(f, BOTH), "both"),
    Contender("dataframely-read-both", f"dataframely, from the warehouse's tables: {_PAIRS}",
              lambda f: _dataframely(f, BOTH, read=True), "both"),
    Contender("pointblank-both", f"pointblank: {_PAIRS}", lambda f: _pointblank(f, BOTH), "both"),
    Contender("great-expectations-both", f"Great Expectations: {_PAIRS}",
              lambda f: _great_expectations(f, BOTH), "both"),
)
