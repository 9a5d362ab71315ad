"""The contract at the boundary: pandera schemas derived from the dictionary.

Two uses. :func:`staged_schema` says of standardized rows what the dictionary allows;
the row rules say the same in SQL and a test holds both to the same answer.
:func:`clean_events_schema` and :func:`clean_counts_schema` stand at the door of the
clean table: whatever the rules let through, nothing outside them is published.

polars is the backend because it was the fastest of pandera's (bench.judge prints the
figures), and eager frames because on lazy ones only the schema is checked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from shared.fields import EVENT_FIELDS, FIELDS, MEASURED_FIELDS, NUMERIC_KINDS, Field, Kind
from shared.flags import Flag
from shared.protocol import protocols
from shared.taxa import STAGES, TAXA

if TYPE_CHECKING:
    import pandera.polars as pa
    import polars as pl
    import pyarrow


@dataclass(frozen=True, slots=True)
class Breach:
    """A value that breaks the contract: ``row`` is its 0-based position in the frame."""

    column: str
    check: str
    row: int | None
    value: str


def _span_checks(entry: Field) -> list[Any]:
    import pandera.polars as pa

    checks = []
    if entry.possible is not None:
        if entry.possible.low is not None:
            checks.append(pa.Check.ge(entry.possible.low, error="possible range"))
        if entry.possible.high is not None:
            checks.append(pa.Check.le(entry.possible.high, error="possible range"))
    return checks


def staged_schema() -> pa.DataFrameSchema:
    """Staged events: every numeric field within its possible range, choices in their lists."""
    import pandera.polars as pa
    import polars as pl

    columns: dict[str, Any] = {}
    for entry in EVENT_FIELDS:
        if entry.kind in NUMERIC_KINDS:
            columns[entry.id] = pa.Column(pl.Float64, _span_checks(entry), nullable=True)
        elif entry.kind is Kind.CHOICE:
            known = [choice.id for choice in entry.choices]
            columns[entry.id] = pa.Column(
                pl.String, pa.Check.isin(known, error="list"), nullable=True)
    return pa.DataFrameSchema(columns)


_FLAGS = [int(flag) for flag in Flag]


def _flag_column() -> Any:
    import pandera.polars as pa
    import polars as pl

    return pa.Column(pl.Int8, pa.Check.isin(_FLAGS, error="flag"), coerce=True)


def clean_events_schema() -> pa.DataFrameSchema:
    """The clean events: identity complete and unique, values possible, flags in the set."""
    import pandera.polars as pa
    import polars as pl

    columns: dict[str, Any] = {
        "event_id": pa.Column(pl.String, unique=True),
        "site_id": pa.Column(pl.String),
        "protocol": pa.Column(pl.String, pa.Check.isin(list(protocols()), error="protocol")),
        "gear_unit": pa.Column(pl.String, nullable=True),
        "local_date": pa.Column(pl.Date),
        "effort_value": pa.Column(
            pl.Float64, pa.Check.gt(0, error="effort above zero"), nullable=True),
        "qc_event": _flag_column(),
        "qc_effort": _flag_column(),
    }
    for entry in MEASURED_FIELDS:
        if entry in EVENT_FIELDS:
            columns[entry.clean_column] = pa.Column(
                pl.Float64, _span_checks(entry), nullable=True)
            columns[f"qc_{entry.id}"] = _flag_column()
    # Only a water reading is taken with no gear in hand. The test is never null itself: a
    # null would pass.
    geared = (pl.col("gear_unit").is_not_null() | (pl.col("protocol") == "water")).fill_null(False)
    return pa.DataFrameSchema(
        columns,
        checks=pa.Check(lambda data: data.lazyframe.select(geared), error="gear unit named"),
    )


def clean_counts_schema() -> pa.DataFrameSchema:
    """The clean counts: whole, not negative, of known taxa and stages, flags in the set."""
    import pandera.polars as pa
    import polars as pl

    span = FIELDS["count"].possible
    assert span is not None
    return pa.DataFrameSchema({
        "event_id": pa.Column(pl.String),
        "taxon_id": pa.Column(pl.String, pa.Check.isin(list(TAXA), error="taxon")),
        "life_stage": pa.Column(pl.String, pa.Check.isin(list(STAGES), error="life stage")),
        "count": pa.Column(
            pl.Int64, pa.Check.in_range(span.low, span.high, error="possible range"),
            coerce=True),
        "cpue": pa.Column(pl.Float64, pa.Check.ge(0, error="not negative"), nullable=True),
        "qc_count": _flag_column(),
    })


def get_ready() -> None:
    """Import what :func:`door_breaches` takes, which is most of what it costs."""
    import pandera.polars as pa
    import polars as pl

    # pandera looks for what judges a frame when it is given the first one.
    frame_breaches(pl.DataFrame({"qc": [int(Flag.PASS)]}),
                   pa.DataFrameSchema({"qc": _flag_column()}))


def door_breaches(events: pyarrow.Table, counts: pyarrow.Table) -> list[Breach]:
    """What in the clean events and counts (Arrow) must not be published; empty when sound."""
    return breaches(events, clean_events_schema()) + breaches(counts, clean_counts_schema())


def breaches(table: pyarrow.Table, schema: pa.DataFrameSchema) -> list[Breach]:
    """Everything in ``table`` (Arrow) that breaks ``schema``; empty when it holds."""
    import polars as pl

    frame = pl.from_arrow(table)
    assert isinstance(frame, pl.DataFrame)
    return frame_breaches(frame, schema)


def frame_breaches(frame: pl.DataFrame, schema: pa.DataFrameSchema) -> list[Breach]:
    """As :func:`breaches`, for a polars frame."""
    import pandera.errors

    try:
        schema.validate(frame, lazy=True)
    except pandera.errors.SchemaErrors as error:
        cases = error.failure_cases
        return [
            Breach(str(case["column"]), str(case["check"]),
                   None if case["index"] is None else int(case["index"]),
                   str(case["failure_case"]))
            for case in cases.iter_rows(named=True)
        ]
    return []
