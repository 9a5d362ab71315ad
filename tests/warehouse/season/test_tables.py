"""Counting quality, seine and permit tables."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest

from warehouse.season.counting import (
    Correction,
    corrections,
    counting_quality,
    subsample_variance,
)
from warehouse.season.permit import permit_lines
from warehouse.season.seine import length_classes, seine_months

from .made_up_release import event, release

MARCH = dt.date(2025, 3, 1)


def test_subsample_error_is_that_of_a_binomial_part() -> None:
    # 310 counted in 50 of 850 ml: 5270, with standard error 5270 sqrt((1 - f) / 310), f = 1/17.
    assert subsample_variance(5270, 50 / 850) ** 0.5 == pytest.approx(
        5270 * ((1 - 50 / 850) / 310) ** 0.5)


def test_quality_by_site_adds_up() -> None:
    one, two = event(date=MARCH), event(date=MARCH + dt.timedelta(days=1))
    connection = release(
        [{"date": MARCH}, {"date": MARCH + dt.timedelta(days=1)}],
        [{"event_id": one["event_id"], "count": 100, "subsample_fraction": 0.25, "released": 98,
          "mortality": 2},
         {"event_id": two["event_id"], "count": 10, "released": 7, "qc_count": 3,
          "decided": True}],
        [{"event_id": two["event_id"], "site_id": "a", "effect": "query", "status": "open",
          "rule": "spike"},
         {"event_id": one["event_id"], "site_id": "a", "effect": "hold", "status": "decided",
          "rule": "duplicate-event"},
         {"event_id": one["event_id"], "site_id": "a", "effect": "note", "status": "open",
          "rule": "spike"}])
    (found,) = counting_quality(connection, 2025, "fyke", "anguilla-rostrata", "glass eel")
    assert (found.animals, found.subsampled, found.suspect, found.decided) == (110, 100, 10, 1)
    assert found.subsample_error == pytest.approx((100 * 3) ** 0.5)
    assert (found.tallied, found.agreed, found.apart) == (2, 1, 3)
    assert (found.asked, found.answered, found.twice) == (2, 1, 1)
    assert (found.values, found.flagged) == (4, 1)


def test_seine_catch_per_haul_and_area() -> None:
    april = dt.date(2025, 4, 3)
    days = [april, april + dt.timedelta(days=1), april + dt.timedelta(days=2)]
    events = [{"date": day, "protocol": "seine", "hauls": hauls, "haul_area_m2": area}
              for day, hauls, area in zip(days, (2, 3, 1), (200.0, None, 100.0), strict=True)]
    ids = [event(**e)["event_id"] for e in events]
    connection = release(events, [
        {"event_id": ids[0], "count": 6, "length_mm": 57.0},
        {"event_id": ids[1], "count": 9, "length_mm": 60.0},
        {"event_id": ids[2], "count": 0},
        {"event_id": ids[2], "count": 0, "life_stage": "elver"}])
    (month,) = seine_months(connection, 2025)  # elvers were never caught
    assert (month.month, month.events, month.hauls, month.animals) == (4, 3, 6, 15)
    assert month.per_haul == 2.5
    assert month.per_area == 2.0  # 6 animals on the 300 m2 that were written down
    assert [(c.low, c.animals) for c in length_classes(connection, 2025)] == [(55, 6), (60, 9)]


def test_every_animal_of_the_permit_has_one_fate() -> None:
    later = MARCH + dt.timedelta(days=1)
    connection = release(
        [{"date": MARCH}, {"date": later, "hours": 12.0}],
        [{"event_id": event(date=MARCH)["event_id"], "count": 10, "released": 8, "mortality": 2},
         {"event_id": event(date=later)["event_id"], "count": 5},
         {"event_id": event(date=later)["event_id"], "count": 3, "taxon_id": "caridea",
          "life_stage": "unspecified", "kept": 1}])
    lines = permit_lines(connection, 2025, [("fyke", "anguilla-rostrata", "glass eel")])
    assert [line.target for line in lines] == [True, False]
    eels, shrimp = lines
    assert (eels.catch, eels.released, eels.mortality, eels.kept, eels.unsaid) == (15, 8, 2, 0, 5)
    assert (shrimp.catch, shrimp.kept, shrimp.unsaid) == (3, 1, 2)
    assert (eels.events, eels.effort) == (2, 36)
    for line in lines:
        assert line.catch == line.released + line.mortality + line.kept + line.unsaid


def test_corrections_are_followed_through_the_releases(tmp_path: Path) -> None:
    head = "table,kind,site_id,event_id,taxon_id,life_stage,column,old,new,period,derived,decision"
    catch = "a:fyke:A:2025-03-01T0800,anguilla-rostrata,glass eel"
    for version, previous, lines in (
        ("2025.10.0", None, []),
        ("2025.11.0", "2025.10.0", [f"counts,changed,a,{catch},count,54,5,,,17",
                                    f"counts,changed,a,{catch},qc_count,1,3,,,",
                                    f"counts,added,a,{catch},,,,,,"]),
        ("2025.12.0", "2025.11.0", [f"counts,changed,a,{catch},count,5,6,,,"]),
    ):
        folder = tmp_path / version
        folder.mkdir()
        (folder / "manifest.json").write_text(json.dumps({"previous": previous}),
                                              encoding="utf-8")
        (folder / "changes.csv").write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    newest = tmp_path / "2025.12.0"
    eel = ("fyke", "anguilla-rostrata", "glass eel")
    assert corrections(newest, (MARCH, MARCH), *eel) == {"a": Correction(2, 1, -48)}
    assert corrections(newest, (dt.date(2024, 2, 1), dt.date(2024, 6, 15)), *eel) == {}
