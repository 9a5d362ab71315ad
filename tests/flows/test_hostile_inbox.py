"""What somebody may leave in a site's inbox to do harm costs itself; the rest is taken in."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from flows.network_folder import MOST_BYTES
from flows.weekly import WeeklyRun
from shared.settings import Network
from tests.sheets.harmful import long_string_often
from warehouse import receipts
from warehouse.held import file_troubles
from warehouse.store import Warehouse

from .conftest import AS_OF

SITE = "alder-creek"
SECRET = b"Date,Glass eels\n2026-04-18,4711\n"

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs links and odd names")


@pytest.fixture
def week(bay: Path, network: Network) -> Iterator[WeeklyRun]:
    with Warehouse.open(bay) as warehouse:
        yield WeeklyRun(bay, network, warehouse, AS_OF)


def _received(week: WeeklyRun) -> dict[str, str]:
    week.receive(SITE)
    return {entry.path: entry.sha256 for entry in receipts.received_files(week.warehouse, SITE)}


def _troubles(week: WeeklyRun) -> dict[str, str]:
    return {trouble.where: trouble.code for trouble in week.outcome.sites[SITE].troubles}


def test_a_link_out_of_the_inbox_is_not_followed(bay: Path, week: WeeklyRun) -> None:
    (bay / "private.csv").write_bytes(SECRET)
    inbox = bay / "inbox" / SITE
    (inbox / "counts.csv").symlink_to(bay / "private.csv")
    (inbox / "folder").symlink_to(bay)
    (inbox / "again").symlink_to(inbox)
    paths = _received(week)
    assert paths and not any("private" in path or "counts.csv" in path for path in paths)
    assert _troubles(week) == {f"{SITE}/counts.csv": "file-is-a-link"}
    assert not any(path.read_bytes() == SECRET
                   for path in (bay / "warehouse" / "received").rglob("*") if path.is_file())


def test_an_inbox_that_is_itself_a_link_to_a_drop_folder_is_read(
    bay: Path, week: WeeklyRun, tmp_path: Path
) -> None:
    (bay / "inbox" / SITE).rename(tmp_path / "drop")
    (bay / "inbox" / SITE).symlink_to(tmp_path / "drop")
    assert _received(week) and _troubles(week) == {}


def test_a_file_no_sheet_can_be_is_left_where_it_is(bay: Path, week: WeeklyRun) -> None:
    with (bay / "inbox" / SITE / "huge.csv").open("wb") as handle:
        handle.truncate(MOST_BYTES + 1)
    assert f"{SITE}/huge.csv" not in _received(week)
    assert _troubles(week) == {f"{SITE}/huge.csv": "file-too-large"}


@pytest.mark.skipif(sys.platform == "darwin", reason="file names are UTF-8 there")
def test_a_name_in_no_encoding_costs_only_itself(bay: Path, week: WeeklyRun) -> None:
    (bay / "inbox" / SITE / os.fsdecode(b"counts\xff.csv")).write_bytes(SECRET)
    assert _received(week)
    assert _troubles(week) == {f"{SITE}/counts?.csv": "file-name"}


@pytest.mark.parametrize("name", [
    "a'); DROP TABLE receipts; --.csv", '"<script>alert(1)<-script>".csv', "a\x1b[31m\nb.csv"])
def test_a_name_is_a_name_and_no_order(bay: Path, week: WeeklyRun, name: str) -> None:
    (bay / "inbox" / SITE / name).write_bytes(SECRET)
    assert f"{SITE}/{name}" in _received(week)


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux bounds memory closely")
def test_a_workbook_that_fells_its_reader_leaves_the_others_read(
    bay: Path, week: WeeklyRun
) -> None:
    (bay / "inbox" / SITE / "bomb.xlsx").write_bytes(long_string_often(20_000_000, 5_000))
    sound = len(_received(week)) - 1
    assert week.take_in(SITE) == sound + 1
    found = file_troubles(week.warehouse, SITE)
    assert [trouble.code for trouble in found] == ["reader-stopped"]
    assert week.warehouse.connection.execute(
        "SELECT count(DISTINCT sha256) FROM readings WHERE site = ?", [SITE]).fetchone() == (
            sound,)
