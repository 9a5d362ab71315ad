"""Of many rows the courses of catches and readings are followed in parts: they meet the same."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import duckdb
import pytest

from bench.national_record import TABLES, make_record
from checks import sequences
from checks.judging import detect
from checks.relations import Relations
from shared.settings import lone_site

Hits = list[tuple[object, ...]]


def _hits(record: Path, in_transaction: bool) -> Hits:
    with duckdb.connect() as con:
        for table in TABLES:
            con.execute(f"CREATE TABLE {table} AS FROM '{record / table}.parquet'")
        if in_transaction:
            con.execute("BEGIN")
        detect(con, lone_site("creek"), dt.date(2026, 6, 30), Relations(
            neighbours="neighbour_days"))
        return con.execute("FROM rule_hits ORDER BY ALL").fetchall()


def test_in_halves_alone_and_in_a_transaction_the_same_rows_are_met(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    parts: list[int] = []
    halves = sequences._halves

    def counted(con: duckdb.DuckDBPyConnection) -> list[tuple[int, str]]:
        found = halves(con)
        parts.append(len(found))
        return found

    monkeypatch.setattr(sequences, "_halves", counted)
    make_record(tmp_path, 4_000)
    whole = _hits(tmp_path, in_transaction=False)
    assert len(whole) > 100
    monkeypatch.setattr(sequences, "_TOGETHER", 50)
    assert _hits(tmp_path, in_transaction=False) == whole
    assert _hits(tmp_path, in_transaction=True) == whole
    assert parts == [1, 2, 2]
