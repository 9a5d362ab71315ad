"""What the coordinator hears of at once: protected bycatch and many dead, each new once."""

from __future__ import annotations

import datetime as dt

from warehouse.serious import not_yet_told, note_told, serious
from warehouse.store import Warehouse

SEASON = 2026
PROTECTED = ("acipenser",)


def _catch(wh: Warehouse, day: int, taxon: str, count: int, dead: int | None = None,
           season: int = SEASON) -> None:
    event = f"alder:fyke:A:{season}-04-{day:02d}"
    with wh.transaction() as con:
        con.execute(
            "INSERT INTO clean_events (site_id, event_id, gear_unit, local_date, season) "
            "SELECT 'alder', $event, 'A', $date, $season WHERE NOT EXISTS "
            "(FROM clean_events WHERE event_id = $event)",
            {"event": event, "date": dt.date(season, 4, day), "season": season})
        con.execute(
            "INSERT INTO clean_counts (site_id, event_id, taxon_id, life_stage, count, mortality) "
            "VALUES ('alder', ?, ?, 'unspecified', ?, ?)", [event, taxon, count, dead])


def _found(wh: Warehouse, percent: float = 5.0) -> list[tuple[str, int, int, int]]:
    return [(item.kind, item.date.day, item.count, item.dead)
            for item in serious(wh, SEASON, PROTECTED, percent)]


def test_protected_bycatch_is_told_dead_or_alive_and_a_zero_is_not(wh: Warehouse) -> None:
    _catch(wh, 1, "acipenser", 1)
    _catch(wh, 2, "acipenser", 0)
    _catch(wh, 3, "gasterosteus-aculeatus", 9)
    assert _found(wh) == [("protected", 1, 1, 0)]


def test_many_dead_are_told_above_the_limit_and_not_at_it(wh: Warehouse) -> None:
    _catch(wh, 1, "anguilla-rostrata", 100, 5)
    _catch(wh, 2, "anguilla-rostrata", 100, 6)
    _catch(wh, 3, "anguilla-rostrata", 3, 1)  # a single one is no matter of percent
    _catch(wh, 4, "anguilla-rostrata", 0, 4)  # more dead than counted
    assert _found(wh) == [("mortality", 2, 100, 6), ("mortality", 4, 0, 4)]
    assert _found(wh, 50.0) == [("mortality", 4, 0, 4)]


def test_other_seasons_are_history(wh: Warehouse) -> None:
    _catch(wh, 1, "acipenser", 1, season=2025)
    assert _found(wh) == []


def test_each_is_new_once_and_again_when_it_says_otherwise(wh: Warehouse) -> None:
    _catch(wh, 1, "acipenser", 1)
    found = serious(wh, SEASON, PROTECTED, 5.0)
    note_told(wh, found, "2026-W14")
    assert not_yet_told(wh, found, "2026-W14") == found  # the same week's letter, written again
    assert not_yet_told(wh, found, "2026-W15") == []
    wh.connection.execute("UPDATE clean_counts SET count = 2")
    assert len(not_yet_told(wh, serious(wh, SEASON, PROTECTED, 5.0), "2026-W15")) == 1
