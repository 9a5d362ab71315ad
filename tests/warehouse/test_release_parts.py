"""A release in parts says what one with a file a table says, and takes over what stands."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from shared.settings import Network
from tests.warehouse.by_hand import AS_OF, days, in_parts, load, send
from warehouse import release_parts
from warehouse.published import published_tables
from warehouse.release import Release, build_release, read_manifest
from warehouse.snapshot import BadQuestion, query
from warehouse.store import Warehouse


def publish(warehouse: Warehouse, terms: Network) -> Release:
    return build_release(warehouse, terms, AS_OF, warehouse.network_dir)


@pytest.fixture
def two_seasons(wh: Warehouse) -> Warehouse:
    """Two sites with a season that is over, one of them with one under way."""
    for site in ("alder", "birch"):
        send(wh, site, f"{site}/2025.xlsx", days("2025-03-01", 4))
    send(wh, "alder", "alder/2026.xlsx", days("2026-03-01", 5), salt="now")
    seasons_by_date(wh)
    for site in ("alder", "birch"):
        load(wh, site)
    return wh


def seasons_by_date(warehouse: Warehouse) -> None:
    """Rows by hand are all of one season until told."""
    warehouse.connection.execute("UPDATE staged_events SET season = year(local_date)")


def _links(release: Release) -> dict[str, int]:
    return {path.relative_to(release.path).as_posix(): path.stat().st_ino
            for table in release_parts.CUT for path in (release.path / table).iterdir()}


def test_parts_say_what_whole_tables_say(two_seasons: Warehouse) -> None:
    network_dir = two_seasons.network_dir
    publish(two_seasons, in_parts())
    said = {}
    for terms in (in_parts(), in_parts(10**9)):
        made = publish(two_seasons, terms)
        for table in published_tables():
            columns = ", ".join(f'"{column.name}"' for column in table.columns)
            said.setdefault(table.name, []).append(
                query(network_dir, f"SELECT {columns} FROM {table.name} ORDER BY ALL").rows)
        assert query(network_dir, "SELECT DISTINCT release_version FROM counts").rows == [
            (made.version,)]
        said.setdefault("totals", []).append(
            query(network_dir, "FROM season_totals ORDER BY ALL").rows)
    assert all(parts == whole for parts, whole in said.values())
    assert len(said["counts"][0]) > 13 and said["totals"][0]


def test_a_part_whose_rows_stand_is_the_same_file_in_the_next_release(
    two_seasons: Warehouse
) -> None:
    first = publish(two_seasons, in_parts())
    assert {name.split("/")[1] for name in _links(first)} == {"2025.parquet", "2026.parquet"}
    send(two_seasons, "alder", "alder/2026.xlsx", days("2026-03-01", 6), salt="later")
    load(two_seasons, "alder")
    second = publish(two_seasons, in_parts())
    before, after = _links(first), _links(second)
    assert second.version != first.version
    assert {name for name in after if after[name] == before[name]} == {
        f"{table}/2025.parquet" for table in release_parts.CUT}
    assert read_manifest(second.path)["rows"]["events"] == 14
    text = (second.path / "CHANGES.md").read_text("utf-8")
    assert "1 event added, 0 events withdrawn" in text


def test_nothing_new_makes_no_release(two_seasons: Warehouse) -> None:
    first = publish(two_seasons, in_parts())
    load(two_seasons, "alder")
    assert publish(two_seasons, in_parts()) == replace(first, new=False)


def test_the_same_rows_give_the_same_files(two_seasons: Warehouse, tmp_path: Path) -> None:
    first = publish(two_seasons, in_parts())
    with Warehouse.open(tmp_path / "again") as again:
        for site in ("birch", "alder"):
            send(again, site, f"{site}/2025.xlsx", days("2025-03-01", 4))
        send(again, "alder", "alder/2026.xlsx", days("2026-03-01", 5), salt="now")
        seasons_by_date(again)
        for site in ("birch", "alder"):
            load(again, site)
        second = publish(again, in_parts())
    assert read_manifest(second.path)["parts"] == read_manifest(first.path)["parts"]
    files = [read_manifest(one.path)["files"] for one in (first, second)]
    assert files[0] == files[1]


def test_small_parts_are_dealt_by_site(
    two_seasons: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = publish(two_seasons, in_parts())
    rows = pq.read_table(whole.path / "events" / "2026.parquet").num_rows
    monkeypatch.setattr(release_parts, "SMALL", 2)
    send(two_seasons, "birch", "birch/2026.xlsx", days("2026-03-01", 3), salt="small")
    load(two_seasons, "birch")
    dealt = publish(two_seasons, in_parts())
    parts = [path for path in (dealt.path / "events").iterdir() if "-of-4." in path.name]
    assert sum(pq.read_table(path).num_rows for path in parts) == rows + 3
    assert {release_parts.group_of(site, 4) for site in ("alder", "birch")} == {
        int(path.stem.split("-")[1]) - 1 for path in parts}


def test_parts_are_the_same_files_however_many_are_made_together(
    two_seasons: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(release_parts, "SMALL", 2)
    monkeypatch.setattr(release_parts, "LARGE", 1)
    files = []
    for together in (1, 1 << 18):
        monkeypatch.setattr(release_parts, "_TOGETHER", together)
        made = publish(two_seasons, in_parts())
        files.append(read_manifest(made.path)["files"])
        shutil.rmtree(made.path.parent)
    assert files[0] == files[1]
    assert sum(name.startswith("counts/2025-") for name in files[0]) == 2


def test_a_query_reads_the_release_and_nothing_else(
    two_seasons: Warehouse, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    publish(two_seasons, in_parts())
    (tmp_path / "counts").mkdir()
    (tmp_path / "counts" / "secret.txt").write_text("secret", "utf-8")
    monkeypatch.chdir(tmp_path)
    for place in ("counts/secret.txt", str(tmp_path / "counts" / "secret.txt")):
        with pytest.raises(BadQuestion):
            query(two_seasons.network_dir, f"FROM read_text('{place}')")
