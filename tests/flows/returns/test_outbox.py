"""The outbox: complete or untouched, and quiet when there is nothing new."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from flows.returns import outbox
from flows.returns.gathering import gather
from flows.returns.outbox import OutboxBusy, ReturnedPaths, return_to_site
from shared.findings import Finding
from shared.problems import BadSettings, Trouble
from shared.settings import Network, Site

Make = Callable[..., Finding]
Put = Callable[..., ReturnedPaths | None]


@pytest.fixture
def put(
    tmp_path: Path, site: Site, network: Network, account: Mapping[str, int], as_of: dt.date
) -> Put:
    def do(findings: list[Finding], **changes: object) -> ReturnedPaths | None:
        given: dict[str, object] = {
            "site": site, "network": network, "asks": gather(findings), "account": account,
            "troubles": [], "as_of": as_of, "version": "2026.20"}
        return return_to_site(tmp_path, **(given | changes))  # type: ignore[arg-type]

    return do


def snapshot(folder: Path) -> dict[str, tuple[bytes, int]]:
    return {str(path.relative_to(folder)): (path.read_bytes(), path.stat().st_mtime_ns)
            for path in folder.rglob("*") if path.is_file()}


def test_three_files_in_the_week_of_the_run_and_nothing_left_beside(
    put: Put, finding: Make, tmp_path: Path
) -> None:
    paths = put([finding(12)])
    assert paths is not None
    assert paths.folder == tmp_path / "outbox" / "sedge-creek" / "2026-W21"
    assert sorted(entry.name for entry in paths.folder.iterdir()) == [
        "message.html", "message.txt", "please-answer.xlsx"]
    assert list(paths.folder.parent.iterdir()) == [paths.folder]
    assert b"\r" not in paths.text.read_bytes()


def test_a_january_run_is_filed_under_its_iso_week() -> None:
    # ISO 8601: 1 January 2027 is a Friday of week 53 of 2026.
    assert outbox.week_name(dt.date(2027, 1, 1)) == "2026-W53"


def test_running_twice_changes_nothing(put: Put, finding: Make) -> None:
    first = put([finding(12)])
    assert first is not None
    before = snapshot(first.folder)
    assert put([finding(12)]) == first
    assert snapshot(first.folder) == before


def test_the_same_news_is_not_told_twice(put: Put, finding: Make, as_of: dt.date) -> None:
    first = put([finding(12)])
    assert first is not None
    later = as_of + dt.timedelta(7)
    assert put([finding(12)], last_digest=first.digest, as_of=later) is None
    assert not (first.folder.parent / outbox.week_name(later)).exists()


@pytest.mark.parametrize("change", ["ask", "trouble", "account"])
def test_anything_new_is_told(
    put: Put, finding: Make, account: Mapping[str, int], change: str
) -> None:
    first = put([finding(12)])
    assert first is not None
    found = [finding(12), finding(13)] if change == "ask" else [finding(12)]
    troubles = [Trouble("file-empty", "It is empty.", "Send it again.", "a.csv")]
    assert put(found, last_digest=first.digest,
               troubles=troubles if change == "trouble" else [],
               account=dict(account) | {"rows": 119} if change == "account" else account)


def test_a_group_that_grew_is_news(put: Put, fahrenheit_column: list[Finding]) -> None:
    first = put(fahrenheit_column[:5])
    assert first is not None
    assert put(fahrenheit_column[:6], last_digest=first.digest) is not None


def test_nothing_arrived_and_nothing_odd_says_nothing(put: Put, tmp_path: Path) -> None:
    assert put([], account={}) is None
    assert not (tmp_path / "outbox").exists()


def test_clean_rows_are_thanked_for_without_a_workbook(put: Put) -> None:
    paths = put([], account={"rows": 7, "clean": 7})
    assert paths is not None and paths.workbook is None
    assert sorted(entry.name for entry in paths.folder.iterdir()) == [
        "message.html", "message.txt"]


def test_answers_typed_into_the_outbox_outlive_a_second_run(put: Put, finding: Make) -> None:
    first = put([finding(12)])
    assert first is not None and first.workbook is not None
    first.workbook.write_bytes(b"filled in by hand")
    put([finding(12)])
    put([finding(12), finding(13)])
    kept = [path.read_bytes() for path in (first.folder / outbox.EARLIER).iterdir()]
    assert b"filled in by hand" in kept


def test_a_workbook_that_cannot_be_written_is_told_to_a_person(
    put: Put, finding: Make, tmp_path: Path
) -> None:
    (tmp_path / "outbox").write_text("a file stands where the folder should", encoding="utf-8")
    with pytest.raises(OutboxBusy) as caught:
        put([finding(12)])
    assert caught.value.trouble.code == "outbox-busy" and caught.value.remedy


def test_a_folder_that_cannot_be_replaced_stays_as_it_was(
    put: Put, finding: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = put([finding(12)])
    assert first is not None
    before = snapshot(first.folder)
    real = os.replace

    def refuse(source: Path, target: Path) -> None:
        if Path(source).name.startswith(".making-"):
            raise PermissionError(13, "the file is open in another program")
        real(source, target)

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(OutboxBusy, match="open in another program"):
        put([finding(12), finding(13)])
    assert snapshot(first.folder) == before
    assert list(first.folder.parent.iterdir()) == [first.folder]


@pytest.mark.parametrize("name", ["../inbox", "a/b", "", ".hidden"])
def test_a_site_cannot_write_outside_its_folder(
    put: Put, finding: Make, site: Site, tmp_path: Path, name: str
) -> None:
    with pytest.raises(BadSettings):
        put([finding(12)], site=replace(site, id=name))
    assert list(tmp_path.iterdir()) == []
