"""docs/security.md promises nothing that no test holds."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "docs" / "security.md").read_text(encoding="utf-8")
NAMED = sorted(set(re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", TEXT)))


@pytest.mark.parametrize(("place", "name"), NAMED)
def test_every_test_it_names_is_there(place: str, name: str) -> None:
    tree = ast.parse((ROOT / place).read_text(encoding="utf-8"))
    assert name in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}


def test_every_measure_names_its_test() -> None:
    rows = [line for line in TEXT.splitlines()
            if line.startswith("| ") and not line.startswith(("| measure", "| ---"))]
    assert len(rows) > 30
    assert [row for row in rows if "::test_" not in row.rpartition(" | ")[2]] == []


def test_every_door_is_there_with_what_is_at_stake_and_not_promised() -> None:
    headings = re.findall(r"(?m)^## (.+)$", TEXT)
    for door in ("sheet", "mailbox", "drop folder", "download link", "pages", "answers workbook",
                 "question", "files we write", "backup"):
        assert any(door in heading for heading in headings), door
    assert "What is not promised" in headings and "**What is at stake**" in TEXT
