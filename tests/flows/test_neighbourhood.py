"""Evidence that is kept by season, beside the same gathered from nothing."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from checks.neighbours import STEPS, lay_out_evidence
from flows import neighbourhood
from shared.evidence import DAYS, NEIGHBOUR_FIELDS, TABLES
from tests.checks.evidence import lay_out_site_days
from tests.warehouse.by_hand import Check, lay_empty, network, send
from warehouse import neighbourhood as kept
from warehouse.folder import database_path
from warehouse.store import Warehouse

SITES = ("alder", "birch")


@pytest.fixture
def wh(tmp_path: Path) -> Iterator[Warehouse]:
    """An empty warehouse."""
    lay_empty(database_path(tmp_path))
    with Warehouse.open(tmp_path) as opened:
        yield opened


def _checks(seed: int, first: dt.date, days: int) -> list[Check]:
    chance = random.Random(seed)
    return [Check((first + dt.timedelta(days=day)).isoformat(),
                  {("anguilla-rostrata", "glass eel"): float(chance.randint(0, 30))},
                  values={"water_temperature": chance.choice([None, round(chance.random(), 1)]),
                          "air_temperature": round(chance.random() * 9, 1)})
            for day in range(days)]


def _laid_out(warehouse: Warehouse) -> dict[str, list[tuple[object, ...]]]:
    return {table: warehouse.connection.execute(f"FROM {table} ORDER BY ALL").fetchall()
            for table in TABLES}


def _season_by_date(warehouse: Warehouse) -> None:
    warehouse.connection.execute("UPDATE staged_events SET season = year(local_date)")


def test_a_week_gathers_what_gathering_everything_does(wh: Warehouse) -> None:
    sent = [(site, year, _checks(number, dt.date(year, 3, 1), 12))
            for number, (site, year) in enumerate(
                (site, year) for site in SITES for year in (2024, 2025, 2026))]
    for site, year, checks in sent:
        send(wh, site, f"{site}/{year}.xlsx", checks, salt=f"{site}{year}")
    _season_by_date(wh)
    neighbourhood.gather(wh, network())
    before = kept.digests(wh)
    send(wh, "birch", "birch/2026.xlsx", _checks(99, dt.date(2026, 3, 1), 14), salt="more")
    _season_by_date(wh)
    kept.note_seasons(wh)
    assert kept.stale(wh, "another version") != {2026: ["birch"]}
    neighbourhood.gather(wh, network())
    week = _laid_out(wh), kept.digests(wh)
    assert week[1] != before
    for table in ("evidence_sheets", "evidence_digests", "file_seasons"):
        wh.connection.execute(f"DELETE FROM {table}")
    neighbourhood.gather(wh, network())
    assert (_laid_out(wh), kept.digests(wh)) == week
    assert all(week[0][table] for table in (DAYS, "site_catches", "day_orders"))


@pytest.mark.parametrize("cut_short", ["lay_out_order", "lay_out_evidence"])
def test_a_gathering_that_was_cut_short_is_taken_up_again_though_the_old_sheet_is_back(
    wh: Warehouse, monkeypatch: pytest.MonkeyPatch, cut_short: str
) -> None:
    def send_all(seed: int, sites: tuple[str, ...], *years: int) -> None:
        for number, site in enumerate(sites):
            for year in years:
                send(wh, site, f"{site}/{year}.xlsx",
                     _checks(seed + 10 * number + year, dt.date(year, 3, 1), 9),
                     salt=f"{site}{year}{seed}")
        _season_by_date(wh)

    send_all(0, SITES, 2025, 2026)
    neighbourhood.gather(wh, network())
    had = _laid_out(wh), kept.digests(wh)

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    send_all(5, ("birch",), 2024, 2025, 2026)
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(neighbourhood, cut_short, stop)
        neighbourhood.gather(wh, network())
    # The first sheets again; what came in addition stands no longer.
    send_all(0, SITES, 2025, 2026)
    wh.connection.execute("DELETE FROM receipts WHERE path = 'birch/2024.xlsx'")
    neighbourhood.gather(wh, network())
    assert (_laid_out(wh), kept.digests(wh)) == had


def test_nothing_new_is_not_gathered(wh: Warehouse, monkeypatch: pytest.MonkeyPatch) -> None:
    for number, site in enumerate(SITES):
        send(wh, site, f"{site}/2026.xlsx", _checks(number, dt.date(2026, 3, 1), 9), salt=site)
    neighbourhood.gather(wh, network())
    had = _laid_out(wh)

    def never(*_: object) -> None:
        raise AssertionError("gathered again")

    monkeypatch.setattr(neighbourhood, "lay_out_own_days", never)
    monkeypatch.setattr(neighbourhood, "lay_out_evidence", never)
    neighbourhood.gather(wh, network())
    assert _laid_out(wh) == had


@pytest.mark.parametrize("sites", [1, 2, 3, 4, 7, 12])
def test_the_others_are_told_as_by_asking_each(sites: int) -> None:
    chance = random.Random(sites)
    with duckdb.connect() as con:
        con.execute("CREATE TABLE rows_sent (site VARCHAR, local_date DATE, "
                    + ", ".join(f"{name} DOUBLE" for name in NEIGHBOUR_FIELDS) + ")")
        for day in range(40):
            for site in range(sites):
                if chance.random() < 0.8:
                    con.execute("INSERT INTO rows_sent VALUES (?, ?, ?, ?, ?)", [
                        f"site {site}", dt.date(2026, 3, 1) + dt.timedelta(days=day), *(
                            chance.choice([None, round(chance.random() * 6, 1)])
                            for _ in NEIGHBOUR_FIELDS)])
        lay_out_site_days(con, "rows_sent")
        lay_out_evidence(con)
        told = con.execute("FROM neighbour_days ORDER BY ALL").fetchall()
        asked = ", ".join(
            f"round(median({name}) / {STEPS[name]}) * {STEPS[name]}, count({name}), "
            f"round(min({name}) / {STEPS[name]}) * {STEPS[name]}, "
            f"round(max({name}) / {STEPS[name]}) * {STEPS[name]}" for name in NEIGHBOUR_FIELDS)
        plain = con.execute(f"""
            SELECT home, local_date, {asked} FROM {DAYS} o
            JOIN (SELECT site AS home, local_date FROM {DAYS}) USING (local_date)
            WHERE o.site <> home GROUP BY ALL ORDER BY ALL""").fetchall()
    assert told == plain
    assert bool(told) == (sites > 1)
