"""Rows of a resent sheet: which row is which when its identity has changed."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from warehouse.matching import Row, match_rows

GLASS = ("anguilla-rostrata", "glass eel")


def row(day: int, count: float = 0.0, number: int | None = None, **values: float) -> Row:
    """A row of March."""
    return Row(f"03-{day:02d}", "fyke", "A", dt.date(2026, 3, day), dt.time(7, 30), "Counts",
               number if number is not None else day, f"03-{day - 1:02d}", f"03-{day + 1:02d}",
               {GLASS: count}, values)


def pairs(gone: list[Row], arrived: list[Row]) -> dict[str, str]:
    return {match.gone: match.arrived for match in match_rows(gone, arrived).moved}


def test_a_row_with_the_same_counts_and_readings_is_the_same_row() -> None:
    was = row(3, 17, water_temperature=4.4, salinity=12.1)
    now = replace(was, key="03-13", date=dt.date(2026, 3, 13), number=40, above=None, below=None)
    assert pairs([was], [now, row(20, 3, water_temperature=6.0)]) == {"03-03": "03-13"}


def test_two_rows_that_would_fit_as_well_are_asked_about() -> None:
    was = row(3, 5, number=3)
    one = replace(row(13, 5), above=None, below=None)
    other = replace(row(23, 5), above=None, below=None)
    assert pairs([was], [one, other]) == {}


def test_rows_that_it_may_be_are_named_and_those_taken_are_not() -> None:
    was = row(3, 5, number=3, water_temperature=4.4)
    one = replace(was, key="03-13", date=dt.date(2026, 3, 13), number=60, above=None, below=None)
    other = replace(one, key="03-23", date=dt.date(2026, 3, 23), number=70)
    found = match_rows([was], [one, other])
    assert found.moved == ()
    assert found.alike == (("03-03", "03-13"), ("03-03", "03-23"))
    # What is found to be another row is not named.
    twin = replace(one, key="05-13", date=dt.date(2026, 5, 13))
    kept = row(20, 900, water_temperature=9.9)
    twin = replace(twin, values=kept.values, counts=kept.counts)
    found = match_rows([was, kept], [one, other, twin])
    assert [match.arrived for match in found.moved] == ["05-13"]
    assert "05-13" not in {arrived for _, arrived in found.alike}
    assert match_rows([row(3)], [replace(row(28), above=None, below=None)]).alike == ()


def test_a_bare_zero_is_matched_by_its_place_and_by_nothing_less() -> None:
    was = row(3)
    in_place = replace(was, key="04-03", date=dt.date(2026, 4, 3))
    elsewhere = replace(row(28), above=None, below=None)
    assert pairs([was], [in_place]) == {"03-03": "04-03"}
    assert pairs([was], [elsewhere]) == {}


def test_one_arrival_stands_for_one_row() -> None:
    a, b = row(3, 8, water_temperature=4.4), row(4, 8, water_temperature=4.4)
    now = replace(a, key="05-03", date=dt.date(2026, 5, 3))
    assert list(pairs([a, b], [now]).values()) in ([], ["05-03"])


def test_a_day_and_month_exchanged_with_a_count_mended_is_still_the_row() -> None:
    was = replace(row(4, 12, water_temperature=4.4, salinity=12.1), date=dt.date(2026, 4, 3),
                  key="04-03", above="03-03", below="03-05")
    now = replace(row(4, 21, water_temperature=4.4, salinity=12.1), above="03-03", below="03-05")
    assert pairs([was], [now]) == {"04-03": "03-04"}


def test_another_check_in_the_place_of_one_is_not_the_row() -> None:
    assert pairs([row(3, 5, water_temperature=4.4)],
                 [replace(row(3, 9, water_temperature=7.1), key="03-04",
                          date=dt.date(2026, 3, 4))]) == {}


@settings(max_examples=60)
@given(data=st.data())
def test_whatever_moved_no_row_stands_for_two(data: st.DataObject) -> None:
    days = data.draw(st.lists(st.integers(1, 28), unique=True, max_size=8))
    gone = [row(day, float(data.draw(st.integers(0, 3)))) for day in days]
    arrived = [replace(item, key=f"n{item.key}", date=dt.date(2026, 5, item.date.day))
               for item in data.draw(st.permutations(gone)) if item.date is not None]
    found = match_rows(gone, arrived).moved
    assert len({match.gone for match in found}) == len(found)
    assert len({match.arrived for match in found}) == len(found)
