"""Sites judged in one pass, beside the same sites judged one by one."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from checks.judging import judge_sites
from flows import closed_seasons
from flows.network_folder import load_network
from flows.weekly import MOST_TOGETHER, WeeklyRun, run_in_order
from shared.findings import Finding
from warehouse.held import site_findings
from warehouse.store import Warehouse

from .conftest import AS_OF, published


def _found(bay: Path) -> dict[str, list[Finding]]:
    network = load_network(bay)
    run_in_order(bay, network, AS_OF)
    with Warehouse.open(bay) as warehouse:
        return {site: site_findings(warehouse, site) for site in network.sites}


def _copy(bay: Path, name: str) -> Path:
    return Path(shutil.copytree(bay, bay.parent / name))


def _one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(WeeklyRun, "_passes", lambda run, changed: [[site] for site in changed])


def test_sites_judged_in_one_pass_are_judged_as_alone(
    bay: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    passes: list[int] = []
    of_sites = judge_sites

    def counted(*given: object) -> dict[str, list[Finding]]:
        found = of_sites(*given)  # type: ignore[arg-type]
        passes.append(len(found))
        return found

    monkeypatch.setattr(closed_seasons, "judge_sites", counted)
    alone = _copy(bay, "alone")
    together = _found(bay)
    assert passes == [len(together)]
    _one_by_one(monkeypatch)
    assert _found(alone) == together
    assert passes == [len(together)] + [1] * len(together)
    assert published(alone) == published(bay)
    assert sum(map(len, together.values())) > 20


def test_one_file_at_two_sites_is_judged_at_each(bay: Path, monkeypatch: pytest.MonkeyPatch
                                                 ) -> None:
    sheet = bay / "inbox" / "hobnail-brook" / "hobnail_2026.csv"
    # Named as the other site's own, or its reader would not know the columns.
    shutil.copy(sheet, bay / "inbox" / "inkwell-burn" / "from_next_door.csv")
    alone = _copy(bay, "alone")
    together = _found(bay)
    _one_by_one(monkeypatch)
    assert _found(alone) == together


def test_a_pass_that_fails_leaves_each_site_to_itself(
    bay: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = _found(_copy(bay, "whole"))

    of_sites = judge_sites

    def broken(con, network, as_of, names, *given):  # type: ignore[no-untyped-def]
        if con.execute(f"SELECT count(DISTINCT site) FROM {names.events}").fetchone()[0] > 1:
            con.execute("SELECT no_such_thing")
        return of_sites(con, network, as_of, names, *given)

    monkeypatch.setattr(closed_seasons, "judge_sites", broken)
    assert _found(bay) == whole


def test_a_site_too_large_or_with_a_file_of_another_is_judged_apart(bay: Path) -> None:
    with Warehouse.open(bay) as warehouse:
        run = WeeklyRun(bay, load_network(bay), warehouse, AS_OF)
        for site, events, file in (("alder-creek", 3, "a"), ("hobnail-brook", 3, "b"),
                                   ("inkwell-burn", 3, "a"),
                                   ("kettlelid-brook", MOST_TOGETHER, "d")):
            warehouse.connection.execute("INSERT INTO readings VALUES (?, ?, 'key', ?, ?)",
                                         [site, file, events, events])
        passes = [set(sites) for sites in run._passes(list(run.network.sites))]
    assert sorted(site for sites in passes for site in sites) == sorted(run.network.sites)
    assert not any({"alder-creek", "inkwell-burn"} <= sites for sites in passes)
    assert any({"alder-creek", "hobnail-brook"} <= sites for sites in passes)
    (with_many,) = [sites for sites in passes if "kettlelid-brook" in sites]
    assert with_many <= {"kettlelid-brook", "cinderpath-brook"}
