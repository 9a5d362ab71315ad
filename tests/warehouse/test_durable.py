"""Files are there whole or not at all."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from warehouse import durable


def test_a_write_that_fails_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "sub" / "standing.json"
    durable.write_text(place, "öld\n")

    def fail(source: object, target: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(OSError, match="disk full"):
        durable.write_text(place, "new\n")
    assert place.read_bytes() == "öld\n".encode()
    monkeypatch.undo()
    durable.sweep(place.parent)
    assert [path.name for path in place.parent.iterdir()] == ["standing.json"]


def test_a_reader_in_the_way_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.replace
    refused: list[Path] = []

    def busy(source: Path, target: Path) -> None:
        if len(refused) < 3:
            refused.append(target)
            raise PermissionError("open elsewhere")
        real(source, target)

    monkeypatch.setattr(os, "replace", busy)
    monkeypatch.setattr(durable, "_PAUSE_SECONDS", 0)
    durable.write_text(tmp_path / "latest", "2026.12.0\n")
    assert (tmp_path / "latest").read_text(encoding="utf-8") == "2026.12.0\n"
    assert len(refused) == 3


def test_a_disk_that_refuses_is_told_with_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OSError, match=r"standing\.json"):
        durable.write_text(tmp_path / "standing.json", "new\n")


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such modes")
def test_a_new_folder_with_people_in_it_is_its_owners_alone(tmp_path: Path) -> None:
    for name, mode in (("warehouse", 0o700), ("inbox", 0o700), ("outbox", 0o700),
                       ("backups", 0o700), ("releases", 0o777 & ~_umask())):
        durable.write_text(tmp_path / "bay" / name / "alder" / "file", "x")
        assert (tmp_path / "bay" / name).stat().st_mode & 0o777 == mode, name


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such modes")
def test_a_folder_that_somebody_opened_stays_open(tmp_path: Path) -> None:
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox").chmod(0o770)
    durable.write_text(tmp_path / "inbox" / "alder" / "file", "x")
    assert (tmp_path / "inbox").stat().st_mode & 0o777 == 0o770


def _umask() -> int:
    held = os.umask(0)
    os.umask(held)
    return held
