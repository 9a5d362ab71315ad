"""The evidence of other sites: medians that one site's slip does not move."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import duckdb
import pytest

from tests.checks.evidence import lay_out_site_days, neighbour_evidence

DAY, NEXT_DAY = dt.date(2026, 3, 10), dt.date(2026, 3, 11)


@pytest.fixture
def con() -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection with a site's two days and none of other sites."""
    with duckdb.connect() as con:
        con.execute("CREATE TABLE staged_events (site VARCHAR, local_date DATE, "
                    "water_temperature DOUBLE, air_temperature DOUBLE, precipitation DOUBLE)")
        for date in (DAY, NEXT_DAY):
            con.execute("INSERT INTO staged_events VALUES ('alder', ?, 5, 5, 5)", [date])
        yield con


def _measured(con: duckdb.DuckDBPyConnection, site: str, date: dt.date,
              water: float | None = None, air: float | None = None,
              rain: float | None = None) -> None:
    con.execute("INSERT INTO staged_events VALUES (?, ?, ?, ?, ?)", [site, date, water, air, rain])


def _evidence(con: duckdb.DuckDBPyConnection, site: str) -> str:
    lay_out_site_days(con, "staged_events")
    return neighbour_evidence(con, [site])[site]


def _known(con: duckdb.DuckDBPyConnection, date: dt.date, field: str) -> tuple[object, ...] | None:
    _evidence(con, "alder")
    return con.execute(
        f"SELECT {field}, {field}_sites, {field}_least, {field}_most FROM neighbour_days "
        "WHERE local_date = ?", [date]).fetchone()


def test_a_day_is_the_median_over_the_other_sites_of_each_ones_median(
    con: duckdb.DuckDBPyConnection
) -> None:
    for site, readings in (("birch", (4.0, 6.0)), ("cedar", (8.0,)), ("dogwood", (20.0,))):
        for water in readings:
            _measured(con, site, DAY, water=water)
    assert _known(con, DAY, "water_temperature") == (8.0, 3, 5.0, 20.0)


def test_each_field_counts_its_own_sites(con: duckdb.DuckDBPyConnection) -> None:
    _measured(con, "birch", DAY, water=4.0, rain=12.2)
    _measured(con, "cedar", DAY, rain=13.4)
    assert _known(con, DAY, "water_temperature") == (4.0, 1, 4.0, 4.0)
    assert _known(con, DAY, "precipitation") == (13.0, 2, 12.0, 13.0)
    assert _known(con, DAY, "air_temperature") == (None, 0, None, None)


def test_values_that_cannot_be_are_no_evidence(con: duckdb.DuckDBPyConnection) -> None:
    _measured(con, "birch", DAY, water=48.0)
    _measured(con, "cedar", DAY, water=6.0)
    assert _known(con, DAY, "water_temperature") == (6.0, 1, 6.0, 6.0)


def test_only_days_of_the_site_are_laid_out(con: duckdb.DuckDBPyConnection) -> None:
    _measured(con, "birch", dt.date(2026, 3, 12), water=6.0)
    _measured(con, "birch", NEXT_DAY, water=6.0)
    _evidence(con, "alder")
    assert con.execute("SELECT local_date FROM neighbour_days").fetchall() == [(NEXT_DAY,)]


def test_a_small_change_at_another_site_leaves_the_digest_and_a_large_one_does_not(
    con: duckdb.DuckDBPyConnection
) -> None:
    _measured(con, "birch", DAY, water=6.0, rain=12.0)
    before = _evidence(con, "alder")
    con.execute("UPDATE staged_events SET water_temperature = 6.2 WHERE site = 'birch'")
    assert _evidence(con, "alder") == before
    con.execute("UPDATE staged_events SET water_temperature = 6.3 WHERE site = 'birch'")
    assert _evidence(con, "alder") != before
    con.execute("UPDATE staged_events SET water_temperature = 99 WHERE site = 'alder'")
    assert _evidence(con, "birch") != before


def test_evidence_for_several_sites_is_each_ones_own(con: duckdb.DuckDBPyConnection) -> None:
    for site, water in (("birch", 4.0), ("cedar", 8.0), ("dogwood", 20.0)):
        _measured(con, site, DAY, water=water)
    lay_out_site_days(con, "staged_events")
    sites = ["alder", "birch", "dogwood"]
    together = neighbour_evidence(con, sites)
    beside = dict(con.execute(
        "SELECT home, water_temperature FROM neighbour_days WHERE local_date = ?",
        [DAY]).fetchall())
    assert beside == {"alder": 8.0, "birch": 8.0, "dogwood": 5.0}
    assert {site: neighbour_evidence(con, [site])[site] for site in sites} == together
