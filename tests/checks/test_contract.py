"""The dictionary said twice, in SQL and by pandera: both must find the same cells."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.catalogue import CATALOGUE
from checks.contract import (
    clean_counts_schema,
    clean_events_schema,
    frame_breaches,
    staged_schema,
)
from checks.judging import bind, detect
from shared.fields import EVENT_FIELDS, FIELDS, MEASURED_FIELDS, NUMERIC_KINDS, Field, Kind
from tests.checks.made_up_sheets import AS_OF, EEL, MadeUpSheet, connected, network_with

RANGED = [f for f in EVENT_FIELDS if f.kind in NUMERIC_KINDS and f.possible is not None]
CHOSEN = [f for f in EVENT_FIELDS if f.kind is Kind.CHOICE]
BOUND = [b for b in bind(network_with(), [CATALOGUE["out-of-range"], CATALOGUE["not-in-list"]])]


def _numbers(entry: Field) -> st.SearchStrategy[float | None]:
    """Values about the edges of a field's range more often than not, and none."""
    span = entry.possible
    assert span is not None
    edges = [edge for edge in (span.low, span.high) if edge is not None]
    near = [value for edge in edges for value in (edge, edge - 1e-9, edge + 1e-9, edge + 0.1)]
    anything = st.floats(-1e7, 1e7, allow_nan=False)
    return st.one_of(st.none(), st.sampled_from([float(v) for v in near]), anything)


def _words(entry: Field) -> st.SearchStrategy[str | None]:
    known = [choice.id for choice in entry.choices]
    return st.one_of(st.none(), st.sampled_from(known), st.text("abn ", min_size=1, max_size=4))


ROWS = st.lists(
    st.fixed_dictionaries({f.id: _numbers(f) for f in RANGED}
                          | {f.id: _words(f) for f in CHOSEN}),
    min_size=1, max_size=6)


@settings(max_examples=20)
@given(ROWS)
def test_the_rules_and_the_contract_find_the_same_cells(rows: list[dict[str, Any]]) -> None:
    sheet = MadeUpSheet()
    for values in rows:
        # A word outside its list is staged as no value and an oddity: staging's contract.
        odd = [f for f in CHOSEN
               if values[f.id] is not None and values[f.id] not in {c.id for c in f.choices}]
        staged = values | {f.id: None for f in odd}
        sheet.row(catches=[], oddities=[
            {"field": f.id, "raw": values[f.id], "kind": "not-in-list"} for f in odd], **staged)
    con, names = connected([sheet])
    with con:
        detect(con, network_with(), AS_OF, names, BOUND)
        hits = con.execute("SELECT DISTINCT probe, row_id FROM rule_hits").fetchall()
    place = {row_id: number for number, row_id in enumerate(sheet.events["row_id"])}
    by_rules = {(place[row_id], BOUND[probe].probe.field) for probe, row_id in hits}

    frame = pl.DataFrame(
        {f.id: [values.get(f.id) for values in rows] for f in (*RANGED, *CHOSEN)},
        schema={f.id: pl.Float64 for f in RANGED} | {f.id: pl.String for f in CHOSEN})
    schema = staged_schema()
    schema = schema.remove_columns([n for n in schema.columns if n not in frame.columns])
    by_contract = {(breach.row, breach.column) for breach in frame_breaches(frame, schema)}
    assert by_rules == by_contract


def test_the_contract_covers_every_range_and_list_of_events() -> None:
    columns = staged_schema().columns
    assert set(columns) == {f.id for f in EVENT_FIELDS
                            if f.kind in NUMERIC_KINDS or f.kind is Kind.CHOICE}
    for entry in RANGED:
        assert entry.possible is not None
        sides = [side for side in (entry.possible.low, entry.possible.high) if side is not None]
        assert len(columns[entry.id].checks) == len(sides)


def _clean_event(**changed: Any) -> pl.DataFrame:
    row: dict[str, Any] = {
        "event_id": "creek:fyke:A:2026-03-10T0700", "site_id": "creek", "protocol": "fyke",
        "gear_unit": "A", "local_date": "2026-03-10", "effort_value": 24.0, "qc_event": 1,
        "qc_effort": 1}
    for entry in MEASURED_FIELDS:
        if entry in EVENT_FIELDS:
            row |= {entry.clean_column: None, f"qc_{entry.id}": 9}
    row |= changed
    frame = pl.DataFrame([row]).with_columns(pl.col("local_date").str.to_date())
    floats = [f.clean_column for f in MEASURED_FIELDS if f in EVENT_FIELDS]
    return frame.with_columns(pl.col(floats).cast(pl.Float64))


def test_a_clean_event_passes_the_door() -> None:
    assert frame_breaches(_clean_event(water_temperature_c=6.5), clean_events_schema()) == []


@pytest.mark.parametrize(("changed", "column"), [
    ({"water_temperature_c": 72.0}, "water_temperature_c"), ({"ph": -1.0}, "ph"),
    ({"effort_value": 0.0}, "effort_value"), ({"protocol": "dredge"}, "protocol"),
    ({"qc_ph": 5}, "qc_ph"), ({"site_id": None}, "site_id"),
])
def test_what_the_rules_let_through_does_not_pass_the_door(
    changed: dict[str, Any], column: str
) -> None:
    found = frame_breaches(_clean_event(**changed), clean_events_schema())
    assert {breach.column for breach in found} == {column}


def test_two_events_of_one_identity_do_not_pass_the_door() -> None:
    twice = pl.concat([_clean_event(), _clean_event()])
    assert {b.column for b in frame_breaches(twice, clean_events_schema())} == {"event_id"}


@pytest.mark.parametrize(("changed", "column"), [
    ({}, None), ({"count": -1}, "count"), ({"taxon_id": "mermaid"}, "taxon_id"),
    ({"life_stage": "teen"}, "life_stage"), ({"cpue": -0.5}, "cpue"), ({"qc_count": 7}, "qc_count"),
    ({"count": int(FIELDS["count"].possible.high or 0) + 1  # type: ignore[union-attr]
      }, "count"),
])
def test_clean_counts_at_the_door(changed: dict[str, Any], column: str | None) -> None:
    row: dict[str, Any] = {"event_id": "e", "taxon_id": EEL, "life_stage": "glass eel",
                           "count": 12, "cpue": 12.0, "qc_count": 1}
    found = frame_breaches(pl.DataFrame([row | changed]), clean_counts_schema())
    assert {b.column for b in found} == ({column} if column else set())
