"""What became of each night at each net."""

from __future__ import annotations

import datetime as dt

import numpy as np

from shared.protocol import protocols
from warehouse.season.nights import Night, Nights, read_nights
from warehouse.season.terms import Terms

from .made_up_release import event, release

FYKE = protocols()["fyke"]
FIRST = dt.date(2025, 3, 1)


def _day(number: int) -> dt.date:
    return FIRST + dt.timedelta(days=number)


def _read(*arguments: list) -> Nights:  # type: ignore[type-arg]
    found = read_nights(release(*arguments), 2025, FYKE, FYKE.targets[0], Terms())
    assert found is not None
    return found


def test_each_night_is_what_the_records_say_it_was() -> None:
    events = [{"date": _day(0)}, {"date": _day(1), "status": "lifted"}, {"date": _day(2)},
              {"date": _day(5)}]
    first, _, third, last = (event(**e)["event_id"] for e in events)
    nights = _read(events, [{"event_id": first, "count": 0}, {"event_id": last, "count": 7}],
                   [{"event_id": f"a:fyke:A:{_day(4)}T0900", "site_id": "a", "effect": "hold",
                     "status": "open", "rule": "count-negative"}])
    assert nights.first == FIRST
    assert nights.state[0].tolist() == [
        Night.COUNTED, Night.LIFTED, Night.UNCOUNTED, Night.MISSED, Night.HELD, Night.COUNTED]
    assert nights.catch[0, [0, 5]].tolist() == [0, 7]
    assert np.isnan(nights.catch[0, 1:5]).all()
    assert third  # fished, and its blank count is not a zero


def test_a_count_without_hours_is_in_the_total_and_not_in_the_cpue() -> None:
    events = [{"date": _day(0), "hours": None}, {"date": _day(1), "hours": 12.0}]
    nights = _read(events, [{"event_id": event(**e)["event_id"], "count": 6} for e in events])
    assert nights.catch[0].tolist() == [6, 6]
    assert np.isnan(nights.cpue[0, 0])
    assert nights.cpue[0, 1] == 12


def test_a_long_soak_is_spread_over_nights_without_a_check_of_their_own() -> None:
    events = [{"date": _day(0)}, {"date": _day(3), "hours": 72.0}]
    nights = _read(events, [{"event_id": event(**events[0])["event_id"], "count": 2},
                            {"event_id": event(**events[1])["event_id"], "count": 9}])
    assert nights.catch[0].tolist() == [2, 3, 3, 3]
    assert nights.effort[0].tolist() == [1, 1, 1, 1]
    assert (nights.state == Night.COUNTED).all()


def test_two_checks_of_a_net_on_a_day_are_one_night() -> None:
    events = [{"date": _day(0), "hours": 10.0, "hour": "T0800"},
              {"date": _day(0), "hours": 14.0, "hour": "T2200"}]
    nights = _read(events, [{"event_id": event(**e)["event_id"], "count": n}
                            for e, n in zip(events, (3, 4), strict=True)])
    assert nights.catch.tolist() == [[7]]
    assert nights.effort.tolist() == [[1]]


def test_a_sites_nets_are_taken_together_by_effort() -> None:
    events = [{"date": _day(0), "gear": "A", "hours": 24.0},
              {"date": _day(0), "gear": "B", "hours": 12.0}]
    nights = _read(events, [{"event_id": event(**e)["event_id"], "count": 6} for e in events])
    assert nights.sites == ("a",)
    assert nights.site_cpue.tolist() == [[8.0]]


def test_another_season_and_another_gear_are_not_looked_at() -> None:
    events = [{"date": _day(0)}, {"date": dt.date(2024, 3, 1)},
              {"date": _day(1), "protocol": "seine"}]
    nights = _read(events, [{"event_id": event(**events[0])["event_id"], "count": 1}])
    assert nights.state.shape == (1, 1)
    empty = read_nights(release(events), 2023, FYKE, FYKE.targets[0], Terms())
    assert empty is None
