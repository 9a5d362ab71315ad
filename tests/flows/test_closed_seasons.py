"""A week judged with what closed seasons left, beside the same week with all rows judged."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import pytest

from checks.judging import judge_sites
from fixtures import lay_out
from flows import closed_seasons
from flows.network_folder import load_network
from flows.weekly import run_in_order
from shared.findings import Finding
from warehouse import closed
from warehouse.held import site_findings
from warehouse.store import Warehouse

from .conftest import AS_OF, SITES, published

WHOLE = 1_000_000
"""A record that is never long enough: all rows are judged."""


def _run(bay: Path, as_of: dt.date = AS_OF) -> dict[str, list[Finding]]:
    network = load_network(bay)
    outcome = run_in_order(bay, network, as_of)
    assert not any(site.troubles for site in outcome.sites.values())
    with Warehouse.open(bay) as warehouse:
        return {site: site_findings(warehouse, site) for site in network.sites}


def _copy(bay: Path, name: str) -> Path:
    return Path(shutil.copytree(bay, bay.parent / name))


@pytest.fixture
def judged(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, int]]:
    """Each judgement: what was laid out for it, and how many events."""
    seen: list[tuple[str, int]] = []
    judge = judge_sites

    def counted(con, network, as_of, names, *given):  # type: ignore[no-untyped-def]
        (events,) = con.execute(f"SELECT count(*) FROM {names.events}").fetchone()
        seen.append((names.events, events))
        return judge(con, network, as_of, names, *given)

    monkeypatch.setattr(closed_seasons, "judge_sites", counted)
    monkeypatch.setattr(closed_seasons, "LONG", 1)
    return seen


def _week_later(bay: Path, later: Path) -> None:
    """The sheets of one more week come in."""
    lay_out(later, weeks=12, only_sites=SITES)
    shutil.rmtree(bay / "inbox")
    shutil.copytree(later / "inbox", bay / "inbox")


def test_closed_seasons_leave_findings_and_release_as_judging_everything_does(
    bay: Path, judged: list[tuple[str, int]], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    whole = _copy(bay, "whole")
    first = _run(bay)
    assert [name for name, _ in judged] == ["closed_events", "open_events"]
    assert judged[0][1] > judged[1][1] > 0
    _week_later(bay, tmp_path / "later")
    judged.clear()
    second = _run(bay, AS_OF + dt.timedelta(days=7))
    assert {name for name, _ in judged} == {"open_events"}

    monkeypatch.setattr(closed_seasons, "LONG", WHOLE)
    assert _run(whole) == first
    _week_later(whole, tmp_path / "later again")
    assert _run(whole, AS_OF + dt.timedelta(days=7)) == second
    assert published(whole) == published(bay)
    assert sum(map(len, second.values())) > 20


def test_changed_settings_have_the_closed_seasons_judged_again(
    bay: Path, judged: list[tuple[str, int]], monkeypatch: pytest.MonkeyPatch
) -> None:
    _run(bay)
    settings = bay / "network.toml"
    settings.write_text(settings.read_text(encoding="utf-8")
                        + "\n[thresholds.soak-too-long]\nquery_hours = 30\n", encoding="utf-8")
    whole = _copy(bay, "whole")
    judged.clear()
    changed = _run(bay)
    assert [name for name, _ in judged] == ["closed_events", "open_events"]
    monkeypatch.setattr(closed_seasons, "LONG", WHOLE)
    assert _run(whole) == changed
    assert published(whole) == published(bay)


def test_a_row_of_a_closed_season_that_changes_has_it_judged_again(
    bay: Path, judged: list[tuple[str, int]]
) -> None:
    _run(bay)
    with Warehouse.open(bay) as warehouse:
        before = closed.digests(warehouse)
    sheet = next((bay / "inbox" / "hobnail-brook").glob("*2024.csv"))
    lines = sheet.read_bytes().decode("cp1252").splitlines(keepends=True)
    sheet.write_bytes("".join([*lines[:-8], *lines[-7:]]).encode("cp1252"))
    judged.clear()
    _run(bay)
    assert [name for name, _ in judged] == ["closed_events", "open_events"]
    with Warehouse.open(bay) as warehouse:
        after = closed.digests(warehouse)
    # And what it is to the others: a neighbour.
    assert after["hobnail-brook"] != before["hobnail-brook"]


def test_which_files_are_closed(bay: Path, judged: list[tuple[str, int]]) -> None:
    with Warehouse.open(bay) as warehouse:
        con = warehouse.connection
        con.execute("CREATE TEMP TABLE judged_events (site VARCHAR, file_sha256 VARCHAR, "
                    "season INTEGER, event_id VARCHAR); "
                    "CREATE TEMP TABLE judged_earlier AS FROM judged_events")
        for site, file, season, event in (
            ("alder", "a", 2025, "1"), ("alder", "b", 2026, "2"), ("alder", "b", None, None),
            ("birch", "c", 2025, "3"), ("birch", "d", 2026, "4"), ("birch", "d", 2025, "3"),
            ("cedar", "e", 2026, "5"), ("dogwood", "f", None, None), ("elder", "g", 2024, "6"),
            ("fir", "i", 2025, "7"), ("fir", "j", 2026, "8"), ("fir", "j", 2025, "9"),
        ):
            con.execute("INSERT INTO judged_events VALUES (?, ?, ?, ?)",
                        [site, file, season, event])
        # A row in last year is the sheet's own affair, unless last year has it too.
        assert closed_seasons._closed_files(warehouse, 2026) == {
            "alder": ["a"], "elder": ["g"], "fir": ["i"]}
        con.execute("INSERT INTO judged_earlier VALUES ('alder', 'h', 2025, '10'), "
                    "('elder', 'k', 2026, '11')")
        assert closed_seasons._closed_files(warehouse, 2026) == {
            "alder": ["a", "h"], "elder": ["g"], "fir": ["i"]}
