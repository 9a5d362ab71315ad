"""A module that is not needed is not imported, and is there for who needs it after all."""

from __future__ import annotations

import importlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from checks.unneeded import unneeded

REPO = Path(__file__).parents[2]
NAME = "slow_to_import"


@pytest.fixture
def noted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """What was imported: ``slow_to_import`` notes it in the list, ``holder`` imports it."""
    (tmp_path / f"{NAME}.py").write_text(
        "import sys\nsys.noted.append('imported')\nvalue = 7\n", encoding="utf-8")
    (tmp_path / "holder.py").write_text(
        f"import {NAME} as held\n\ndef value():\n    return held.value\n", encoding="utf-8")
    seen: list[str] = []
    monkeypatch.setattr(sys, "noted", seen, raising=False)
    monkeypatch.syspath_prepend(tmp_path)
    yield seen
    for name in (NAME, "holder"):
        sys.modules.pop(name, None)


def test_who_holds_it_gets_it_when_it_is_used(noted: list[str]) -> None:
    with unneeded(NAME):
        holder = importlib.import_module("holder")
    assert noted == [] and NAME not in sys.modules
    assert holder.value() == 7
    assert noted == ["imported"]


def test_who_uses_it_inside_gets_it_too(noted: list[str]) -> None:
    with unneeded(NAME):
        assert importlib.import_module("holder").value() == 7
    assert noted == ["imported"]
    assert sys.modules[NAME].value == 7, "an import like any other"


def test_an_import_afterwards_is_an_import_like_any_other(noted: list[str]) -> None:
    with unneeded(NAME):
        importlib.import_module("holder")
    assert importlib.import_module(NAME).value == 7
    assert noted == ["imported"]


def test_what_is_imported_already_stays(noted: list[str]) -> None:
    known = importlib.import_module(NAME)
    with unneeded(NAME):
        assert sys.modules[NAME] is known
    assert sys.modules[NAME] is known


_READY = """
import sys
from checks import contract, gate
contract.get_ready()
gate.get_ready()
print(*sorted({"altair", "scipy.stats", "great_expectations", "pandera"} & set(sys.modules)))
import scipy.stats
print(scipy.stats.norm.cdf(0.0))
"""


def test_the_gate_is_ready_without_what_it_never_asks_for() -> None:
    done = subprocess.run([sys.executable, "-c", _READY], cwd=REPO, text=True,
                          capture_output=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == ["great_expectations pandera", "0.5"]
