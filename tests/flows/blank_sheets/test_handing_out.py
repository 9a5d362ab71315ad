"""Handing out writes two files and never over one that somebody may have filled in."""

from __future__ import annotations

from pathlib import Path

import pytest

from fixtures.lantern_bay import SITES, settings_text
from flows.blank_sheets import hand_out
from shared.problems import BadSettings
from shared.settings import parse_network

NETWORK = parse_network(settings_text(SITES))
SITE = NETWORK.sites["alder-creek"]


def test_two_files_and_nothing_else(tmp_path: Path) -> None:
    paths = hand_out(tmp_path / "new" / "folder", SITE, NETWORK, 2026)
    assert [path.name for path in paths] == [
        "alder-creek-2026-season-sheet.xlsx", "alder-creek-2026-field-form-day-a4.pdf"]
    assert sorted((tmp_path / "new" / "folder").iterdir()) == sorted(paths)


def test_again_changes_nothing_and_a_filled_in_sheet_is_left_alone(tmp_path: Path) -> None:
    first = hand_out(tmp_path, SITE, NETWORK, 2026)
    assert hand_out(tmp_path, SITE, NETWORK, 2026) == first
    first[0].write_bytes(b"somebody's season")
    again = hand_out(tmp_path, SITE, NETWORK, 2026)
    assert first[0].read_bytes() == b"somebody's season"
    assert again[0].name == "alder-creek-2026-season-sheet (2).xlsx"
    assert again[1] == first[1]


def test_a_folder_that_cannot_be_is_told_in_words(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    with pytest.raises(BadSettings, match="cannot be written"):
        hand_out(tmp_path / "taken", SITE, NETWORK, 2026)
