"""The door of the release: what breaks the contract is not published, and is named."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from checks import gate as gate_rules
from flows.answers import pending
from flows.door import may_open
from flows.network_folder import load_network
from flows.weekly import run_in_order
from shared.decisions import Action, Answer
from warehouse import durable
from warehouse.folder import standing_path
from warehouse.store import Warehouse

from .conftest import AS_OF, published

_SABOTAGE = {
    "a water temperature that cannot be": (
        "UPDATE clean_events SET water_temperature_c = 54 WHERE rowid = 3", "water_temperature_c"),
    "a flag outside the scheme": ("UPDATE clean_events SET qc_ph = 7 WHERE rowid = 3", "qc_ph"),
    "a count below zero": ("UPDATE clean_counts SET count = -1 WHERE rowid = 3", "count"),
    "an unknown taxon": ("UPDATE clean_counts SET taxon_id = 'kraken' WHERE rowid = 3", "taxon_id"),
    "an event twice": (
        "INSERT INTO clean_events FROM clean_events WHERE rowid = 3", "event_id"),
    "a net with no name": (
        "UPDATE clean_events SET gear_unit = NULL WHERE protocol = 'fyke' AND rowid < 4",
        "gear unit"),
    "no effort at all passing for effort": (
        "UPDATE clean_events SET effort_value = 0 WHERE rowid = 3", "effort_value"),
}


@pytest.mark.parametrize("what", _SABOTAGE)
def test_what_breaks_the_contract_is_not_published(ran: Path, what: str) -> None:
    sabotage, named = _SABOTAGE[what]
    network = load_network(ran)
    before = published(ran)
    with Warehouse.open(ran) as warehouse:
        warehouse.connection.execute(sabotage)
    outcome = run_in_order(ran, network, AS_OF)
    assert outcome.release is None
    (notice,) = outcome.standing["notices"]
    assert named in notice and "No release was made" in notice
    assert published(ran) == before


def test_a_shut_gate_leaves_no_latest_and_tells_the_coordinator_which_rows(
    bay: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gate_rules, "_sites", lambda: gate_rules.Suite(
        "sites", 'SELECT site_id AS "key", 91.0 AS latitude FROM gate_sites', "key",
        (gate_rules.Expectation("site-latitude-possible", "latitude", "between",
                                "A latitude is not on the globe",
                                {"min_value": -90, "max_value": 90}),)))
    outcome = run_in_order(bay, load_network(bay), AS_OF)
    assert outcome.release is None and not (bay / "releases" / "latest").exists()
    (notice,) = outcome.standing["notices"]
    assert "site-latitude-possible" in notice and "alder-creek: 91.0" in notice
    assert "The last release stands" in notice
    assert outcome.seconds["gate"] > 0, "told apart from building"


def _newest(bay: Path) -> int:
    told = [path.stat() for path in (bay / "network.toml", *(bay / "inbox").rglob("*"))]
    return max(max(one.st_mtime_ns, one.st_ctime_ns) for one in told)


def _a_run_ends(bay: Path) -> None:
    """Leave the mark of a run that saw all there is, and see that what comes next is later."""
    newest = _newest(bay)
    standing = standing_path(bay)
    durable.write_text(standing, "{}")
    os.utime(standing, ns=(newest, newest))
    probe = bay / "probe"
    while True:  # the clock of a file system moves in steps
        probe.touch()
        if probe.stat().st_mtime_ns > newest:
            return


def test_the_door_may_open_when_something_came_since_the_last_run(bay: Path) -> None:
    assert may_open(bay), "nobody has run it yet"
    sheet = bay / "inbox" / "alder-creek" / "another.csv"
    changes: dict[str, Callable[[], object]] = {
        "a sheet": lambda: sheet.write_text("x", encoding="utf-8"),
        "a sheet that kept its old time": lambda: os.utime(sheet, (1, 1)),
        "a sheet taken away": sheet.unlink,
        "settings": (bay / "network.toml").touch,
        "an answer": lambda: pending.put(bay, Answer("alder-creek", "x", Action.CONFIRM)),
    }
    for came, change in changes.items():
        _a_run_ends(bay)
        assert not may_open(bay), came
        change()
        assert may_open(bay), came
