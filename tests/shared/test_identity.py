"""Identity, time and addresses: what must stay the same forever."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.columnar import to_arrow
from shared.identity import event_id, short_digest, to_utc
from shared.sheets import Column, Table, cell_name, column_letters
from shared.staging import Columnar


def test_event_ids_read_as_promised() -> None:
    day, time = dt.date(2026, 3, 14), dt.time(7, 30, 59)
    assert event_id("alder-creek", "fyke", "A", day, time) == "alder-creek:fyke:A:2026-03-14T0730"
    assert event_id("alder-creek", "seine", "1", day, None) == "alder-creek:seine:1:2026-03-14"


def test_digests_keep_their_parts_apart() -> None:
    assert short_digest("ab", "c") != short_digest("a", "bc") != short_digest("abc")
    # What was stored stays findable. By hand: printf 'alder-creek\\0373' | sha256sum
    assert short_digest("alder-creek", 3) == "83936eb55789"
    assert len(short_digest()) == 12


@pytest.mark.parametrize(("zone", "local", "utc"), [
    # Rules of the zones as in tzdata 2025b; changes: US 8 March and 1 November 2026 at 02:00,
    # EU 29 March and 25 October 2026 at 01:00 UTC.
    ("America/New_York", "2026-03-07T07:30", "2026-03-07T12:30"),
    ("America/New_York", "2026-03-08T07:30", "2026-03-08T11:30"),
    ("America/New_York", "2026-03-08T02:30", "2026-03-08T07:30"),  # skipped: clock not yet moved
    ("America/New_York", "2026-11-01T01:30", "2026-11-01T05:30"),  # twice: its first pass
    ("America/Halifax", "2026-03-08T02:30", "2026-03-08T06:30"),
    ("Europe/London", "2026-03-29T01:30", "2026-03-29T01:30"),
    ("Europe/London", "2026-10-25T01:30", "2026-10-25T00:30"),
    ("Etc/UTC", "2026-03-08T02:30", "2026-03-08T02:30"),
])
def test_local_time_to_utc_over_the_clock_change(zone: str, local: str, utc: str) -> None:
    assert to_utc(dt.datetime.fromisoformat(local), zone) == dt.datetime.fromisoformat(utc)


@pytest.mark.parametrize(("set_at", "checked_at", "hours"), [
    ("2026-03-07T07:00", "2026-03-08T07:00", 23), ("2026-10-31T07:00", "2026-11-01T07:00", 25),
    ("2026-03-14T07:00", "2026-03-15T07:00", 24),
])
def test_a_soak_over_the_clock_change_is_as_long_as_it_was(
    set_at: str, checked_at: str, hours: int
) -> None:
    start, end = (to_utc(dt.datetime.fromisoformat(text), "America/New_York")
                  for text in (set_at, checked_at))
    assert end - start == dt.timedelta(hours=hours)


def test_a_time_already_marked_as_the_second_pass_is_taken_as_the_first() -> None:
    local = dt.datetime.fromisoformat("2026-11-01T01:30")
    assert to_utc(local.replace(fold=1), "America/New_York") == to_utc(local, "America/New_York")


@pytest.mark.parametrize(("row", "column", "name"), [
    (0, 0, "A1"), (40, 5, "F41"), (0, 25, "Z1"), (0, 26, "AA1"), (9, 27, "AB10"),
    (0, 701, "ZZ1"), (0, 702, "AAA1"), (1_048_575, 16_383, "XFD1048576"),
])
def test_addresses_are_those_a_spreadsheet_shows(row: int, column: int, name: str) -> None:
    assert cell_name(row, column) == name


@given(st.integers(0, 100_000))
def test_letters_count_in_order(index: int) -> None:
    def number(letters: str) -> int:
        total = 0
        for letter in letters:
            total = total * 26 + ord(letter) - 64
        return total - 1

    assert number(column_letters(index)) == index


def test_a_table_finds_the_column_of_a_taxon_and_stage() -> None:
    def column(index: int, stage: str | None) -> Column:
        return Column(index, "", 0, "count", taxon="eel" if stage else None, life_stage=stage)

    table = Table("s", "fyke", 0, [column(0, "glass eel"), column(1, "elver")], [], [])
    assert table.column_of("count", "eel", "elver") is table.columns[1]
    assert table.column_of("count") is table.columns[0]
    assert table.column_of("count", "crab", "adult") is None
    assert table.column_of("ph") is None
    loose = Table("s", "fyke", 0, [column(0, None)], [], [])
    assert loose.column_of("count", "eel", "elver") is loose.columns[0]


def test_rows_keep_their_types_on_the_way_to_arrow() -> None:
    moment = dt.datetime.fromisoformat("2026-03-14T07:30")
    rows: Columnar = {
        "a": [1, None], "b": [1.5, None], "c": ["x", None], "d": [moment.date(), None],
        "e": [moment.time(), None], "f": [moment, None], "g": [True, None]}
    kinds = dict(zip("abcdefg", ("BIGINT", "DOUBLE", "VARCHAR", "DATE", "TIME", "TIMESTAMP",
                                 "BOOLEAN"), strict=True))
    table = to_arrow(rows, kinds)
    assert table.to_pydict() == rows
    assert [str(kind) for kind in table.schema.types] == [
        "int64", "double", "string", "date32[day]", "time64[us]", "timestamp[us]", "bool"]
