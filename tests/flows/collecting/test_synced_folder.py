"""A folder kept in step by a file-sync program: what is taken, and what is understood."""

from __future__ import annotations

import datetime as dt
import io
import os
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from flows.collecting import collect_round
from flows.collecting.putting_in import safe_name
from flows.collecting.synced_folder import FolderRound, conflict_of, look_into, whole
from shared.settings import Network
from warehouse.arrivals import arrivals
from warehouse.folder import received_path
from warehouse.store import Warehouse

SITE = "alder-creek"


def _now() -> dt.datetime:
    return dt.datetime.now(dt.UTC).replace(tzinfo=None)


def _workbook(words: str = "12") -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        # A name alone would be dated now, and the same words have other bytes two seconds later.
        sheet = zipfile.ZipInfo("xl/worksheets/sheet1.xml")
        archive.writestr(sheet, f"<v>{words}</v>" * 40)
    return out.getvalue()


def _look(warehouse: Warehouse, folder: Path, later: dt.timedelta = dt.timedelta(minutes=5)
          ) -> FolderRound:
    """A look at a time when what has just been written has been left alone for a while."""
    return look_into(warehouse, SITE, folder, _now() + later, 60.0, 1_000_000)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "synced"
    place.mkdir()
    return place


def _inbox(warehouse: Warehouse) -> dict[str, bytes]:
    home = warehouse.network_dir / "inbox" / SITE
    return {path.relative_to(home).as_posix(): path.read_bytes()
            for path in home.rglob("*") if path.is_file()}


def test_a_sheet_left_alone_is_taken_once(warehouse: Warehouse, folder: Path) -> None:
    (folder / "Counts 2026.xlsx").write_bytes(_workbook())
    assert _look(warehouse, folder).taken == [f"{SITE}/Counts 2026.xlsx"]
    assert _look(warehouse, folder).taken == []
    (folder / "Counts 2026.xlsx").write_bytes(_workbook("13"))
    assert _look(warehouse, folder).taken == [f"{SITE}/Counts 2026.xlsx"]
    assert _inbox(warehouse) == {"Counts 2026.xlsx": _workbook("13")}
    # What was replaced before any run saw it is not lost.
    first = arrivals(warehouse)[0]
    assert received_path(warehouse.network_dir, first.sha256).read_bytes() == _workbook()


def test_one_just_written_waits(warehouse: Warehouse, folder: Path) -> None:
    (folder / "counts.csv").write_bytes(b"Date,Eels\n")
    # Programs keep the time at which it was written far away.
    os.utime(folder / "counts.csv", (1_000_000_000, 1_000_000_000))
    found = _look(warehouse, folder, dt.timedelta(seconds=5))
    assert (found.taken, found.waiting) == ([], ["counts.csv"])
    assert _look(warehouse, folder).taken == [f"{SITE}/counts.csv"]


@pytest.mark.parametrize("part", [_workbook()[:-30], _workbook()[:200], b"", b"\0" * 900])
def test_half_a_workbook_waits_and_after_a_day_is_told(
    warehouse: Warehouse, folder: Path, part: bytes
) -> None:
    (folder / "counts.xlsx").write_bytes(part)
    assert _look(warehouse, folder).waiting == ["counts.xlsx"]
    assert _look(warehouse, folder, dt.timedelta(hours=20)).troubles == []
    (trouble,) = _look(warehouse, folder, dt.timedelta(hours=25)).troubles
    assert trouble.code == "file-half-written" and trouble.where == "counts.xlsx"
    assert _inbox(warehouse) == {}
    (folder / "counts.xlsx").write_bytes(_workbook())
    found = _look(warehouse, folder, dt.timedelta(hours=26))
    assert (found.taken, found.troubles) == ([f"{SITE}/counts.xlsx"], [])


@pytest.mark.parametrize("name", [
    ".syncthing.counts.xlsx.tmp", "~$counts.xlsx", ".~lock.counts.ods#", "counts.xlsx.part",
    "counts.xlsx.crdownload", ".counts.xlsx.icloud", "counts.xlsx.icloud", "~counts.tmp",
    "Thumbs.db", "photo.jpg", "notes.docx",
])
def test_what_programs_and_people_leave_beside_is_passed_over(
    warehouse: Warehouse, folder: Path, name: str
) -> None:
    (folder / name).write_bytes(b"passing")
    found = _look(warehouse, folder)
    assert (found.taken, found.waiting, found.troubles) == ([], [], [])


@pytest.mark.parametrize(("copy", "original"), [
    ("Counts (conflicted copy 2026-04-19).xlsx", "Counts.xlsx"),
    ("Counts (Ada's conflicted copy 2026-04-19).xlsx", "Counts.xlsx"),
    ("Counts (Case Conflict).xlsx", "Counts.xlsx"),
    ("Counts.sync-conflict-20260419-101112-ABCDEF7.xlsx", "Counts.xlsx"),
    ("Counts_conflict-20260419-101112.csv", "Counts.csv"),
    ("Counts (conflict with 2 April).ods", "Counts.ods"),
])
def test_conflict_copies_are_known_by_their_names(copy: str, original: str) -> None:
    assert conflict_of(copy) == original


@pytest.mark.parametrize("name", [
    "Counts.xlsx", "Counts (1).xlsx", "Conflict Creek 2026.xlsx", "Counts conflict.xlsx",
    "conflict.csv"])
def test_other_names_are_none(name: str) -> None:
    assert conflict_of(name) is None


def test_a_conflict_copy_is_kept_and_told_and_not_counted(
    warehouse: Warehouse, folder: Path
) -> None:
    copy = "Counts (conflicted copy 2026-04-19).xlsx"
    (folder / "Counts.xlsx").write_bytes(_workbook("12"))
    (folder / copy).write_bytes(_workbook("99"))
    for _ in range(2):
        found = _look(warehouse, folder)
        (trouble,) = found.troubles
        assert trouble.code == "conflict-copy" and trouble.where == copy
    assert _inbox(warehouse) == {"Counts.xlsx": _workbook("12")}
    kept = [item for item in arrivals(warehouse) if item.note]
    assert len(kept) == 1
    assert received_path(warehouse.network_dir, kept[0].sha256).read_bytes() == _workbook("99")
    # Settled by deleting it.
    (folder / copy).unlink()
    assert _look(warehouse, folder).troubles == []


def test_a_conflict_copy_that_says_the_same_is_nothing(
    warehouse: Warehouse, folder: Path
) -> None:
    (folder / "Counts.xlsx").write_bytes(_workbook())
    (folder / "Counts (conflicted copy 2026-04-19).xlsx").write_bytes(_workbook())
    found = _look(warehouse, folder)
    assert (found.taken, found.troubles) == ([f"{SITE}/Counts.xlsx"], [])


def test_a_conflict_copy_left_alone_is_the_sheet(warehouse: Warehouse, folder: Path) -> None:
    (folder / "Counts.xlsx").write_bytes(_workbook("12"))
    copy = folder / "Counts (conflicted copy 2026-04-19).xlsx"
    copy.write_bytes(_workbook("99"))
    _look(warehouse, folder)
    (folder / "Counts.xlsx").unlink()
    assert _look(warehouse, folder).taken == [f"{SITE}/Counts.xlsx"]
    assert _inbox(warehouse) == {"Counts.xlsx": _workbook("99")}
    assert _look(warehouse, folder).taken == []


def test_folders_within_keep_sheets_of_one_name_apart(
    warehouse: Warehouse, folder: Path
) -> None:
    for net in ("net A", "net B"):
        (folder / net).mkdir()
        (folder / net / "counts.csv").write_bytes(f"{net}\n".encode())
    _look(warehouse, folder)
    assert sorted(_inbox(warehouse)) == ["net A/counts.csv", "net B/counts.csv"]


def test_a_link_out_of_the_folder_is_not_followed(
    warehouse: Warehouse, folder: Path, tmp_path: Path
) -> None:
    (tmp_path / "private.csv").write_bytes(b"x")
    (folder / "counts.csv").symlink_to(tmp_path / "private.csv")
    assert _look(warehouse, folder).taken == []


def test_a_folder_that_is_gone_is_the_coordinators_trouble(
    warehouse: Warehouse, network: Callable[..., Network]
) -> None:
    found = collect_round(warehouse, network(alder='collect = { folder = "gone" }'), _now())
    ((who, trouble),) = found.troubles
    assert who == "" and trouble.code == "folder-missing" and "gone" in trouble.where


def test_a_text_needs_no_end_and_a_workbook_does() -> None:
    assert whole("a.csv", b"x") and whole("a.xlsx", _workbook())
    assert not whole("a.xlsx", _workbook()[:-1])


@pytest.mark.parametrize(("given", "safe"), [
    ("../../etc/passwd", "passwd"), ("C:\\Users\\Ada\\counts.xlsx", "counts.xlsx"),
    ("..", "sheet"), ("con.xlsx", "sheet-con.xlsx"), ("a\nb\0.csv", "a_b_.csv"),
    ("é" * 300 + ".xlsx", "é" * 100 + ".xlsx"), ("", "sheet"), ("con .csv", "sheet-con.csv"),
    ("com\u00b9.csv", "sheet-com\u00b9.csv"), ("数" * 300 + ".xlsx", "数" * 66 + ".xlsx"),
    ("a.csv:hidden", "a.csv_hidden"), ("evil\u202exslx.exe", "evil_xslx.exe"),
])
def test_names_lead_nowhere(given: str, safe: str) -> None:
    assert safe_name(given) == safe
