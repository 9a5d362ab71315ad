"""docs/reliability.md: every promise names a test, and every test named is there."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from bench.faults import FAULTS

ROOT = Path(__file__).parent.parent
PAGE = (ROOT / "docs" / "reliability.md").read_text(encoding="utf-8")
ROWS = [line for line in PAGE.splitlines() if line.startswith("| ")][2:]


@pytest.mark.parametrize("row", ROWS, ids=[row.split("|")[1].strip()[:40] for row in ROWS])
def test_each_promise_names_tests_that_are_there(row: str) -> None:
    fault, promised, to_do, tests = (cell.strip() for cell in row.strip("|").split("|"))
    assert fault and promised and to_do
    named = re.findall(r"`(tests/[\w/]+\.py)::(test_\w+)`", tests)
    assert named and tests.count("::") == len(named)
    for path, name in named:
        tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
        assert name in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}, (
            f"{path}::{name}")


def test_the_page_is_found_from_where_people_look() -> None:
    for place in ("README.md", "DEVELOPERS.md", "docs/operate.md"):
        assert "reliability.md" in (ROOT / place).read_text(encoding="utf-8"), place


@pytest.mark.parametrize("word", ["killed", "torn", "full", "read-only", "connection", "two runs",
                                  "clock", "half", "database damaged", "received file",
                                  "migration"])
def test_every_fault_of_the_page_is_also_drawn_at_random(word: str) -> None:
    assert any(word in fault for fault in FAULTS)
    assert word in PAGE.lower()
