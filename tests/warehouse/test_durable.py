"""Files are there whole or not at all."""

from __future__ import annotations

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
